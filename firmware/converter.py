"""A conductivity cell on a converter input, fed only while it is read: direct current polarises the electrodes."""

SETTLE_US = 200
READINGS = 32
PAUSE_US = 50


class ConverterInput:
    """adc: with read_uv(), as `machine.ADC`; power: the output pin that feeds the cell and its resistor; time: with
    sleep_us. One excitation takes SETTLE_US and 32 times the pause and a conversion: 4 ms with conversions of 0.06."""

    def __init__(self, adc, power, time):
        self._adc = adc
        self._power = power
        self._sleep_us = time.sleep_us
        power.value(0)

    def read(self):
        """The microvolts of the conversions of one excitation, to be judged by their median; None where the converter
        fails."""
        readings = []
        self._power.value(1)
        try:
            self._sleep_us(SETTLE_US)
            for _ in range(READINGS):
                readings.append(self._adc.read_uv())
                self._sleep_us(PAUSE_US)
        except OSError:
            return None
        finally:
            self._power.value(0)
        return readings
