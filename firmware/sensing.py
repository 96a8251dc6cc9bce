"""From a converter's voltages to conductivity, in whole numbers; and what can't be water is recognised.

The circuit: the probe in series with a reference resistor, excited for a few milliseconds; the converter reads the
voltage on the resistor. By Ohm's law the probe's conductance is uv / (R (excitation - uv)). The cell constant, which is
conductivity over conductance, turns it into conductivity: 100 per metre for electrodes of 1 cm2, 1 cm apart.

Units inside: voltages in microvolts, conductance in nanosiemens, conductivity in microsiemens per metre, temperature in
hundredths of a degree Celsius. Nothing is compensated for temperature.
"""

DRY_PPM = 2000  # of the excitation: less than water of 0.001 S/m gives with any sensible resistor
SHORT_PPM = 980000
NOISE_PPM = 50000  # of the median: the middle half of one measurement's conversions spreads over more than that
NOISE_FLOOR_PPM = 2000  # of the excitation: steps of the converter are no noise
COLDEST_C100 = -500
WARMEST_C100 = 6000
LEAST_CELL_PER_M = 5  # judgement: 0.05 to 20 per centimetre are the cells that are sold
MOST_CELL_PER_M = 2000
LARGEST_OFFSET_PERCENT = 20  # of the weaker standard
SAME_STANDARD = 2  # a point within this factor of an earlier one replaces it

# Conductivity of potassium chloride, 0.01 mol/kg: hundredths of a degree, 0.01 uS/cm. Wu, Koch & Pratt, J. Res. Natl.
# Inst. Stand. Technol. 96, 191 (1991), as tabulated in the CRC Handbook of Chemistry and Physics. Other strengths up to
# 0.1 mol/kg follow the same curve within 0.5 % from 10 to 35 degC, and within 0.2 % from 20 to 30 degC.
KCL = ((1000, 101395), (1500, 114145), (2000, 127303), (2500, 140823), (3000, 154663), (3500, 168779))
KCL_25 = 140823


def divide(numerator, denominator):
    """The nearest whole number to a quotient; halves go up."""
    if denominator < 0:
        numerator, denominator = -numerator, -denominator
    return (2 * numerator + denominator) // (2 * denominator)


def median(values):
    """The median of whole numbers; between the middle two for an even count."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return divide(ordered[middle - 1] + ordered[middle], 2)


def assess(values, excitation_uv, full_uv):
    """(median in microvolts or None, fault code or None) of the conversions of one measurement.

    full_uv: the largest voltage that the converter tells from more. A median with a fault says nothing about water.
    """
    if not values:
        return None, "converter_dead"
    ordered = sorted(values)
    count = len(ordered)
    middle = median(ordered)
    if middle * 1000000 >= excitation_uv * SHORT_PPM:
        return middle, "probe_shorted"
    if ordered[count * 3 // 4] >= full_uv - full_uv // 200:  # its last step may begin below its end
        return middle, "converter_saturated"
    if middle * 1000000 < excitation_uv * DRY_PPM:
        return middle, "probe_dry"
    spread = ordered[count * 3 // 4] - ordered[count // 4]
    if spread * 1000000 > max(middle * NOISE_PPM, excitation_uv * NOISE_FLOOR_PPM):
        return middle, "converter_noisy"
    return middle, None


def is_plausible_temperature(c100):
    """Whether water can have this temperature."""
    return COLDEST_C100 <= c100 <= WARMEST_C100


def conductance_ns(uv, excitation_uv, reference_ohm):
    """The probe's conductance in nanosiemens; uv lies between nothing and the excitation."""
    return divide(uv * 1000000000, reference_ohm * (excitation_uv - uv))


def standard_us_per_m(at_25_us_per_m, c100):
    """What a potassium-chloride standard of this conductivity at 25 degC has at another temperature.

    Linear between the table's rows: within 0.05 % of the curve. Raises ValueError outside of 10 to 35 degC.
    """
    for row in range(len(KCL) - 1):
        low, below = KCL[row]
        high, above = KCL[row + 1]
        if low <= c100 <= high:
            part = below * (high - low) + (above - below) * (c100 - low)
            return divide(at_25_us_per_m * part, KCL_25 * (high - low))
    raise ValueError("temperature: expected 10 to 35 degC to calibrate")


class Calibration:
    """One or two points (conductivity of a standard, conductance measured in it), the weaker standard first.

    One point gives the cell constant; two give the line through both, so that what leaks past the cell drops out.
    Raises ValueError where no cell is like that.
    """

    def __init__(self, points):
        points = sorted([(int(true), int(measured)) for true, measured in points])
        if not 1 <= len(points) <= 2 or points[0][0] <= 0 or points[0][1] <= 0:
            raise ValueError("expected one or two points above zero")
        self.points = points
        self.true, self.measured = points[0]
        self.rise, self.run = points[0]
        if len(points) == 2:
            self.rise = points[1][0] - points[0][0]
            self.run = points[1][1] - points[0][1]
            if self.run <= 0:
                raise ValueError("the stronger standard did not conduct better")
            if abs(self.conductivity_us_per_m(0)) * 100 > LARGEST_OFFSET_PERCENT * self.true:
                raise ValueError("the two standards do not lie on one line through nothing")
        if not LEAST_CELL_PER_M * self.run <= 1000 * self.rise <= MOST_CELL_PER_M * self.run:
            raise ValueError("expected a cell constant between 5 and 2000 per metre")

    def with_point(self, true_us_per_m, measured_ns):
        """A calibration with one more point: beside an earlier one of another strength, instead of the nearest."""
        others = [
            point
            for point in self.points
            if point[0] >= SAME_STANDARD * true_us_per_m or true_us_per_m >= SAME_STANDARD * point[0]
        ]
        if len(others) == 2:
            weak, strong = others
            nearer_weak = true_us_per_m * true_us_per_m < weak[0] * strong[0]
            others = [strong if nearer_weak else weak]
        return Calibration(others + [(true_us_per_m, measured_ns)])

    def conductivity_us_per_m(self, conductance):
        """Conductivity in microsiemens per metre, uncompensated, of a conductance in nanosiemens."""
        return self.true + divide((conductance - self.measured) * self.rise, self.run)

    def cell_per_km(self):
        """The cell constant per kilometre: thousandths of one per metre."""
        return divide(1000000 * self.rise, self.run)
