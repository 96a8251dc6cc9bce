"""From what was given, what the board already has, and what a person answers, to the board's settings."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from tareline.boards import files
from tareline.errors import FieldError
from tareline.mqtt.link import Address

Ask = Callable[[str, str | None, bool], str]  # question, what Enter means (None: an answer is needed), hidden

DEFAULT_BOARD = "esp32"
DEFAULT_GAIN_G_PER_STEP = 0.001
DEFAULT_REFERENCE_OHM = 1000
DEFAULT_CEILING_G_PER_DAY = 5.0


@dataclass(frozen=True, slots=True)
class Given:
    """What the command line says; None for what it does not."""

    wifi: str | None = None
    wifi_password: str | None = None
    broker: str | None = None
    ca: Path | None = None
    ceiling_g_per_day: float | None = None
    gain_g_per_step: float | None = None
    reference_ohm: int | None = None
    pins: tuple[str, ...] = ()


def board_settings(
    given: Given, kind: str, device: str, board: str, root: str, url: str, known: dict[str, Any] | None, ask: Ask
) -> dict[str, Any]:
    """The settings. known: those on the board, which hold for what was not given; what neither says is asked for.

    url: the broker as the service reaches it, which is taken where a board can reach it too. Raises FieldError.
    """
    wifi = known["wifi"] if known else {"ssid": None, "password": None}
    ssid = given.wifi if given.wifi is not None else wifi["ssid"] or ask("Name of the network", None, False)
    password = given.wifi_password
    if password is None and ssid == wifi["ssid"]:
        password = wifi["password"]
    if password is None:
        password = ask("Password of the network (Enter: it has none)", "", True)
    broker = given.broker or (url_of(known) if known else None)
    if broker is None:
        broker = url if files.reachable(Address.parse(url).host) else None
    if broker is None:
        broker = ask("Broker as the board reaches it, such as mqtt://192.0.2.10:1883", None, False)
    ca = files.CA if given.ca or (known and known["ca"]) else None
    link = files.device_settings(kind, device, broker, root, ca)
    settings = files.board_settings(
        link,
        ssid,
        password,
        [*(_pins_of(known, kind) if known and known.get("board") == board else ()), *given.pins],
        _first(given.gain_g_per_step, _gain(known), DEFAULT_GAIN_G_PER_STEP),
        _first(given.reference_ohm, known and known.get("reference_ohm"), DEFAULT_REFERENCE_OHM),
        board,
        _first(given.ceiling_g_per_day, known and known.get("ceiling_g_per_day"), DEFAULT_CEILING_G_PER_DAY),
        (known or {}).get("setup_password", ""),
    )
    return (known or {}) | settings  # what else the board was given stays


def asked_anew(known: dict[str, Any], ask: Ask) -> Given:
    """What a person wants changed: every question, with what the board has as its default; no secret is shown."""
    ssid = ask("Name of the network", known["wifi"]["ssid"], False)
    password = ask("Password of the network (Enter keeps it)", "", True)
    host = f"{known['host']}:{known['port']}"
    broker = ask("Broker as the board reaches it (Enter keeps it, with user and password)", host, False)
    ceiling = None
    if known["kind"] == "feeder":
        told = ask("The most the feeder may give in a day, in grams", f"{known['ceiling_g_per_day']:g}", False)
        try:
            ceiling = float(told)
        except ValueError as error:
            raise FieldError("ceiling", f"expected grams a day; found {told!r}") from error
    return Given(
        wifi=ssid, wifi_password=password or None, broker=None if broker == host else broker, ceiling_g_per_day=ceiling
    )


def url_of(known: dict[str, Any]) -> str:
    """The broker's address as one URL."""
    host = f"[{known['host']}]" if ":" in known["host"] else known["host"]
    login = ""
    if known["user"]:
        login = quote(known["user"], safe="") + (f":{quote(known['password'], safe='')}" if known["password"] else "")
        login += "@"
    return f"mqtt{'s' if known['tls'] else ''}://{login}{host}:{known['port']}"


def _pins_of(known: dict[str, Any], kind: str) -> list[str]:
    """The board's pins as words of the command line, what is not wired included."""
    unwired = [name for name in files.pins.OPTIONAL[kind] if name not in known["pins"]]
    return [f"{name}={number}" for name, number in known["pins"].items()] + [f"{name}=" for name in unwired]


def _gain(known: dict[str, Any] | None) -> float | None:
    return known["gain_ng_per_step"] / 1e9 if known and "gain_ng_per_step" in known else None


def _first(*values: Any) -> Any:
    return next(value for value in values if value is not None)
