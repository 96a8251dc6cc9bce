"""Driver of the HX711, a 24-bit converter for load cells. Figures from its data sheet, from memory.

The chip pulls its data line low when a conversion is ready; 24 clock pulses shift it out, the most significant bit
first, and one to three more choose channel and gain of the next. A clock that stays high for 60 microseconds switches
the chip off: an interrupt at the wrong moment can do that, so every pulse is timed, and a conversion with one that was
too long is given up and the chip restarted. After a restart or another gain it takes four conversions to settle.
"""

PULSES = {128: 25, 32: 26, 64: 27}  # by gain; 32 is channel B
LONGEST_US = 50  # the chip switches off at 60
RESTART_US = 100
SETTLING = 4  # conversions; one that ends half a conversion later was begun by a settled chip


class HX711:
    """The chip on two pins.

    data: an input pin; clock: an output pin; both as `machine.Pin`. time: an object with ticks_us, ticks_ms,
    ticks_diff, sleep_us and sleep_ms. irq: `machine`, or whatever has disable_irq() and enable_irq(state); None where
    interrupts cannot be held off. rate_hz: 10 or 80, as the chip's rate pin is wired.
    """

    ceiling = 0x7FFFFF
    # At gain 128 the input noise is 50 nV, or 21 counts; a converter that scatters by less than a fifth of it is none.
    least_noise = 4

    def __init__(self, data, clock, time, irq=None, rate_hz=10, gain=128):
        self._data = data
        self._clock = clock
        self._time = time
        self._irq = irq
        self.rate_hz = rate_hz
        self._pulses = PULSES[gain]
        self._period_ms = -(-1000 // rate_hz)
        self._restart()

    def convert(self):
        """The next conversion in signed counts, or None where none came in time or an interrupt spoilt it.

        Takes one conversion's time, after a restart five (ten with another gain than 128), with a dead chip ten.
        """
        if not self._data.value() and self._shift() is None:
            # One that has waited may be old, and may be replaced while it is read: only its successor is used.
            return self._restart()
        start = self._time.ticks_ms()
        while True:
            while self._data.value():
                if self._passed(start) >= 10 * self._period_ms:
                    return None
                self._time.sleep_ms(1)
            settled = not self._settling or self._passed(self._since) * 2 > (2 * SETTLING + 1) * self._period_ms
            counts = self._shift()
            if counts is None:
                return self._restart()
            if self._gain_unset:
                # These were the first pulses after a restart; only now does the chip know the gain.
                self._gain_unset = False
                self._since = self._time.ticks_ms()
            elif settled:
                self._settling = False
                return counts

    def _passed(self, since):
        return self._time.ticks_diff(self._time.ticks_ms(), since)

    def _restart(self):
        """Switch the chip off and on again; what it gives until it has settled will be dropped."""
        self._clock.value(1)
        self._time.sleep_us(RESTART_US)
        self._clock.value(0)
        self._settling = True
        self._gain_unset = self._pulses != PULSES[128]
        self._since = self._time.ticks_ms()

    def _shift(self):
        """Clock one conversion out. None where it cannot be trusted."""
        data = self._data.value
        clock = self._clock.value
        ticks = self._time.ticks_us
        diff = self._time.ticks_diff
        irq = self._irq
        begun = ticks()
        longest = 0
        counts = 0
        for i in range(self._pulses):
            state = irq.disable_irq() if irq else None
            start = ticks()
            clock(1)
            clock(0)
            width = diff(ticks(), start)
            if irq:
                irq.enable_irq(state)
            longest = max(longest, width)
            if i < 24:
                counts = counts << 1 | data()
        # After the last pulse the line is high until the next conversion; a line that stays low is no chip's.
        if longest > LONGEST_US or not data() or diff(ticks(), begun) > 500 * self._period_ms:
            return None
        return counts - (1 << 24) if counts & 0x800000 else counts
