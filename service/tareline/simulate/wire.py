"""A device's side of the link, for simulated devices: paho-mqtt driven from one thread, as a board would.

Nothing here runs in the background: `wait()` is the only place where bytes move and where time is spent. A message is
acknowledged to the broker after its handler is done with it; what had come before a connection broke is dropped
unacknowledged, and the broker's persistent session brings it again.
"""

import json
import random
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from typing import Any
from urllib.parse import unquote, urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

KEEPALIVE_S = 20
CONNECT_S = 5.0
BACKOFF_FIRST_S = 0.2
BACKOFF_LAST_S = 10.0
SLICE_S = 0.2  # how long a stop may go unnoticed
WINDOW = 16


class Wire:
    """One device's MQTT connection, MQTT 3.1.1, persistent session, last will on `up/status`.

    on_up runs after the broker has taken the subscriptions; on_down when the connection is gone.
    """

    def __init__(
        self,
        device: str,
        broker_url: str,
        root: str,
        stop: threading.Event,
        on_up: Callable[[], None],
        on_down: Callable[[], None],
        tails: Iterable[str] = ("plan", "hold", "received", "time", "command"),
    ) -> None:
        self.url = urlsplit(broker_url)
        if self.url.scheme not in ("mqtt", "mqtts") or not self.url.hostname:
            raise ValueError(f"broker: expected mqtt://host:port or mqtts://host:port, found {broker_url!r}")
        self.stop = stop
        self.up = False
        self.inbox: deque[tuple[str, mqtt.MQTTMessage]] = deque()
        self._prefix = f"{root}/{device}/"
        self._on_up = on_up
        self._on_down = on_down
        self._subscriptions = [(f"{self._prefix}down/{tail}", 0 if tail == "time" else 1) for tail in tails]
        self._under_way: set[int] = set()
        self._backoff_s = BACKOFF_FIRST_S
        self._next_try_s = 0.0
        self._given_up_s = 0.0
        self._trying = False
        self._subscription: int | None = None
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=device,
            clean_session=False,
            protocol=mqtt.MQTTv311,
            manual_ack=True,
        )
        client.connect_timeout = CONNECT_S
        client.max_inflight_messages_set(WINDOW)
        client.will_set(self._prefix + "up/status", json.dumps({"online": False}), qos=1, retain=True)
        if self.url.username:
            client.username_pw_set(unquote(self.url.username), unquote(self.url.password or ""))
        if self.url.scheme == "mqtts":
            client.tls_set()
        client.on_socket_open = self._opened
        client.on_connect = self._connected
        client.on_subscribe = self._subscribed
        client.on_disconnect = self._disconnected
        client.on_message = self._arrived
        client.on_publish = self._published
        self._client = client

    def publish(self, tail: str, fields: Any, retained: bool) -> None:
        """Send a message under `up/`, QoS 1."""
        info = self._client.publish(self._prefix + "up/" + tail, json.dumps(fields), qos=1, retain=retained)
        if info.rc == mqtt.MQTT_ERR_SUCCESS:
            self._under_way.add(info.mid)

    def room(self) -> int:
        """How many more messages may be sent before the broker has acknowledged some."""
        return WINDOW - len(self._under_way) if self.up else 0

    def acknowledge(self, message: mqtt.MQTTMessage) -> None:
        """Tell the broker that a message has been dealt with."""
        if message.qos > 0:
            self._client.ack(message.mid, message.qos)

    def wait(self, seconds: float) -> None:
        """Move bytes until a message has come, the link has changed, a stop is asked for, or the time is over."""
        end_s = time.monotonic() + seconds
        up = self.up
        while True:
            left_s = end_s - time.monotonic()
            self._move(max(0.0, min(left_s, SLICE_S)))
            if left_s <= 0 or self.inbox or self.up != up or self.stop.is_set():
                return

    def spend(self, seconds: float) -> None:
        """Let this much time pass while bytes move, whatever comes: a motor is turning."""
        end_s = time.monotonic() + seconds
        while (left_s := end_s - time.monotonic()) > 0:
            self._move(min(left_s, SLICE_S))

    def close(self, seconds: float = 2.0) -> None:
        """Say goodbye where the link is up: status offline, and what is under way gets its chance. Ends this object."""
        if self.up:
            self.publish("status", {"online": False}, True)
            end_s = time.monotonic() + seconds
            while self.up and self._under_way and (left_s := end_s - time.monotonic()) > 0:
                self._move(min(left_s, SLICE_S))
            self.up = False
        client = self._client
        del self._client  # paho closes its inner sockets when it is freed, which its callbacks must not put off
        client.on_connect = client.on_subscribe = client.on_disconnect = None
        client.on_message = client.on_publish = client.on_socket_open = None
        client.disconnect()

    def _move(self, seconds: float) -> None:
        """One turn of the network, or of trying to have one; lasts no longer than `seconds` unless it connects."""
        now_s = time.monotonic()
        if self._trying:
            if self._client.loop(timeout=seconds) != mqtt.MQTT_ERR_SUCCESS:
                self._lost()
            elif not self.up and now_s > self._given_up_s:  # half open: a connection that nobody answers
                self._client.disconnect()
                self._lost()
        elif now_s < self._next_try_s:
            self.stop.wait(min(seconds, self._next_try_s - now_s))
        else:
            self._try()

    def _try(self) -> None:
        host = self.url.hostname or ""
        port = self.url.port or (8883 if self.url.scheme == "mqtts" else 1883)
        self._given_up_s = time.monotonic() + 2 * CONNECT_S
        self._trying = True
        try:
            self._client.connect(host, port, KEEPALIVE_S)
        except OSError:
            self._lost()

    def _lost(self) -> None:
        self._trying = False
        self._next_try_s = time.monotonic() + self._backoff_s * random.uniform(0.5, 1.0)
        self._backoff_s = min(2 * self._backoff_s, BACKOFF_LAST_S)
        self._went_down()

    def _went_down(self) -> None:
        self.inbox.clear()
        if self.up:
            self.up = False
            self._on_down()

    def _opened(self, _client: mqtt.Client, _data: Any, connection: Any) -> None:
        # Small messages must not wait for the answer to the one before (40 ms on Linux).
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _connected(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            return
        if self._subscriptions:
            self._subscription = client.subscribe(self._subscriptions)[1]
        else:
            self._came_up()

    def _subscribed(self, _client: mqtt.Client, _data: Any, mid: int, _reasons: Any, _properties: Any) -> None:
        if mid == self._subscription and not self.up:
            self._came_up()

    def _came_up(self) -> None:
        self.up = True
        self._backoff_s = BACKOFF_FIRST_S
        self._on_up()

    def _disconnected(self, _client: mqtt.Client, _data: Any, _flags: Any, _reason: Any, _properties: Any) -> None:
        self._went_down()

    def _arrived(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.inbox.append((message.topic.rsplit("/", 1)[1], message))

    def _published(self, _client: mqtt.Client, _data: Any, mid: int, _reason: Any, _properties: Any) -> None:
        self._under_way.discard(mid)
