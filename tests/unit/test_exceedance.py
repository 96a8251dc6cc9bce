"""Spells beyond a line: what counts as one, from when, and until when."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.core.safety.exceedance import ExceedanceRule, exceedances, rule_for
from tareline.core.units import HOUR_MS, MINUTE_MS

RULE = ExceedanceRule(0.3, HOUR_MS, 2 * HOUR_MS)
STEP_MS = 10 * MINUTE_MS


def series(*values: float) -> list[tuple[int, float]]:
    return [(i * STEP_MS, value) for i, value in enumerate(values)]


def test_a_spell_counts_once_it_has_lasted() -> None:
    assert exceedances(series(29, *[31] * 6, 29), 30, True, RULE) == []  # 50 minutes
    (found,) = exceedances(series(29, *[31] * 6, 30.5, 29), 30, True, RULE)
    assert (found.from_ms, found.known_ms, found.to_ms) == (STEP_MS, 7 * STEP_MS, 8 * STEP_MS)
    assert (found.extreme, found.last) == (31, 30.5)


def test_a_spell_that_has_not_ended_has_no_end() -> None:
    (found,) = exceedances(series(*[31] * 9), 30, True, RULE)
    assert (found.from_ms, found.to_ms) == (0, None)


def test_noise_about_the_limit_is_one_spell() -> None:
    (found,) = exceedances(series(*[29.9, 30.1, 30.0] * 12), 30, True, RULE)
    assert found.to_ms is None
    assert len(exceedances(series(*[31] * 8, 29.6, *[31] * 8), 30, True, RULE)) == 2  # clear of it in between


def test_time_within_the_hysteresis_does_not_count() -> None:
    """One touch of the limit, and hours just under it."""
    assert exceedances(series(30.0, *[29.9] * 40), 30, True, RULE) == []


def test_time_within_the_hysteresis_does_not_count_between_two_touches_either() -> None:
    assert exceedances(series(30.0, *[29.9] * 8, 30.0), 30, True, ExceedanceRule(0.3, STEP_MS, 2 * HOUR_MS)) == []


def test_it_counts_from_the_least_time_exactly() -> None:
    assert exceedances([(0, 31), (HOUR_MS - 1, 31)], 30, True, RULE) == []
    (found,) = exceedances([(0, 31), (HOUR_MS, 31)], 30, True, RULE)
    assert found.known_ms == HOUR_MS


def test_samples_as_far_apart_as_is_allowed_leave_no_gap() -> None:
    (found,) = exceedances([(0, 31), (2 * HOUR_MS, 31)], 30, True, RULE)
    assert found.from_ms == 0
    assert exceedances([(0, 31), (2 * HOUR_MS + 1, 31)], 30, True, RULE) == []


def test_below_is_the_mirror_of_above() -> None:
    values = [29, 31, 31.5, 31, 31, 31, 31, 30.1, 31, 29.2, 31]
    above = exceedances(series(*values), 30, True, RULE)
    below = exceedances(series(*[-v for v in values]), -30, False, RULE)
    assert [(s.from_ms, s.to_ms, s.known_ms, -s.extreme, -s.last) for s in below] == [
        (s.from_ms, s.to_ms, s.known_ms, s.extreme, s.last) for s in above
    ]
    assert above


def test_nothing_is_known_of_a_gap() -> None:
    late = [(at + 40 * HOUR_MS, value) for at, value in series(*[31] * 9)]
    first, second = exceedances([*series(*[31] * 9), *late], 30, True, RULE)
    assert (first.to_ms, second.from_ms) == (8 * STEP_MS, 40 * HOUR_MS)


VALUES = st.lists(st.integers(-20, 20).map(lambda n: 30 + n / 10), max_size=60)


@given(VALUES, st.integers(0, 12), st.integers(0, 5))
def test_spells_hold_what_they_promise(values: list[float], least: int, hysteresis: int) -> None:
    rule = ExceedanceRule(hysteresis / 10, least * STEP_MS, 2 * STEP_MS)
    points = series(*values)
    found = exceedances(points, 30, True, rule)
    before = -1
    for spell in found:
        assert spell.from_ms > before
        before = len(points) * STEP_MS if spell.to_ms is None else spell.to_ms
        inside = [v for at, v in points if spell.from_ms <= at < before]
        assert inside[0] >= 30
        assert min(inside) > 30 - rule.hysteresis - 1e-6
        assert max(inside) == spell.extreme
        assert spell.known_ms - spell.from_ms >= rule.min_ms
    if least == 0:
        outside = [v for at, v in points if not any(s.from_ms <= at < (s.to_ms or at + 1) for s in found)]
        assert all(v < 30 for v in outside)


@given(VALUES, st.integers(0, 12), st.integers(0, 5))
def test_below_mirrors_above_whatever_comes(values: list[float], least: int, hysteresis: int) -> None:
    rule = ExceedanceRule(hysteresis / 10, least * STEP_MS, 2 * STEP_MS)
    above = exceedances(series(*values), 30, True, rule)
    below = exceedances(series(*[-v for v in values]), -30, False, rule)
    assert [(s.from_ms, s.to_ms, s.known_ms, -s.extreme, -s.last) for s in below] == [
        (s.from_ms, s.to_ms, s.known_ms, s.extreme, s.last) for s in above
    ]


def test_the_rules_are_those_that_were_judged_right() -> None:
    """Warmth: an hour, 0.3 degrees, two hours without a sample. Solids: three hours, 3 % of the limit, six hours."""
    assert rule_for("temperature", 30.0) == ExceedanceRule(0.3, 3_600_000, 7_200_000)
    assert rule_for("tds", 500.0) == ExceedanceRule(15.0, 10_800_000, 21_600_000)


def test_each_metric_has_a_rule() -> None:
    assert rule_for("temperature", 30.0).min_ms == HOUR_MS
    assert rule_for("tds", 500.0).hysteresis == 15.0
    with pytest.raises(ValueError, match="metric"):
        rule_for("voltage", 1.0)
