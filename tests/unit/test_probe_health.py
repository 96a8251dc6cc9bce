"""What ails a probe, in words, and its offset against readings by hand."""

import numpy as np
import pytest
import statsmodels.api as sm

from tareline.core.probes.condition import ProbeIssue, line, offset, probe_issues
from tareline.core.probes.plausibility import METRIC_LIMITS, check_samples, dry_spans, plausible, proven
from tareline.core.units import DAY_MS, HOUR_MS

T0 = 1_780_272_000_000
STEP_MS = 300_000
DAY = 288
RANDOM = np.random.default_rng(3)


def water(days: float, level: float = 25.0, start_ms: int = T0) -> list[tuple[int, float]]:
    """A thermometer in still water: steps of 0.0625 K, noise of about one."""
    return [
        (start_ms + i * STEP_MS, round(float(level + RANDOM.normal(0, 0.05)) * 16) / 16)
        for i in range(round(days * DAY))
    ]


def kinds(found: list[ProbeIssue]) -> list[str]:
    return [issue.kind for issue in found]


def test_a_good_probe_ails_nothing() -> None:
    points = water(10)
    assert probe_issues("temperature", points, [(T0 + DAY_MS, 25.1)], points[-1][0]) == []
    assert probe_issues("temperature", [], [], T0) == []


def test_a_jump_is_told_with_where_from_and_where_to() -> None:
    points = [*water(3), *water(0.1, 21.0, T0 + 3 * DAY_MS)]
    (found,) = probe_issues("temperature", points, [], points[-1][0])
    assert (found.kind, found.since_ms, found.trusted) == ("jumping", T0 + 3 * DAY_MS, False)
    assert "from 2" in found.text
    assert "measure by hand" in found.text
    assert all(at < T0 + 3 * DAY_MS for at, _ in plausible(check_samples("temperature", points)))
    entered = probe_issues("temperature", points, [], points[-1][0], [T0 + 3 * DAY_MS + HOUR_MS])
    assert entered == []  # a water change explains it for half a day


def test_a_reading_by_hand_that_agrees_makes_a_new_level_good() -> None:
    points = [*water(3), *water(1.5, 21.0, T0 + 3 * DAY_MS)]
    pens = [(T0 + 3 * DAY_MS + 5 * HOUR_MS, 21.2)]
    later = [at for at, _ in proven(check_samples("temperature", points, pens)) if at >= T0 + 3 * DAY_MS + 6 * HOUR_MS]
    assert len(later) == 360
    assert probe_issues("temperature", points, pens, points[-1][0]) == []
    assert proven(check_samples("temperature", points, [(pens[0][0], 25.0)]))[-1][0] < T0 + 3 * DAY_MS  # in the air


def test_calm_elsewhere_may_notify_after_a_day_and_never_holds() -> None:
    checked = check_samples("temperature", [*water(3), *water(4, 21.0, T0 + 3 * DAY_MS)])
    assert plausible(checked)[-1][0] == checked[-1].at_ms
    assert proven(checked)[-1][0] < T0 + 3 * DAY_MS


@pytest.mark.parametrize("wrong", [85.0, -127.0, float("nan"), float("inf"), 127.9])
def test_what_no_water_has_is_dropped_and_told_where_nothing_else_comes(wrong: float) -> None:
    """85 and -127: a DS18B20 after power-on and a common sign of no answer (from memory)."""
    points = [*water(2), *((T0 + 2 * DAY_MS + i * STEP_MS, wrong) for i in range(30))]
    found = probe_issues("temperature", points, [], points[-1][0])
    assert kinds(found) == ["silent", "jumping"]
    assert not any(issue.trusted for issue in found)
    assert len(plausible(check_samples("temperature", points))) == 2 * DAY


def test_stuck_for_a_day() -> None:
    start = T0 + 2 * DAY_MS
    still = [(start + i * STEP_MS, 25.0625) for i in range(DAY + 1)]
    (found,) = probe_issues("temperature", [*water(2), *still], [], still[-1][0])
    assert (found.kind, found.trusted) == ("stuck", False)
    assert found.since_ms <= start
    assert "25.0625 degC for 24 h" in found.text
    assert probe_issues("temperature", [*water(2), *still[:-20]], [], still[-20][0]) == []


