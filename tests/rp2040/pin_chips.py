"""Chips on the emulated board's pins. Their rules are their data sheets', from memory; their time is the core's.

What a chip keeps (conversions, steps, pulse widths) is the truth that a test compares the program's belief with.
"""

from collections.abc import Callable

from rp2_board import Rp2Board

OFF_US = 60  # a clock that is high for longer switches the HX711 off
SHORTEST_US = 0.2  # of its clock's pulses and pauses
SETTLING = 4  # conversions that are wrong after a start


class Hx711Chip:
    """A 24-bit converter. `source` gives the register's 24 bits for the next conversion.

    Worst cases where the data sheet leaves room: conversions before it has settled come, and are wrong; one that ends
    while another is shifted out replaces its bits. `given` holds the time and the code of every conversion that was
    right, whoever read it; `read` the codes that were clocked out as a whole; `widths_us` the times that the clock was
    high, a restart's included; `offs` how often it was switched off; `replaced` how often a reader was overtaken.
    """

    def __init__(self, board: Rp2Board, data: int, clock: int, source: Callable[[], int], rate_hz: int = 10) -> None:
        self._board = board
        self._data = data
        self._source = source
        self._period_us = 1e6 / rate_hz
        self.given: list[tuple[float, int]] = []
        self.read: list[int] = []
        self.widths_us: list[float] = []
        self.offs = 0
        self.replaced = 0
        self.on_rise: Callable[[int], None] = lambda pulse: None  # with the pulse's number, from 1
        self._rose: float | None = None
        self._fell = -1e9
        self._convert_in = board.alarm(self._converted)
        self._off_in = board.alarm(self._off)
        self._on = True
        board.watch(clock, self._clock)
        self._start()

    def _start(self) -> None:
        self._unsettled = SETTLING
        self._pulses = 0
        self._ready = False
        self._register = 0
        self._board.drive(self._data, 1)
        self._convert_in(self._period_us)

    def _converted(self) -> None:
        if not self._on:
            return
        self._convert_in(self._period_us)
        code = self._source()
        if self._unsettled:
            self._unsettled -= 1
            code = code // 2 ^ 0x2A55A5
        else:
            self.given.append((self._board.us, code))
        self._register = code
        if 0 < self._pulses < 25 and self._ready:
            self.replaced += 1
        else:
            self._pulses = 0
            self._board.drive(self._data, 0)
        self._ready = True

    def _off(self) -> None:
        if self._rose is None:
            return
        self._on = False
        self._board.drive(self._data, 1)

    def _clock(self, level: int) -> None:
        now = self._board.us
        if level:
            assert now - self._fell >= SHORTEST_US, "the clock was low for too short a time"
            self._rose = now
            self._off_in(OFF_US)
            if self._ready and self._on:
                self._pulses += 1
                self._board.drive(self._data, self._register >> (24 - self._pulses) & 1 if self._pulses < 25 else 1)
                self.on_rise(self._pulses)
            return
        self._fell = now
        if self._rose is None:
            return
        width = now - self._rose
        assert width >= SHORTEST_US, "the clock was high for too short a time"
        self.widths_us.append(width)
        self._rose = None
        if not self._on:
            self._on = True
            self.offs += 1
            self._start()
        elif self._ready and self._pulses == 25:
            self.read.append(self._register)
            self._ready = False


