"""A broker's end of a connection in virtual time, for tests of the firmware's link.

`Network` is what the link takes for its sockets; `Connection` is one of them with both ends. Bytes are cut into packets
here by a reader of the tests' own, straight from section 2.2 of MQTT 3.1.1.
"""

from collections.abc import Callable
from typing import Any

from tareline.resources import load_firmware

mqtt = load_firmware("mqtt")
link = load_firmware("link")
sockets = load_firmware("sockets")

PERIOD = 1 << 30
CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK, PINGREQ, DISCONNECT = 1, 2, 3, 4, 8, 9, 12, 14
ALL = frozenset({CONNECT, SUBSCRIBE, PUBLISH, PINGREQ})
CONNACK_BYTES = b"\x20\x02\x00\x00"
PINGRESP_BYTES = b"\xd0\x00"


def cut(stream: bytes) -> tuple[list[bytes], bytes]:
    """The whole packets at the beginning of a stream, and what is left."""
    packets: list[bytes] = []
    while len(stream) >= 2:
        size, at = 0, 1
        while True:
            if at >= len(stream):
                return packets, stream
            size += (stream[at] & 127) * 128 ** (at - 1)
            at += 1
            if stream[at - 1] < 128:
                break
        if len(stream) < at + size:
            break
        packets.append(stream[: at + size])
        stream = stream[at + size :]
    return packets, stream


def after_header(packet: bytes) -> bytes:
    at = 1
    while packet[at] & 128:
        at += 1
    return packet[at + 1 :]


def kind(packet: bytes) -> int:
    return packet[0] >> 4


def published(packet: bytes) -> tuple[str, int, bytes]:
    """(topic, packet identifier, payload) of a PUBLISH of QoS 1."""
    body = after_header(packet)
    end = 2 + int.from_bytes(body[:2])
    return body[2:end].decode(), int.from_bytes(body[end : end + 2]), body[end + 2 :]


def down(tail: str, payload: bytes, packet_id: int | None = None, first: int | None = None) -> bytes:
    """A PUBLISH as a broker sends it; QoS 0 without an identifier."""
    topic = f"tareline/f1/down/{tail}".encode()
    body = len(topic).to_bytes(2) + topic
    if packet_id is not None:
        body += packet_id.to_bytes(2)
    body += payload
    size, encoded = len(body), b""
    while True:
        size, low = divmod(size, 128)
        encoded += bytes([low + 128 * bool(size)])
        if not size:
            break
    return bytes([first if first is not None else 0x30 + 2 * (packet_id is not None)]) + encoded + body


class Connection:
    """One connection. `sent`: whole packets of the device's so far; `give()` puts bytes on their way to it."""

    def __init__(self, network: "Network") -> None:
        self._network = network
        self.opened_ms = network.now_ms
        self.sent: list[bytes] = []
        self.waiting = bytearray()
        self.closed_ms: int | None = None
        self.broken = False
        self.gives = self.takes = 1 << 20
        self.full_after: int | None = None  # packets, after which nothing more can be sent
        self._partial = b""

    @property
    def full(self) -> bool:
        return self.full_after is not None and len(self.sent) >= self.full_after

    def give(self, *parts: bytes) -> None:
        for part in parts:
            self.waiting += part

    def of_kind(self, number: int) -> list[bytes]:
        return [packet for packet in self.sent if kind(packet) == number]

    def acknowledged(self) -> list[int]:
        """The identifiers of the device's PUBACKs."""
        return [int.from_bytes(after_header(packet)) for packet in self.of_kind(PUBACK)]

    # What the link calls

    def ready(self) -> bool:
        return self._network.accepts

    def receive(self, buffer: Any) -> int:
        if self.broken and not self.waiting:
            raise OSError("connection reset")
        count = min(len(buffer), len(self.waiting), self.gives)
        buffer[:count] = self.waiting[:count]
        del self.waiting[:count]
        return count

    def send(self, data: Any) -> int:
        if self.broken:
            raise OSError("connection reset")
        if self.full:
            return 0
        count = min(len(data), self.takes)
        packets, self._partial = cut(self._partial + bytes(data[:count]))
        for packet in packets:
            self.sent.append(packet)
            self.give(*self._network.answer(packet))
        return count

    def wait(self, wait_ms: int, writing: bool) -> None:
        assert wait_ms > 0
        if not (self.waiting or self.broken or (writing and not self.full and self._network.accepts)):
            self._network.now_ms += wait_ms

    def close(self) -> None:
        self.closed_ms = self._network.now_ms


class Network:
    """Virtual time, and every connection that was opened. Knobs: `accepts` (TCP), `answers` (which packets get one)."""

    def __init__(self, start_ms: int = 0) -> None:
        self.now_ms = start_ms
        self.connections: list[Connection] = []
        self.accepts = True
        self.answers: frozenset[int] = ALL
        self.on_open: Callable[[], None] = lambda: None

    @property
    def last(self) -> Connection:
        return self.connections[-1]

    def ticks(self) -> int:
        return self.now_ms % PERIOD

    def open(self) -> Connection:
        self.connections.append(Connection(self))
        self.on_open()
        return self.last

    def sleep(self, wait_ms: int) -> None:
        assert wait_ms > 0
        self.now_ms += wait_ms

    def answer(self, packet: bytes) -> list[bytes]:
        number = kind(packet)
        if number not in self.answers:
            return []
        if number == CONNECT:
            return [CONNACK_BYTES]
        if number == SUBSCRIBE:
            return [b"\x90\x07" + after_header(packet)[:2] + b"\x01" * len(link.TAILS)]
        if number == PUBLISH:
            return [b"\x40\x02" + published(packet)[1].to_bytes(2)]
        return [PINGRESP_BYTES] if number == PINGREQ else []


class Station:
    """A link on such a network, and everything it told its owner."""

    def __init__(
        self, start_ms: int = 0, tails: tuple[str, ...] = link.TAILS, forget: bool = False, **settings: Any
    ) -> None:
        self.network = Network(start_ms)
        self.told: list[str] = []
        self.faults: list[tuple[str, str]] = []
        self.link = link.Link(
            {"host": "broker", "port": 1883, "root": "tareline", **settings},
            "f1",
            self.network.ticks,
            PERIOD,
            lambda: self.told.append("up"),
            lambda: self.told.append("down"),
            lambda code, detail: self.faults.append((code, detail)),
            self.network,
            tails,
            forget,
        )

    def come_up(self) -> "Station":
        self.run(5000, lambda: self.link.up)
        assert self.link.up
        return self

    def run(self, most_ms: int, until: Callable[[], Any] = lambda: False) -> None:
        """Poll as an owner would that leaves the inbox alone, until the condition or the end of the time."""
        end = self.network.now_ms + most_ms
        while self.network.now_ms < end and not until():
            before = self.network.now_ms
            self.link.poll(min(1000, end - before))
            if self.link.inbox:  # with something in it poll does not wait
                self.network.now_ms = max(self.network.now_ms, before + 1)

    def arrived(self) -> list[tuple[str, bytes]]:
        return [(tail, b"".join(payload)) for tail, payload, _ in self.link.inbox]
