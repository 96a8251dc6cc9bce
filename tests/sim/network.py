"""A broker and the links to it, as bad as real ones can be and no worse.

Each connection keeps the order of what it carries (TCP); a connection that ends loses what was under way. A client
sends again what was not acknowledged, at the next connection and before anything new; the broker does the same for a
session that it keeps. So messages are late, come again, and an old one may come again after a newer one; none is
altered and none overtakes another within a connection. A broker that crashes goes back to an older state of its
retained messages and sessions, or to none: what it had acknowledged since is gone, what it had delivered comes again.
"""

from collections.abc import Callable
from random import Random
from typing import Any, NamedTuple

SECOND = 1000


class Packet(NamedTuple):
    """A message on its way. `number` tells apart two that say the same."""

    number: int
    topic: str
    payload: bytes
    retained: bool
    qos: int


class Link:
    """One client's connection to the broker, the client's unacknowledged messages, and its session in the broker.

    wants: whether the client subscribes to a topic. persistent: whether the broker keeps the session over connections.
    heard: called when something has arrived in `inbox`. will: (topic, payload) published, retained, when the broker
    sees the connection end.
    """

    def __init__(
        self,
        broker: "Broker",
        rng: Random,
        wants: Callable[[str], bool],
        persistent: bool,
        heard: Callable[[], None],
        will: tuple[str, bytes] | None = None,
    ) -> None:
        self.broker, self.rng, self.wants, self.persistent, self.heard = broker, rng, wants, persistent, heard
        self.will = will
        self.network = True  # whether there is a way to the broker at all
        self.connected = False
        self.stalled = False  # half-open: both ends believe in a connection that carries nothing any more
        self.slowest_ms = rng.choice((20, 300, 4 * SECOND))
        self.outbox: list[Packet] = []
        self.session: list[Packet] = []
        self.inbox: list[Packet] = []
        self.connection = 0
        self._up_ms = self._down_ms = 0
        self._will_due = False
        broker.links.append(self)

    def connect(self) -> bool:
        """Connect and subscribe; what was not acknowledged goes first, in both directions."""
        if self.connected or not self.network or not self.broker.running:
            return False
        if self._will_due:
            self._publish_will()
        self.connection += 1
        self.connected, self.stalled = True, False
        self._up_ms = self._down_ms = self.broker.now_ms()
        if not self.persistent:
            self.session.clear()
        for packet in self.session:
            self._send_down(packet)
        kept = [(topic, payload) for topic, payload in self.broker.retained.items() if self.wants(topic)]
        self.rng.shuffle(kept)
        for topic, payload in kept:
            self.deliver(self.broker.packet(topic, payload, True, 1))
        for packet in self.outbox:
            self._send_up(packet)
        return True

    def drop(self, crashed: bool = False) -> None:
        """The connection ends; the broker notices after a while, unless it has crashed itself."""
        if not self.connected:
            return
        self.connection += 1
        self.connected = False
        self.inbox.clear()
        if self.will is not None and not crashed:
            self._will_due = True
            connection = self.connection
            self.broker.after(self.rng.randrange(90 * SECOND), lambda: self._will_comes(connection))

    def forget(self) -> None:
        """The client has lost its memory."""
        self.outbox.clear()

    def forget_will(self) -> None:
        """The broker has crashed: it publishes no will for connections of before."""
        self._will_due = False

    def _will_comes(self, connection: int) -> None:
        if self._will_due and connection == self.connection and self.broker.running:
            self._publish_will()

    def _publish_will(self) -> None:
        self._will_due = False
        assert self.will is not None
        self.broker.publish(*self.will, True, 1)

    def _delay_ms(self) -> int:
        return 1 + int(self.slowest_ms * self.rng.random() ** 3)

    # From the client to the broker

    def publish(self, topic: str, payload: bytes, retained: bool, qos: int = 1) -> None:
        packet = self.broker.packet(topic, payload, retained, qos)
        if qos:
            self.outbox.append(packet)
        if self.connected:
            self._send_up(packet)

    def _send_up(self, packet: Packet) -> None:
        self._up_ms = max(self._up_ms, self.broker.now_ms() + self._delay_ms())
        connection = self.connection
        self.broker.at(self._up_ms, lambda: self._arrived_up(packet, connection))

    def _arrived_up(self, packet: Packet, connection: int) -> None:
        if connection != self.connection or self.stalled:
            return
        self.broker.publish(packet.topic, packet.payload, packet.retained, packet.qos)
        if packet.qos:
            self._down_ms = max(self._down_ms, self.broker.now_ms() + self._delay_ms())
            self.broker.at(self._down_ms, lambda: self._acknowledged_up(packet, connection))

    def _acknowledged_up(self, packet: Packet, connection: int) -> None:
        if connection == self.connection and not self.stalled and packet in self.outbox:
            self.outbox.remove(packet)
            self.heard()

    # From the broker to the client

    def deliver(self, packet: Packet) -> None:
        if packet.qos and (self.connected or self.persistent):
            self.session.append(packet)
        if self.connected:
            self._send_down(packet)

    def _send_down(self, packet: Packet) -> None:
        self._down_ms = max(self._down_ms, self.broker.now_ms() + self._delay_ms())
        connection = self.connection
        self.broker.at(self._down_ms, lambda: self._arrived_down(packet, connection))

    def _arrived_down(self, packet: Packet, connection: int) -> None:
        if connection == self.connection and not self.stalled:
            self.inbox.append(packet)
            self.heard()

    def acknowledge(self, packet: Packet) -> None:
        """The client has handled a packet."""
        if self.connected and packet.qos:
            self._up_ms = max(self._up_ms, self.broker.now_ms() + self._delay_ms())
            connection = self.connection
            self.broker.at(self._up_ms, lambda: self._acknowledged_down(packet, connection))

    def _acknowledged_down(self, packet: Packet, connection: int) -> None:
        if connection == self.connection and not self.stalled and packet in self.session:
            self.session.remove(packet)


