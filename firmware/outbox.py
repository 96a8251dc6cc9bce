"""Messages on their way up: kept until the broker has acknowledged them, over any number of connections.

At most 4 are under way at a time, and at most 16 messages or 8 KiB are kept. At the next connection those that were
under way are sent again first, in order, with their identifiers and DUP ([MQTT-4.4.0-1], [MQTT-4.6.0-1],
[MQTT-3.3.1-1]). Doses and samples are no exception, though a feeder offers its doses anew at every connection: at most
4 of them come twice, which the service bears, and what was taken is either delivered or lost with the power.

A retained message takes the place of an older one of its topic that is not under way: only the last one counts.
"""

import mqtt

WINDOW = 4  # a message under way takes half a KiB of memory
MOST = 16
MOST_BYTES = 8192
MOST_WITH_ANSWERS = 12  # answers are kept beyond the window, so that no dose that waits keeps a command waiting
ORDINARY_BYTES = 1024  # what `room` and `takes_answers` reckon with: all but packs of samples are smaller


class Kept:
    """A message, until its PUBACK."""

    def __init__(self, packet_id, retained, packet, token):
        self.packet_id = packet_id
        self.retained = retained  # the topic of a retained message
        self.packet = packet
        self.token = token


class Outbox:
    """`kept` in order, the first `sent` of them on this connection; `delivered`: tokens, for the owner to take out."""

    def __init__(self):
        self.kept = []
        self.sent = 0
        self.delivered = []
        self._last_id = 0

    def room(self):
        """How many more ordinary messages may be put in and be sent at once."""
        return max(0, min(WINDOW - len(self.kept), (MOST_BYTES - self._bytes(self.kept)) // ORDINARY_BYTES))

    def takes_answers(self):
        """Whether the answer to one more command can be kept, though it may have to wait for its turn."""
        return len(self.kept) < MOST_WITH_ANSWERS and self._bytes(self.kept) <= MOST_BYTES - ORDINARY_BYTES

    def put(self, topic, payload, retained, token):
        """Keep a message. False, with nothing changed, where there is no room for it."""
        kept = self.kept
        if retained:
            under_way = kept[: self.sent]
            kept = under_way + [old for old in kept[self.sent :] if old.retained != topic]
        if len(kept) >= MOST or self._bytes(kept) + len(topic) + len(payload) > MOST_BYTES:
            return False
        packet_id = self.fresh_id()
        packet = mqtt.publish_packet(topic, payload, packet_id, retained)
        self.kept = kept + [Kept(packet_id, topic if retained else None, packet, token)]
        return True

    def fresh_id(self):
        """A packet identifier that no kept message has [MQTT-2.3.1-2]."""
        used = [kept.packet_id for kept in self.kept]
        while True:
            self._last_id = self._last_id % 65535 + 1
            if self._last_id not in used:
                return self._last_id

    def next(self):
        """The next packet to send on this connection, or None."""
        if self.sent >= min(len(self.kept), WINDOW):
            return None
        self.sent += 1
        return self.kept[self.sent - 1].packet

    def acknowledged(self, packet_id):
        """A PUBACK has come; one that nobody waits for means nothing."""
        for number in range(self.sent):
            kept = self.kept[number]
            if kept.packet_id == packet_id:
                self.kept.pop(number)
                self.sent -= 1
                if kept.token is not None:
                    self.delivered.append(kept.token)
                return

    def lost(self):
        """The connection is gone, and every answer with it."""
        for kept in self.kept[: self.sent]:
            kept.packet[0] |= mqtt.DUP
        self.sent = 0

    def _bytes(self, kept):
        return sum([len(one.packet) for one in kept])
