"""Where the water goes: what is told of readings by hand and of a probe's days."""

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from present import present
from tareline.core.trends.slopes import Observation
from tareline.core.trends.trend import DailyMean, Trend, of_probe, of_readings
from tareline.core.units import DAY_MS

NITROGEN = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0)
START_MS = 1_772_366_400_000  # 2026-03-01T12:00:00Z


def on_chart(steps: Sequence[float], place: int, week: float) -> Observation:
    above = steps[place + 1] if place + 1 < len(steps) else None
    return Observation(START_MS + round(7 * week * DAY_MS), steps[max(place - 1, 0)], above, steps[place])


def by_pen(value: float, week: float, resolution: float = 1.0) -> Observation:
    return Observation(START_MS + round(7 * week * DAY_MS), value - resolution / 2, value + resolution / 2, value)


def told(seen: Sequence[Observation], *limits: float, rising_is_bad: bool = True) -> Trend:
    return of_readings(seen, max(one.at_ms for one in seen), limits, rising_is_bad)


def noisy(seed: int, level: Callable[[float], float], weeks: int, sd: float) -> list[Observation]:
    rng = np.random.default_rng(seed)
    return [by_pen(round(level(week) + sd * rng.normal()), week) for week in range(weeks)]


def days(level: Callable[[float], float], count: int, sd: float, seed: int = 1) -> list[DailyMean]:
    rng = np.random.default_rng(seed)
    return [DailyMean(START_MS + day * DAY_MS, level(day) + sd * float(rng.normal()), 288) for day in range(count)]


def after(daily: Sequence[DailyMean], *limits: float, shifts: Sequence[int] = (), rising_is_bad: bool = True) -> Trend:
    return of_probe(daily, shifts, daily[-1].day_ms + DAY_MS, limits, rising_is_bad)


# --- readings


def test_ammonia_that_climbs_step_by_step_alarms_before_it_reaches_the_line() -> None:
    places = [0] * 12 + [1] * 3
    found = told([on_chart(NITROGEN, place, week) for week, place in enumerate(places)], 0.5, 1.0, 2.0)
    assert found.direction == "rising"
    assert found.alarm
    assert found.reaches is not None
    assert found.reaches.limit == 0.5
    assert found.reaches.earliest_ms <= found.reaches.at_ms
    assert found.reaches.at_ms - (START_MS + 98 * DAY_MS) < 90 * DAY_MS


def test_one_step_up_and_down_again_is_no_trend() -> None:
    places = [0, 1, 0, 0, 1, 0, 1, 0, 0, 1, 0, 1, 0, 0, 1, 0]
    found = told([on_chart(NITROGEN, place, week) for week, place in enumerate(places)], 0.5)
    assert (found.direction, found.alarm, found.reaches) == ("level", False, None)


def test_the_same_step_for_months_is_level_and_says_how_far_it_may_have_gone() -> None:
    found = told([on_chart(NITROGEN, 2, week) for week in range(20)], 1.0)
    assert found.direction == "level"
    assert found.slope_low is not None
    assert found.slope_high is not None
    assert found.slope_low <= 0 <= found.slope_high


def test_dissolved_solids_that_rise_towards_no_line_rise_without_an_alarm() -> None:
    seen = noisy(2, lambda week: 200 + 5 * week, 20, 6)
    assert told(seen).direction == "rising"
    assert not told(seen).alarm
    assert not told(seen, 5000).alarm
    near = told(seen, 330)
    assert near.alarm
    assert near.slope_low is not None
    assert near.slope_high is not None
    assert near.slope_low < 5 / 7 < near.slope_high


def test_a_falling_ph_is_the_mirror_of_a_rising_one() -> None:
    rng = np.random.default_rng(3)
    values = [7.4 - 0.03 * week + 0.03 * float(rng.normal()) for week in range(20)]
    ph = [by_pen(value, week, 0.01) for week, value in enumerate(values)]
    turned = [Observation(one.at_ms, -(one.high or 0), -one.low, -one.value) for one in ph]
    falls, rises = told(ph, 6.5, rising_is_bad=False), told(turned, -6.5)
    assert falls.direction == "falling"
    assert falls.alarm
    assert falls.reaches is not None
    assert falls.reaches.limit == 6.5
    assert (falls.slope_low, falls.slope_high) == (-(rises.slope_high or 0), -(rises.slope_low or 0))
    assert told(ph, 8.0).direction == "falling"
    assert not told(ph, 8.0).alarm


def test_a_line_that_is_behind_is_not_reached_again_but_the_next_one_is() -> None:
    seen = noisy(4, lambda week: 200 + 5 * week, 20, 4)
    assert told(seen, 250.0).reaches is None
    found = told(seen, 250.0, 340.0)
    assert found.reaches is not None
    assert found.reaches.limit == 340.0


def test_few_old_or_no_readings_leave_it_unknown() -> None:
    three = [by_pen(200 + 20 * week, week) for week in range(3)]
    assert told(three, 300).direction == "unknown"
    assert "4 within 30 days" in told(three, 300).how_sure
    many = noisy(5, lambda week: 200 + 5 * week, 20, 4)
    old = of_readings(many, many[-1].at_ms + 46 * DAY_MS, [340.0], True)
    assert (old.direction, old.alarm) == ("unknown", False)
    assert of_readings([], START_MS, [1.0], True).direction == "unknown"


