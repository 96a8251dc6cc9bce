"""What every device needs: time that can be trusted, and faults that are told.

`age` is the time this flash has seen: uptime, and the time switched off as far as the clock tells it (once per start,
when the clock is first known). It never runs ahead of true time unless the clock is wrong at that very moment.
"""

from journal import load_one, save_one
from orders import DAY_MS

MINUTE_MS = 60000
KEEP_FIRST_MS = MINUTE_MS  # how often the age goes to flash: soon after a start, then every ten minutes
KEEP_LAST_MS = 10 * MINUTE_MS
JUMP_MS = 30000
CLOCK_FIRST_MS = 1577836800000  # 2020: a clock that shows less was never set
CLOCK_LAST_MS = 4102444800000  # 2100: a clock that shows more has gone astray
FAULT_EVERY_MS = MINUTE_MS
MOST_FAULTS = 32

FAULTS = {
    "journal_damaged": "records on flash could not be read; nothing is fed until the day's counter is reset",
    "plan_damaged": "the plan on flash could not be read; there is no plan until a new one comes",
    "hold_damaged": "the hold on flash could not be read; feeding is held until a hold message comes",
    "flash_failed": "flash refused a write; a dose that can't be written is not fed",
    "cell_dead": "the load cell gave no weight; doses go on by steps, unweighed",
    "mass_lost": "mass left the hopper without a step",
    "gain_refused": "the plan's gain lies over 20 % from a day ago, or beyond half to double the calibrated one",
    "clock_jump": "the clock moved against the tick counter by more than 30 seconds",
    "message_refused": "a message from the service was not understood",
    "other_installation": "a plan came from another installation and was taken",
    "two_installations": "two installations take turns; feeding is held until a restart",
}


class Base:
    """Uptime, age, wall clock and faults of one boot. The seam is described in feeder.py."""

    def __init__(self, hardware):
        self.hw = hardware
        self.boot = hardware.random_id()
        self.ticks = hardware.ticks_ms()
        self.uptime = 0
        self.faults = []
        self.fault_times = {}
        self.clock_offset = None  # wall minus uptime, from down/time
        self.clock_known = False
        self.last_now = None
        self.keep_ms = KEEP_FIRST_MS
        self.keep_due = KEEP_FIRST_MS
        kept, _ = load_one(hardware, "time.bin")
        self.age, self.wall, self.clock_age = kept if kept else (0, None, 0)

    def now(self):
        """UNIX milliseconds, or None: the hardware's clock first, then what down/time said."""
        now = self.hw.now_ms()
        if now is None and self.clock_offset is not None:
            now = self.uptime + self.clock_offset
        if now is None or not CLOCK_FIRST_MS <= now < CLOCK_LAST_MS:
            return None
        return now

    def _advance(self):
        """Count the time that has passed and look at the clock."""
        ticks = self.hw.ticks_ms()
        passed = (ticks - self.ticks) % self.hw.ticks_period
        self.ticks = ticks
        self.uptime += passed
        self.age += passed
        now = self.now()
        if now is not None:
            if not self.clock_known:
                self.clock_known = True
                if self.wall is not None:
                    # Time switched off counts as age, once per start: else a day's counter would outlive its day.
                    off = now - self.wall - (self.age - self.clock_age)
                    self.age += min(max(off, 0), 400 * DAY_MS)
            if self.last_now is not None and abs(now - self.last_now - passed) > JUMP_MS:
                self._fault("clock_jump", "by %d ms" % (now - self.last_now - passed))
            self.clock_age = self.age
            self.wall = now
        self.last_now = now
        return now

    def _keep_time(self):
        if self.uptime < self.keep_due:
            return
        self.keep_ms = min(2 * self.keep_ms, KEEP_LAST_MS)
        self.keep_due = self.uptime + self.keep_ms
        try:
            save_one(self.hw, "time.bin", [self.age, self.wall, self.clock_age])
        except OSError as error:
            self._fault("flash_failed", "time.bin: %s" % error)

    def _stamp(self):
        return {"boot": self.boot, "at_ms": self.now(), "uptime_ms": self.uptime}

    def _fault(self, code, detail):
        """Keep a fault to be told, each code once a minute at most, the newest when there are too many."""
        last = self.fault_times.get(code)
        if last is not None and self.uptime - last < FAULT_EVERY_MS:
            return
        self.fault_times[code] = self.uptime
        fault = self._stamp()
        fault["code"] = code
        fault["detail"] = detail or FAULTS[code]
        self.faults = self.faults[-(MOST_FAULTS - 1) :] + [fault]
