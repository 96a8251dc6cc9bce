"""MQTT 3.1.1 packets, as far as a device needs them: bytes out of values, and packets out of a stream of bytes.

Source: MQTT Version 3.1.1, OASIS Standard, 29 October 2014; numbers in brackets are its conformance statements.
Nothing here knows a socket or a clock.
"""

CONNACK = 0x20
PUBLISH = 0x30
PUBACK = 0x40
SUBACK = 0x90
PINGRESP = 0xD0
DUP = 0x08
PINGREQ_PACKET = b"\xc0\x00"
DISCONNECT_PACKET = b"\xe0\x00"
LARGEST_REMAINING = 268435455  # section 2.2.3: four bytes of seven bits
PIECE = 512  # bytes of a large message that stand in one piece, and at most of what is read at once
LARGEST_ANSWER = 64  # of what is not a PUBLISH, the largest is a SUBACK: two bytes and one for each topic filter

REFUSALS = {  # section 3.2.2.3, table 3.1
    1: "the broker does not speak MQTT 3.1.1",
    2: "the broker does not accept this client identifier",
    3: "the broker's MQTT service is unavailable",
    4: "wrong user name or password",
    5: "not authorised to connect",
}


class MalformedError(Exception):
    """The other side broke the protocol; the text says how."""


def remaining_length(size):
    """A packet's size after its fixed header, in one to four bytes (section 2.2.3)."""
    if not 0 <= size <= LARGEST_REMAINING:
        raise ValueError("packet: expected at most %d bytes, found %d" % (LARGEST_REMAINING, size))
    encoded = bytearray()
    while True:
        byte = size & 0x7F
        size >>= 7
        encoded.append(byte | 0x80 if size else byte)
        if not size:
            return bytes(encoded)


def prefixed(data):
    """Bytes behind their length in two bytes (section 1.5.3)."""
    if len(data) > 65535:
        raise ValueError("field: expected at most 65535 bytes, found %d" % len(data))
    return bytes((len(data) >> 8, len(data) & 0xFF)) + data


def string(text):
    """A UTF-8 encoded string; U+0000 is refused [MQTT-1.5.3-2]."""
    if "\x00" in text:
        raise ValueError("string: expected no U+0000")
    return prefixed(text.encode("utf-8"))


def connect_packet(client_id, keep_alive_s, will_topic, will_payload, user, password):
    """CONNECT with clean session 0 and a retained last will of QoS 1 (section 3.1). user, password may be empty."""
    flags = 0x04 | 0x08 | 0x20  # will, will QoS 1, will retain
    body = string(client_id) + string(will_topic) + prefixed(will_payload)
    if user:
        flags |= 0x80
        body += string(user)
        if password:
            flags |= 0x40
            body += prefixed(password.encode("utf-8"))
    elif password:
        raise ValueError("password: expected a user with it")  # [MQTT-3.1.2-22]
    body = b"\x00\x04MQTT\x04" + bytes((flags, keep_alive_s >> 8, keep_alive_s & 0xFF)) + body
    return b"\x10" + remaining_length(len(body)) + body


def forget_packet(connect):
    """The same CONNECT with clean session 1: the broker drops the session it has [MQTT-3.1.2-6]."""
    packet = bytearray(connect)
    packet[packet.find(b"\x04MQTT\x04") + 6] |= 0x02
    return bytes(packet)


def publish_packet(topic, payload, packet_id, retained):
    """PUBLISH of QoS 1 (section 3.3), as a bytearray: a second sending sets DUP in its first byte."""
    head = string(topic) + bytes((packet_id >> 8, packet_id & 0xFF))
    packet = bytearray(b"\x33" if retained else b"\x32")
    packet += remaining_length(len(head) + len(payload))
    packet += head
    packet += payload
    return packet


def subscribe_packet(packet_id, filters):
    """SUBSCRIBE to (topic filter, QoS) pairs (section 3.8)."""
    body = bytes((packet_id >> 8, packet_id & 0xFF))
    for topic_filter, qos in filters:
        body += string(topic_filter) + bytes((qos,))
    return b"\x82" + remaining_length(len(body)) + body


def puback_packet(packet_id):
    return bytes((PUBACK, 2, packet_id >> 8, packet_id & 0xFF))


