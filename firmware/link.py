"""A device's link to its broker: an MQTT 3.1.1 client of our own, polled, without threads, tasks or blocking calls.

Bytes move and callbacks run inside `poll` and `pump` only. The owner's loop:

    link.poll(wait_ms)           # returns early when something is in `inbox`, or `up` has changed
    while link.inbox:            # all of it: with something in the inbox, poll does not wait
        tail, payload, item = link.take()            # holds first; payload: a list of pieces, None: no memory for it
        if logic.on_message(tail, payload): link.acknowledge(item)

and between chunks of motor steps `link.pump()`, then each `link.take("hold")` until that is None. Neither may be
called from inside a callback.

**How long a hold may wait.** `pump` reads until the socket is empty, however much has come, so a hold whose bytes have
arrived stands in the inbox when it returns True. Where bytes come faster than it reads them it gives up after two
seconds and returns False: then the motor must not turn, since a hold may stand behind them. `poll` reads 12 KiB at a
time and is left at once when bytes come; where it is called with an inbox that is full, it reads no further until the
owner has taken something, unless the outbox keeps no further answer.
**What may block.** Only making a connection (see sockets.py), and `pump` never begins or continues that: there is no
connection then over which a hold could come.

Delivery, downwards: a message is acknowledged when the owner says so, in the order of arrival [MQTT-4.6.0-2]. While a
dose is under way, or where no further answer is kept, what does not fit the inbox is dropped without
acknowledgement, and everything after it but holds; once inbox and outbox are empty the link parts and connects again
(`renew`), and the broker's persistent session brings it again. Repeated messages are handed over as they come: the
logic bears repetition. What stands in the inbox when the connection is lost stays there; its acknowledgement is not
sent, so it comes once more.

Delivery, upwards: outbox.py.
"""

import json
import random

import mqtt
from outbox import Outbox
from sockets import Sockets, TlsRefusedError

KEEP_ALIVE_S = 20  # told to the broker, which lets a device go after one and a half times that [MQTT-3.1.2-24]
PING_AFTER_MS = 10000  # of silence in either direction
PATIENCE_MS = 10000  # for the answer to a ping, and for a connection to be up
BACKOFF_FIRST_MS = 200
BACKOFF_LAST_MS = 30000
LASTED_MS = 10000  # a connection that held so long was a good one
CLOSING_MS = 2000
LOOK_MS = 200  # how often timers are looked at while waiting

LARGEST_PAYLOAD = 8192  # downwards, by contract
BURST = 24  # chunks that one call of poll reads
FLOOD_MS = 2000  # how long pump goes on reading
INBOX_MESSAGES = 4
INBOX_BYTES = 10240
MOST_HOLDS = 8  # up to here holds only
MOST_HOLDS_BYTES = 18432
TAILS = ("plan", "hold", "received", "time", "command")

CLOSED, OPENING, GREETING, SUBSCRIBING, UP = range(5)


class Item:
    """A QoS 1 message that waits for its acknowledgement, on one connection."""

    def __init__(self, packet_id, done):
        self.packet_id = packet_id
        self.done = done


