"""Chips that do not exist, answering bit by bit on simulated pins in virtual microseconds, as their data sheets say.

`VirtualTime` is the clock, `machine`'s interrupts and the price of a pin: each look at a pin or the clock costs time,
and an interrupt that falls due takes its own unless it is held off. The data sheets' figures are from memory.
"""

from collections.abc import Callable

WRAP = 1 << 30  # where a board's tick counters begin anew


class VirtualTime:
    """What drivers call time and irq. Starts shortly before both counters wrap."""

    def __init__(self, call_us: int = 2) -> None:
        self.us = WRAP * 1000 - 300_000
        self.call_us = call_us
        self.interrupts: list[tuple[int, int]] = []  # (due at, taking), microseconds
        self.held_off = False

    def spend(self, us: int) -> None:
        """Let time pass, with the interrupts that fall due in it."""
        end = self.us + us
        if not self.held_off:
            while self.interrupts and self.interrupts[0][0] <= end:
                end += self.interrupts.pop(0)[1]
        self.us = end

    def interrupt(self, after_us: int, taking_us: int) -> None:
        self.interrupts.append((self.us + after_us, taking_us))
        self.interrupts.sort()

    def ticks_us(self) -> int:
        self.spend(self.call_us)
        return self.us % WRAP

    def ticks_ms(self) -> int:
        self.spend(self.call_us)
        return self.us // 1000 % WRAP

    @staticmethod
    def ticks_diff(end: int, start: int) -> int:
        return (end - start + WRAP // 2) % WRAP - WRAP // 2

    def sleep_us(self, us: int) -> None:
        self.spend(us)

    def sleep_ms(self, ms: int) -> None:
        self.spend(1000 * ms)

    def disable_irq(self) -> bool:
        before, self.held_off = self.held_off, True
        return before

    def enable_irq(self, state: bool) -> None:
        self.held_off = state
        self.spend(0)


class Pin:
    """A pin as `machine.Pin`: value() reads, value(x) writes. Each call takes its time, then the chip sees it."""

    def __init__(
        self, time: VirtualTime, read: Callable[[], int] | None = None, write: Callable[[int], None] | None = None
    ) -> None:
        self._time = time
        self._read = read
        self._write = write
        self.level = 0

    def value(self, level: int | None = None) -> int | None:
        self._time.spend(self._time.call_us)
        if level is not None:
            self.level = level
            if self._write:
                self._write(level)
            return None
        return self._read() if self._read else self.level


class LoadCellChip:
    """An HX711: `code` is what its input is worth, at gain 128, as a 24-bit register.

    Worst cases where the data sheet leaves room: conversions before it has settled come, and are wrong; one that ends
    while another is shifted out replaces its bits. Clock pulses beyond 24 choose the gain of the following ones.
    """

    def __init__(self, time: VirtualTime, rate_hz: int = 10, code: int = 0) -> None:
        self.time = time
        self.period_us = 1_000_000 // rate_hz
        self.code = code
        self.data = Pin(time, read=self._line)
        self.clock = Pin(time, write=self._clock)
        self.dead = False
        self.stuck_low = False
        self.power_downs = 0
        self.read_pulses: list[int] = []  # of each conversion that was clocked out
        self._high_since: int | None = None
        self._on = True
        self._start()

    def _start(self) -> None:
        self.gain = 128
        self._unsettled = 4
        self._register = 0
        self._ready = False
        self._pulses = 0
        self._next_us = self.time.us + self.period_us

    def _catch_up(self) -> None:
        if self._high_since is not None and self.time.us - self._high_since > 60 and self._on:
            self._on = False
            self.power_downs += 1
        while self._on and self.time.us >= self._next_us:
            self._next_us += self.period_us
            if self._pulses > 24:
                self.read_pulses.append(self._pulses)
                gain = {25: 128, 26: 32, 27: 64}[self._pulses]
                if gain != self.gain:
                    self.gain = gain
                    self._unsettled = 4
                self._pulses = 0
            value = self.code if self.code < 1 << 23 else self.code - (1 << 24)
            value = value * self.gain // 128
            if self._unsettled:
                self._unsettled -= 1
                value = value // 2 - 12345
            self._register = value & 0xFFFFFF
            self._ready = True

    def _clock(self, level: int) -> None:
        self._catch_up()
        if level and self._high_since is None:
            self._high_since = self.time.us
            if self._ready or self._pulses > 24:
                self._pulses += 1
        elif not level:
            self._high_since = None
            if not self._on:
                self._on = True
                self._start()
            elif self._pulses > 24:
                self._ready = False

    def _line(self) -> int:
        self._catch_up()
        if self.stuck_low:
            return 0
        if self.dead or not self._on or self._pulses > 24 or not self._ready:
            return 1
        return self._register >> (24 - self._pulses) & 1 if self._pulses else 0


class Thermometer:
    """A DS18B20 on an open-drain line. `raw` is its next conversion's register in sixteenths of a degree."""

    def __init__(self, time: VirtualTime, raw: int = 0x0191) -> None:
        self.time = time
        self.raw = raw
        self.pin = Pin(time, read=self._line, write=self._drive)
        self.present = True
        self.shorted = False
        self.flip: int | None = None  # a bit of the next scratchpad that the line spoils
        self.config = 0x7F  # 12 bits
        self.conversions = 0
        self._temperature = 0x0550  # after power-on
        self._converted_at: int | None = None
        self._fell = 0
        self._low = False
        self._holds: tuple[int, int] | None = None
        self._state = "idle"
        self._bits: list[int] = []
        self._answer: list[int] = []

    def brown_out(self) -> None:
        """The supply fails for a moment."""
        self._temperature = 0x0550
        self._converted_at = None
        self._state = "idle"

    def _line(self) -> int:
        held = self._holds is not None and self._holds[0] <= self.time.us < self._holds[1]
        return 0 if self._low or self.shorted or held else 1

    def _drive(self, level: int) -> None:
        now = self.time.us
        if not level and not self._low:
            self._low = True
            self._fell = now
            if self._state == "answer" and self._answer and not self._answer.pop(0):
                self._holds = (now, now + 15)  # a zero is sure for 15 us only
        elif level and self._low:
            self._low = False
            width = now - self._fell
            if width >= 480:
                self._state = "command" if self.present else "idle"
                self._bits = []
                self._holds = (now + 60, now + 120) if self.present else None  # the latest and shortest presence
            elif self._state == "command":
                self._bits.append(1 if width < 15 else 0)
                if len(self._bits) == 8:
                    self._obey(sum(bit << i for i, bit in enumerate(self._bits)))
                    self._bits = []

    def _obey(self, command: int) -> None:
        if command == 0x44:
            self.conversions += 1
            self._converted_at = self.time.us + 750_000
            self._state = "idle"
        elif command == 0xBE:
            if self._converted_at is not None and self.time.us >= self._converted_at:
                self._temperature = self.raw
            scratchpad = [self._temperature & 0xFF, self._temperature >> 8, 0x4B, 0x46, self.config, 0xFF, 0x0C, 0x10]
            scratchpad.append(dallas_crc(scratchpad))
            self._answer = [byte >> i & 1 for byte in scratchpad for i in range(8)]
            if self.flip is not None:
                self._answer[self.flip] ^= 1
                self.flip = None
            self._state = "answer"
        elif command != 0xCC:
            self._state = "idle"


def dallas_crc(data: list[int]) -> int:
    """The shift register of the maker's application note 27, bit by bit: taps after bits 4 and 5, input at bit 8."""
    register = [0] * 8
    for byte in data:
        for i in range(8):
            feed = (byte >> i & 1) ^ register[0]
            register = [*register[1:], feed]
            register[3] ^= feed
            register[2] ^= feed
    return sum(bit << i for i, bit in enumerate(register))


class MotorDriver:
    """A step/dir driver and its motor: counts the steps of pulses that are wide enough, with coils on."""

    def __init__(self, time: VirtualTime, stalls_after: int | None = None) -> None:
        self.time = time
        self.position = 0
        self.times_us: list[int] = []
        self.stalls_after = stalls_after
        self.on_step: Callable[[], None] | None = None
        self._rose = 0
        self.step = Pin(time, write=self._pulse)
        self.direction = Pin(time)
        self.enable = Pin(time)
        self.stall = Pin(
            time, read=lambda: int(self.stalls_after is not None and len(self.times_us) > self.stalls_after)
        )

    @property
    def coils_on(self) -> bool:
        return self.enable.level == 0

    def _pulse(self, level: int) -> None:
        if level:
            self._rose = self.time.us
        elif self._rose and self.time.us - self._rose >= 2 and self.coils_on:
            self.times_us.append(self._rose)
            if self.stalls_after is None or len(self.times_us) <= self.stalls_after:
                self.position += 1 if self.direction.level else -1
            self._rose = 0
            if self.on_step:
                self.on_step()


class Electrodes:
    """A conductivity cell in its circuit: pin a, resistor, cell, resistor, pin b; converters beside the cell.

    The cell: the water's resistance, in series the electrodes' double layers (a capacitor, which leaks a little, by the
    current that reacts there) and a voltage of its own, as two electrodes that are not quite alike have it. `layer_uf`
    is both double layers in series: 10 uF for smooth electrodes of 1 cm2 with 20 uF/cm2 (10 to 40 are usual; from
    memory). The voltages follow from Kirchhoff's laws, microsecond by microsecond. A conversion takes 60 us and sees
    the last one.
    """

    STEP_US = 1
    LEAK_OHM = 100_000
    CABLE_US = 100  # how long voltages take to settle after the pins have changed

    def __init__(
        self,
        time: VirtualTime,
        water_ohm: float,
        resistor_ohm: tuple[float, float] = (1_000, 1_000),
        layer_uf: float = 10,
        own_v: float = 0.0,
        drive_v: float = 3.3,
    ) -> None:
        self.time = time
        self.water_ohm = water_ohm
        self.resistor_ohm = resistor_ohm
        self.layer_f = layer_uf * 1e-6
        self.own_v = own_v
        self.drive_v = drive_v
        self.layer_v = 0.0
        self.charge_c = 0.0  # that has passed from a to b
        self.moved_c = 0.0  # in either direction
        self.driven_us = 0
        self.most_driven_us = 0  # in one direction, without a pause
        self.fails = False
        self._us = time.us
        self._changed_us = time.us
        self.drive_a = Pin(time, write=lambda level: self._switch())
        self.drive_b = Pin(time, write=lambda level: self._switch())
        self._levels = (0, 0)
        self._turned_us = time.us
        self.input_a = Converter(self, 0)
        self.input_b = Converter(self, 1)

    def _switch(self) -> None:
        """The pin's new level holds from now on; what was before held until now."""
        self.settle()
        levels = (self.drive_a.level, self.drive_b.level)
        if levels != self._levels:
            self._changed_us = self._turned_us = self.time.us
        self._levels = levels

    def current_a(self) -> float:
        drive = self.drive_v * (self._levels[0] - self._levels[1])
        return (drive - self.own_v - self.layer_v) / (self.water_ohm + sum(self.resistor_ohm))

    def settle(self) -> None:
        while self._us < self.time.us:
            current = self.current_a()
            seconds = self.STEP_US * 1e-6
            self.layer_v += (current - self.layer_v / self.LEAK_OHM) / self.layer_f * seconds
            self.charge_c += current * seconds
            self.moved_c += abs(current) * seconds
            self._us += self.STEP_US
            if self._levels[0] != self._levels[1]:
                self.driven_us += self.STEP_US
                self.most_driven_us = max(self.most_driven_us, self._us - self._turned_us)


class Converter:
    """The converter's input beside one of the two resistors."""

    def __init__(self, cell: Electrodes, side: int) -> None:
        self.cell = cell
        self.side = side

    def read_uv(self) -> int:
        cell = self.cell
        cell.time.spend(60)
        if cell.fails:
            raise OSError(5)
        cell.settle()
        if cell.time.us - cell._changed_us < cell.CABLE_US:
            return 0
        drop = cell.current_a() * cell.resistor_ohm[self.side] * (-1 if self.side == 0 else 1)
        volts = cell._levels[self.side] * cell.drive_v + drop
        return round(1e6 * min(max(volts, 0.0), 3.1))  # the converter ends below the supply