class StepDriver:
    """A driver with step, direction and enable (low: on), and its motor.

    Counts a step where a pulse of 2 us or more ends, with the coils on since 1 ms at least (common practice, no source;
    drivers differ) and tells `on_step`. `lost` counts the pulses that were none.
    """

    def __init__(self, board: Rp2Board, step: int, direction: int, enable: int) -> None:
        self._board = board
        self._direction = direction
        self.position = 0
        self.times_us: list[float] = []
        self.lost = 0
        self.on_step: Callable[[], None] = lambda: None
        self.on_us = 0.0
        self._coils_since: float | None = None
        self._rose: float | None = None
        board.watch(step, self._step)
        board.watch(enable, self._enable)

    @property
    def coils_on(self) -> bool:
        return self._coils_since is not None

    def _enable(self, level: int) -> None:
        if not level:
            self._coils_since = self._board.us
        elif self._coils_since is not None:
            self.on_us += self._board.us - self._coils_since
            self._coils_since = None

    def _step(self, level: int) -> None:
        now = self._board.us
        if level:
            self._rose = now
        elif self._rose is not None:
            ready = self._coils_since is not None and self._rose - self._coils_since >= 1000
            if ready and now - self._rose >= 2:
                self.times_us.append(self._rose)
                self.position += 1 if self._board.level(self._direction) else -1
                self.on_step()
            else:
                self.lost += 1
            self._rose = None


class PushButton:
    """A button to ground."""

    def __init__(self, board: Rp2Board, pin: int) -> None:
        self._board = board
        self._pin = pin

    def press(self) -> None:
        self._board.drive(self._pin, 0)

    def release(self) -> None:
        self._board.drive(self._pin, None)


class Ds18b20Chip:
    """A thermometer on an open-drain line with a pull-up. `raw`: its next conversion in sixteenths of a degree.

    Presence comes as late and as short as the data sheet lets it be. zero_us: how long a zero stands; 15 at least, 30
    in typical devices.
    """

    def __init__(self, board: Rp2Board, pin: int, raw: int, zero_us: float = 30) -> None:
        self._board = board
        self._pin = pin
        self.raw = raw
        self._zero_us = zero_us
        self.conversions = 0
        self._temperature = 0x0550  # after power-on
        self._converted_at: float | None = None
        self._fell = 0.0
        self._state = "idle"
        self._bits: list[int] = []
        self._answer: list[int] = []
        self._pull_in = board.alarm(lambda: board.drive(pin, 0))
        self._let_go_in = board.alarm(lambda: board.drive(pin, 1))
        board.drive(pin, 1)
        board.watch(pin, self._line)

    def _line(self, level: int) -> None:
        now = self._board.us
        if not level:
            self._fell = now
            if self._state == "answer" and self._answer:
                bit = self._answer.pop(0)
                self._board.drive(self._pin, bit)
                if not bit:
                    self._let_go_in(self._zero_us)
            else:
                self._board.drive(self._pin, 0)
            return
        width = now - self._fell
        if self._state != "answer" or width >= 480:
            self._board.drive(self._pin, 1)
        if width >= 480:
            self._state = "command"
            self._bits = []
            self._pull_in(60)
            self._let_go_in(120)
        elif self._state == "command":
            self._bits.append(1 if width < 15 else 0)
            if len(self._bits) == 8:
                self._obey(sum(bit << i for i, bit in enumerate(self._bits)))
                self._bits = []

    def _obey(self, command: int) -> None:
        if command == 0x44:
            self.conversions += 1
            self._converted_at = self._board.us + 750_000
            self._state = "idle"
        elif command == 0xBE:
            if self._converted_at is not None and self._board.us >= self._converted_at:
                self._temperature = self.raw
            scratchpad = [self._temperature & 0xFF, self._temperature >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10]
            scratchpad.append(_crc(scratchpad))
            self._answer = [byte >> i & 1 for byte in scratchpad for i in range(8)]
            self._state = "answer"
        elif command != 0xCC:
            self._state = "idle"


def _crc(data: list[int]) -> int:
    """The shift register of the maker's application note 27, bit by bit: taps after bits 4 and 5, input at bit 8."""
    register = [0] * 8
    for byte in data:
        for i in range(8):
            feed = (byte >> i & 1) ^ register[0]
            register = [*register[1:], feed]
            register[3] ^= feed
            register[2] ^= feed
    return sum(bit << i for i, bit in enumerate(register))
