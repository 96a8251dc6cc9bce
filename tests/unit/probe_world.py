"""A desk for the probe's logic that CPython and MicroPython both know: virtual time, a flash that loses power at any
write, water whose every second has a voltage of its own, and a link that keeps what the broker has not acknowledged.

Since a voltage tells the second in which it was measured, a received sample with an invented or a wrong time is known.
"""

import json

try:
    from tareline.resources import load_firmware
except ImportError:  # MicroPython, where the firmware's folder is on the path
    load_firmware = __import__

probe = load_firmware("probe")
backlog = load_firmware("backlog")
base = load_firmware("base")

SECOND = 1000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR
START = 1792879200000  # 2026-10-24T22:00Z
PERIOD = 1 << 30
FIRST_UV = 200000
VOLTAGES = 1000003  # one for each second of eleven days


class PowerCutError(BaseException):
    """The power is gone: nothing of the program runs any more."""


class World:
    """The seam of firmware/probe.py, and everything around it that a test may want to bend."""

    ticks_period = PERIOD
    firmware = "test"
    board = "board-1"
    excitation_uv = 3300000
    full_uv = 3200000
    reference_ohm = 200
    damaged_files = ()
    watchdog_bit = False

    def __init__(self, has_clock=True, settings=None):
        self.true_ms = START
        self.has_clock = has_clock
        self.clock_error_ms = 0
        self.ticks = PERIOD - 5 * MINUTE  # the counter wraps soon, in every test
        self.settings = settings or {}
        self.files = {}
        self.writes = 0
        self.cut_at = None  # the write at which power goes, counted from now
        self.cut_how = "before"
        self.refuse_writes = False
        self.temperature = 2450
        self.converter = None  # what the converter gives instead of the water's voltage
        self.up = False
        self.acknowledges = True
        self.answers_time = False
        self.kept = []  # [token, payload] that the link has and the broker did not acknowledge
        self.sent = []  # (tail, fields) of all but samples
        self.packs = 0
        self.on_pack = None
        self.began = {}  # boot -> true time of its start
        self.restarts = 0
        self._ids = 0
        self.probe = None

    # The seam

    def ticks_ms(self):
        return self.ticks % PERIOD

    def now_ms(self):
        return self.true_ms + self.clock_error_ms if self.has_clock else None

    def random_id(self):
        self._ids += 1
        boot = f"boot{self._ids}"
        self.began[boot] = self.true_ms
        return boot

    def temperature_c100(self):
        return self.temperature

    def converter_uv(self):
        if self.converter is not None:
            return self.converter
        return [FIRST_UV + self.true_ms // SECOND % VOLTAGES] * 8

    def restart(self):
        self.restarts += 1

    def room(self):
        return 8 - len(self.kept)

    def publish(self, tail, content, retained, token=None):
        assert retained == (tail in ("status", "hello"))
        if tail != "samples":
            self.sent.append((tail, json.loads(json.dumps(content))))
            return True
        assert len(content) <= 4096
        assert len(self.kept) < 2, "packs pile up"
        self.kept.append([token, content])
        return True

    def read(self, name, at=0, size=None):
        data = self.files.get(name)
        if data is None:
            return None
        return data[at:] if size is None else data[at : at + size]

    def append(self, name, data):
        old = self.files.get(name, b"")
        self._write(name, old + data, old + data[: len(data) * 2 // 3])

    def replace(self, name, parts):
        assert not isinstance(parts, bytes)
        self._write(name, b"".join(list(parts)), self.files.get(name, b""))

    def _write(self, name, after, torn):
        if self.refuse_writes:
            raise OSError("flash refuses")
        self.writes += 1
        if self.cut_at is not None:
            self.cut_at -= 1
            if self.cut_at <= 0:
                if self.cut_how == "torn":
                    self.files[name] = torn
                elif self.cut_how == "after":
                    self.files[name] = after
                raise PowerCutError()
        self.files[name] = after

    # What a test does

    def boot(self):
        """Power on, with whatever flash holds. What the link had is lost."""
        self.kept = []
        self.up = False
        self.probe = probe.Probe(self, self.settings)
        return self

    def off(self, ms):
        """Power off for a while: true time passes, the tick counter starts anew."""
        self.true_ms += ms
        self.ticks = 0
        return self

    def connect(self):
        self.up = True
        self.probe.on_connect()
        return self

    def cut(self):
        """The network is gone, and with it every acknowledgement that was under way."""
        self.up = False
        self.probe.on_disconnect()
        return self

    def _exchange(self):
        """What the broker does in a moment: it receives, acknowledges, and the service answers hellos."""
        for token, payload in list(self.kept):
            self.packs += 1
            if self.on_pack:
                self.on_pack(payload)
            if self.acknowledges:
                self.kept.pop(0)
                self.probe.on_delivered(token)
        if self.answers_time and self.sent and self.sent[-1][0] == "hello":
            hello = self.sent[-1][1]
            self.sent.append(("answered", {}))
            self.say("time", {"now_ms": self.true_ms, "boot": hello["boot"], "uptime_ms": hello["uptime_ms"]})

    def run(self, ms):
        """Let time pass with the probe awake."""
        end = self.true_ms + ms
        while self.true_ms < end:
            wait = self.probe.tick()
            assert wait > 0
            if self.up:
                self._exchange()
            # An idle probe asks for a tick each second; offline, one at each sample is enough here.
            if not self.up or (wait == SECOND and self.probe.offset is not None):
                wait = max(wait, min(MINUTE - self.probe.uptime % MINUTE, 20 * SECOND))
            wait = min(wait, end - self.true_ms)
            self.true_ms += wait
            self.ticks += wait
        return self

    def say(self, tail, fields):
        assert self.probe.on_message(tail, fields if isinstance(fields, bytes) else json.dumps(fields).encode())
        return self

    def command(self, command_id, do, expires=0, **args):
        """Send a command and return the reply to it. expires: 0 for in an hour, or what is to stand there."""
        expires = self.true_ms + HOUR if expires == 0 else expires
        self.say("command", {"id": command_id, "expires_at_ms": expires, "do": do, "args": args})
        return self.of("reply")[-1]

    def of(self, tail):
        return [fields for known, fields in self.sent if known == tail]

    def faults(self):
        return [fault["code"] for fault in self.of("fault")]


class Received:
    """What a service has after it took every pack: true second -> (time in the service, values), the first one stays.

    Fails where a time is not the one at which the sample was measured, where the same sample comes with other values,
    and where new samples come out of order. error_ms: how far a time may be off.
    """

    def __init__(self, world, error_ms=1500):
        self.world = world
        self.error_ms = error_ms
        self.samples = {}
        self.repeats = 0
        self.last = 0
        world.on_pack = self.take

    def take(self, payload):
        records = json.loads(payload)
        first = records[0]
        if "bt" in first:
            assert isinstance(first["bt"], int)
            start = first["bt"] * 1000
        else:
            start = self.world.began[first["boot"]] + first["uptime_ms"]
        by_time = {}
        for record in records:
            by_time.setdefault(start + int(record.get("t", 0) * 1000 // 1), {})[record["n"]] = record["v"]
        for at_ms in sorted(by_time):
            self._one(at_ms, by_time[at_ms])

    def _one(self, at_ms, values):
        second = (int(values["voltage"] * 1000000 + 0.5) - FIRST_UV - START // SECOND) % VOLTAGES + START // SECOND
        off_ms = at_ms - second * SECOND
        assert abs(off_ms) <= self.error_ms, f"a time was invented: off by {off_ms} ms"
        if second in self.samples:
            assert self.samples[second] == values, "a sample came with two different values"
            self.repeats += 1
            return
        assert second > self.last, "a sample came out of order"
        self.last = second
        self.samples[second] = values

    def gaps_s(self, since, until):
        """The pauses without a sample between two true times, longest first."""
        seconds = [s for s in sorted(self.samples) if since // SECOND <= s <= until // SECOND]
        edges = [since // SECOND]
        edges.extend(seconds)
        edges.append(until // SECOND)
        return sorted([edges[i + 1] - edges[i] for i in range(len(edges) - 1)], reverse=True)