def test_silent_after_an_hour() -> None:
    points = water(1)
    assert probe_issues("temperature", points, [], points[-1][0] + HOUR_MS) == []
    (found,) = probe_issues("temperature", points, [], points[-1][0] + HOUR_MS + 1)
    assert (found.kind, found.since_ms) == ("silent", points[-1][0])


@pytest.mark.parametrize("tells", [True, False])
def test_a_dry_cell_explains_the_rest(tells: bool) -> None:
    """One board sends what a dry cell conducts, another sends only the temperature meanwhile."""
    celsius = [*water(2), *water(0.2, 21.0, T0 + 2 * DAY_MS)]
    cell = [(at, 0.04 if at < T0 + 2 * DAY_MS else 0.0001) for at, _ in celsius]
    if not tells:
        cell = [point for point in cell if point[1] > 0.001]
    dry = dry_spans(cell, celsius)
    assert dry == [(T0 + 2 * DAY_MS, celsius[-1][0])]
    assert kinds(probe_issues("temperature", celsius, [], celsius[-1][0], dry=dry)) == ["dry"]
    assert plausible(check_samples("temperature", celsius, dry=dry))[-1][0] < T0 + 2 * DAY_MS


def test_calibration_is_due_unless_a_reading_by_hand_agreed() -> None:
    points = [(T0 + h * HOUR_MS, 200.0 + h % 3) for h in range(100 * 24)]
    now_ms = points[-1][0]
    assert kinds(probe_issues("tds", points, [], now_ms)) == ["calibration due"]
    assert probe_issues("tds", points, [], now_ms, calibrated_ms=now_ms - 30 * DAY_MS) == []
    assert probe_issues("tds", points, [(now_ms - 50 * DAY_MS, 203.0)], now_ms) == []


def test_a_probe_that_creeps_away_from_the_pen_is_drifting() -> None:
    points = [(T0 + h * HOUR_MS, 25.0 + h / 24 * 0.04) for h in range(60 * 24)]
    pens = [(T0 + day * DAY_MS, 25.0 + (0.1, -0.1)[day % 2]) for day in range(1, 60, 7)]
    (found,) = probe_issues("temperature", points, pens, points[-1][0])
    assert (found.kind, found.trusted) == ("drifting", False)
    fit = offset("temperature", points, pens)
    assert fit is not None
    assert fit.drift_low is not None
    assert fit.drift_high is not None
    assert fit.drift_low < 1.2 < fit.drift_high
    assert offset("temperature", points, [(T0 - DAY_MS, 25.0)]) is None  # no sample near


def test_the_line_is_ordinary_least_squares_where_nothing_is_known_before() -> None:
    """statsmodels' OLS is the witness."""
    at = np.sort(RANDOM.uniform(0, 100, 12))
    values = 0.5 + 0.02 * at + RANDOM.normal(0, 0.3, 12)
    ours = line(list(at), list(values), 100.0, 0.3, 0.0)
    other = sm.OLS(values, sm.add_constant(at - 100.0)).fit()
    assert (ours.height, ours.slope) == pytest.approx(tuple(other.params), rel=1e-9)
    assert (ours.height_sd, ours.slope_sd) == pytest.approx(tuple(other.bse), rel=1e-9)
    assert ours.freedom == other.df_resid


def test_the_offset_lies_in_its_interval_nineteen_times_in_twenty() -> None:
    """Differences that scatter as is believed beforehand; 1 000 probes with 6 weekly readings."""
    random, held, drifts = np.random.default_rng(4), 0, 0
    for _ in range(1000):
        true, creep = random.normal(0, 0.4), random.normal(0, 0.2)
        pens = [(T0 + 7 * n * DAY_MS, 25.0) for n in range(6)]
        noise = METRIC_LIMITS["temperature"].noise
        points = [
            (at, 25 + true + creep * (n - 5) * 7 / 30 + random.normal(0, noise)) for n, (at, _) in enumerate(pens)
        ]
        fit = offset("temperature", points, pens)
        assert fit is not None
        assert fit.drift_low is not None
        assert fit.drift_high is not None
        held += fit.low <= true <= fit.high
        drifts += fit.drift_low <= creep <= fit.drift_high
    assert held >= 930
    assert drifts >= 930
