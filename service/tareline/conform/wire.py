"""The service's side of the wire, spoken to one device: everything heard is kept in order, and waited for by events.

Whoever else speaks to the device is heard too, since this client also reads what goes down: then nothing that the
device does can be judged, and the run ends.
"""

import json
import secrets
import ssl
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tareline.mqtt.link import Address

T = TypeVar("T")
CONNECT_S = 10.0


class Ended(RuntimeError):  # noqa: N818 - it is how a run ends, and often no error
    """The run cannot continue; the text says why."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A message under up/. body: its JSON, or None where it has none."""

    tail: str
    payload: bytes
    body: Any
    retained: bool
    qos: int
    at_ms: int

    @property
    def fields(self) -> dict[str, Any]:
        return self.body if isinstance(self.body, dict) else {}


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def _json(payload: bytes) -> Any:
    try:
        return json.loads(payload)
    except (ValueError, RecursionError):
        return None


class Wire:
    """One connection to the broker, for one device. Raises Ended where the broker cannot be reached."""

    def __init__(self, url: str, root: str, device: str, ca: Path | None = None) -> None:
        self.address = Address.parse(url)
        self.prefix = f"{root}/{device}/"
        self._ca = ca
        self.log: list[Heard] = []
        self.issued: dict[str, Any] = {}  # what the broker had kept for the device before this run
        self.changed = threading.Condition()
        self.on_up: Callable[[Heard], None] = lambda _: None
        self._said: Counter[tuple[str, bytes]] = Counter()
        self._why_not: str | None = None
        self._closing = False
        self._client = self._connect(["up/#", "down/#"], self._arrived)

    def _connect(self, topics: list[str], arrived: Callable[[mqtt.MQTTMessage], None]) -> mqtt.Client:
        """A client that has subscribed."""
        ready = threading.Event()
        why: list[str] = []
        first = [True]
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, f"conform-{secrets.token_hex(6)}", protocol=mqtt.MQTTv311, clean_session=True
        )
        if self.address.user:
            client.username_pw_set(self.address.user, self.address.password)
        if self.address.tls:
            client.tls_set_context(ssl.create_default_context(cafile=str(self._ca) if self._ca else None))

        def connected(made: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
            if reason.is_failure:
                why.append(str(reason))
                ready.set()
            else:
                made.subscribe([(f"{self.prefix}{topic}", 1) for topic in topics])

        def subscribed(made: mqtt.Client, _data: Any, _mid: Any, codes: list[Any], _properties: Any) -> None:
            why.extend(f"may not read: {code}" for code in codes if code.is_failure)
            if first:
                first.clear()  # what is retained comes before the answer to a second subscription
                made.subscribe(f"{self.prefix}nothing", 1)
            else:
                ready.set()

        client.on_connect = connected
        client.on_subscribe = subscribed
        client.on_disconnect = lambda *_: self._lost()
        client.on_message = lambda _client, _data, message: arrived(message)
        where = f"{self.address.host}:{self.address.port}"
        try:
            client.connect(self.address.host, self.address.port, keepalive=30)
        except (OSError, ValueError) as error:
            raise Ended(f"broker: {where} cannot be reached: {error}") from error
        client.loop_start()
        if not ready.wait(CONNECT_S) or why:
            client.loop_stop()
            raise Ended(f"broker: {where} refused: {'; '.join(why) or 'no answer'}")
        return client

    def _lost(self) -> None:
        with self.changed:
            if not self._closing:
                self._why_not = "the connection to the broker was lost"
            self.changed.notify_all()

    def _arrived(self, message: mqtt.MQTTMessage) -> None:
        side, _, tail = message.topic.removeprefix(self.prefix).partition("/")
        payload = bytes(message.payload)
        with self.changed:
            if side == "up":
                heard = Heard(tail, payload, _json(payload), message.retain, message.qos, now_ms())
                self.log.append(heard)
                self.on_up(heard)
            elif message.retain:
                self.issued[tail] = _json(payload)
            elif self._said[tail, payload] > 0:
                self._said[tail, payload] -= 1
            else:
                said = f"down/{tail}: {payload[:80]!r}"
                self._why_not = f"somebody else speaks to the device ({said}); end that service first"
            self.changed.notify_all()

    def say(self, tail: str, body: dict[str, Any] | bytes, retain: bool = False, qos: int = 1) -> None:
        """Publish under down/."""
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        with self.changed:
            self._said[tail, payload] += 1
        self._client.publish(f"{self.prefix}down/{tail}", payload, qos, retain)

    def wait(self, find: Callable[[list[Heard]], T | None], since: int, timeout_s: float) -> T | None:
        """What `find` sees in the messages from `since` on, as soon as it is neither None nor False; else None."""
        found: T | None = None

        def look() -> bool:
            nonlocal found
            if self._why_not is not None:
                raise Ended(self._why_not)
            found = find(self.log[since:])
            return found is not None and found is not False

        with self.changed:
            return found if self.changed.wait_for(look, timeout_s) else None

    def kept(self, tails: tuple[str, ...], timeout_s: float) -> dict[str, Any]:
        """What the broker has kept of these up/ topics, as a client sees it that comes now."""
        found: dict[str, Any] = {}
        changed = threading.Condition()

        def arrived(message: mqtt.MQTTMessage) -> None:
            with changed:
                if message.retain:
                    found[message.topic.removeprefix(f"{self.prefix}up/")] = _json(bytes(message.payload))
                changed.notify_all()

        client = self._connect([f"up/{tail}" for tail in tails], arrived)
        with changed:
            changed.wait_for(lambda: len(found) == len(tails), timeout_s)
        client.on_disconnect = None
        client.disconnect()
        client.loop_stop()
        return found

    def close(self) -> None:
        self._closing = True
        self._client.disconnect()
        self._client.loop_stop()
