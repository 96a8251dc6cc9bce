"""The probe's maths: Ohm's law in whole numbers, calibrations, and what can't be water."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.resources import load_firmware

sensing = load_firmware("sensing")
EXCITATION = 3_300_000
FULL = 3_100_000


@given(st.integers(1_000, 99_000_000), st.sampled_from([100, 200, 1000, 4700]))
def test_a_resistor_in_place_of_the_probe_reads_as_its_conductance(milliohm_hundreds, reference_ohm) -> None:
    """Voltage divider: uv = excitation R / (R + r), so conductance 1 / r, as far as a microvolt resolves it."""
    ohm = milliohm_hundreds / 100
    uv = round(EXCITATION * reference_ohm / (reference_ohm + ohm))
    found = sensing.conductance_ns(uv, EXCITATION, reference_ohm)
    # d(1/r) per microvolt is excitation / (R (excitation - uv)^2).
    resolution = 1e9 * EXCITATION / (reference_ohm * (EXCITATION - uv) ** 2)
    assert found == pytest.approx(1e9 / ohm, abs=resolution + 1)


@given(st.integers(0, 10**9), st.integers(1, 10**6))
def test_division_gives_the_nearest_whole_number(numerator, denominator) -> None:
    found = sensing.divide(numerator, denominator)
    assert abs(2 * (found * denominator - numerator)) <= denominator
    assert sensing.divide(-numerator, -denominator) == found


@pytest.mark.parametrize(
    ("values", "uv", "code"),
    [
        ([], None, "converter_dead"),
        ([256_000, 255_000, 257_000, 256_500], 256_250, None),
        ([0, 1000, 800, 0, 500], 500, "probe_dry"),
        ([3_299_000] * 5, 3_299_000, "probe_shorted"),
        ([3_100_000] * 5, 3_100_000, "converter_saturated"),
        ([3_099_876] * 5, 3_099_876, "converter_saturated"),  # 12 bits over 3.3 V: the last step before 3.1 V
        ([3_000_000, 3_100_000, 3_100_000, 3_100_000], 3_100_000, "converter_saturated"),
        ([200_000, 240_000, 260_000, 300_000, 320_000], 260_000, "converter_noisy"),
        # One wild conversion among many changes nothing: the median and the middle half do not see it.
        ([256_000] * 15 + [3_100_000], 256_000, None),
        # Weak water on a converter with steps of 1 mV is no noise.
        ([20_000, 21_000, 20_000, 21_000, 20_000], 20_000, None),
    ],
)
def test_a_measurement_is_recognised(values, uv, code) -> None:
    assert sensing.assess(values, EXCITATION, FULL) == (uv, code)


def test_a_temperature_no_aquarium_has_is_recognised() -> None:
    assert sensing.is_plausible_temperature(2450)
    assert sensing.is_plausible_temperature(0)
    assert not sensing.is_plausible_temperature(8500)  # what a DS18B20 shows after power-on (data sheet, from memory)
    assert not sensing.is_plausible_temperature(-5500)


def test_one_point_gives_a_line_through_nothing() -> None:
    one = sensing.Calibration([(140_823, 1_408_230)])
    assert one.cell_per_km() == 100_000  # 100 per metre: 1 per centimetre
    assert one.conductivity_us_per_m(0) == 0
    assert one.conductivity_us_per_m(420_000) == 42_000


def test_two_points_take_out_what_leaks_past_the_cell() -> None:
    leak_ns = 20_000
    two = sensing.Calibration([(1_282_460, 12_824_600 + leak_ns), (140_823, 1_408_230 + leak_ns)])
    assert two.conductivity_us_per_m(420_000 + leak_ns) == 42_000
    one = sensing.Calibration([(140_823, 1_408_230 + leak_ns)])
    assert one.conductivity_us_per_m(420_000 + leak_ns) > 43_000


def test_a_new_point_replaces_the_nearest_in_strength() -> None:
    first = sensing.Calibration([(140_823, 1_408_230)])
    assert first.with_point(140_823, 1_500_000).points == [(140_823, 1_500_000)]
    both = first.with_point(1_282_460, 12_900_000)
    assert both.points == [(140_823, 1_408_230), (1_282_460, 12_900_000)]
    assert both.with_point(1_282_460, 12_824_600).points == [(140_823, 1_408_230), (1_282_460, 12_824_600)]
    assert both.with_point(320_000, 3_200_000).points == [(320_000, 3_200_000), (1_282_460, 12_900_000)]
    assert both.with_point(600_000, 6_000_000).points == [(140_823, 1_408_230), (600_000, 6_000_000)]


@pytest.mark.parametrize(
    ("points", "why"),
    [
        ([], "one or two points"),
        ([(140_823, 0)], "above zero"),
        ([(140_823, 100_000_000)], "between 5 and 2000 per metre"),
        ([(140_823, 10_000)], "between 5 and 2000 per metre"),
        ([(140_823, 1_408_230), (1_282_460, 1_400_000)], "did not conduct better"),
        ([(140_823, 3_000_000), (1_282_460, 12_824_600)], "one line through nothing"),
    ],
)
def test_a_calibration_no_cell_has_is_refused(points, why) -> None:
    with pytest.raises(ValueError, match=why):
        sensing.Calibration(points)


@pytest.mark.parametrize("c100", [999, 3501, -100])
def test_a_standard_too_cold_or_too_warm_is_refused(c100) -> None:
    with pytest.raises(ValueError, match="10 to 35"):
        sensing.standard_us_per_m(140_823, c100)
