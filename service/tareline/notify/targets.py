"""The addresses to which messages are sent: plain webhooks by httpx, everything that people read by apprise.

An address may hold a password or be one as a whole, so it is never stored, shown or logged. A target is named by its
scheme, by its host where that is not secret, and by a digest that only this installation can compute.
"""

import hashlib
import hmac
import json
import logging
import re
import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import httpx

from tareline.errors import FieldError
from tareline.settings import Notify

CONNECT_S = 10.0
HOST_IS_NO_SECRET = ("json", "jsons", "xml", "xmls", "form", "forms", "mailto", "mailtos", "http", "https")


@dataclass(frozen=True, slots=True)
class Letter:
    """A message to send. id: the same at each try, so that a receiver can drop a repeat. alerts: as JSON values."""

    id: str
    kind: str
    tank: str | None
    title: str
    text: str
    at: str
    alerts: Sequence[Mapping[str, Any]] = ()


class RefusedError(Exception):
    """A target did not accept a message; the text says why, without the address."""


class Target(Protocol):
    """An address to which messages can be sent.

    `send` raises RefusedError. now_ms: the time of sending; read_s: how long to wait for the receiver's answer.
    """

    name: str

    def send(self, letter: Letter, now_ms: int, read_s: float) -> None: ...


def tell(target: Target, letter: Letter, now_ms: int, read_s: float) -> str | None:
    """Send a message to a target. Returns None where it was accepted, else why not, without the address."""
    try:
        target.send(letter, now_ms, read_s)
    except RefusedError as error:
        return str(error)
    except Exception as error:  # each of a hundred services fails in its own way
        return type(error).__name__
    return None


class Addresses:
    """The targets of the settings. Raises FieldError, naming the key, where an address is not valid."""

    def __init__(self, settings: Notify, installation: str) -> None:
        self._settings = settings
        self._installation = installation
        self.targets = self.make()
        self.usual = self._names([("urls", settings.urls), ("webhooks", settings.webhooks)])
        self.others = {name: self._names([("others", listed)]) for name, listed in settings.others.items()}
        self.life = next(iter(self._names([("sign_of_life", [settings.sign_of_life])])), None)

    def make(self) -> dict[str, Target]:
        """All targets by name; made anew at each call, so that two threads need not share one."""
        made: dict[str, Target] = {}
        listed = [("urls", self._settings.urls), ("webhooks", self._settings.webhooks)]
        listed += [(f"others.{name}", others) for name, others in self._settings.others.items()]
        for key, addresses in [*listed, ("sign_of_life", [self._settings.sign_of_life])]:
            for i, address in enumerate(addresses):
                name = self.name(address)
                if not address or name in made:
                    continue
                if self._is_webhook(key, address):
                    made[name] = Webhook(name, address, self._settings.secret)
                    continue
                try:
                    made[name] = Service(name, address)
                except ValueError as error:
                    place = f"{key}.{i}" if len(addresses) > 1 else key
                    raise FieldError(f"notify.{place}", str(error)) from None
        return made

    def name(self, address: str) -> str:
        """The public name of an address."""
        scheme, _, rest = address.partition("://")
        place, *beyond = re.split(r"[/?#]", rest, maxsplit=1)
        # An @ further on may end a password that contains a slash: then this would be the first part of the password.
        sure = scheme in HOST_IS_NO_SECRET and "@" not in "".join(beyond)
        host = place.rpartition("@")[2] if sure else ""
        digest = hmac.new(self._installation.encode(), address.encode(), hashlib.sha256).hexdigest()[:8]
        return f"{scheme[:20]}://{host} ({digest})" if host else f"{scheme[:20]} ({digest})"

    def _names(self, listed: Iterable[tuple[str, Sequence[str]]]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(self.name(address) for _, addresses in listed for address in addresses if address))

    def _is_webhook(self, key: str, address: str) -> bool:
        """Several services that people read have addresses with https; those stand in `urls`."""
        return key == "webhooks" or (key != "urls" and address.startswith(("http://", "https://")))


