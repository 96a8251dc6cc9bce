"""A stepper motor behind a driver with step, direction and enable inputs (enable active low, as common modules have it;
common practice, no source). The coils are off whenever the motor rests, so that no fault leaves them hot."""


def _nothing():
    """CPython has no heap to lock."""


try:
    from micropython import heap_lock, heap_unlock
except ImportError:
    heap_lock = heap_unlock = _nothing

WAKE_MS = 2  # from enable to the first step
PULSE_US = 5


class Stepper:
    """The motor on three pins, and on a fourth where the driver tells of a stall (high).

    period_us: from step to step; at the default of 2500, 20 steps take 50 ms. forward: the direction pin's level.
    """

    def __init__(self, step, direction, enable, time, period_us=2500, forward=1, stall=None):
        self._step = step
        self._direction = direction
        self._enable = enable
        self._time = time
        self._rest_us = period_us - PULSE_US
        self._forward = forward
        self._stall = stall
        self.rest()

    def rest(self):
        """Coils off, the step input low."""
        self._enable.value(1)
        self._step.value(0)

    def turn(self, steps):
        """Make so many steps forward. Returns the steps made; fewer where the motor stalled."""
        pulse = self._step.value
        stalled = self._stall.value if self._stall else None
        sleep = self._time.sleep_us
        rest = self._rest_us
        done = 0
        self._direction.value(self._forward)
        self._enable.value(0)
        self._time.sleep_ms(WAKE_MS)
        heap_lock()
        try:
            while done < steps:
                pulse(1)
                sleep(PULSE_US)
                pulse(0)
                sleep(rest)
                if stalled and stalled():
                    break
                done += 1
        finally:
            heap_unlock()
            self.rest()
        return done
