"""From a hold's publish to the feeder's own word that it is in force, against a bare publish and subscribe.

    python tests/bench/feeder_hold.py [--times 60] [--runtime micropython|cpython]

The feeder is `tareline desk`: the real firmware in its own process. Half of the holds come while it is idle (it looks
at the socket at least every 20 ms), half while the motor turns (it looks after every chunk of 20 steps, 50 ms).
"""

import argparse
import json
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from functools import partial
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from brokers import Mosquitto
from figures import keep
from paho.mqtt.enums import CallbackAPIVersion

DOSE_G = 4.0  # 4 000 steps: ten seconds, so that a hold surely meets a turning motor


class Listener:
    """Hears the feeder and a bare topic; waits for what is told to it."""

    def __init__(self, port: int) -> None:
        self.changed = threading.Condition()
        self.got: list[tuple[str, Any]] = []
        client = mqtt.Client(CallbackAPIVersion.VERSION2, "listener", protocol=mqtt.MQTTv311)
        subscribed = threading.Event()
        client.on_message, client.on_subscribe = self._heard, lambda *_: subscribed.set()
        client.on_socket_open = lambda _c, _u, s: s.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # type: ignore[attr-defined]
        client.connect("127.0.0.1", port)
        client.loop_start()
        client.subscribe([("bench/bare", 1), ("tareline/f/up/#", 1)])
        assert subscribed.wait(10)
        self.client = client

    def _heard(self, _c: object, _u: object, message: mqtt.MQTTMessage) -> None:
        with self.changed:
            self.got.append((message.topic.rsplit("/", 1)[1], json.loads(message.payload)))
            self.changed.notify_all()

    def say(self, tail: str, body: dict[str, Any], retain: bool = False) -> None:
        self.client.publish(f"tareline/f/down/{tail}", json.dumps(body), 1, retain)

    def until(self, tail: str, **fields: Any) -> None:
        def there() -> bool:
            return any(t == tail and all(body[k] == v for k, v in fields.items()) for t, body in self.got)

        with self.changed:
            assert self.changed.wait_for(there, 30), (tail, fields)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=60)
    parser.add_argument("--runtime", default="micropython")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, Mosquitto() as broker:
        program = str(Path(sys.executable).with_name("tareline"))
        url = f"mqtt://127.0.0.1:{broker.port}"
        command = [program, "desk", "feeder", "--device", "f", "--broker", url, "--flash", f"{name}/f"]
        listener = Listener(broker.port)
        desk = subprocess.Popen([*command, "--runtime", asked.runtime])
        try:
            listener.until("applied", plan_version=0)
            measure(listener, Path(name) / "f" / "hardware.json", asked.times)
        finally:
            desk.kill()


def turning(hardware: Path) -> None:
    """Wait until food leaves the hopper: then the motor turns."""
    before_g = json.loads(hardware.read_text())["hopper_g"]
    while json.loads(hardware.read_text())["hopper_g"] == before_g:
        pass


def measure(listener: Listener, hardware: Path, times: int) -> None:
    now_ms = int(time.time() * 1000)
    day = {"start_ms": now_ms - 3_600_000, "cap_g": 900.0}
    listener.say("plan", {"installation": "bench", "version": 1, "issued_at_ms": now_ms, "days": [day], "meals": []})
    listener.until("applied", plan_version=1)
    bare_s: list[float] = []
    hold_s: dict[str, list[float]] = {"idle": [], "motor turning": []}
    version = 1
    for i in range(times):
        start = time.perf_counter()
        listener.client.publish("bench/bare", str(i), 1)
        with listener.changed:
            assert listener.changed.wait_for(partial(listener.got.__contains__, ("bare", i)), 10)
        bare_s.append(time.perf_counter() - start)
        kind = "motor turning" if i % 2 else "idle"
        if i % 2:
            listener.say("command", {"id": f"c{i}", "do": "dispense", "target_g": DOSE_G})
            turning(hardware)
        version += 1
        start = time.perf_counter()
        listener.say("hold", {"installation": "bench", "version": version, "held": True, "reason": "bench"})
        listener.until("applied", hold_version=version)
        hold_s[kind].append(time.perf_counter() - start)
        if i % 2:
            listener.until("reply", id=f"c{i}")
        version += 1
        listener.say("hold", {"installation": "bench", "version": version, "held": False, "reason": "bench"})
        listener.until("applied", hold_version=version)
    bare = statistics.median(bare_s)
    figures = {"a bare publish and subscribe, median": f"{bare * 1000:.1f} ms"}
    for kind, times_s in hold_s.items():
        median, worst = statistics.median(times_s), max(times_s)
        told = f"median {median * 1000:.1f} ms, {median / bare:.0f} times bare"
        figures[f"a hold until the feeder confirms it, {kind}"] = (
            f"{told}; worst of {len(times_s)} {worst * 1000:.1f} ms"
        )
    interrupted = [body for tail, body in listener.got if tail == "dose" and body["outcome"] == "interrupted"]
    keep({**figures, "doses that a hold interrupted": f"{len(interrupted)} of {len(hold_s['motor turning'])}"})


if __name__ == "__main__":
    main()
