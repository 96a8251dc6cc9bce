"""An HX711 clocked by the ESP32's RMT, one pulse after the other: no interrupt can lengthen one. See hx711.py.

Only the high time of the clock is bounded. So each pulse is made by hardware, and between pulses, where the clock is
low, the program may be interrupted for as long as it likes while it reads the bit. SPI as a clock generator would read
the bits as well, but the level of its data output at rest is not alike on the ESP32, S3 and C3 (from memory), and a
clock that rests high switches the chip off; the RMT's level at rest is stated.
"""

import esp32
from hx711 import HX711, OFF_US

RESOLUTION_HZ = 1000000
PULSE_US = (2, 2)
OFF = (OFF_US, 2)
LONGEST_MS = 100  # how long a pulse is waited for; it takes 4 us


class RmtHX711(HX711):
    """The chip on two pins, `machine.Pin` both; time and rate_hz as in hx711.py."""

    def __init__(self, data, clock, time, rate_hz=10, gain=128):
        self._rmt = esp32.RMT(pin=clock, resolution_hz=RESOLUTION_HZ, idle_level=False)
        HX711.__init__(self, data, clock, time, None, rate_hz, gain)

    def _pulse(self, durations_us):
        self._rmt.write_pulses(durations_us, True)
        return self._rmt.wait_done(timeout=LONGEST_MS)

    def _clock_out(self, pulses):
        data = self._data.value
        word = 0
        for _ in range(pulses):
            if not self._pulse(PULSE_US):
                return None
            word = word << 1 | data()
        return word

    def _switch_off(self):
        self._pulse(OFF)
