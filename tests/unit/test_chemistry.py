"""Un-ionised ammonia: what is measured, what is assumed, and between which values it may lie."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.core.water.chemistry import ASSUMED_PH, ASSUMED_TEMPERATURE_C, unionised, unionised_fraction
from tareline.core.water.freshness import FRESH_MS
from tareline.core.water.readings import Reading

NOW_MS = 1_780_000_000_000
DAY_MS = 86_400_000
TOTAL = Reading(7, NOW_MS - DAY_MS, "ammonia", 1.0)
PH = Reading(8, NOW_MS - DAY_MS, "ph", 8.0)
WARM = Reading(9, NOW_MS - DAY_MS, "temperature", 24.0)


def fraction(ph: float, temperature_c: float = 24.0) -> float:
    return unionised_fraction(ph, temperature_c)


@given(st.floats(5, 10), st.floats(0, 50), st.floats(0.01, 1), st.floats(0.1, 5))
def test_more_of_it_is_un_ionised_the_higher_ph_and_temperature(ph: float, c: float, up: float, warmer: float) -> None:
    here = fraction(ph, c)
    assert 0 < here < 1
    assert fraction(ph + up, c) > here
    assert fraction(ph, c + warmer) > here


def test_what_was_measured_is_used_and_nothing_is_assumed() -> None:
    found = unionised(TOTAL, PH, WARM, NOW_MS)
    assert found.value == found.counted == found.low == found.high == fraction(8.0)
    assert (found.assumed, found.at_ms, found.entry, found.may_cross) == ((), TOTAL.at_ms, 7, True)


def test_what_was_not_measured_is_assumed_and_named() -> None:
    found = unionised(TOTAL, None, None, NOW_MS)
    assert found.value == fraction(ASSUMED_PH, ASSUMED_TEMPERATURE_C)
    assert found.assumed == ("ph", "temperature")
    assert unionised(TOTAL, None, WARM, NOW_MS).assumed == ("ph",)
    assert unionised(TOTAL, PH, None, NOW_MS).assumed == ("temperature",)
    assert ASSUMED_PH == 8.0


@pytest.mark.parametrize(("age_ms", "assumed"), [(0, ()), (FRESH_MS, ()), (FRESH_MS + 1, ("ph", "temperature"))])
def test_after_14_days_what_was_measured_is_assumed_again(age_ms: int, assumed: tuple[str, ...]) -> None:
    assert FRESH_MS == 14 * DAY_MS
    then = NOW_MS - age_ms
    assert (
        unionised(TOTAL, Reading(8, then, "ph", 7.0), Reading(9, then, "temperature", 20.0), NOW_MS).assumed == assumed
    )


def test_charts_count_as_the_midpoint_to_their_upper_neighbours_both_of_them() -> None:
    total = Reading(7, NOW_MS, "ammonia", 0.5, True, 0.25, 1.0)
    ph = Reading(8, NOW_MS, "ph", 8.0, True, 7.6, 8.4)
    found = unionised(total, ph, WARM, NOW_MS)
    assert found.low == pytest.approx(0.25 * fraction(7.6))
    assert found.value == pytest.approx(0.5 * fraction(8.0))
    assert found.counted == pytest.approx(0.75 * fraction(8.2))
    assert found.high == pytest.approx(1.0 * fraction(8.4))


def test_beyond_a_charts_highest_step_nothing_bounds_it_but_the_other_reading() -> None:
    highest_ph = Reading(8, NOW_MS, "ph", 9.0, True, 8.6, None)
    assert unionised(TOTAL, highest_ph, WARM, NOW_MS).high == 1.0  # all of it may be un-ionised, and no more
    assert unionised(Reading(7, NOW_MS, "ammonia", 4.0, True, 2.0, None), PH, WARM, NOW_MS).high is None


def test_below_a_ph_charts_lowest_step_there_may_be_almost_none() -> None:
    lowest_ph = Reading(8, NOW_MS, "ph", 6.0, True, None, 6.4)
    found = unionised(TOTAL, lowest_ph, WARM, NOW_MS)
    assert found.low < 1e-8 < found.value


def test_a_chart_that_shows_no_ammonia_crosses_nothing() -> None:
    assert not unionised(Reading(7, NOW_MS, "ammonia", 0.0, True, None, 0.25), PH, WARM, NOW_MS).may_cross


@given(
    st.floats(0.01, 10),
    st.floats(6, 9),
    st.none() | st.floats(0.001, 0.01),
    st.none() | st.floats(0.1, 1),
    st.none() | st.floats(0.1, 1),
    st.none() | st.floats(0.1, 1),
)
def test_the_value_lies_within_its_bounds(
    total: float, ph: float, down: float | None, up: float | None, ph_down: float | None, ph_up: float | None
) -> None:
    found = unionised(
        Reading(7, NOW_MS, "ammonia", total, True, down and total - down, up and total + up),
        Reading(8, NOW_MS, "ph", ph, True, ph_down and ph - ph_down, ph_up and ph + ph_up),
        WARM,
        NOW_MS,
    )
    assert found.low <= found.value <= found.counted
    assert (found.high is None) is (up is None)
    assert found.high is None or found.counted <= found.high


def test_what_a_pen_and_a_thermometer_leave_open_is_carried_through() -> None:
    ph = Reading(8, NOW_MS, "ph", 8.0, resolution=0.2)
    warm = Reading(9, NOW_MS, "temperature", 24.0, resolution=1.0)
    found = unionised(Reading(7, NOW_MS, "ammonia", 1.0, resolution=0.1), ph, warm, NOW_MS)
    assert found.low == pytest.approx(0.95 * fraction(7.9, 23.5))
    assert found.high == pytest.approx(1.05 * fraction(8.1, 24.5))
    assert found.value == found.counted == fraction(8.0)


def test_of_a_total_below_detection_the_un_ionised_lies_between_nothing_and_its_limit() -> None:
    found = unionised(Reading(7, NOW_MS, "ammonia", 0.05, detected=False), PH, WARM, NOW_MS)
    assert (found.low, found.detected) == (0.0, False)
    assert found.high == found.counted == pytest.approx(0.05 * fraction(8.0))