class Reader:
    """Cuts a stream into packets, one at a time. The beginning of each stands in a buffer that is made once; what goes
    beyond it comes in small pieces, so that the largest message needs no large piece of memory.

    largest: bytes of the buffer, enough for a topic and what is behind it. wanted(): asked once where a packet goes
    beyond the buffer; False has the rest counted and skipped. After `feed` has set `complete`: `first` (byte 1), `size`
    (the remaining length), `body` (a view; min(size, largest) bytes are valid), `payload(start)`, until `reset()`.
    """

    def __init__(self, largest, wanted):
        self.largest = largest
        self.body = memoryview(bytearray(largest))
        self._wanted = wanted
        self.reset()

    def reset(self):
        self.first = None
        self.size = 0
        self.complete = False
        self.spoilt = False  # there was no memory for a piece
        self._pieces = None  # None: not asked yet, or not wanted
        self._asked = False
        self._got = 0
        self._shift = 0  # bits of the remaining length read; -1: all

    def feed(self, chunk, at, end):
        """Take bytes from chunk[at:end], PIECE at most, until a packet is complete. Returns where it stopped. Raises
        MalformedError."""
        while at < end and not self.complete:
            if self.first is None:
                self._begin(chunk[at])
                at += 1
            elif self._shift >= 0:
                self._measure(chunk[at])
                at += 1
            else:
                count = min(end - at, self.size - self._got)
                fits = min(count, self.largest - self._got)
                if fits > 0:
                    self.body[self._got : self._got + fits] = chunk[at : at + fits]
                    count = fits
                else:
                    self._put(chunk[at : at + count])
                self._got += count
                at += count
                self.complete = self._got == self.size
        return at

    def _put(self, data):
        """Keep what goes beyond the buffer, if it is wanted."""
        if not self._asked:
            self._asked = True
            self._pieces = [] if self._wanted() else None
        pieces = self._pieces
        if pieces is None:
            return
        try:
            if pieces and len(pieces[-1]) + len(data) <= PIECE:
                pieces[-1] += bytes(data)
            else:
                pieces.append(bytes(data))
        except MemoryError:
            self._pieces = None
            self.spoilt = True

    def skipped(self):
        """Whether a part of the packet was not wanted."""
        return self._asked and self._pieces is None and not self.spoilt

    def payload(self, start):
        """The bytes from here on, in pieces."""
        return [bytes(self.body[start : min(self.size, self.largest)])] + (self._pieces or [])

    def _begin(self, byte):
        kind = byte & 0xF0
        if kind == PUBLISH:
            qos = byte >> 1 & 3
            if qos > 1:  # nothing was subscribed with QoS 2, and 3 does not exist [MQTT-3.3.1-4]
                raise MalformedError("a PUBLISH of QoS %d" % qos)
            if not qos and byte & DUP:
                raise MalformedError("a PUBLISH of QoS 0 with DUP")  # [MQTT-3.3.1-2]
        elif byte not in (CONNACK, PUBACK, SUBACK, PINGRESP):  # the four others' flags are 0 [MQTT-2.2.2-2]
            raise MalformedError("a packet that begins with 0x%02x" % byte)
        self.first = byte

    def _measure(self, byte):
        self.size |= (byte & 0x7F) << self._shift
        if not byte & 0x80:
            self._shift = -1
            if self.size > LARGEST_ANSWER and self.first & 0xF0 != PUBLISH:
                raise MalformedError("0x%02x with %d bytes" % (self.first, self.size))
            self.complete = not self.size
        elif self._shift == 21:
            raise MalformedError("a remaining length of more than four bytes")
        else:
            self._shift += 7

    def packet_id(self, at=0):
        """The packet identifier at this place of the body; never 0 [MQTT-2.3.1-1]."""
        if at + 2 > min(self.size, self.largest):
            raise MalformedError("0x%02x without its packet identifier" % self.first)
        found = self.body[at] << 8 | self.body[at + 1]
        if not found:
            raise MalformedError("a packet identifier of 0")
        return found

    def publication(self):
        """(topic in bytes, packet identifier or None for QoS 0, where the payload begins) of a PUBLISH."""
        kept = min(self.size, self.largest)
        if kept < 2:
            raise MalformedError("a PUBLISH without a topic")
        end = 2 + (self.body[0] << 8 | self.body[1])
        if end > self.size or end == 2:
            raise MalformedError("a PUBLISH whose topic has no room or no length")
        if end + 2 > kept and kept < self.size:
            raise MalformedError("a PUBLISH whose topic is far too long")
        topic = bytes(self.body[2:end])
        try:
            text = str(topic, "utf-8")
        except ValueError:
            raise MalformedError("a topic that is no UTF-8") from None
        if "\x00" in text or "+" in text or "#" in text:  # [MQTT-1.5.3-2], [MQTT-3.3.2-2]
            raise MalformedError("a topic with a character that no topic has")
        if self.first & 0x06:
            return topic, self.packet_id(end), end + 2
        return topic, None, end
