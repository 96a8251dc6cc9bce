"""From a reading's POST to the hold at a subscriber, against a bare publish and subscribe through the same broker.

    python tests/bench/hold.py [--times 60]

Both are timed in one run, in turn, on one machine. The hold goes through HTTP, validation, one transaction with
synchronous=FULL, the guard, and the broker; the bare round trip only through the broker.
"""

import argparse
import socket
import statistics
import tempfile
import threading
import time
from pathlib import Path

import httpx
import paho.mqtt.client as mqtt
from brokers import Mosquitto, running_service
from figures import keep
from paho.mqtt.enums import CallbackAPIVersion


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=60)
    times = parser.parse_args().times
    with tempfile.TemporaryDirectory() as name, Mosquitto() as broker, running_service(Path(name), broker.port) as url:
        api = httpx.Client(base_url=f"{url}/api/v1")
        got: dict[str, threading.Event] = {"bare": threading.Event(), "hold": threading.Event()}

        def on_message(_c: object, _u: object, message: mqtt.MQTTMessage) -> None:
            if message.topic == "bench/bare":
                got["bare"].set()
            elif b'"held":true' in message.payload:
                got["hold"].set()

        listener = mqtt.Client(CallbackAPIVersion.VERSION2, "listener", protocol=mqtt.MQTTv311)
        subscribed = threading.Event()
        listener.on_message, listener.on_subscribe = on_message, lambda *_: subscribed.set()
        listener.on_socket_open = lambda _c, _u, s: s.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # type: ignore[attr-defined]
        listener.connect("127.0.0.1", broker.port)
        listener.loop_start()
        listener.subscribe([("bench/bare", 1), ("tareline/+/down/hold", 1)])
        assert subscribed.wait(10)
        bare_s, hold_s = [], []
        for i in range(times):
            # A tank and a feeder of its own each time: a hold once made is not made again.
            api.post("/tanks", json={"id": f"t{i}", "name": "T", "volume_l": 20, "timezone": "UTC"}).raise_for_status()
            api.post("/feeders", json={"id": f"f{i}", "tank": f"t{i}"}).raise_for_status()
            for event in got.values():
                event.clear()
            start = time.perf_counter()
            listener.publish("bench/bare", b"x", 1)
            assert got["bare"].wait(10)
            bare_s.append(time.perf_counter() - start)
            reading = {"analyte": "ammonia", "value": 3.0, "unit": "mg/L", "basis": "N"}
            start = time.perf_counter()
            posted = threading.Thread(target=api.post, args=(f"/tanks/t{i}/readings",), kwargs={"json": reading})
            posted.start()
            assert got["hold"].wait(10)
            hold_s.append(time.perf_counter() - start)
            posted.join()
        listener.disconnect()
        listener.loop_stop()
    figures = {}
    for what, seconds in (("a bare publish and subscribe", bare_s), ("a reading's POST to the hold", hold_s)):
        cuts = statistics.quantiles(seconds, n=20)
        figures[what] = f"median {statistics.median(seconds) * 1000:.1f} ms, 95 % within {cuts[18] * 1000:.1f} ms"
    keep({**figures, "ratio of the medians": f"{statistics.median(hold_s) / statistics.median(bare_s):.1f}"})


if __name__ == "__main__":
    main()
