"""The demo's broker through paho: what the service and the devices rely on, by the rules of MQTT 3.1.1.

Section numbers are those of the OASIS Standard "MQTT Version 3.1.1" (29 October 2014), from memory.
"""

import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tareline.mqtt.embedded import embedded_broker

WAIT_S = 20.0


class Client:
    """A paho client whose messages can be awaited."""

    def __init__(self, url: str, name: str, clean: bool = True, manual: bool = False, will: str | None = None) -> None:
        parts = urlsplit(url)
        self.messages: list[mqtt.MQTTMessage] = []
        self.flags: Any = None
        self._changed = threading.Condition()
        self._ready = threading.Event()
        self._subscribed = threading.Event()
        self.gone = threading.Event()
        self.paho = mqtt.Client(
            CallbackAPIVersion.VERSION2, name, clean_session=clean, manual_ack=manual, reconnect_on_failure=False
        )
        self.paho.on_message = self._arrived
        self.paho.on_connect = self._connected
        self.paho.on_subscribe = lambda *_: self._subscribed.set()
        self.paho.on_disconnect = lambda *_: self.gone.set()
        if will:
            self.paho.will_set(will, b"gone", 1, True)
        self.paho.connect(parts.hostname or "", parts.port or 0)
        self.paho.loop_start()
        assert self._ready.wait(WAIT_S)

    def _connected(self, _client: Any, _data: Any, flags: Any, _reason: Any, _properties: Any) -> None:
        self.flags = flags
        self._ready.set()

    def _arrived(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        with self._changed:
            self.messages.append(message)
            self._changed.notify_all()

    def subscribe(self, topic: str) -> None:
        self._subscribed.clear()
        self.paho.subscribe(topic, 1)
        assert self._subscribed.wait(WAIT_S)

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        self.paho.publish(topic, payload, 1, retain).wait_for_publish(WAIT_S)

    def until(self, count: int) -> list[bytes]:
        """The payloads, once there are this many."""
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.messages) >= count, WAIT_S), len(self.messages)
            return [bytes(message.payload) for message in self.messages]

    def leave(self) -> None:
        self.paho.disconnect()
        self.paho.loop_stop()
        # paho closes its inner sockets when it is freed; without the cycle through us that is now, not some day.
        self.paho.on_message = self.paho.on_connect = self.paho.on_subscribe = self.paho.on_disconnect = None


@pytest.fixture(scope="module")
def broker() -> Iterator[str]:
    with embedded_broker() as url:
        yield url


@contextmanager
def joined(url: str, name: str, **how: Any) -> Iterator[Client]:
    client = Client(url, name, **how)
    try:
        yield client
    finally:
        client.leave()


def test_qos_1_messages_arrive_in_order(broker: str) -> None:
    with joined(broker, "order-out") as out, joined(broker, "order-in") as into:
        into.subscribe("order/+/up/#")
        for i in range(500):
            out.paho.publish("order/f1/up/dose", b"%d" % i, 1)
        assert into.until(500) == [b"%d" % i for i in range(500)]


def test_the_last_retained_message_reaches_a_later_subscriber_and_an_empty_one_removes_it(broker: str) -> None:
    with joined(broker, "ret-out") as out:
        out.publish("kept/plan", b"one", retain=True)
        out.publish("kept/plan", b"two", retain=True)
        with joined(broker, "ret-1") as first:
            first.subscribe("kept/#")
            assert first.until(1) == [b"two"]
            assert first.messages[0].retain
        out.publish("kept/plan", b"", retain=True)
        with joined(broker, "ret-2") as second:
            second.subscribe("kept/#")
            out.publish("kept/plan", b"fresh")
            assert second.until(1) == [b"fresh"]  # 3.3.1.3: the removed one does not come before it


def test_a_persistent_session_keeps_what_came_while_its_client_was_away(broker: str) -> None:
    with joined(broker, "away", clean=False) as first:
        first.subscribe("while/away")
    with joined(broker, "away-out") as out:
        for i in range(300):
            out.publish("while/away", b"%d" % i)
    with joined(broker, "away", clean=False) as again:
        assert again.flags.session_present
        assert again.until(300) == [b"%d" % i for i in range(300)]


