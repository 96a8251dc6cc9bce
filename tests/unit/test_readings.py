"""A reading: what a chart's step says, and what it counts as."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.core.units import NITRATE_PER_N, NITRITE_PER_N
from tareline.core.water.readings import Reading, StatedReading, make_reading, neighbours
from tareline.errors import FieldError

STEPS = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0)


def on_chart(value: float) -> Reading:
    below, above = neighbours(STEPS, value)
    return make_reading(1, 0, StatedReading("ammonia", value, "mg/L", "N", True, below, above))


def by_instrument(value: float, analyte: str = "ammonia", unit: str = "mg/L", basis: str | None = "N") -> Reading:
    return make_reading(1, 0, StatedReading(analyte, value, unit, basis, False, None, None))


def test_a_chart_reading_lies_between_its_neighbours_and_counts_as_the_midpoint_to_the_upper_one() -> None:
    found = on_chart(0.5)
    assert (found.low, found.value, found.high) == (0.25, 0.5, 1.0)
    assert found.counted == 0.75
    assert found.may_cross


def test_the_lowest_step_bounds_nothing_from_below_and_never_crosses() -> None:
    found = on_chart(0.0)
    assert (found.low, found.high) == (0.0, 0.25)
    assert found.counted == 0.125
    assert not found.may_cross
    lowest = make_reading(1, 0, StatedReading("nitrate", 5.0, "mg/L", "N", True, None, 10.0))
    assert (lowest.low, lowest.may_cross) == (0.0, False)


def test_the_highest_step_is_open_above_and_counts_as_itself() -> None:
    found = on_chart(4.0)
    assert (found.low, found.high, found.counted, found.may_cross) == (2.0, None, 4.0, True)


def test_an_instrument_means_what_it_says() -> None:
    found = by_instrument(0.0)
    assert (found.low, found.high, found.counted, found.may_cross) == (0.0, 0.0, 0.0, True)


def test_neighbours_are_converted_with_the_value() -> None:
    found = make_reading(1, 0, StatedReading("nitrate", 10.0, "mg/L", "ion", True, 5.0, 20.0))
    assert found.value == pytest.approx(10 / NITRATE_PER_N)
    assert found.low == pytest.approx(5 / NITRATE_PER_N)
    assert found.high == pytest.approx(20 / NITRATE_PER_N)
    assert found.counted == pytest.approx(15 / NITRATE_PER_N)


@given(st.lists(st.floats(0, 100), min_size=2, max_size=9, unique=True).map(sorted), st.data())
def test_steps_and_their_neighbours(steps: list[float], data: st.DataObject) -> None:
    if any(b - a < 1e-6 for a, b in pairwise(steps)):
        return
    i = data.draw(st.integers(0, len(steps) - 1))
    padded = [None, *steps, None]
    assert neighbours(steps, steps[i]) == (padded[i], padded[i + 2])


def test_a_step_as_another_program_would_compute_it_is_still_that_step() -> None:
    assert neighbours((0.1, 0.30000000000000004, 0.5), 0.3) == (0.1, 0.5)


@pytest.mark.parametrize("value", [0.3, -0.25, 4.1, 0.2500001])
def test_a_chart_shows_nothing_between_its_steps(value: float) -> None:
    with pytest.raises(FieldError, match=r"0, 0\.25, 0\.5, 1, 2, 4") as caught:
        neighbours(STEPS, value)
    assert caught.value.field == "value"


@pytest.mark.parametrize(
    ("analyte", "value", "unit", "basis"),
    [
        ("ammonia", -0.1, "mg/L", "N"),
        ("ammonia", 1001.0, "mg/L", "N"),
        ("ammonia", math.nan, "mg/L", "N"),
        ("nitrate", math.inf, "mg/L", "ion"),
        ("ph", 14.1, "1", None),
        ("temperature", -3.0, "degC", None),
        ("temperature", 61.0, "degC", None),
        ("kh", 101.0, "dKH", None),
        ("tds", 50_001.0, "mg/L", None),
    ],
)
def test_a_slip_of_the_pen_is_refused(analyte: str, value: float, unit: str, basis: str | None) -> None:
    with pytest.raises(FieldError) as caught:
        by_instrument(value, analyte, unit, basis)
    assert caught.value.field == "value"


def test_the_range_is_that_of_the_canonical_unit() -> None:
    assert by_instrument(1287.0, basis="ion").value < 1000.0
    assert by_instrument(14.0, "ph", "1", None).value == 14.0
    assert by_instrument(-2.0, "temperature", "degC", None).value == -2.0


@pytest.mark.parametrize(
    ("below", "above", "field"),
    [(0.5, 1.0, "below"), (0.6, 1.0, "below"), (math.nan, 1.0, "below"), (0.25, 0.5, "above"), (0.25, 0.4, "above")],
)
def test_neighbours_lie_on_their_own_sides(below: float, above: float, field: str) -> None:
    with pytest.raises(FieldError) as caught:
        make_reading(1, 0, StatedReading("ammonia", 0.5, "mg/L", "N", True, below, above))
    assert caught.value.field == field


@given(st.floats(0, 100), st.none() | st.floats(0.01, 10), st.none() | st.floats(0.01, 10))
def test_low_value_counted_and_high_stand_in_order(value: float, down: float | None, up: float | None) -> None:
    below = None if down is None or down > value else value - down
    above = None if up is None else value + up
    found = Reading(1, 0, "ammonia", value, True, below, above)
    assert found.low <= found.value <= found.counted
    assert found.high is None or found.counted <= found.high


# Pens, and what could not be seen


def test_an_instrument_tells_apart_half_its_resolution_to_each_side() -> None:
    found = make_reading(1, 0, StatedReading("ph", 7.4, "1", resolution=0.1))
    assert (found.low, found.high) == pytest.approx((7.35, 7.45))
    assert (found.value, found.counted, found.may_cross) == (7.4, 7.4, True)
    shown_0 = make_reading(1, 0, StatedReading("nitrite", 0.0, "mg/L", "ion", resolution=0.1))
    assert shown_0.low == 0.0
    assert shown_0.high == pytest.approx(0.05 / NITRITE_PER_N)


def test_a_resolution_is_a_size_and_not_a_place_on_the_scale() -> None:
    found = make_reading(1, 0, StatedReading("temperature", 77.0, "degF", resolution=0.9))
    assert (found.value, found.resolution) == pytest.approx((25.0, 0.5))
    assert (found.low, found.high) == pytest.approx((24.75, 25.25))


def test_below_detection_the_water_lies_between_nothing_and_the_limit() -> None:
    found = make_reading(1, 0, StatedReading("ammonia", 0.05, "mg/L", "N", resolution=0.01, detected=False))
    assert (found.low, found.value, found.high, found.counted, found.detected) == (0.0, 0.05, 0.05, 0.05, False)


@pytest.mark.parametrize(
    "stated",
    [
        StatedReading("nitrate", 12.5, "mg/L", "ion", True, 10.0, 25.0),
        StatedReading("nitrate", 12.5, "ppm", "N", resolution=0.5),
        StatedReading("ammonia", 30.0, "ug/L", "NH3", detected=False),
        StatedReading("kh", 90.0, "mg/L", "CaCO3", resolution=18.0),
        StatedReading("kh", 1.5, "meq/L"),
        StatedReading("temperature", 75.2, "degF", resolution=0.1),
        StatedReading("tds", 210.0, "ppm", factor=0.7, resolution=10.0),
        StatedReading("tds", 310.0, "uS/cm", measured_at_c=18.5),
    ],
)
@pytest.mark.parametrize("tds_factor", [0.5, 0.64])
def test_what_was_stated_stays_readable_as_stated(stated: StatedReading, tds_factor: float) -> None:
    found = make_reading(1, 0, stated, tds_factor)
    assert found.scale.stated(found.value) == pytest.approx(stated.value)
    if stated.above is not None:
        assert found.high is not None
        assert found.scale.stated(found.high) == pytest.approx(stated.above)
    if stated.resolution is not None:
        assert found.high is not None
        span = found.scale.stated(found.high) - found.scale.stated(found.low)
        assert span == pytest.approx(stated.resolution)


@given(st.floats(1, 5000), st.floats(0.4, 0.9), st.floats(0.4, 0.9))
def test_dissolved_solids_are_calculated_by_the_tanks_factor_through_the_pens_own(
    ppm: float, own: float, tank: float
) -> None:
    by_pen = make_reading(1, 0, StatedReading("tds", ppm, "ppm", factor=own), tank)
    by_conductivity = make_reading(1, 0, StatedReading("tds", ppm / own, "uS/cm"), tank)
    assert by_pen.value == pytest.approx(by_conductivity.value)
    assert make_reading(1, 0, StatedReading("tds", ppm, "mg/L"), tank).value == ppm


@pytest.mark.parametrize(
    ("stated", "field", "words"),
    [
        (StatedReading("ph", 14.1, "1"), "value", "expected 0 to 14 for ph; found 14.1"),
        (StatedReading("ph", 700.0, "1"), "value", "expected 0 to 14 for ph; found 700"),
        (StatedReading("temperature", 25.0, "K"), "unit", "expected 'degC' or 'degF'"),
        (StatedReading("temperature", 150.0, "degF"), "value", "expected 28.4 to 140 degF for temperature; found 150"),
        (StatedReading("ammonia", 0.5, "mg/L"), "basis", "expected one of N, ion, NH3"),
        (StatedReading("kh", 90.0, "mg/L"), "basis", "expected one of CaCO3 for kh in mg/L; found None"),
        (StatedReading("kh", 5.0, "dKH", "CaCO3"), "basis", "expected none for kh in dKH"),
        (StatedReading("nitrate", 10.0, "mg/L", "ion", True, 5.0, 20.0, resolution=1.0), "resolution", "its steps say"),
        (StatedReading("nitrate", 10.0, "mg/L", "ion", resolution=0.0), "resolution", "expected more than 0"),
        (StatedReading("nitrate", 10.0, "mg/L", "ion", resolution=math.nan), "resolution", "expected more than 0"),
        (StatedReading("nitrate", 5.0, "mg/L", "ion", True, None, 10.0, detected=False), "detected", "its lowest step"),
        (StatedReading("ph", 7.0, "1", detected=False), "detected", "never absent"),
        (StatedReading("nitrate", 0.0, "mg/L", "ion", detected=False), "value", "expected the detection limit"),
        (StatedReading("nitrate", 5.0, "mg/L", "ion", factor=0.5), "factor", "expected only for tds"),
        (StatedReading("tds", 5.0, "uS/cm", factor=0.5), "factor", "expected only for tds in mg/L or ppm"),
        (StatedReading("tds", 5.0, "ppm", factor=5.0), "factor", "expected 0.3 to 1"),
        (StatedReading("tds", 5.0, "ppm", measured_at_c=20.0), "measured_at_c", "expected only for tds in uS/cm"),
        (StatedReading("tds", 5.0, "uS/cm", measured_at_c=200.0), "measured_at_c", "expected -2 to 60 degC"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_plain_words(stated: StatedReading, field: str, words: str) -> None:
    with pytest.raises(FieldError) as caught:
        make_reading(1, 0, stated)
    assert caught.value.field == field
    assert words in caught.value.message
