"""A device for tests: the wire side of a feeder or a probe, with its flash in memory and no motor.

It keeps the contract: says status, hello and applied at every connect, keeps each dose until `down/received` covers it,
sends what is not covered again at every connect and when asked to resend, and obeys holds at once. Its attributes are
knobs: a test may make it refuse, keep silent, lose its clock, change its board, or send any bytes at all.
"""

import json
import random
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any, Literal

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from waiting import until

PATIENCE_S = 90.0


def now_ms() -> int:
    return time.time_ns() // 1_000_000


class Device:
    """One device under its name. `connect()` first; everything received is kept in `got`."""

    def __init__(self, name: str, port: int, kind: str = "feeder", root: str = "tareline", clock: bool = True) -> None:
        self.name, self.kind, self.clock = name, kind, clock
        self.prefix = f"{root}/{name}/"
        self._port = port
        self._random = random.Random(name)
        self.board = f"board-of-{name}"
        self.journal = f"journal-{self._random.randrange(10**9)}"
        self.boot = self._new_boot()
        self._booted_s = time.monotonic()
        self.uptime_ahead_ms = 0
        self.seq = 0
        self.kept: dict[int, bytes] = {}
        self._under_way: dict[int, mqtt.MQTTMessageInfo] = {}
        self.sent: dict[int, dict[str, Any]] = {}
        self.received = 0
        self.got: list[tuple[str, dict[str, Any], bool]] = []
        self.plan: dict[str, Any] | None = None
        self.hold: dict[str, Any] | None = None
        self.on_resend: Literal["send", "refuse", "ignore"] = "send"
        self.applies = True
        self.resends_at_connect = True
        self.changed = threading.Condition(threading.RLock())
        self._client = self._make_client()
        self._running = False

    def _new_boot(self) -> str:
        return f"boot-{self._random.randrange(10**9)}"

    def _make_client(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, f"test-{self.prefix}", clean_session=False, protocol=mqtt.MQTTv311
        )
        client.will_set(f"{self.prefix}up/status", json.dumps({"online": False}), 1, retain=True)
        client.max_inflight_messages_set(2000)
        client.reconnect_delay_set(0.1, 0.4)  # type: ignore[arg-type]
        client.on_connect = self._on_connect
        client.on_message = self._on_message
        return client

    # -- coming and going --------------------------------------------------------------------------------------------

    def connect(self) -> "Device":
        """Connect, now or as soon as the broker is there, and stay connected."""
        self._client.connect_async("127.0.0.1", self._port, keepalive=30)
        self._client.loop_start()
        self._running = True
        return self

    def wait_connected(self) -> "Device":
        until(self._client.is_connected, PATIENCE_S, f"{self.name} to connect")
        return self

    def vanish(self) -> None:
        """Lose the connection without a word: the broker tells the last will."""
        self._client.loop_stop()
        connection = self._client.socket()
        if connection is not None:
            connection.close()
        self._running = False
        self._under_way.clear()
        self._client = self._make_client()

    def leave(self) -> None:
        """Say offline, disconnect."""
        if self._running:
            if self._client.is_connected():
                self.send("status", {"online": False}, retain=True)
            self._client.disconnect()
            self._client.loop_stop()
            self._running = False

    def power_cut(self) -> None:
        """Lose power and start again: a new boot, what is on flash stays."""
        self.vanish()
        self.boot = self._new_boot()
        self._booted_s = time.monotonic()
        self.connect()

    # -- what it says ------------------------------------------------------------------------------------------------

    @property
    def uptime_ms(self) -> int:
        return round((time.monotonic() - self._booted_s) * 1000) + self.uptime_ahead_ms

    def hello_body(self) -> dict[str, Any]:
        held = sorted(self.kept)
        body: dict[str, Any] = {
            "boot": self.boot,
            "uptime_ms": self.uptime_ms,
            "board": self.board,
            "kind": self.kind,
            "firmware": "test",
            "clock": "set" if self.clock else "unset",
        }
        if self.kind == "feeder":
            body |= {
                "journal": self.journal,
                "journal_from": held[0] if held else self.seq + 1,
                "journal_to": self.seq,
                "gain_g_per_step": 0.001,
            }
        return body

    def applied_body(self) -> dict[str, Any]:
        return {
            "boot": self.boot,
            "plan_version": self.plan["version"] if self.plan else 0,
            "hold_version": self.hold["version"] if self.hold else 0,
        }

    def say_hello(self, **other: Any) -> None:
        self.send("hello", {**self.hello_body(), **other}, retain=True)

    def say_applied(self, **other: Any) -> None:
        self.send("applied", {**self.applied_body(), **other}, retain=True)

    def send(self, tail: str, body: Any, retain: bool = False, qos: int = 1) -> None:
        """Send any JSON under `up/`."""
        self.send_bytes(tail, json.dumps(body).encode(), retain, qos)

    def send_bytes(self, tail: str, payload: bytes, retain: bool = False, qos: int = 1) -> mqtt.MQTTMessageInfo:
        """Send anything under `up/`."""
        return self._client.publish(f"{self.prefix}up/{tail}", payload, qos, retain)

    def dose_body(self, **other: Any) -> dict[str, Any]:
        """The next dose's message; uses up its number unless another is given."""
        if "seq" not in other:
            self.seq += 1
        mass_g = 0.1 + self._random.randrange(100) / 1000
        body = {
            "journal": self.journal,
            "seq": self.seq,
            "boot": self.boot,
            "at_ms": now_ms() if self.clock else None,
            "uptime_ms": self.uptime_ms,
            "meal": None,
            "cause": "command",
            "target_g": round(mass_g, 3),
            "steps": round(mass_g * 1000),
            "before_g": 50.0,
            "after_g": round(50.0 - mass_g, 6),
            "sd_g": 0.02,
            "temperature_c": 23.5,
            "outcome": "ok",
        }
        return {**body, **other}

    def dose(self, send: bool = True, **other: Any) -> dict[str, Any]:
        """Dose: onto the flash first, then onto the wire."""
        with self.changed:
            body = self.dose_body(**other)
            seq = body["seq"]
            self.kept[seq] = json.dumps(body).encode()
            self.sent[seq] = body
        if send and self._client.is_connected():
            self._send_kept([seq])
        return body

    def _send_kept(self, seqs: Iterable[int]) -> None:
        """Send doses from the flash, but for those that the client library has yet to get rid of by itself."""
        with self.changed:
            for seq in seqs:
                under_way = self._under_way.get(seq)
                gone = under_way is None or under_way.rc != mqtt.MQTT_ERR_SUCCESS or under_way.is_published()
                if seq in self.kept and gone:
                    self._under_way[seq] = self.send_bytes("dose", self.kept[seq])

    # -- what it hears -----------------------------------------------------------------------------------------------

    def _on_connect(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe(f"{self.prefix}down/#", 1)
        self.send("status", {"online": True}, retain=True)
        with self.changed:
            self.say_hello()
            self.say_applied()
            if self.resends_at_connect:
                self._send_kept(sorted(self.kept))

    def _on_message(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        tail = message.topic.removeprefix(f"{self.prefix}down/")
        body = json.loads(message.payload) if message.payload else {}
        with self.changed:
            self.got.append((tail, body, message.retain))
            self.changed.notify_all()
            if tail == "received":
                self._hear_received(body)
            elif tail in ("plan", "hold"):
                self._hear_issued(tail, body)
            elif tail == "command" and body["do"] == "resend":
                self._hear_resend(body)

    def _hear_received(self, body: dict[str, Any]) -> None:
        if body["journal"] == self.journal:
            self.received = max(self.received, body["seq"])
            for seq in [seq for seq in self.kept if seq <= body["seq"]]:
                del self.kept[seq]
                self._under_way.pop(seq, None)

    def _hear_issued(self, tail: str, body: dict[str, Any]) -> None:
        before = self.plan if tail == "plan" else self.hold
        if before is not None and before["installation"] == body["installation"]:
            older = body["version"] <= before["version"]
            if older and not (tail == "hold" and body["held"] and not before["held"]):
                return
        if tail == "plan":
            self.plan = body
        else:
            self.hold = body
        if self.applies:
            self.say_applied()

    def _hear_resend(self, body: dict[str, Any]) -> None:
        first, last = body["args"]["from"], body["args"]["to"]
        if self.on_resend == "send":
            self._send_kept(range(first, last + 1))
            self.send("reply", {"id": body["id"], "ok": True})
        elif self.on_resend == "refuse":
            self.send("reply", {"id": body["id"], "ok": False, "detail": "no longer held"})

    def heard(self, tail: str) -> list[dict[str, Any]]:
        """Everything that came under `down/tail` so far."""
        with self.changed:
            return [body for name, body, _ in self.got if name == tail]

    def wait(self, condition: Callable[[], Any], what: str = "", patience_s: float = PATIENCE_S) -> Any:
        """Wait until a condition on what was heard holds."""
        found: Any = None

        def look() -> bool:
            nonlocal found
            found = condition()
            return bool(found)

        with self.changed:
            assert self.changed.wait_for(look, patience_s), f"{self.name} did not hear: {what or condition}"
        return found

    def wait_received(self, seq: int | None = None) -> None:
        """Wait until the service has said that it holds everything up to a dose (default: the last)."""
        wanted = self.seq if seq is None else seq
        self.wait(lambda: self.received >= wanted, f"received {wanted}; it is at {self.received}")

    def wait_hold(self, held: bool) -> dict[str, Any]:
        hold: dict[str, Any] = self.wait(
            lambda: self.hold if self.hold is not None and self.hold["held"] == held else None, f"held: {held}"
        )
        return hold
