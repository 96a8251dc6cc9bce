"""What the board's set-up page takes, against the service's own checks; when it is served; settings with a CRC."""

import json
import types
import zlib
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.boards import files
from tareline.errors import FieldError
from tareline.flashing import answers
from tareline.resources import load_firmware

form = load_firmware("setup_form")
start = load_firmware("setup_start")
kept = load_firmware("setup_settings")
BOARD: dict[str, Any] = {
    "kind": "feeder",
    "device": "feeder-1",
    "ca": None,
    "tls": False,
    "host": "192.0.2.10",
    "port": 1883,
    "user": "keeper",
    "password": "hush",
    "wifi": {"ssid": "home", "password": "a good one"},
    "ceiling_g_per_day": 5,
    "pins": {"button": 33},
    "setup_password": "for the phone",
}
words = st.one_of(st.text(max_size=70), st.sampled_from(("", "home", "on", "2.5", "mqtt://192.0.2.7", "mqtts://a.b:1")))


def _worded(refused: Any) -> None:
    assert refused.field in {one[0] for one in form.FIELDS}
    assert refused.text.startswith("expected ")


@given(st.dictionaries(st.sampled_from([one[0] for one in form.FIELDS]), words))
def test_what_the_page_takes_the_service_takes_too(typed: dict[str, str]) -> None:
    same = {"ssid": "home", "broker": "mqtt://192.0.2.7:1", "user": "u", "ceiling": "1"} | typed
    try:
        fields = form.typed(str(httpx.QueryParams(same)).encode())
        new = form.changed(BOARD, fields)
    except form.FormError as refused:
        _worded(refused)
        return
    link = files.device_settings("feeder", "feeder-1", answers.url_of(new), "tareline", None)
    again = files.board_settings(
        link, new["wifi"]["ssid"], new["wifi"]["password"], [], 1e-3, 1, ceiling_g_per_day=new["ceiling_g_per_day"]
    )
    for name in ("wifi", "port", "tls", "user", "password", "ceiling_g_per_day"):
        assert again[name] == new[name], name
    assert again["host"] == new["host"].lower()  # names of hosts know no case (RFC 4343)


@given(st.binary(max_size=300))
def test_any_body_is_taken_or_refused_in_words(body: bytes) -> None:
    try:
        form.changed(BOARD, form.typed(body))
    except form.FormError as refused:
        _worded(refused)
    for piece in form.page(BOARD, {"ssid": body.decode("latin-1")}):
        assert len(piece.encode()) < 2048


@given(words)
def test_nothing_that_is_typed_becomes_markup(text: str) -> None:
    page = "".join(form.page(BOARD, {"ssid": text, "user": text, "password": text}))
    plain = "".join(form.page(BOARD, {}))
    assert page.count("<") == plain.count("<")
    assert page.count('"') == plain.count('"')


def test_the_crc_of_settings_is_that_of_zlib_and_each_bit_counts() -> None:
    first, rest = kept.parts(BOARD)
    assert json.loads(first + rest) == BOARD | {"crc32": f"{zlib.crc32(rest):08x}"}
    data = first + rest
    assert kept.loads(data) == (BOARD, True)
    for at in range(len(data)):
        damaged = bytearray(data)
        damaged[at] ^= 1 << at % 8
        try:
            damaged.decode()
        except UnicodeDecodeError:
            continue
        assert kept.loads(bytes(damaged))[1] is False, at
    assert kept.loads(b"") == (None, False)
    assert kept.loads(b"[1]") == (None, False)
    assert kept.loads(json.dumps(BOARD).encode()) == (BOARD, False)


class Hands:
    """A board's pin and clock, with somebody's finger: down until so many milliseconds."""

    PWRON_RESET, IN, PULL_UP = 1, 0, 1

    def __init__(self, down_ms: int, cause: int = PWRON_RESET) -> None:
        self.now_ms, self.down_ms, self.cause = 0, down_ms, cause
        self.Pin = type("Pin", (), {"IN": 0, "PULL_UP": 1, "__new__": lambda *_: self})

    def reset_cause(self) -> int:
        return self.cause

    def value(self) -> int:
        return int(self.now_ms >= self.down_ms)

    def ticks_ms(self) -> int:
        return self.now_ms

    def ticks_diff(self, end: int, begin: int) -> int:
        return end - begin

    def sleep_ms(self, ms: int) -> None:
        self.now_ms += ms


