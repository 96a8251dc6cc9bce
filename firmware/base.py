"""What every device needs: time that can be trusted, and faults that are told.

`age` is the time this flash has seen: uptime, and the time switched off as far as the clock tells it (once per start,
when the clock is first known). It never runs ahead of true time unless the clock is wrong at that very moment.
"""

from journal import load_one, save_one
from orders import DAY_MS, field, whole

MINUTE_MS = 60000
KEEP_FIRST_MS = MINUTE_MS  # how often the age goes to flash: soon after a start, then every ten minutes
KEEP_LAST_MS = 10 * MINUTE_MS
JUMP_MS = 30000
CLOCK_FIRST_MS = 1577836800000  # 2020: a clock that shows less was never set
CLOCK_LAST_MS = 4102444800000  # 2100: a clock that shows more has gone astray
ECHO_MS = 5000  # what down/time echoes may not be older
HELLO_EVERY_MS = 5 * MINUTE_MS  # while the clock is unset: each hello asks for the time
FAULT_EVERY_MS = MINUTE_MS
MOST_FAULTS = 16
CRASH = "crash.bin"  # what ended the program before this start, to be told once

# What is told of a fault that has no detail of its own. README.md explains every code: a text that only explains would
# take memory on a board.
FAULTS = {
    "journal_damaged": "records on flash could not be read; nothing is fed until the day's counter is reset",
    "plan_damaged": "the plan on flash could not be read; there is no plan until a new one comes",
    "hold_damaged": "the hold on flash could not be read; feeding is held until a hold message comes",
    "counter_differs": "the two copies of the day's counter differ; nothing is fed until a restart reads them again",
    "watchdog_restart": "the board was restarted by its watchdog: a control cycle was not completed in time",
    "button_hold": "somebody held feeding by a long press; another long press lets it go on",
    "button_release": "somebody let feeding go on by a long press",
    "tls_refused": "the broker's certificate was not accepted",
}


def _plausible(now_ms):
    """A clock's time, or None where it was never set or has gone astray."""
    return now_ms if now_ms is not None and CLOCK_FIRST_MS <= now_ms < CLOCK_LAST_MS else None


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
        self.clock_told = False  # whether the last hello said that the clock is set
        self.hello_at = None  # uptime of the last hello; None asks for one
        self.counted_age = 0  # of the newest dose that counts against the cap
        self.last_now = None
        self.keep_ms = KEEP_FIRST_MS
        self.keep_due = KEEP_FIRST_MS
        kept, _ = load_one(hardware, "time.bin")
        self.age, self.wall, self.clock_age = kept if kept else (0, None, 0)
        crash, _ = load_one(hardware, CRASH)
        if crash:
            self._tell("program_error", crash)
            hardware.replace(CRASH, [])

    def now(self):
        """UNIX milliseconds, or None: the hardware's clock first, then what down/time said."""
        now = _plausible(self.hw.now_ms())
        if now is None and self.clock_offset is not None:
            now = _plausible(self.uptime + self.clock_offset)
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
                if self.wall is not None and self.counted_age <= self.clock_age:
                    # Time switched off counts as age, once per start: else a day's counter would outlive its day.
                    # Not where a dose was counted without a clock meanwhile: nobody knows on which side of it the time
                    # off lay, and it must not seem older than it is.
                    off = now - self.wall - (self.age - self.clock_age)
                    self.age += min(max(off, 0), 400 * DAY_MS)
            if self.last_now is not None and abs(now - self.last_now - passed) > JUMP_MS:
                self._fault("clock_jump", "by %d ms" % (now - self.last_now - passed))
            self.clock_age = self.age
            self.wall = now
        self.last_now = now
        return now

    def _take_time(self, fields):
        """Take what down/time says, where it answers this boot's hello and is fresh. Look at the clock again after."""
        now = field(fields, "now_ms", whole, CLOCK_FIRST_MS, CLOCK_LAST_MS - 1)
        asked = field(fields, "uptime_ms", whole, 0, 1 << 53)
        if fields.get("boot") == self.boot and 0 <= self.uptime - asked <= ECHO_MS:
            self.clock_offset = now - self.uptime

    def _keep_time(self):
        if self.uptime < self.keep_due:
            return
        self.keep_ms = min(2 * self.keep_ms, KEEP_LAST_MS)
        self.keep_due = self.uptime + self.keep_ms
        try:
            save_one(self.hw, "time.bin", [self.age, self.wall, self.clock_age])
        except OSError as error:
            self._fault("flash_failed", "time.bin: %s" % error)

    def _hello_due(self):
        """Whether to say hello: something asks for it, the clock is set again, or it has been unset for a while, also
        where it was set before."""
        if self.hello_at is None:
            return True
        if self.last_now is None:
            return self.uptime - self.hello_at >= HELLO_EVERY_MS
        return not self.clock_told

    def _greet(self, kind, more):
        """Say hello: who this is, and what the kind of device has to tell besides."""
        self.hello_at = self.uptime
        self.clock_told = self.now() is not None
        fields = {
            "boot": self.boot,
            "uptime_ms": self.uptime,
            "board": self.hw.board,
            "kind": kind,
            "firmware": self.hw.firmware,
            "clock": "set" if self.clock_told else "unset",
        }
        fields.update(more)
        self.hw.publish("hello", fields, True)

    def _stamp(self):
        return {"boot": self.boot, "at_ms": self.now(), "uptime_ms": self.uptime}

    def quiet_ms(self):
        """Milliseconds until something is due for which the device must run, None where nothing is known."""
        return None

    def on_fault(self, code, detail):
        """What the link, or an update, has to tell."""
        self._fault(code, detail)

    def _fault(self, code, detail):
        """Keep a fault to be told, each code once a minute at most."""
        last = self.fault_times.get(code)
        if last is not None and self.uptime - last < FAULT_EVERY_MS:
            return
        self._tell(code, detail)
        # Not before: a fault that there was no memory for is told when it comes again.
        self.fault_times[code] = self.uptime

    def _tell(self, code, detail):
        """Where there are too many to be kept, the oldest that was told again gives way: what repeats itself while
        nobody listens must not push out why feeding stopped."""
        fault = self._stamp()
        fault["code"] = code
        fault["detail"] = detail or FAULTS.get(code, "")
        self.faults.append(fault)
        if len(self.faults) > MOST_FAULTS:
            codes = [kept["code"] for kept in self.faults]
            again = [number for number, kept in enumerate(codes) if kept in codes[number + 1 :]]
            self.faults.pop(again[0] if again else 0)
