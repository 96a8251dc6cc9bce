"""How fast a backlog of dose messages is put on disk, against subscribers that do less.

    python tests/bench/ingest.py [--messages 40000] [--rounds 3]

Three persistent sessions get the same backlog on a real Mosquitto, and each drains it in a process of its own: a bare
paho subscriber that discards what it gets (paho's own loop and acknowledgement), the service (validated, committed with
synchronous=FULL, then acknowledged), and a paho script that commits each message by itself (on a part of the backlog,
since it is slow). All in one run, the order rotated from round to round; what counts are the ratios. What bounds the
intake is paho's own reading of one packet after another; validation and the insert come next, the commit last.
"""

import argparse
import json
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from brokers import Mosquitto, settings
from figures import keep
from paho.mqtt.enums import CallbackAPIVersion

from tareline.clock import SystemClock
from tareline.mqtt.messages import Message
from tareline.service import Service

DEVICES = 10
COMMIT_EACH = 5000  # messages that the one-by-one script takes
YEARS_MS = 3 * 365 * 86_400_000


def payload(journal: str, seq: int, at_ms: int) -> bytes:
    """A dose as a feeder sends it."""
    dose = {
        "journal": journal,
        "seq": seq,
        "boot": "b0071e55",
        "at_ms": at_ms,
        "uptime_ms": seq * 1000,
        "meal": f"2026-01-01/{seq % 24:02}:00",
        "cause": "plan",
        "target_g": 0.025,
        "steps": 25,
        "before_g": 61.238,
        "after_g": 61.212,
        "sd_g": 0.004,
        "temperature_c": 23.5,
        "outcome": "ok",
    }
    return json.dumps(dose).encode()


def client(client_id: str, **options: Any) -> mqtt.Client:
    return mqtt.Client(CallbackAPIVersion.VERSION2, client_id, clean_session=False, protocol=mqtt.MQTTv311, **options)


def subscribe_offline(port: int, client_id: str) -> None:
    """Make a persistent session that gathers messages while nobody is there."""
    done = threading.Event()
    session = client(client_id)
    session.on_connect = lambda c, *_: c.subscribe("tareline/+/up/#", 1)
    session.on_subscribe = lambda *_: done.set()
    session.connect("127.0.0.1", port)
    session.loop_start()
    done.wait(30)
    session.disconnect()
    session.loop_stop()


