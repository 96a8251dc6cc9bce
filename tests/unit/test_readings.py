"""A reading: what a chart's step says, and what it counts as."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.errors import FieldError
from tareline.units import NITRATE_PER_N
from tareline.water.readings import Reading, Stated, make_reading, neighbours

STEPS = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0)


def on_chart(value: float) -> Reading:
    below, above = neighbours(STEPS, value)
    return make_reading(1, 0, Stated("ammonia", value, "mg/L", "N", True, below, above))


def by_instrument(value: float, analyte: str = "ammonia", unit: str = "mg/L", basis: str | None = "N") -> Reading:
    return make_reading(1, 0, Stated(analyte, value, unit, basis, False, None, None))


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
    lowest = make_reading(1, 0, Stated("nitrate", 5.0, "mg/L", "N", True, None, 10.0))
    assert (lowest.low, lowest.may_cross) == (0.0, False)


def test_the_highest_step_is_open_above_and_counts_as_itself() -> None:
    found = on_chart(4.0)
    assert (found.low, found.high, found.counted, found.may_cross) == (2.0, None, 4.0, True)


def test_an_instrument_means_what_it_says() -> None:
    found = by_instrument(0.0)
    assert (found.low, found.high, found.counted, found.may_cross) == (0.0, 0.0, 0.0, True)


def test_neighbours_are_converted_with_the_value() -> None:
    found = make_reading(1, 0, Stated("nitrate", 10.0, "mg/L", "ion", True, 5.0, 20.0))
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
        make_reading(1, 0, Stated("ammonia", 0.5, "mg/L", "N", True, below, above))
    assert caught.value.field == field


@given(st.floats(0, 100), st.none() | st.floats(0.01, 10), st.none() | st.floats(0.01, 10))
def test_low_value_counted_and_high_stand_in_order(value: float, down: float | None, up: float | None) -> None:
    below = None if down is None or down > value else value - down
    above = None if up is None else value + up
    found = Reading(1, 0, "ammonia", value, True, below, above)
    assert found.low <= found.value <= found.counted
    assert found.high is None or found.counted <= found.high