def test_neither_order_nor_repetition_on_one_day_changes_the_answer() -> None:
    seen = noisy(6, lambda week: 200 + 4 * week, 20, 5)
    once = told(seen, 330)
    again = [replace(one, at_ms=one.at_ms - 1000 * k) for one in seen for k in range(3)]
    assert told(again[::-1], 330) == replace(once, n=once.n)


def test_readings_open_above_the_highest_step_are_taken() -> None:
    places = [1, 1, 2, 1, 2, 2, 3, 3, 3, 4, 4, 5, 5, 5]
    found = told([on_chart(NITROGEN, place, week) for week, place in enumerate(places)], 30.0)
    assert found.direction == "rising"
    assert found.slope_high is not None


@pytest.mark.parametrize("seen", [[Observation(START_MS + day * DAY_MS, 0.0, 0.05, 0.05) for day in range(0, 140, 7)]])
def test_readings_that_are_all_below_detection_are_level(seen: list[Observation]) -> None:
    assert told(seen, 0.5).direction == "level"


def test_solids_that_level_off_give_a_plateau_and_a_date_as_intervals() -> None:
    """As common practice has it: about twice the tap's after three months."""
    seen = noisy(7, lambda week: 300 - 150 * math.exp(-week / 5), 13, 3)
    found = told(seen, 320.0)
    assert found.direction == "levelling off"
    assert found.plateau is not None
    assert found.plateau.high is not None
    assert present(found.plateau.low) < 300 < found.plateau.high
    assert found.plateau.reached_to_ms is not None
    at_ms = START_MS + 5 * 7 * math.log(150 / 15) * DAY_MS
    assert found.plateau.reached_from_ms < at_ms < found.plateau.reached_to_ms
    assert not found.alarm
    assert found.reaches is None


def test_a_plateau_long_reached_is_level() -> None:
    found = told(noisy(8, lambda week: 300 - 150 * math.exp(-week / 5), 45, 4), 320.0)
    assert found.direction == "level"
    assert found.plateau is not None


@given(
    st.lists(st.tuples(st.integers(0, 5), st.integers(1, 20)), min_size=1, max_size=40),
    st.lists(st.floats(0.1, 5.0), max_size=3),
    st.booleans(),
)
def test_whatever_a_chart_says_the_answer_is_whole(
    steps: list[tuple[int, int]], limits: list[float], rising_is_bad: bool
) -> None:
    at = np.cumsum([days for _, days in steps])
    seen = [on_chart(NITROGEN, place, float(day) / 7) for (place, _), day in zip(steps, at, strict=True)]
    found = told(seen, *limits, rising_is_bad=rising_is_bad)
    if found.direction == "unknown":
        assert not found.alarm
        return
    assert found.slope_per_day is not None
    assert math.isfinite(found.slope_per_day)
    assert found.slope_low is None or found.slope_low <= found.slope_per_day
    assert found.slope_high is None or found.slope_high >= found.slope_per_day
    assert found.direction != "rising" or (found.slope_low or 0) > 0
    assert found.direction != "falling" or (found.slope_high or 0) < 0
    if found.alarm:
        assert found.direction == ("rising" if rising_is_bad else "falling")
        assert found.reaches is not None
        assert found.reaches.limit in limits
        assert found.reaches.at_ms - seen[-1].at_ms <= 90 * DAY_MS


# --- a probe's days


def test_a_probe_that_rises_from_a_day_on_alarms_within_a_third_of_the_way() -> None:
    warm = days(lambda day: 25 + max(0.0, day - 90) * 0.15, 105, 0.15)  # reaches 30 on day 123
    found = after(warm, 30.0)
    assert found.direction == "rising"
    assert found.alarm
    assert found.since_ms is not None
    assert abs(found.since_ms - (START_MS + 90 * DAY_MS)) <= 8 * DAY_MS
    assert not after(warm[:90], 30.0).alarm
    assert found.reaches is not None
    assert abs(found.reaches.at_ms - (START_MS + 123 * DAY_MS)) < 10 * DAY_MS
    assert found.reaches.latest_ms is not None
    assert found.reaches.latest_ms > found.reaches.at_ms


def test_what_went_before_a_declared_shift_is_no_measure() -> None:
    stepped = days(lambda day: 200 if day < 100 else 260, 130, 2.0)
    assert after(stepped, 400.0).direction == "rising"
    shift = START_MS + 100 * DAY_MS
    assert after(stepped, 400.0, shifts=[shift]).direction == "level"
    assert after(stepped[:106], 400.0, shifts=[shift]).direction == "unknown"
    assert after(stepped[:106], 400.0, shifts=[START_MS + 500 * DAY_MS]).direction != "unknown"  # not yet


def test_a_day_of_which_only_the_warm_hours_were_seen_is_left_out() -> None:
    even = days(lambda _: 25.0, 100, 0.1)
    leaning = [*even[:-1], replace(even[-1], mean=29.0, n=40)]
    assert after(leaning, 30.0) == after(even[:-1], 30.0)


def test_a_silent_probe_leaves_it_unknown() -> None:
    some = days(lambda _: 25.0, 60, 0.1)
    assert of_probe(some, [], some[-1].day_ms + 8 * DAY_MS, [30.0], True).direction == "unknown"
    assert of_probe([], [], START_MS, [30.0], True).direction == "unknown"


def test_a_probe_that_shows_one_number_for_ever_is_level() -> None:
    assert after(days(lambda _: 25.0, 100, 0.0), 30.0).direction == "level"
