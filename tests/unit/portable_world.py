"""A feeder's days in virtual time, in the language that CPython and MicroPython share: the same file runs on both.

`Days` is a small world around the feeder's control logic: a clock, a link that keeps what was sent, an auger and a
scale that tell the truth, a flash that is given. What happens comes from a seed; `told` is everything that matters of
it, as plain integers and texts, so that two runs can be compared.
"""

import json

from feeder import Feeder

MINUTE = 60000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
MIDNIGHT = 1792879200000  # 2026-10-24T22:00Z, midnight in Europe/Berlin; the day has 25 hours (IANA time zone database)
GAIN_NG = 1000000
PERIOD = 1 << 30
FEW = (7, 12, 18, 21)
MANY = (1, 2, 4, 5, 7, 8, 10, 11, 13, 14, 16, 18, 20, 22)  # the most that a plan may hold


class PowerCut(BaseException):
    """The power is gone."""


class RamFlash:
    """A flash in memory."""

    def __init__(self):
        self.files = {}

    def read(self, name, at=0, size=None):
        content = self.files.get(name)
        if content is None:
            return None
        return bytes(content[at : len(content) if size is None else at + size])

    def append(self, name, data):
        self.files[name] = self.files.get(name, b"") + data

    def replace(self, name, parts):
        self.files[name] = b"".join(parts)


class Days:
    """See the module's own text."""

    ticks_period = PERIOD
    firmware = "test"
    board = "board-1"
    calibration = "factory"
    gain_ng = GAIN_NG
    most_steps = 100000
    damaged_files = ()
    watchdog_bit = False
    cell_fault = ("cell_dead", "")

    def __init__(self, flash, seed=1, slots=FEW):
        self.flash = flash
        self.read = flash.read
        self.append = flash.append
        self.replace = flash.replace
        self.seed = seed
        self.slots = slots
        self.target_g = round(0.3 / len(slots), 4)
        self.true_ms = MIDNIGHT + 6 * HOUR
        self.ticks = PERIOD - 5 * MINUTE
        self.hopper_ug = 60000000
        self.sent = 0
        self.told = []
        self.doses = {}
        self.moved = 0
        self.ids = 0
        self.version = 10
        self.feeder = None
        self.waiting = []

    # The seam

    def ticks_ms(self):
        return self.ticks % PERIOD

    def now_ms(self):
        return self.true_ms

    def random_id(self):
        self.ids += 1
        return "id%d" % self.ids

    def temperature_c100(self):
        return 2450

    def weigh(self):
        return self.hopper_ug, 500

    def tare(self):
        return True

    def calibrate(self, mass_ug):
        return mass_ug > 0

    def restart(self):
        pass

    def step(self, steps):
        self.moved += steps
        self.hopper_ug -= steps * GAIN_NG // 1000
        self.true_ms += 50
        self.ticks += 50
        return steps

    def pump(self):
        pass

    def room(self):
        return 8

    def publish(self, tail, fields, retained, token=None):
        text = json.dumps(fields)  # as on its way to the link
        self.sent += len(text)
        if tail == "dose":
            fields["boot"] = ""
            known = self.doses.get(fields["seq"])
            mass_ug = int(fields["target_g"] * 1000000 + 0.5)
            dose = (fields["meal"], fields["cause"], mass_ug, fields["steps"], fields["outcome"], fields["at_ms"])
            if known is None:
                self.doses[fields["seq"]] = dose
                self.told.append(dose)
            elif known != dose:
                raise AssertionError("seq %d said %r and %r" % (fields["seq"], known, dose))
        elif tail in ("fault", "reply"):
            self.told.append((tail, fields.get("code"), fields.get("ok")))
        return True

    # What happens

    def luck(self, n):
        """A whole number below n (a linear congruential generator: Numerical Recipes' constants, from memory)."""
        self.seed = (1664525 * self.seed + 1013904223) % 4294967296
        return (self.seed >> 8) % n

    def boot(self):
        self.feeder = None
        self.feeder = Feeder(self)
        self.feeder.on_connect()

    def say(self, tail, fields):
        payload = json.dumps(fields, separators=(",", ":")).encode()
        if len(payload) > 8192:
            raise AssertionError("%d bytes are more than a message may have" % len(payload))
        self.feeder.on_message(tail, payload)

    def plan(self, cap_g=0.4):
        """A plan for the days that come, as the service sends it every night."""
        self.version += 1
        day = (self.true_ms - MIDNIGHT) // DAY
        days = [{"start_ms": MIDNIGHT + (day + i) * DAY, "cap_g": cap_g} for i in range(9)]
        meals = []
        for i in range(7):
            for hour in self.slots:
                at_ms = MIDNIGHT + (day + i) * DAY + hour * HOUR
                if at_ms > self.true_ms:
                    meals.append({"id": "%06d/%02d:00" % (day + i, hour), "at_ms": at_ms, "target_g": self.target_g})
        fallback = {"daily_g": 0.15, "at_utc_s": [25200, 64800], "until_ms": self.true_ms + 28 * DAY, "blind_days": 3}
        plan = {"installation": "A", "version": self.version, "issued_at_ms": self.true_ms}
        plan["gain_g_per_step"] = 0.001 + 0.00001 * self.luck(5)
        plan["days"] = days
        plan["meals"] = meals
        plan["fallback"] = fallback
        self.say("plan", plan)
        if self.feeder.plan is None or self.feeder.plan.version != self.version:
            raise AssertionError("the plan was not taken")

    def something(self):
        """One thing that may happen in an hour."""
        what = self.luck(24)
        if what == 0:
            self.feeder.press()
        elif what == 1:
            self.version += 1
            held = self.luck(3) == 0
            hold = {"installation": "A", "version": self.version, "held": held, "reduce_to": (4 + self.luck(7)) / 10}
            self.say("hold", hold)
        elif what in (2, 3):
            command = {"id": "c%d" % self.luck(40), "expires_at_ms": self.true_ms + DAY, "do": "dispense"}
            command["target_g"] = 0.02 + 0.001 * self.luck(60)
            self.say("command", command)
        elif what == 4:
            self.boot()
        elif what == 5:
            self.feeder.on_disconnect()
        elif what > 18:
            self.feeder.on_connect()
            self.say("received", {"journal": self.feeder.memory.journal_id, "seq": max([0] + list(self.doses))})
            for seq in [seq for seq in self.doses if seq < self.feeder.memory.next_seq - 200]:
                del self.doses[seq]

    def hour(self):
        """One hour: ticks each five minutes and when the feeder asks for them."""
        if (self.true_ms - MIDNIGHT) % DAY < HOUR:
            self.plan()
        self.something()
        end = self.true_ms + HOUR
        while self.true_ms < end:
            wait = self.feeder.tick()
            step = min(end - self.true_ms, wait if wait < 1000 else 5 * MINUTE - self.true_ms % (5 * MINUTE))
            step = max(1, step)
            self.true_ms += step
            self.ticks += step


def run(days=20, seed=1):
    """Everything that matters of these days."""
    world = Days(RamFlash(), seed)
    world.boot()
    world.plan()
    for _ in range(24 * days):
        world.hour()
    world.told.append(("end", world.moved, world.hopper_ug, world.feeder.memory.next_seq))
    return world.told