def test_what_was_not_acknowledged_comes_again_and_is_bounded_by_the_window(broker: str) -> None:
    with joined(broker, "lazy", clean=False, manual=True) as lazy:
        lazy.subscribe("un/acked")
        with joined(broker, "lazy-out") as out:
            for i in range(250):
                out.publish("un/acked", b"%d" % i)
        lazy.until(100)
    with joined(broker, "lazy", clean=False, manual=True) as again:
        seen = 0
        while seen < 250:
            again.until(seen + 1)
            while seen < len(again.messages):
                again.paho.ack(again.messages[seen].mid, 1)
                seen += 1
        assert again.until(250)[:250] == [b"%d" % i for i in range(250)]


def test_a_last_will_is_sent_and_kept_when_a_client_vanishes(broker: str) -> None:
    with joined(broker, "will-watch") as watch:
        watch.subscribe("last/+/up/status")
        vanishing = Client(broker, "vanishing", will="last/f1/up/status")
        connection = vanishing.paho.socket()
        assert connection is not None
        connection.shutdown(socket.SHUT_RDWR)  # type: ignore[attr-defined]
        assert vanishing.gone.wait(WAIT_S)
        vanishing.leave()
        assert watch.until(1) == [b"gone"]
    with joined(broker, "will-late") as late:
        late.subscribe("last/f1/up/status")
        assert late.until(1) == [b"gone"]
        assert late.messages[0].retain


def test_a_second_client_of_the_same_id_takes_over(broker: str) -> None:
    first = Client(broker, "twin")
    with joined(broker, "twin"):
        assert first.gone.wait(WAIT_S)  # 3.1.4: the server must disconnect the existing client
    first.leave()


def test_a_large_message_passes(broker: str) -> None:
    with joined(broker, "large-out") as out, joined(broker, "large-in") as into:
        into.subscribe("large")
        out.publish("large", b"x" * 200_000)
        assert into.until(1) == [b"x" * 200_000]


def test_it_listens_on_loopback_alone(broker: str) -> None:
    address = urlsplit(broker)
    assert address.hostname == "127.0.0.1"
    # Any other address of this machine is refused; 127.0.0.2 is one on every Linux.
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.2", address.port or 0), WAIT_S).close()


def test_a_port_in_use_is_said_and_nobody_elses_broker_is_taken_for_ours(broker: str) -> None:
    port = urlsplit(broker).port or 0
    with pytest.raises(RuntimeError, match=f"127.0.0.1:{port} did not start"), embedded_broker(port):
        pass


def wait_until_closed(connection: socket.socket) -> None:
    connection.settimeout(WAIT_S)
    with suppress(ConnectionResetError):
        assert connection.recv(1) == b""


def refused(where: tuple[str, int]) -> bool:
    """Whether nobody listens; else the connection's end has been awaited."""
    try:
        with socket.create_connection(where, WAIT_S) as connection:
            wait_until_closed(connection)
    except ConnectionRefusedError:
        return True
    return False


def test_nothing_is_left_when_the_context_ends_or_the_process_is_killed() -> None:
    script = (
        "import sys\n"
        "from tareline.mqtt.embedded import embedded_broker\n"
        "with embedded_broker() as url:\n"
        "    print(url, flush=True)\n"
        "    sys.stdin.readline()\n"
    )
    for end in ("close", "kill"):
        with subprocess.Popen(
            [sys.executable, "-c", script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdin is not None
            assert process.stdout is not None
            address = urlsplit(process.stdout.readline().strip())
            where = (address.hostname or "", address.port or 0)
            with socket.create_connection(where, WAIT_S) as connection:
                if end == "kill":
                    os.kill(process.pid, signal.SIGKILL)
                else:
                    process.stdin.write("\n")
                    process.stdin.flush()
                wait_until_closed(connection)
            process.wait(WAIT_S)
        # An ending process closes one socket after the other: whoever is still let in waits for that end, too.
        assert any(refused(where) for _ in range(100))
