"""A conductivity cell on two converter inputs, excited by two pins in alternating direction.

The circuit: drive_a, a resistor, the cell, an equal resistor, drive_b; each converter input sits between the cell and
its resistor. With drive_a high and drive_b low the current flows to b, and input_b shows it as the voltage on b's
resistor; with the two exchanged, input_a shows the current that flows back. Each direction is read at the low end,
where no converter is near its end. So

    forward   uv_b = R (U - E) / (2 R + r)        U: the pins' voltage; R: one resistor; r: the water
    back      uv_a = R (U + E) / (2 R + r)        E: the voltage that the cell gives by itself
    sum       2 R U / (2 R + r)                   what sensing.py takes for a reference of 2 R

The cell's own voltage drops out, and so does half of any difference of the resistors. What current piles up at the
electrodes (their double layer is a capacitor in series) grows along each half-wave, is nothing in its middle and turns
about with the next: so the reading is taken in the middle, and the first and the last half-wave are half as long, which
leaves no charge behind. Direct current would polarise the electrodes, and the reading would fall while one looks. ISO
7888:1985 measures conductivity with alternating current for that reason (from memory). A half-wave of 0.56 ms makes
0.9 kHz, where conductivity meters measure (common practice, no source).

The converter's own offset does not drop out. A second standard takes it out, with what else leaks past the cell.
"""

HALF_US = 250  # before a reading and after it
PAIRS = 16


class ConverterInput:
    """drive_a, drive_b: output pins; input_a, input_b: with read_uv(); time: with sleep_us.

    One excitation takes 16 times 4 HALF_US and two conversions: 18 ms with conversions of 0.06."""

    def __init__(self, drive_a, drive_b, input_a, input_b, time):
        self._a = drive_a.value
        self._b = drive_b.value
        self._input_a = input_a
        self._input_b = input_b
        self._sleep_us = time.sleep_us
        self.rest()

    def rest(self):
        """Both pins low: no voltage on the cell."""
        self._a(0)
        self._b(0)

    def read(self):
        """The sums of the microvolts on both resistors, one for each pair of half-waves, to be judged by their median;
        None where the converter fails."""
        sums = []
        try:
            self._forward()
            for _ in range(PAIRS):
                self._back()
                uv = self._reading(self._input_a)
                self._forward()
                sums.append(uv + self._reading(self._input_b))
            self._back()
        except OSError:
            return None
        finally:
            self.rest()
        return sums

    def _forward(self):
        self._b(0)
        self._a(1)
        self._sleep_us(HALF_US)

    def _back(self):
        self._a(0)
        self._b(1)
        self._sleep_us(HALF_US)

    def _reading(self, converter):
        uv = converter.read_uv()
        self._sleep_us(HALF_US)
        return uv