@pytest.mark.parametrize(("down_ms", "cause", "served"), [(0, 1, 0), (2900, 1, 0), (3100, 1, 1), (99_999, 5, 0)])
def test_a_long_press_at_power_up_and_nothing_else_asks_for_the_page(down_ms: int, cause: int, served: int) -> None:
    hands = Hands(down_ms, cause)
    assert start.wanted(BOARD, hands, hands) is bool(served)
    assert hands.now_ms <= 3000


def test_without_a_button_or_a_password_there_is_no_page() -> None:
    hands = Hands(99_999)
    assert not start.wanted(BOARD | {"pins": {}}, hands, hands)
    assert not start.wanted(BOARD | {"setup_password": ""}, hands, hands)


@pytest.mark.parametrize(("named", "security"), [({"SEC_WPA2": 3, "SEC_WPA_WPA2": 4}, 3), ({"SEC_WPA_WPA2": 6}, 6)])
def test_its_own_network_is_protected_and_closed_at_the_end(
    monkeypatch: pytest.MonkeyPatch, named: dict[str, int], security: int
) -> None:
    told: list[Any] = []

    class Wlan:
        def __init__(self, kind: int) -> None:
            self.kind = kind

        def active(self, on: bool) -> None:
            told.append((self.kind, on))

        def config(self, **how: Any) -> None:
            told.append(how)

    for name, value in named.items():
        setattr(Wlan, name, value)
    page = load_firmware("setup_page")
    monkeypatch.setitem(__import__("sys").modules, "setup_page", page)
    monkeypatch.setitem(__import__("sys").modules, "setup_settings", kept)
    monkeypatch.setattr(start, "PORT", 0)  # any free one
    hands = Hands(0)
    fed: list[int] = []

    def feed() -> None:
        fed.append(hands.now_ms)
        hands.now_ms += 200_000

    network = types.SimpleNamespace(WLAN=Wlan, STA_IF=0, AP_IF=1)
    assert start.run(BOARD, None, network, hands, feed) is False
    assert fed == [0, 200_000, 400_000]
    own = {"ssid": "tareline-feeder-1", "key": "for the phone", "security": security}
    assert told == [(0, False), own, (1, True), (1, False)]


def test_answers_keep_what_the_board_has_and_ask_for_what_nobody_says() -> None:
    asked: list[str] = []

    def ask(question: str, default: str | None, hidden: bool) -> str:
        asked.append(question)
        return "12345678" if hidden else "mqtt://192.0.2.7" if "roker" in question else "home"

    loopback = "mqtt://127.0.0.1:1883"
    given_all = answers.Given(wifi="home", wifi_password="", broker="mqtt://192.0.2.9")
    fresh = answers.board_settings(answers.Given(), "feeder", "f", "esp32", "tareline", loopback, None, ask)
    assert len(asked) == 3
    assert (fresh["host"], fresh["wifi"]) == ("192.0.2.7", {"ssid": "home", "password": "12345678"})
    known = fresh | {"gain_ng_per_step": 1_234_567, "ceiling_g_per_day": 2, "other": "of a later firmware"}
    known["pins"] = {name: number for name, number in fresh["pins"].items() if not name.startswith("clock_")}
    asked.clear()
    again = answers.board_settings(answers.Given(), "feeder", "f", "esp32", "tareline", loopback, known, ask)
    assert (again, asked) == (known, [])
    other = answers.board_settings(given_all, "feeder", "f", "esp32", "tareline", loopback, known, ask)
    assert (other["wifi"], other["host"], asked) == ({"ssid": "home", "password": ""}, "192.0.2.9", [])
    with pytest.raises(FieldError, match="ceiling"):
        answers.board_settings(answers.Given(ceiling_g_per_day=0), "feeder", "f", "esp32", "x", loopback, known, ask)