def preload(port: int, messages: int) -> None:
    """Publish the backlog and wait until the broker has acknowledged all of it."""
    sender = client("sender")
    sender.max_inflight_messages_set(1000)
    left = threading.Semaphore(0)
    sender.on_publish = lambda *_: left.release()
    sender.connect("127.0.0.1", port)
    sender.loop_start()
    start_ms = int(time.time() * 1000) - YEARS_MS
    for i in range(messages):
        device, seq = f"feeder-{i % DEVICES}", i // DEVICES + 1
        at_ms = start_ms + seq * (YEARS_MS // (messages // DEVICES + 1))
        sender.publish(f"tareline/{device}/up/dose", payload("4f1c9a", seq, at_ms), 1)
    for _ in range(messages):
        left.acquire()
    sender.disconnect()
    sender.loop_stop()


def prepare(folder: Path, port: int) -> str:
    """A service's store with its feeders; returns the client id of its session."""
    service = Service(settings(folder, port), SystemClock())
    service.things.add("tank", {"id": "bench", "name": "Bench", "volume_l": 60, "timezone": "UTC"})
    for i in range(DEVICES):
        service.things.add("feeder", {"id": f"feeder-{i}", "tank": "bench"})
    service.context.store.close()
    return f"tareline-{service.context.installation}"


def drain_bare(port: int, messages: int) -> float:
    """Seconds from the connection to the last message, thrown away."""
    started, done, count = threading.Event(), threading.Event(), 0
    times = {}

    def on_message(*_: object) -> None:
        nonlocal count
        count += 1
        if count == messages:
            times["end"] = time.perf_counter()
            done.set()

    def on_connect(*_: object) -> None:
        times["start"] = time.perf_counter()
        started.set()

    bare = client("bare")
    bare.on_message, bare.on_connect = on_message, on_connect
    bare.connect("127.0.0.1", port)
    bare.loop_start()
    assert done.wait(600), f"only {count} messages came"
    bare.disconnect()
    bare.loop_stop()
    return times["end"] - times["start"]


def drain_service(folder: Path, port: int, messages: int) -> float:
    """Seconds from the connection to the last commit."""
    service = Service(settings(folder, port), SystemClock())
    done = threading.Event()
    times = {}
    take, taken = service.link._take, 0

    def counted(batch: Sequence[Message]) -> None:
        nonlocal taken
        take(batch)
        taken += len(batch)
        if taken >= messages:
            times["end"] = time.perf_counter()
            done.set()

    greet = service.link._greeting

    def greeting() -> object:
        times["start"] = time.perf_counter()
        return greet()

    service.link._take, service.link._greeting = counted, greeting  # type: ignore[assignment]
    service.start()
    assert done.wait(600), f"only {taken} messages came"
    service.stop()
    with sqlite3.connect(folder / "bench.db") as db:
        stored = db.execute("SELECT count(*) FROM ledger WHERE kind = 'dose'").fetchone()[0]
    assert stored == messages, f"{stored} of {messages} doses are in the ledger"
    return times["end"] - times["start"]


def drain_commit_each(folder: Path, port: int) -> float:
    """Seconds for a part of the backlog when every message is its own transaction."""
    db = sqlite3.connect(folder / "each.db", isolation_level=None, check_same_thread=False)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    db.execute("CREATE TABLE dose (topic TEXT, payload BLOB)")
    done, count = threading.Event(), 0
    times = {}

    def on_message(c: mqtt.Client, _: object, message: mqtt.MQTTMessage) -> None:
        nonlocal count
        if count == 0:
            times["start"] = time.perf_counter()
        if count < COMMIT_EACH:
            db.execute("INSERT INTO dose VALUES (?, ?)", (message.topic, message.payload))
            c.ack(message.mid, 1)
            count += 1
        elif not done.is_set():
            times["end"] = time.perf_counter()
            done.set()

    each = client("each", manual_ack=True)
    each.on_message = on_message
    each.connect("127.0.0.1", port)
    each.loop_start()
    assert done.wait(600), f"only {count} messages came"
    each.disconnect()
    each.loop_stop()
    return times["end"] - times["start"]


def child(what: str, folder: Path, port: int, messages: int) -> float:
    """Run one drain in a process of its own."""
    command = [sys.executable, __file__, "--child", what, str(folder), str(port), str(messages)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--messages", type=int, default=40_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--child", nargs=4, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        what, folder, port, messages = arguments.child
        if what == "bare":
            print(drain_bare(int(port), int(messages)))
        elif what == "service":
            print(drain_service(Path(folder), int(port), int(messages)))
        else:
            print(drain_commit_each(Path(folder), int(port)))
        return
    rates: dict[str, list[float]] = {"bare": [], "service": [], "each": []}
    for i in range(arguments.rounds):
        with tempfile.TemporaryDirectory() as name, Mosquitto() as broker:
            folder = Path(name)
            for session in ("bare", "each", prepare(folder, broker.port)):
                subscribe_offline(broker.port, session)
            preload(broker.port, arguments.messages)
            order = list(rates)[i % 3 :] + list(rates)[: i % 3]
            for what in order:
                n = COMMIT_EACH if what == "each" else arguments.messages
                rates[what].append(n / child(what, folder, broker.port, arguments.messages))
            print(f"round {i + 1}: " + ", ".join(f"{k} {v[-1]:,.0f}/s" for k, v in rates.items()), flush=True)
    names = {"service": "the service, of the bare subscriber's rate", "each": "a script that commits each message"}
    figures = {"messages in the backlog": f"{arguments.messages:,}".replace(",", " ")}
    for what, name in names.items():
        ratios = [a / b for a, b in zip(rates[what], rates["bare"], strict=True)]
        figures[name] = f"{statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})"
    keep(figures)


if __name__ == "__main__":
    main()
