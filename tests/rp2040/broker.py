"""The broker's end of the board's serial line: one device, QoS 0 and 1, every message acknowledged at once.

MQTT 3.1.1 (OASIS Standard, 2014): packet types of section 2.2.1, the remaining length of 2.2.3.
"""

import json
from typing import Any

from rp2_board import Rp2Board

CONNECT, PUBLISH, PUBACK, SUBSCRIBE, PINGREQ, DISCONNECT = 1, 3, 4, 8, 12, 14


def _text(text: str) -> bytes:
    return len(text.encode()).to_bytes(2) + text.encode()


def _packet(first: int, body: bytes) -> bytes:
    size, encoded = len(body), b""
    while True:
        size, low = divmod(size, 128)
        encoded += bytes([low + 128 * bool(size)])
        if not size:
            return bytes([first]) + encoded + body


class Broker:
    """`messages`: (the topic behind up/, its fields) in the order of arrival; `acknowledged`: the device's PUBACKs."""

    def __init__(self, board: Rp2Board, root: str) -> None:
        self._board = board
        self._root = root
        self._send = board.wire(self._byte)
        self._stream = bytearray()
        self._packet_id = 0
        self.connects = 0
        self.subscribed: list[str] = []
        self.messages: list[tuple[str, dict[str, Any]]] = []
        self.acknowledged: list[int] = []

    def _byte(self, byte: int) -> None:
        self._stream.append(byte)
        size, at = 0, 1
        while True:
            if at >= len(self._stream):
                return
            size += (self._stream[at] & 127) * 128 ** (at - 1)
            at += 1
            if self._stream[at - 1] < 128:
                break
        if len(self._stream) == at + size:
            first, body = self._stream[0], bytes(self._stream[at:])
            self._stream.clear()
            self._take(first >> 4, first, body)

    def _take(self, kind: int, first: int, body: bytes) -> None:
        if kind == CONNECT:
            self.connects += 1
            self._send(b"\x20\x02\x00\x00")
        elif kind == SUBSCRIBE:
            at, granted = 2, b""
            while at < len(body):
                end = at + 2 + int.from_bytes(body[at : at + 2])
                self.subscribed.append(body[at + 2 : end].decode())
                granted += body[end : end + 1]
                at = end + 1
            self._send(_packet(0x90, body[:2] + granted))
        elif kind == PUBLISH:
            end = 2 + int.from_bytes(body[:2])
            topic = body[2:end].decode()
            if first & 6:
                self._send(_packet(0x40, body[end : end + 2]))
                end += 2
            start = f"{self._root}/up/"
            assert topic.startswith(start), topic
            self.messages.append((topic[len(start) :], json.loads(body[end:])))
        elif kind == PUBACK:
            self.acknowledged.append(int.from_bytes(body))
        elif kind == PINGREQ:
            self._send(b"\xd0\x00")
        else:
            assert kind == DISCONNECT, kind

    def down(self, tail: str, fields: dict[str, Any]) -> int:
        """Send a message of QoS 1. Returns its identifier."""
        self._packet_id += 1
        body = _text(f"{self._root}/down/{tail}") + self._packet_id.to_bytes(2) + json.dumps(fields).encode()
        self._send(_packet(0x32, body))
        return self._packet_id

    def of(self, tail: str) -> list[dict[str, Any]]:
        return [fields for name, fields in self.messages if name == tail]

    def wait(self, tail: str, most_s: float, count: int = 1) -> dict[str, Any]:
        """The message number `count` under this topic, waited for."""
        self._board.run(lambda: len(self.of(tail)) >= count, most_s)
        return self.of(tail)[count - 1]