def signature(secret: str, timestamp: str, body: bytes) -> str:
    """HMAC-SHA256 (RFC 2104) over the timestamp, a full stop and the body, in hexadecimal."""
    return hmac.new(secret.encode(), timestamp.encode() + b"." + body, hashlib.sha256).hexdigest()


class Webhook:
    """A program's address: the letter as JSON, signed where there is a secret."""

    def __init__(self, name: str, address: str, secret: str) -> None:
        self.name = name
        self._address = address
        self._secret = secret
        # httpx logs the whole address of each call.
        logging.getLogger("httpx").setLevel(logging.WARNING)
        # A kept connection may have been closed at the other end, which shows only when a message is lost.
        self._client = httpx.Client(limits=httpx.Limits(max_keepalive_connections=0), trust_env=False)

    def send(self, letter: Letter, now_ms: int, read_s: float) -> None:
        body = json.dumps(
            {
                "id": letter.id, "kind": letter.kind, "tank": letter.tank, "title": letter.title, "text": letter.text,
                "at": letter.at, "alerts": list(letter.alerts),
            }
        ).encode()  # fmt: skip
        headers = {"Content-Type": "application/json", "Tareline-Message": letter.id, "Tareline-Timestamp": f"{now_ms}"}
        if self._secret:
            headers["Tareline-Signature"] = f"sha256={signature(self._secret, f'{now_ms}', body)}"
        timeout = httpx.Timeout(read_s, connect=CONNECT_S)
        try:
            # The body of the answer is not read: it may be long.
            with self._client.stream("POST", self._address, content=body, headers=headers, timeout=timeout) as answer:
                status = answer.status_code
        except httpx.TimeoutException:
            raise RefusedError("no answer in time") from None
        except httpx.HTTPError as error:
            raise RefusedError(_without(self._address, f"{error}" or type(error).__name__)) from None
        if not httpx.codes.is_success(status):
            raise RefusedError(f"answered {status}")


class _Overheard(logging.Filter):
    """Collects what apprise logs. It may name addresses, so it is not logged further; but apprise reports failures only
    so."""

    def __init__(self) -> None:
        super().__init__()
        self._of_thread = threading.local()

    def begin(self) -> None:
        """Forget what was collected for this thread."""
        self._of_thread.lines = []

    def filter(self, record: logging.LogRecord) -> bool:
        getattr(self._of_thread, "lines", []).append(record.getMessage())
        return False

    def why(self) -> str:
        """Why this thread failed, in words that can hold no address."""
        lines: list[str] = self._of_thread.lines
        for line in lines:
            if found := re.search(r"error=(\d{3})\b", line):
                return f"answered {found[1]}"
        return "no connection, or no answer in time" if any("onnection" in line for line in lines) else "not taken"


_OVERHEARD = _Overheard()


class Service:
    """An address that people read, by apprise. Raises ValueError, without the address, where it is none."""

    def __init__(self, name: str, address: str) -> None:
        import apprise  # it takes 20 MB, so it is imported only where it is used

        logging.getLogger("apprise").addFilter(_OVERHEARD)
        self.name = name
        plugin = apprise.Apprise.instantiate(address, suppress_exceptions=True)
        if plugin is None:
            raise ValueError("expected an address that apprise understands; what is there is none")
        self._plugin = plugin

    def send(self, letter: Letter, now_ms: int, read_s: float) -> None:  # noqa: ARG002 - as any target's
        self._plugin.socket_connect_timeout, self._plugin.socket_read_timeout = CONNECT_S, read_s
        _OVERHEARD.begin()
        kind = "warning" if letter.kind == "alert" else "info"
        text = f"{letter.text}\n\nMessage {letter.id}"
        if not self._plugin.notify(body=text, title=letter.title, notify_type=kind, body_format="text"):
            raise RefusedError(_OVERHEARD.why())


def _without(address: str, text: str) -> str:
    return text.replace(address, "the address")[:200]