class Broker:
    """Retained messages, sessions, and what a crash leaves of them. `world` has `now_ms` and `wire(due_ms, call)`."""

    def __init__(self, world: Any, rng: Random) -> None:
        self.world, self.rng = world, rng
        self.running = True
        self.links: list[Link] = []
        self.retained: dict[str, bytes] = {}
        self._saved: tuple[dict[str, bytes], list[list[Packet]]] | None = None
        self._number = 0

    def now_ms(self) -> int:
        return int(self.world.now_ms)

    def at(self, due_ms: int, call: Callable[[], None]) -> None:
        self.world.wire(due_ms, call)

    def after(self, ms: int, call: Callable[[], None]) -> None:
        self.world.wire(self.world.now_ms + ms, call)

    def packet(self, topic: str, payload: bytes, retained: bool, qos: int) -> Packet:
        self._number += 1
        return Packet(self._number, topic, payload, retained, qos)

    def publish(self, topic: str, payload: bytes, retained: bool, qos: int) -> None:
        """Keep what is to be kept and pass it on; a live message does not say that it is retained."""
        if not self.running:
            return
        if retained:
            self.retained[topic] = payload
        for link in self.links:
            if link.wants(topic):
                link.deliver(self.packet(topic, payload, False, qos))

    def save(self) -> None:
        """Write the state down: what a crash may go back to."""
        self._saved = (dict(self.retained), [list(link.session) for link in self.links])

    def crash(self) -> None:
        """All connections end; memory is as good as what was last written down, or as nothing."""
        self.running = False
        for link in self.links:
            link.drop(crashed=True)
            link.forget_will()
        if self.rng.random() < 0.2:
            return  # it had written everything down
        saved = self._saved if self.rng.random() < 0.7 else None
        self.retained = dict(saved[0]) if saved else {}
        for i, link in enumerate(self.links):
            link.session = list(saved[1][i]) if saved else []
