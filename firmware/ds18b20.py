"""A DS18B20 thermometer, alone on its 1-Wire bus and powered by its own wire. Figures from its data sheet, from memory.

Refused are: a scratchpad whose CRC is wrong (after three attempts), one whose fixed bits are not as they must be (a
line held low reads as zeros, and their CRC is right), values beyond -55 to 125 degrees, and exactly 85.00: that is what
the register holds after power-on, before any conversion.
"""

from onewire_bus import crc8

SKIP_ROM = 0xCC
CONVERT = 0x44
READ_SCRATCHPAD = 0xBE
CONVERSION_MS = 750  # at 12 bits
ATTEMPTS = 3
POWER_ON = 0x0550


class DS18B20:
    """bus: a OneWireBus; time: with ticks_ms, ticks_diff, sleep_ms. `detail` says why there is no temperature."""

    def __init__(self, bus, time):
        self._bus = bus
        self._time = time
        self._started = None
        self.detail = ""

    def start(self):
        """Begin a conversion, so that other work can go on meanwhile. False where no thermometer answers."""
        self._started = None
        if not self._bus.reset():
            self.detail = "no thermometer answers"
            return False
        self._bus.write(SKIP_ROM)
        self._bus.write(CONVERT)
        self._started = self._time.ticks_ms()
        return True

    def read(self):
        """The temperature in hundredths of a degree Celsius, or None. Starts where nothing was started; waits for the
        rest of the 750 ms."""
        if self._started is None and not self.start():
            return None
        passed = self._time.ticks_diff(self._time.ticks_ms(), self._started)
        self._started = None
        if 0 <= passed < CONVERSION_MS:
            self._time.sleep_ms(CONVERSION_MS - passed)
        for _ in range(ATTEMPTS):
            centi_c = self._scratchpad()
            if centi_c is not None:
                return centi_c
        return None

    def _scratchpad(self):
        if not self._bus.reset():
            self.detail = "no thermometer answers"
            return None
        self._bus.write(SKIP_ROM)
        self._bus.write(READ_SCRATCHPAD)
        data = self._bus.read(9)
        if crc8(data) or data[4] & 0x9F != 0x1F:
            self.detail = "the thermometer's answer is damaged"
            return None
        raw = data[0] | data[1] << 8
        if raw >= 0x8000:
            raw -= 0x10000
        raw &= -1 << (3 - (data[4] >> 5))  # bits below the resolution are undefined
        if raw == POWER_ON:
            self.detail = "85 degrees: the thermometer lost its power before the conversion ended"
            return None
        if not -55 * 16 <= raw <= 125 * 16:
            self.detail = "beyond -55 to 125 degrees"
            return None
        self.detail = ""
        return (raw * 25 + 2) // 4
