"""A push button, debounced: a short press is told at its release, a long one while the button is still down."""

BOUNCE_MS = 30
LONG_MS = 3000


class Button:
    """pin: an input with a pull-up, low when pressed. A button that is down at the start counts after its release."""

    def __init__(self, pin, time):
        self._pin = pin
        self._time = time
        self._level = self._steady = 0
        self._changed = time.ticks_ms()
        self._pressed_at = None

    def look(self):
        """None, "short" or "long". Call it every 20 ms or so: a press between two calls is not seen."""
        now = self._time.ticks_ms()
        level = self._pin.value()
        if level != self._level:
            self._level = level
            self._changed = now
        elif level != self._steady and self._time.ticks_diff(now, self._changed) >= BOUNCE_MS:
            self._steady = level
            if level == 0:
                self._pressed_at = self._changed
            elif self._pressed_at is not None:
                self._pressed_at = None
                return "short"
        if self._steady == 0 and self._pressed_at is not None:
            if self._time.ticks_diff(now, self._pressed_at) >= LONG_MS:
                self._pressed_at = None
                return "long"
        return None
