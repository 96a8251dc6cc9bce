"""The probe calibrated with potassium-chloride standards, against their published conductivity at other temperatures.

Values: Wu, Koch & Pratt, J. Res. Natl. Inst. Stand. Technol. 96, 191 (1991), as tabulated in the CRC Handbook of
Chemistry and Physics, "Standard KCl solutions for calibrating conductivity cells" (uS/cm, water subtracted; uncertainty
0.03 to 0.04 %). Temperature coefficients: an instrument handbook's table for KCl, in percent of the value at 25 degC
per kelvin. The firmware carries the table's column for 0.01 mol/kg from 10 to 35 degC; the column for 0.1 mol/kg, the
other temperatures and the coefficients stand only here.
"""

import pytest

from tareline.resources import load_firmware

sensing = load_firmware("sensing")

# degC: (0.01 mol/kg, 0.1 mol/kg) in uS/cm
PUBLISHED = {
    0: (772.92, 7116.85),
    5: (890.96, 8183.70),
    10: (1013.95, 9291.72),
    15: (1141.45, 10437.1),
    18: (1219.93, 11140.6),
    20: (1273.03, 11615.9),
    25: (1408.23, 12824.6),
    30: (1546.63, 14059.2),
    35: (1687.79, 15316.0),
    40: (1831.27, 16591.0),
}
PERCENT_PER_K = {  # reference 25 degC: (1413 uS/cm, 12.88 mS/cm) at 15, 20, 30, 35 degC
    15: (1.94, 1.90),
    20: (1.94, 1.89),
    30: (1.94, 1.91),
    35: (1.99, 1.95),
}
EXCITATION_UV = 3_300_000
REFERENCE_OHM = 200
STEP_UV = 806  # a converter of 12 bits over 3.3 V


def us_per_m(us_per_cm: float) -> int:
    return round(us_per_cm * 100)


def measured(us_per_cm: float, cell_per_m: float, leak_s: float = 0.0, step_uv: int = 1) -> int:
    """What the probe measures in such a solution: Ohm's law for the divider, and the converter's steps."""
    conductance_s = us_per_cm * 1e-4 / cell_per_m + leak_s
    uv = EXCITATION_UV * REFERENCE_OHM * conductance_s / (1 + REFERENCE_OHM * conductance_s)
    return sensing.conductance_ns(round(uv / step_uv) * step_uv, EXCITATION_UV, REFERENCE_OHM)


@pytest.mark.parametrize("temperature", PUBLISHED)
@pytest.mark.parametrize("cell_per_m", [80.0, 100.0, 137.0])
def test_calibrated_at_25_degrees_it_reads_the_published_uncompensated_values(temperature, cell_per_m) -> None:
    points = [(us_per_m(value), measured(value, cell_per_m, 20e-6)) for value in PUBLISHED[25]]
    two = sensing.Calibration(points)
    for value in PUBLISHED[temperature]:
        found = two.conductivity_us_per_m(measured(value, cell_per_m, 20e-6))
        assert found == pytest.approx(us_per_m(value), rel=0.0002)  # within the standards' own uncertainty


@pytest.mark.parametrize("temperature", PUBLISHED)
def test_one_standard_and_twelve_bits_are_enough_for_half_a_percent(temperature) -> None:
    weak, strong = PUBLISHED[25]
    by_weak = sensing.Calibration([(us_per_m(weak), measured(weak, 100.0, step_uv=STEP_UV))])
    by_strong = sensing.Calibration([(us_per_m(strong), measured(strong, 100.0, step_uv=STEP_UV))])
    for calibration in (by_weak, by_strong):
        for value in PUBLISHED[temperature]:
            found = calibration.conductivity_us_per_m(measured(value, 100.0, step_uv=STEP_UV))
            assert found == pytest.approx(us_per_m(value), rel=0.005)


@pytest.mark.parametrize("temperature", [10, 15, 18, 20, 25, 30, 35])
def test_the_label_says_25_degrees_and_the_standard_is_taken_at_its_own_temperature(temperature) -> None:
    weak, strong = PUBLISHED[temperature]
    assert sensing.standard_us_per_m(us_per_m(PUBLISHED[25][0]), temperature * 100) == pytest.approx(
        us_per_m(weak), rel=0.0005
    )
    # Ten times stronger, its coefficient differs a little.
    assert sensing.standard_us_per_m(us_per_m(PUBLISHED[25][1]), temperature * 100) == pytest.approx(
        us_per_m(strong), rel=0.002 if 20 <= temperature <= 30 else 0.007
    )


@pytest.mark.parametrize("temperature", PERCENT_PER_K)
@pytest.mark.parametrize(("column", "label", "tolerance"), [(0, 1413.0, 0.06), (1, 12880.0, 0.07)])
def test_the_handbooks_coefficients_say_the_same(temperature, column, label, tolerance) -> None:
    found = sensing.standard_us_per_m(us_per_m(label), temperature * 100) / us_per_m(label)
    percent_per_k = (found - 1) / (temperature - 25) * 100
    # Both columns are rounded to 0.01; the firmware's curve is that of the weaker standard.
    assert percent_per_k == pytest.approx(PERCENT_PER_K[temperature][column], abs=tolerance)


def test_calibrating_at_another_temperature_gives_the_same_cell() -> None:
    """The label's value at 25 degC and a standard at 20 degC: the cell constant is that of the simulated cell."""
    found = sensing.Calibration(
        [
            (sensing.standard_us_per_m(us_per_m(PUBLISHED[25][column]), 2000), measured(PUBLISHED[20][column], 90.0))
            for column in (0, 1)
        ]
    )
    assert found.cell_per_km() == pytest.approx(90_000, rel=0.003)