class Link:
    """One device's connection. See the module's own text.

    settings: host, port, root; where wanted tls, ca (path of a PEM or DER file), user, password.
    on_up(): subscribed, and what was unacknowledged before has been sent again. on_down(): the connection is gone.
    on_fault(code, detail): message_too_large, link_refused, tls_refused, protocol_error.
    forget: whether the broker is to drop the session that it holds for this device, at the first connection.
    sockets: `open()` and `sleep(wait_ms)` as in sockets.py. Raises ValueError for settings that can never work.

    up; inbox: list of (tail, payload, item); outbox: what waits for its acknowledgement; delivered: the tokens of
    messages that the broker has acknowledged, for the owner to take out.
    """

    def __init__(
        self,
        settings,
        device,
        ticks_ms,
        ticks_period,
        on_up,
        on_down,
        on_fault,
        sockets=None,
        tails=TAILS,
        forget=False,
    ):
        for name, text in (("device", device), ("root", settings["root"])):
            if not text or "+" in text or "#" in text:
                raise ValueError("%s: expected a part of a topic, without + and #, found %r" % (name, text))
        if settings.get("tls") and not settings.get("ca"):
            raise ValueError("ca: expected the path of a CA certificate, since tls is on")
        self._ticks = ticks_ms
        self._period = ticks_period
        self._on_up = on_up
        self._on_down = on_down
        self._on_fault = on_fault
        self._sockets = sockets or Sockets(settings)
        self._prefix = "%s/%s/" % (settings["root"], device)
        self._offline = json.dumps({"online": False}).encode("utf-8")
        will = self._prefix + "up/status"
        user, password = settings.get("user"), settings.get("password")
        self._hello = mqtt.connect_packet(device, KEEP_ALIVE_S, will, self._offline, user, password)
        self._farewell = mqtt.forget_packet(self._hello) if forget else None
        self._filters = [(self._prefix + "down/" + tail, 0 if tail == "time" else 1) for tail in tails]
        self._tails = {}
        for number, tail in enumerate(tails):
            self._tails[self._filters[number][0].encode("utf-8")] = tail
        longest = max([0] + [len(topic) for topic in self._tails])
        self._reader = mqtt.Reader(2 + longest + 2 + mqtt.PIECE, self._wants)
        self._drained = True
        self._chunk = memoryview(bytearray(mqtt.PIECE))

        self.up = False
        self.inbox = []
        self.outbox = Outbox()
        self.delivered = self.outbox.delivered
        self.renew = False
        self._stage = CLOSED
        self._socket = None
        self._tried = ticks_ms()
        self._pause_ms = 0
        self._backoff_ms = BACKOFF_FIRST_MS
        self._forget()

    def _forget(self):
        """What holds for one connection only."""
        self._reader.reset()
        self._at = self._end = 0  # what of the chunk has not been taken yet
        self._control = []
        self._out = None  # the packet being written, as a view of what is left of it
        self._unacknowledged = []
        self._pinged = None
        self._subscription = 0

    # The owner's calls

    def room(self):
        """How many more messages of up to 1 KiB may be published before the broker has acknowledged some.

        None while the link is about to part: those would only be sent twice.
        """
        return self.outbox.room() if self.up and not self.renew else 0

    def publish(self, tail, content, retained=False, token=None):
        """Take a message for `up/`: bytes, or what JSON can say. The link need not be up.

        Returns False where it can't be kept: 16 messages or 8 KiB are waiting already. A token that is not None comes
        back in `delivered`.
        """
        try:
            payload = content if isinstance(content, (bytes, bytearray)) else json.dumps(content).encode("utf-8")
            return self.outbox.put(self._prefix + "up/" + tail, payload, retained, token)
        except MemoryError:
            return False

    def take(self, tail=None):
        """The next message of the inbox, (tail, payload, item), or None; holds first; with a tail, only those."""
        for wanted in (tail or "hold", tail):
            for number, message in enumerate(self.inbox):
                if wanted in (None, message[0]):
                    return self.inbox.pop(number)
        return None

    def acknowledge(self, item):
        """The message is dealt with. Its PUBACK goes out once those of all that came before it have."""
        if item is not None:
            item.done = True
        waiting = self._unacknowledged
        while waiting and waiting[0].done:
            self._control.append(mqtt.puback_packet(waiting.pop(0).packet_id))

    def poll(self, wait_ms):
        """Connect when it is time, move bytes, wait up to wait_ms for something to happen."""
        began = self._ticks()
        up = self.up
        while True:
            moved = self._move(False)
            left = wait_ms - self._since(began)
            if self.inbox or self.up != up or left <= 0:
                return
            if not moved:
                self._wait(min(left, LOOK_MS))

    def pump(self):
        """Move the bytes of the connection there is, and never make one: for the moments between steps of a motor.

        Returns whether all that had come was read.
        """
        began = self._ticks()
        self._drained = True
        while self._stage > GREETING:
            self._move(True)
            if self._drained or self._since(began) >= FLOOD_MS:
                break
        return self._drained

    def close(self):
        """Say offline and part properly, in two seconds at most; where that fails, the last will says it."""
        if self.up:
            began = self._ticks()
            self.publish("status", self._offline, True)
            while self.up and self.outbox.kept and self._since(began) < CLOSING_MS:
                if not self._move(True):
                    self._wait(50)
            if self.up and not self.outbox.kept:
                self._part()
        self._lost()

    # Turns

    def _since(self, ticks):
        return (self._ticks() - ticks) % self._period

    def _wait(self, wait_ms):
        if self._socket is not None:
            self._socket.wait(wait_ms, self._out is not None or self._stage == OPENING)
        else:
            self._sockets.sleep(max(1, min(wait_ms, self._pause_ms - self._since(self._tried))))

    def _move(self, busy):
        """Everything that can be done without waiting. Returns whether something was done."""
        try:
            if self._stage == CLOSED:
                return self._since(self._tried) >= self._pause_ms and self._open()
            moved = self._stage != OPENING and self._read(busy)
            self._watch()
            if not busy and self.renew and self._may_part():
                self._part()
                self._lost()
                self._pause_ms = 0
                return True
            return self._write() or moved
        except TlsRefusedError as error:
            self._on_fault("tls_refused", str(error))
        except mqtt.MalformedError as error:
            self._on_fault("protocol_error", "from the broker: %s" % error)
        except (OSError, MemoryError):
            pass
        self._lost()
        return True

    def _open(self):
        self.renew = False
        self._stage = OPENING
        try:
            self._socket = self._sockets.open()
        except ValueError as error:  # a host's name that is none
            raise OSError(str(error)) from None
        finally:
            self._tried = self._ticks()  # after the one call that may block
        return True

    def _watch(self):
        """Timers, and the step from a connection that is being made to one that is there."""
        if self._stage == OPENING and self._socket.ready():
            self._stage = GREETING
            self._touched = self._heard = self._ticks()
            self._control.append(self._farewell or self._hello)
        if self._stage < UP:
            if self._since(self._tried) >= PATIENCE_MS:
                raise OSError("not answered")
            return
        if self._backoff_ms > BACKOFF_FIRST_MS and self._since(self._came_up) >= LASTED_MS:
            self._backoff_ms = BACKOFF_FIRST_MS
        if self._pinged is not None:
            if self._since(self._pinged) >= PATIENCE_MS:
                raise OSError("half open: a ping was not answered")
        elif self._since(self._heard) >= PING_AFTER_MS or self._since(self._touched) >= PING_AFTER_MS:
            self._pinged = self._ticks()
            self._control.append(mqtt.PINGREQ_PACKET)

    def _may_part(self):
        """Whether nothing is under way, so that what was dropped can come again.

        What waits for its acknowledgement is waited for: sent again it would stand in the way of every answer, and its
        acknowledgement would come once more behind messages that do not fit.
        """
        if self.inbox or self._control or self._out is not None:
            return False
        return not self.outbox.kept or self._since(self._dropped) >= PATIENCE_MS

    def _part(self):
        """DISCONNECT, as far as the socket takes it: the last will is not published [MQTT-3.14.4-3]."""
        try:
            self._socket.send(mqtt.DISCONNECT_PACKET)
        except (OSError, TlsRefusedError):
            pass

    def _lost(self):
        if self._socket is not None:
            self._socket.close()
            self._socket = None
        self.outbox.lost()
        self._forget()
        self._stage = CLOSED
        self._tried = self._ticks()
        self._pause_ms = self._backoff_ms * (512 + random.getrandbits(9)) // 1024  # half to all of it
        self._backoff_ms = min(2 * self._backoff_ms, BACKOFF_LAST_MS)
        if self.up:
            self.up = False
            self._on_down()

    # Up

    def _next_out(self):
        if self._control:
            return self._control.pop(0)
        return self.outbox.next() if self._stage > GREETING else None

    def _write(self):
        moved = False
        while True:
            if self._out is None:
                packet = self._next_out()
                if packet is None:
                    break
                self._out = memoryview(packet)
            count = self._socket.send(self._out)
            if not count:
                break
            moved = True
            self._touched = self._ticks()
            self._out = self._out[count:] if count < len(self._out) else None
        # Up: the subscription is taken, and everything of before is on its way again.
        if self._stage == SUBSCRIBING and not self._subscription and self._out is None:
            self._stage, self.up = UP, True
            self._came_up = self._ticks()
            self._on_up()
        return moved

    # Down

    def _full(self):
        """Whether the next message might not fit."""
        return len(self.inbox) >= INBOX_MESSAGES or self._inbox_bytes() > INBOX_BYTES - LARGEST_PAYLOAD

    def _inbox_bytes(self):
        return sum([len(piece) for _, payload, _ in self.inbox for piece in payload or ()])

    def _read(self, busy):
        """Read until nothing is left, a burst is over, or, unless busy, the inbox is full.

        Where no further answer is kept, it reads on: the acknowledgements that make room stand behind messages.
        """
        moved = False
        reader = self._reader
        self._drained = False
        for _ in range(BURST):
            if self._at == self._end:
                self._at = self._end = 0
                self._end = self._socket.receive(self._chunk)
                if not self._end:
                    self._drained = True
                    break
                moved = True
                self._heard = self._ticks()
                self._pinged = None  # whatever comes shows that the connection lives
            while self._at < self._end:
                if not busy and self._full() and self.outbox.takes_answers():
                    return moved
                self._at = reader.feed(self._chunk, self._at, self._end)
                if reader.complete:
                    self._take_packet(reader)
                    reader.reset()
        return moved

    def _take_packet(self, reader):
        kind = reader.first & 0xF0
        if self._stage == GREETING:
            self._on_connack(reader)
        elif kind == mqtt.PUBLISH:
            self._on_publish(reader)
        elif kind == mqtt.PUBACK:
            if reader.size != 2:
                raise mqtt.MalformedError("a PUBACK of %d bytes" % reader.size)
            self.outbox.acknowledged(reader.packet_id())
        elif kind == mqtt.SUBACK:
            self._on_suback(reader)
        elif kind == mqtt.CONNACK:
            raise mqtt.MalformedError("a second CONNACK")
        elif reader.size:
            raise mqtt.MalformedError("a PINGRESP of %d bytes" % reader.size)

    def _on_connack(self, reader):
        if reader.first != mqtt.CONNACK or reader.size != 2:  # [MQTT-3.2.0-1]
            raise mqtt.MalformedError("0x%02x with %d bytes where a CONNACK was expected" % (reader.first, reader.size))
        present, code = reader.body[0], reader.body[1]
        if present > 1 or code > 5 or (present and code):  # [MQTT-3.2.2-4]
            raise mqtt.MalformedError("a CONNACK of 0x%02x 0x%02x" % (present, code))
        if code:
            self._on_fault("link_refused", mqtt.REFUSALS[code])
            raise OSError("refused")
        if self._farewell:
            # The broker has dropped the old session with this; the next connection begins a new one that lasts.
            self._farewell = None
            self._part()
            raise OSError("begun anew")
        # A broker that has forgotten the session (present = 0) is told everything again all the same.
        self._stage = SUBSCRIBING
        if self._filters:
            self._subscription = self.outbox.fresh_id()
            self._control.append(mqtt.subscribe_packet(self._subscription, self._filters))

    def _on_suback(self, reader):
        if reader.packet_id() != self._subscription or reader.size != 2 + len(self._filters):
            raise mqtt.MalformedError("a SUBACK that nobody asked for")
        self._subscription = 0
        for number, (topic_filter, _) in enumerate(self._filters):
            granted = reader.body[2 + number]
            if granted == 0x80:
                self._on_fault("link_refused", "not allowed to read %s" % topic_filter)
                raise OSError("refused")
            if granted > 2:  # [MQTT-3.9.3-2]
                raise mqtt.MalformedError("a SUBACK with return code 0x%02x" % granted)

    def _wants(self):
        """Whether the message that comes now is worth keeping beyond its first piece: known, fitting, with room."""
        reader = self._reader
        if reader.first & 0xF0 != mqtt.PUBLISH:
            return False
        topic, packet_id, start = reader.publication()
        tail = self._tails.get(topic)
        return tail is not None and self._fits(tail, reader.size - start, packet_id is not None)

    def _fits(self, tail, length, again):
        """Whether the inbox takes a message now; one that comes again is left, and everything after it but holds."""
        hold = tail == "hold"
        most, most_bytes = (MOST_HOLDS, MOST_HOLDS_BYTES) if hold else (INBOX_MESSAGES, INBOX_BYTES)
        if length > LARGEST_PAYLOAD:
            return False
        if len(self.inbox) >= most or self._inbox_bytes() + length > most_bytes or (self.renew and not hold):
            if again and not self.renew:  # what came with QoS 0 does not come again
                self.renew = True
                self._dropped = self._ticks()
            return False
        return True

    def _on_publish(self, reader):
        topic, packet_id, start = reader.publication()
        tail = self._tails.get(topic)
        length = reader.size - start
        item = None if packet_id is None else Item(packet_id, False)
        if tail is None or length > LARGEST_PAYLOAD:
            # What an older firmware had subscribed to may still come from the session; nobody here wants it.
            if tail is not None:
                self._on_fault("message_too_large", "down/%s: %d bytes, at most %d" % (tail, length, LARGEST_PAYLOAD))
            if item is not None:
                self._unacknowledged.append(item)
                self.acknowledge(item)
            return
        if reader.skipped() or not self._fits(tail, length, item is not None):
            return
        self.inbox.append((tail, None if reader.spoilt else reader.payload(start), item))
        if item is not None:
            self._unacknowledged.append(item)
