"""Driver of the HX711, a 24-bit converter for load cells. Figures from its data sheet, from memory.

The chip pulls its data line low when a conversion is ready; 24 clock pulses shift it out, the most significant bit
first, and one to three more choose channel and gain of the next; after them the line is high until that is ready. A
clock that stays high for 60 microseconds switches the chip off: an interrupt at the wrong moment can do that. After a
restart or another gain it takes four conversions to settle.

Here the pins are moved by the program, so every pulse is timed, and where one was too long the chip is started anew.
Boards whose hardware can make the pulses do so instead: board_cell_pio.py, board_cell_rmt.py. In any case a conversion
that was read so late that its successor may have taken its place is dropped, and the successor is read.
"""

PULSES = {128: 25, 32: 26, 64: 27}  # by gain; 32 is channel B
LONGEST_US = 50  # the chip switches off at 60
OFF_US = 100
SETTLING = 4  # conversions; one that ends half a conversion later was begun by a settled chip
PATIENCE = 10  # conversions' time for one that can be trusted, repetitions and restarts included


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
        self._repeated = False  # in the last call
        self._settling = True
        self._gain_unset = False
        self._since = time.ticks_ms()  # when it began to settle
        self._restart()

    def convert(self):
        """The next conversion in signed counts, or None where none that can be trusted came within PATIENCE, or where
        the last call had to repeat one and this one would have to.

        Takes one conversion's time, two after a late read, after a restart five (ten with another gain than 128).
        """
        repeated, self._repeated = self._repeated, False
        begun = high = self._time.ticks_ms()  # high: a moment from which on the line is known to have been high
        stale = not self._data.value()  # one that has waited may be old: only its successor is used
        while True:
            now = self._time.ticks_ms()
            if self._time.ticks_diff(now, begun) >= PATIENCE * self._period_ms:
                return None
            if self._data.value():
                high = now
                self._time.sleep_ms(1)
                continue
            settled = not self._settling or self._passed(self._since) * 2 > (2 * SETTLING + 1) * self._period_ms
            counts = self._shift()
            # Within half a conversion from its end nothing can have taken its place.
            late = self._passed(high) * 2 > self._period_ms
            high = now
            if counts is None:
                self._restart()
            elif self._gain_unset:
                # These were the first pulses after a restart; only now does the chip know the gain.
                self._gain_unset = False
                self._since = self._time.ticks_ms()
            elif settled and not late and not stale:
                self._settling = False
                return counts
            if stale:
                stale = False
            elif counts is None or late:
                if repeated:
                    return None
                self._repeated = True

    def _passed(self, since):
        return self._time.ticks_diff(self._time.ticks_ms(), since)

    def _restart(self):
        """Switch the chip off and on again; what it gives until it has settled will be dropped."""
        self._switch_off()
        self._settling = True
        self._gain_unset = self._pulses != PULSES[128]
        self._since = self._time.ticks_ms()

    def _shift(self):
        """One conversion in signed counts; None where it cannot be trusted."""
        word = self._clock_out(self._pulses)
        extra = self._pulses - 24
        # After the 24 bits the line is high; one that stays low is no chip's.
        if word is None or ~word & ((1 << extra) - 1):
            return None
        counts = word >> extra
        return counts - (1 << 24) if counts & 0x800000 else counts

    def _clock_out(self, pulses):
        """Make so many pulses and return the bits read, the first one highest; None where a pulse was too long."""
        data = self._data.value
        clock = self._clock.value
        ticks = self._time.ticks_us
        diff = self._time.ticks_diff
        irq = self._irq
        longest = 0
        word = 0
        for _ in range(pulses):
            state = irq.disable_irq() if irq else None
            start = ticks()
            clock(1)
            clock(0)
            width = diff(ticks(), start)
            if irq:
                irq.enable_irq(state)
            longest = max(longest, width)
            word = word << 1 | data()
        return None if longest > LONGEST_US else word

    def _switch_off(self):
        """One pulse that is long enough to switch the chip off; it starts anew with the pulse's end."""
        self._clock.value(1)
        self._time.sleep_us(OFF_US)
        self._clock.value(0)
