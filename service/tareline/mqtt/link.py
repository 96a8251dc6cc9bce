"""The link to the MQTT broker: one thread that reads, hands over in batches, and acknowledges what is on disk.

paho-mqtt is driven by hand here, so that one thread decides when a batch is full: at 500 messages, or when the line
goes quiet, or 20 ms after its first message. A batch is acknowledged, in order of arrival, after `take` has returned;
an acknowledgement for an older connection is dropped, since packet ids are used again. Paho's callbacks note what came
and subscribe; whatever reads the store or decides is done by the loop, outside them.

All of paho is touched by this thread only; `publish` and `subscribe_again` may be called from anywhere.
"""

import logging
import random
import select
import socket
import ssl
import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote, urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from tareline.clock import Clock
from tareline.mqtt.messages import Message

log = logging.getLogger(__name__)

BATCH = 500
OLDEST_S = 0.020  # how long a lone message may wait
QUIET_MS = 2  # a line without a message for this long is quiet
KEEPALIVE_S = 30
CONNECT_S = 5.0
SETTLE_S = 0.25
SETTLE_SHARE = 0.1  # of the time, while messages keep coming
TICK_S = 1.0
FIRST_RETRY_S = 0.5
LONGEST_RETRY_S = 30.0
LEAVE_S = 5.0


@dataclass(frozen=True, slots=True)
class Address:
    """Where the broker is. Raises ValueError with what was expected."""

    host: str
    port: int
    tls: bool
    user: str | None
    password: str | None

    @classmethod
    def parse(cls, url: str) -> "Address":
        parts = urlsplit(url)
        if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname:
            shown = url.rpartition("@")[2][:80]  # never a user or a password
            raise ValueError(f'expected "mqtt://HOST:PORT" or "mqtts://HOST:PORT"; found {shown!r}')
        tls = parts.scheme == "mqtts"
        user = unquote(parts.username) if parts.username else None
        password = unquote(parts.password) if parts.password else None
        return cls(parts.hostname, parts.port or (8883 if tls else 1883), tls, user, password)


@dataclass(frozen=True, slots=True)
class Down:
    """A message to a device: topic below the root."""

    topic: str
    payload: bytes
    retain: bool
    qos: int = 1


