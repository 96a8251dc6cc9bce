"""The trend of an analyte: whether the water gets worse, and when it would reach a line.

The trend is calculated for readings by hand and for the daily means of a probe. An alarm needs three things: the rise
is unlikely to be chance (see below), the 80 % interval of the slope lies above zero, and the projection reaches a line
within 90 days. A rise is projected only 1.5 times as far as the period in which it was observed (`PROJECTED`), because
a random change often turns back; for a probe whose level is new, only as far as that period (`PROJECTED_NEW`). The
signs of values that must not fall (pH, carbonate hardness) are changed first, so that this module only deals with
rising.

Budget for false alarms: 0.25 a tank-year for each analyte and 1 a tank-year in all, on water whose level varies
randomly with a correlation time of days to weeks. It is used as follows:
- readings, slow: Mann-Kendall tests over three windows (`WINDOWS`), each with its own standard score; the variance
  takes account of the correlation between neighbouring readings.
- readings and probes, fast: a CUSUM chart of the recent observations against the months before, after the correlation
  has been removed; it signals by chance once in `run_length` observations, and most signals are not near a line.
- probes, slow: an EWMA chart of the same, with the same run length, together with the slope over the whole period.
tests/sim/test_trends.py measures the rates on simulated households. The direction alone has no such budget: of levels
that only vary randomly, up to one in five is called rising, and as many falling. The budget is an average over tanks at
all distances from their lines: a probe whose level varies about three quarters of its line gives an alarm about once
in two years.

"Levelling off" is reported only where the approach to a plateau has a BIC that is better than a straight line's by 6.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tareline.core.trends import kendall
from tareline.core.trends.levelling import Levelling, levelling
from tareline.core.trends.recent import KITS, PROBES, charts
from tareline.core.trends.slopes import Observation, Series, SlopeEstimate, estimate_slope, series_of
from tareline.core.units import DAY_MS
from tareline.core.water.freshness import PROBE_TREND_FRESH_DAYS, TREND_FRESH_DAYS

Direction = Literal["rising", "falling", "level", "levelling off", "unknown"]

HORIZON_D = 90.0

PROJECTED = 1.5  # a rise of two weeks is projected for three weeks, not for three months
PROJECTED_NEW = 1.0  # for a new level of a probe: no earlier months show how much this water varies

WINDOWS = ((30.0, 4, 1.8), (91.0, 7, 2.15), (182.0, 12, 2.4))  # days, fewest readings, standard score

SLOW_SCORE = 2.0  # least standard score of the slope where the EWMA chart signals

LEVELLING_D, LEVELLING_BIC = 365.0, 6.0
RISES = 0.4  # least correlation of the values with time for a plateau to be looked for
NARROW = 0.1  # of the range of values: wider intervals do not show the shape of a curve


@dataclass(frozen=True, slots=True)
class DailyMean:
    """The mean of the n samples that a probe sent on one day."""

    day_ms: int
    mean: float
    n: int


@dataclass(frozen=True, slots=True)
class LineReached:
    """The next line, and when the projection reaches it, with its 80 % interval; latest_ms is None where the line may
    never be reached."""

    limit: float
    at_ms: int
    earliest_ms: int
    latest_ms: int | None


@dataclass(frozen=True, slots=True)
class Plateau:
    """The plateau at which the water levels off, with its 80 % interval, and between which instants only 5 % of the
    plateau is still missing. None: the data give no limit on this side."""

    low: float | None
    mid: float
    high: float | None
    reached_from_ms: int
    reached_to_ms: int | None


@dataclass(frozen=True, slots=True)
class Trend:
    """The trend of an analyte. Slopes are in the analyte's unit per day, with their 80 % interval; None where the data
    give no limit.

    alarm: whether a person is told, within the budget for false alarms. since_ms: the first observation used.
    reaches: the line that is reached next, if any. how_sure: the uncertainty as a sentence.
    """

    direction: Direction
    slope_per_day: float | None
    slope_low: float | None
    slope_high: float | None
    since_ms: int | None
    n: int
    reaches: LineReached | None
    alarm: bool
    plateau: Plateau | None
    how_sure: str


def of_readings(seen: Sequence[Observation], now_ms: int, limits: Sequence[float], rising_is_bad: bool) -> Trend:
    """The trend of readings by hand, in any order. limits: the lines on the bad side, in the unit of the readings."""
    daily = {one.at_ms // DAY_MS: one for one in sorted(seen, key=lambda one: one.at_ms)}
    series = series_of(list(daily.values()), rising_is_bad)  # several readings of one day add no independent evidence
    if series is None or now_ms - series.newest_ms > TREND_FRESH_DAYS * DAY_MS:
        return _unknown(len(seen), f"No reading in the last {TREND_FRESH_DAYS:.0f} days.")
    estimates = [
        (estimate_slope(part, KITS.correlation_d, KITS.weight), score)
        for window, fewest, score in WINDOWS
        if len((part := series.since(-window)).at) >= fewest and part.at[-1] - part.at[0] >= window / 3
    ]
    if not estimates:
        return _unknown(
            len(seen), f"Too few readings to tell: it takes {WINDOWS[0][1]} within {WINDOWS[0][0]:.0f} days."
        )
    lines = _lines(limits, rising_is_bad)
    signs = [estimate for estimate, score in estimates if estimate.z >= score]
    recent = charts(series, KITS)
    if recent is not None and recent.fast is not None:
        signs.append(recent.fast)
    usual = estimates[min(1, len(estimates) - 1)][0]
    return _trend_of(signs, usual, series.since(-LEVELLING_D), lines, PROJECTED, now_ms, rising_is_bad)


def of_probe(
    daily: Sequence[DailyMean], shifts_ms: Sequence[int], now_ms: int, limits: Sequence[float], rising_is_bad: bool
) -> Trend:
    """The trend of a probe's daily means, in ascending order.

    limits: as for readings. shifts_ms: when a change was entered (another ration, another place of the probe); days
    before the newest one are not used. Until the new level has lasted as long as the charts look back, a rise is
    projected only as far as it was observed (`PROJECTED_NEW`).

    Days with less than half of the usual samples are left out, because their mean would represent a part of the day.
    """
    usual = float(np.median([day.n for day in daily])) if daily else 0.0
    begins = max((ms for ms in shifts_ms if ms <= now_ms), default=-math.inf)
    days = [Observation(d.day_ms, d.mean, d.mean, d.mean) for d in daily if d.n >= usual / 2 and d.day_ms >= begins]
    series = series_of(days, rising_is_bad)
    if series is None or now_ms - series.newest_ms > PROBE_TREND_FRESH_DAYS * DAY_MS:
        return _unknown(len(days), f"No day of the probe in the last {PROBE_TREND_FRESH_DAYS:.0f}.")
    year, series = series.since(-LEVELLING_D), series.since(-(PROBES.recent_d + PROBES.baseline_d))
    recent = charts(series, PROBES)
    if recent is None:
        return _unknown(len(days), f"Too few days to tell: it takes {2 * PROBES.fewest} since the last change.")
    whole, lines = estimate_slope(series, PROBES.correlation_d, PROBES.weight), _lines(limits, rising_is_bad)
    signs = [
        estimate
        for estimate in (recent.fast, whole if recent.slow and whole.z >= SLOW_SCORE else None)
        if estimate is not None
    ]
    new = -float(year.at[0]) < PROBES.recent_d + PROBES.baseline_d
    return _trend_of(signs, whole, year, lines, PROJECTED_NEW if new else PROJECTED, now_ms, rising_is_bad)


def _lines(limits: Sequence[float], rising_is_bad: bool) -> list[float]:
    return sorted(limits if rising_is_bad else [-limit for limit in limits])


def _next_line(estimate: SlopeEstimate, lines: Sequence[float]) -> float | None:
    """The next line: the first one that the fitted level or the newest observation has not reached yet."""
    here = min(estimate.at(0.0), float(estimate.series.value[-1]))
    return next((line for line in lines if line > here), None)


def _reach(estimate: SlopeEstimate, lines: Sequence[float], now_ms: int) -> LineReached | None:
    """When the straight projection reaches the next line above the present level; None where the level does not
    rise."""
    line = _next_line(estimate, lines)
    if line is None or estimate.slope.mid <= 0:
        return None

    def when(level: float, slope: float) -> int | None:
        if slope <= 0:
            return None
        days = estimate.middle + max(0.0, line - level) / slope
        return max(now_ms, estimate.series.newest_ms + round(min(days, 36500.0) * DAY_MS))

    sd = kendall.Z80 * estimate.level_sd
    mid = when(estimate.level, estimate.slope.mid)
    assert mid is not None
    earliest = when(estimate.level + sd, min(estimate.slope.high, 1e9))
    return LineReached(
        line, mid, now_ms if earliest is None else min(earliest, mid), when(estimate.level - sd, estimate.slope.low)
    )


def _first_to_reach(
    signs: Sequence[SlopeEstimate], lines: Sequence[float], ahead: float, now_ms: int
) -> SlopeEstimate | None:
    """Of all signs of a rise, the one that reaches a line first; None where none does within its projection.

    ahead: how far each rise is projected, as a multiple of the period in which it was observed.
    """
    found = []
    for estimate in signs:
        reach = _reach(estimate, lines, now_ms)
        horizon_d = min(HORIZON_D, ahead * float(estimate.series.at[-1] - estimate.series.at[0]))
        if reach is not None and estimate.slope.low > 0 and reach.at_ms - now_ms <= horizon_d * DAY_MS:
            found.append((reach.at_ms, estimate))
    return min(found, key=lambda one: one[0])[1] if found else None


def _levelling(series: Series) -> Levelling | None:
    """The approach of a rising series to a plateau, where its BIC is enough better than that of a straight line."""
    width = np.median(series.high - series.low)
    if len(series.at) < 10 or np.ptp(series.value) == 0 or width > NARROW * np.ptp(series.value):
        return None
    if np.corrcoef(series.at, series.value)[0, 1] < RISES:
        return None
    ones = np.ones(len(series.at))
    loose = levelling(series.at, series.value, ones, 0.0)
    if loose is None:
        return None
    found = levelling(series.at, series.value, ones, kendall.correlation_time(series.at, loose.residue, 1.0, 1.0))
    if found is None or found.bic_gain < LEVELLING_BIC or not found.rising:
        return None
    return found


def _trend_of(
    signs: Sequence[SlopeEstimate],
    usual: SlopeEstimate,
    year: Series,
    lines: Sequence[float],
    ahead: float,
    now_ms: int,
    rising_is_bad: bool,
) -> Trend:
    """The trend that is reported: of the rise that gives an alarm, else of a rise that reaches no line, else of the
    usual period."""
    first_to_reach = _first_to_reach(signs, lines, ahead, now_ms)
    estimate = first_to_reach or max(
        (sign for sign in signs if sign.slope.low > 0), key=lambda sign: sign.z, default=usual
    )
    levels, alarm = _levelling(year), first_to_reach is not None
    slope, newest = estimate.slope, estimate.series.newest_ms
    direction: Direction = "rising" if slope.low > 0 else "falling" if slope.high < 0 else "level"
    reach = _reach(estimate, lines, now_ms) if direction == "rising" else None
    plateau = None
    if levels is not None:
        from_ms = newest + round(levels.reached_from * DAY_MS)
        to_ms = None if levels.reached_to is None else newest + round(levels.reached_to * DAY_MS)
        plateau = Plateau(levels.plateau_low, levels.plateau, levels.plateau_high, from_ms, to_ms)
        direction = "level" if to_ms is not None and to_ms <= now_ms else "levelling off"
        line = _next_line(estimate, lines)
        if line is None or (plateau.high is not None and plateau.high < line):
            reach, alarm = None, False  # what levels off below a line never reaches it
    found = Trend(
        direction,
        slope.mid,
        slope.low if math.isfinite(slope.low) else None,
        slope.high if math.isfinite(slope.high) else None,
        newest + round(float(estimate.series.at[0]) * DAY_MS),
        len(estimate.series.at),
        reach,
        alarm,
        plateau,
        _how_sure(estimate),
    )
    return found if rising_is_bad else _mirrored(found)


def _mirrored(trend: Trend) -> Trend:
    """The same trend with the signs of all values changed back."""
    names: dict[Direction, Direction] = {"rising": "falling", "falling": "rising"}
    plateau, reach = trend.plateau, trend.reaches
    return replace(
        trend,
        direction=names.get(trend.direction, trend.direction),
        slope_per_day=_negated(trend.slope_per_day),
        slope_low=_negated(trend.slope_high),
        slope_high=_negated(trend.slope_low),
        reaches=None if reach is None else replace(reach, limit=-reach.limit),
        plateau=None
        if plateau is None
        else replace(plateau, low=_negated(plateau.high), mid=-plateau.mid, high=_negated(plateau.low)),
    )


def _negated(value: float | None) -> float | None:
    return None if value is None else -value


def _how_sure(estimate: SlopeEstimate) -> str:
    days = estimate.series.at[-1] - estimate.series.at[0]
    chance = math.erfc(abs(estimate.z) / math.sqrt(2)) / 2
    often = "less than 1 in 1000" if chance < 0.001 else f"about 1 in {max(2, round(1 / chance))}"
    return (
        f"Based on {len(estimate.series.at)} observations over {days:.0f} days; random variation alone would look like"
        f" this in {often} such periods."
    )


def _unknown(n: int, why: str) -> Trend:
    return Trend("unknown", None, None, None, None, n, None, False, None, why)
