"""The smallest probe that keeps the contract, in CPython with paho-mqtt.

    python probe_cpython.py probe-2 127.0.0.1 1883 [seconds between samples]

`measure` is the seam: put your thermometer and your conductivity cell there. Here it is simulated.

Left out on purpose: samples are kept in memory while the network is away (at most 1 000), not on flash; no calibration
by command. A probe moves nothing, so no rule of safety is left out.
"""

import contextlib
import json
import random
import sys
import time
from collections import deque
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

DOWN_BYTES = 8192
FRESH_MS = 5000  # an answer with the time is refused when what it echoes is older
KEPT = 1000  # samples


def measure() -> dict[str, tuple[str, float]]:
    """Unit and value by name. Leave out what gives no value: never send a value that was not measured."""
    return {
        "temperature": ("Cel", round(24.0 + random.gauss(0, 0.02), 2)),
        "conductivity": ("S/m", round(0.0417 + random.gauss(0, 1e-5), 6)),  # as measured, not brought to 25 degC
        "voltage": ("V", round(0.97 + random.gauss(0, 1e-4), 4)),
    }


class Probe:
    def __init__(self, device: str, host: str, port: int, period_s: float, clock: bool = True, root: str = "tareline"):
        self.prefix = f"{root}/{device}/"
        self.broker = (host, port)
        self.period_s = period_s
        self.ahead_s: float | None = 0.0 if clock else None  # of the host's clock; None: the clock is not set
        self.board = f"example-{device}"
        self.boot = f"{random.getrandbits(64):016x}"
        self.started = time.monotonic()
        self.kept: deque[tuple[float, dict[str, tuple[str, float]]]] = deque(maxlen=KEPT)  # uptime in s, and values
        self.next_s = 0.0
        self.done: set[str] = set()
        self.restarting = False
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, self.prefix, clean_session=False, protocol=mqtt.MQTTv311)
        self.client.will_set(f"{self.prefix}up/status", json.dumps({"online": False}), 1, retain=True)
        self.client.on_connect = self.connected
        self.client.on_message = self.arrived

    def uptime_s(self) -> float:
        return time.monotonic() - self.started

    def now_s(self) -> float | None:
        return None if self.ahead_s is None else time.time() + self.ahead_s

    def say(self, tail: str, body: Any, retain: bool = False) -> None:
        self.client.publish(f"{self.prefix}up/{tail}", json.dumps(body), 1, retain)

    def stamp(self) -> dict[str, Any]:
        now_s = self.now_s()
        uptime_ms = int(self.uptime_s() * 1000)
        return {"boot": self.boot, "at_ms": None if now_s is None else int(now_s * 1000), "uptime_ms": uptime_ms}

    def connected(self, *_: Any) -> None:
        self.client.subscribe(f"{self.prefix}down/#", 1)
        self.say("status", {"online": True}, retain=True)
        self.say_hello()

    def say_hello(self) -> None:
        hello = {
            "boot": self.boot,
            "uptime_ms": int(self.uptime_s() * 1000),
            "board": self.board,
            "kind": "probe",
            "firmware": "example-cpython",
            "clock": "unset" if self.ahead_s is None else "set",
            "calibration": None,
        }
        self.say("hello", hello, retain=True)

    def arrived(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        """paho acknowledges after the return, whatever the message was: it cannot come a second time."""
        tail = message.topic.removeprefix(f"{self.prefix}down/")
        try:
            if len(message.payload) > DOWN_BYTES:
                raise ValueError("larger than 8 KiB")
            body = json.loads(message.payload)
            if not isinstance(body, dict):
                raise ValueError("expected an object")
            if tail == "time":
                self.take_time(body)
            elif tail == "command":
                self.take_command(body)
        except Exception as error:  # RecursionError and MemoryError too
            fault = {**self.stamp(), "code": "message_refused", "detail": f"{tail}: {error!r:.80}"}
            self.say("fault", fault)

    def take_time(self, body: dict[str, Any]) -> None:
        stale_ms = self.uptime_s() * 1000 - body["uptime_ms"]
        if self.ahead_s is None and body["boot"] == self.boot and 0 <= stale_ms <= FRESH_MS:
            self.ahead_s = body["now_ms"] / 1000 - time.time()
            self.say_hello()

    def take_command(self, body: dict[str, Any]) -> None:
        command, do, end_ms = body["id"], body.get("do"), body.get("expires_at_ms")
        if not isinstance(command, str) or not 1 <= len(command) <= 64:
            raise ValueError("id: expected 1 to 64 characters")
        now_s = self.now_s()
        late = end_ms is not None and (now_s is None or now_s * 1000 >= end_ms)
        known = do == "restart" and not late and command not in self.done
        self.done.add(command)
        self.say("reply", {"id": command, "ok": known, "detail": None if known else "unknown, repeated or expired"})
        self.restarting = self.restarting or known

    def pack(self, uptime_s: float, values: dict[str, tuple[str, float]]) -> list[dict[str, Any]]:
        """One sample as a SenML pack (RFC 8428)."""
        age_s = self.uptime_s() - uptime_s
        now_s = self.now_s()
        records: list[dict[str, Any]] = [{"n": name, "u": unit, "v": value} for name, (unit, value) in values.items()]
        if now_s is None:  # no clock: times relative to sending, and what places them later
            records[0] |= {"boot": self.boot, "uptime_ms": int(self.uptime_s() * 1000)}
            for record in records:
                record["t"] = -round(age_s, 3)
        else:
            base_s = int(now_s - age_s)
            records[0]["bt"] = base_s
            for record in records:
                record["t"] = round(now_s - age_s - base_s, 3)
        return records

    def run_once(self) -> None:
        if self.client.loop(0.02) != mqtt.MQTT_ERR_SUCCESS:
            try:
                self.client.reconnect()
            except OSError:
                time.sleep(0.2)
        if self.uptime_s() >= self.next_s:
            self.next_s = self.uptime_s() + self.period_s
            self.kept.append((self.uptime_s(), measure()))
        while self.kept and self.client.is_connected():
            self.say("samples", self.pack(*self.kept.popleft()))

    def run(self, ended: Any = lambda: False) -> None:
        """Until ended, or until a restart was asked for."""
        self.client.connect_async(*self.broker, keepalive=30)
        with contextlib.suppress(OSError):
            self.client.reconnect()
        while not ended() and not self.restarting:
            self.run_once()
        for _ in range(5):
            self.client.loop(0.02)  # the answer to the restart
        if self.client.socket() is not None:
            self.client.socket().close()  # no farewell: the broker tells the last will


if __name__ == "__main__":
    arguments = [word for word in sys.argv[1:] if word != "--no-clock"]
    period_s = float(arguments[3]) if len(arguments) > 3 else 60.0
    while True:
        Probe(arguments[0], arguments[1], int(arguments[2]), period_s, "--no-clock" not in sys.argv).run()