class Link:
    """One persistent session with the broker.

    take: puts a batch on disk; raising ends the link. settle: sends what follows from batches, after a quiet moment or
    a quarter of a second. tick: called about every second. greeting: what every new connection must send. failed:
    called with the reason when the link has ended by itself, since a service without a link must end.
    """

    def __init__(
        self,
        address: Address,
        client_id: str,
        root: str,
        clock: Clock,
        take: Callable[[Sequence[Message]], None],
        settle: Callable[[], None],
        tick: Callable[[], None],
        greeting: Callable[[], Sequence[Down]],
        failed: Callable[[str], None],
    ) -> None:
        self._address, self._root, self._clock = address, root, clock
        self._take, self._settle, self._tick, self._greeting = take, settle, tick, greeting
        self._failed = failed
        self._batch: list[tuple[Message, int, int]] = []
        self._batch_since_s = 0.0
        self._unsettled = False
        self._settle_again_s = 0.0
        self._ticked_s = 0.0
        self._generation = 0
        self._answered = False
        self._heard = False
        self._attempt = 0
        self._outgoing: deque[Down] = deque()
        self._again = threading.Event()
        self._stopping = threading.Event()
        self._wake_r, self._wake_w = socket.socketpair()
        self._wake_r.setblocking(False)
        self._wake_w.setblocking(False)
        self.connected = threading.Event()
        self.ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)
        self._client = self._make_client(client_id)

    def _make_client(self, client_id: str) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id, clean_session=False, protocol=mqtt.MQTTv311, manual_ack=True
        )
        client.connect_timeout = CONNECT_S
        client.max_inflight_messages_set(200)
        if self._address.user is not None:
            client.username_pw_set(self._address.user, self._address.password)
        if self._address.tls:
            client.tls_set(cert_reqs=ssl.CERT_REQUIRED)
        client.on_message = self._on_message
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_unsubscribe = self._on_answer
        client.on_socket_open = _without_delay
        # With a hook for writing, paho queues acknowledgements and the loop writes them together.
        client.on_socket_register_write = lambda *_: None
        return client

    # -- for others --------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin connecting, for as long as it takes."""
        self._thread.start()

    def stop(self) -> None:
        """Take and acknowledge what has come, leave the broker, end the thread."""
        self._stopping.set()
        self._wake()
        if self._thread.is_alive():
            self._thread.join(timeout=CONNECT_S + 5)
        self._wake_r.close()
        self._wake_w.close()

    def publish(self, messages: Sequence[Down]) -> None:
        """Send messages soon, in order. Without a connection they are dropped: the greeting of the next connection
        repeats them."""
        self._outgoing.extend(messages)
        self._wake()

    def subscribe_again(self) -> None:
        """Ask the broker once more for what it retains: a device has become known."""
        self._again.set()
        self._wake()

    def _wake(self) -> None:
        with suppress(OSError):  # a wake-up is waiting already, or the link has been stopped
            self._wake_w.send(b"x")

    # -- the thread --------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                if self._connect():
                    self._serve()
                if not self._stopping.is_set():
                    self._pause()
            self._flush()
            if self._unsettled:
                self._settle()
            self._send_outgoing()
            self._leave()
        except Exception as error:
            log.exception("the link to the broker has ended")
            self._failed(f"the link to the broker has ended: {error}")
        finally:
            self.connected.clear()
            self.ended.set()

    def _leave(self) -> None:
        """Disconnect once the broker has read every acknowledgement.

        The broker answers in order, so its answer to one more request shows that it has read them. A busy broker would
        otherwise deliver again what it had not read when this session comes back.
        """
        client, connection = self._client, self._client.socket()
        if (
            connection is not None and client.is_connected()
        ):  # it may not be subscribed yet: messages of the session can come before
            client.unsubscribe(f"{self._root}/nothing")
            client.loop_write()
            until_s = self._clock.monotonic_s() + LEAVE_S
            while not self._answered and (left_s := until_s - self._clock.monotonic_s()) > 0:
                if client.socket() is not connection or not select.select([connection], [], [], left_s)[0]:
                    break
                client.loop_read()
        client.disconnect()
        client.loop_write()

    def _connect(self) -> bool:
        address = self._address
        try:
            self._client.connect(address.host, address.port, KEEPALIVE_S)
        except (OSError, ValueError) as error:
            log.warning("the broker at %s:%d cannot be reached: %s", address.host, address.port, error)
            return False
        return True

    def _pause(self) -> None:
        """Wait before the next attempt: longer each time, with jitter, and still ticking."""
        delay_s = min(LONGEST_RETRY_S, FIRST_RETRY_S * 2**self._attempt) * random.uniform(0.5, 1.5)
        self._attempt = min(self._attempt + 1, 16)
        until_s = self._clock.monotonic_s() + delay_s
        while not self._stopping.is_set() and (left_s := until_s - self._clock.monotonic_s()) > 0:
            select.select([self._wake_r], [], [], min(left_s, TICK_S))
            self._drain_wakes()
            self._outgoing.clear()
            self._tick_when_due()

    def _serve(self) -> None:
        """Serve one connection until it ends."""
        client = self._client
        poll = select.poll()
        connection = client.socket()
        if connection is None:
            return
        poll.register(connection, select.POLLIN)
        poll.register(self._wake_r, select.POLLIN)
        writing = False
        while client.socket() is connection and not self._stopping.is_set():
            if client.want_write() != writing:
                writing = not writing
                poll.modify(connection, select.POLLIN | (select.POLLOUT if writing else 0))
            pending = getattr(connection, "pending", None)  # TLS may hold decrypted bytes that poll cannot see
            buffered = pending is not None and pending() > 0
            wait_ms = 0 if buffered else QUIET_MS if self._batch or self._unsettled else TICK_S * 1000
            ready = dict(poll.poll(wait_ms))
            if ready.get(connection.fileno(), 0) & ~select.POLLOUT or buffered:
                self._read()
                if self._heard:
                    self._greet()
            if self._wake_r.fileno() in ready:
                self._drain_wakes()
                self._send_outgoing()
            if writing and client.socket() is connection:
                client.loop_write()
            self._work(quiet=not ready and not buffered)

    def _read(self) -> None:
        """Read what is there, up to a batch: looking for more after each packet would cost as much as reading it."""
        client = self._client
        for _ in range(64):
            before = len(self._batch)
            if client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
            if len(self._batch) == before or before + 1 >= BATCH:
                return

    def _greet(self) -> None:
        """Send the greeting of a new connection, which counts as connected once the broker has answered the
        subscriptions.

        Before that it could drop what devices answer.
        """
        self._heard = False
        if self.connected.is_set():
            return
        self.connected.set()
        self._outgoing.clear()
        # What others publish meanwhile is newer than what the greeting has read, so it must be sent after the greeting.
        self._outgoing.extendleft(reversed(self._greeting()))
        self._send_outgoing()

    def _work(self, quiet: bool) -> None:
        now_s = self._clock.monotonic_s()
        if self._batch and (quiet or len(self._batch) >= BATCH or now_s - self._batch_since_s >= OLDEST_S):
            self._flush()
        if self._unsettled and (quiet or now_s >= self._settle_again_s):
            self._unsettled = False
            self._settle()
            self._send_outgoing()
            ended_s = self._clock.monotonic_s()
            self._settle_again_s = ended_s + max(SETTLE_S, (ended_s - now_s) / SETTLE_SHARE)
        if self._again.is_set() and self.connected.is_set():
            self._again.clear()
            self._subscribe()
        self._tick_when_due()

    def _tick_when_due(self) -> None:
        now_s = self._clock.monotonic_s()
        if now_s - self._ticked_s >= TICK_S:
            self._ticked_s = now_s
            self._client.loop_misc()
            self._tick()

    def _flush(self) -> None:
        """Put the batch on disk, then acknowledge it."""
        if not self._batch:
            return
        batch, self._batch = self._batch, []
        self._take([message for message, _, _ in batch])
        self._unsettled = True
        for _, mid, generation in batch:
            if generation == self._generation and mid:
                self._client.ack(mid, 1)
        self._client.loop_write()

    def _send_outgoing(self) -> None:
        while self._outgoing:
            down = self._outgoing.popleft()
            if self.connected.is_set():
                self._client.publish(f"{self._root}/{down.topic}", down.payload, down.qos, down.retain)
        self._client.loop_write()

    def _subscribe(self) -> None:
        self._client.subscribe([(f"{self._root}/+/up/#", 1), (f"{self._root}/+/down/plan", 1)])

    def _drain_wakes(self) -> None:
        with suppress(BlockingIOError):
            while self._wake_r.recv(4096):
                pass

    # -- paho's callbacks: note and subscribe --------------------------------------------------------------------------

    def _on_message(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = f"{self._root}//up/"  # belongs to no device: will be set aside with its payload
        if not self._batch:
            self._batch_since_s = self._clock.monotonic_s()
        taken = Message(topic, bytes(message.payload), self._clock.now_ms(), message.retain)
        self._batch.append((taken, message.mid if message.qos else 0, self._generation))

    def _on_connect(self, _client: mqtt.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            log.error("the broker refuses this service: %s", reason)
            return
        log.info("connected to the broker at %s:%d", self._address.host, self._address.port)
        self._attempt = 0
        self._subscribe()

    def _on_subscribe(self, _client: mqtt.Client, _userdata: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            log.error("the broker refuses the subscriptions: %s", ", ".join(str(reason) for reason in reasons))
        self._heard = True

    def _on_answer(self, *_: Any) -> None:
        self._answered = True

    def _on_disconnect(self, _client: mqtt.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._generation += 1
        self._heard = False
        if self.connected.is_set() and not self._stopping.is_set():
            log.warning("the connection to the broker was lost: %s", reason)
        self.connected.clear()


def _without_delay(_client: mqtt.Client, _userdata: Any, connection: Any) -> None:
    """A hold must not wait for the acknowledgement of an earlier small packet (Nagle's algorithm)."""
    with suppress(OSError):
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
