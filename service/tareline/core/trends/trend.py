"""Is the water getting worse, and when would it reach a line? Answers for readings by hand and for daily probe means.

An alarm needs three things: that chance would not rise like this (below), that the 80 % interval of the slope lies
above zero, and that the projection reaches a line within 90 days; what rises since a few weeks is projected only half
as far again as it has been seen to rise (`AHEAD`), for water that wanders turns back, and a probe whose level is new no
further than that (`AHEAD_NEW`). What must not fall (pH, carbonate hardness) is turned over first, so that everything
here speaks of rising.

Budget for false alarms: 0.25 a tank-year for each analyte and 1 a tank-year in all, on water whose level wanders with
a correlation of days to weeks. It is spent thus:
- readings, slow: Mann-Kendall over three windows (`WINDOWS`), each at its own standard score; neighbours in time
  resemble each other, which the variance allows for.
- readings and probes, fast: a CUSUM of what is recent against the months before, made independent one by one; it
  would signal by chance once in `run_length` observations, and most of what it signals never comes near a line.
- probes, slow: an EWMA of the same, with the same run length, and the slope over the whole stretch.
tests/sim/test_trends.py measures them on simulated households. The direction alone has no such budget: of levels
that only wander, up to one in five is called rising and as many falling. The budget is that of tanks at all distances
from their lines: a probe's water that wanders about three quarters of its line alarms about once in two years.

"Levelling off" is told only of water whose approach to a plateau beats a straight line by 6 in BIC.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tareline.core.trends import censored, control_charts, kendall
from tareline.core.trends.levelling import Levelling, levelling
from tareline.core.units import DAY_MS
from tareline.core.water.freshness import PROBE_TREND_FRESH_DAYS, TREND_FRESH_DAYS

Floats = NDArray[np.floating[Any]]
Direction = Literal["rising", "falling", "level", "levelling off", "unknown"]

HORIZON_D = 90.0

AHEAD = 1.5  # a rise that shows since two weeks speaks for three to come, not for three months
AHEAD_NEW = 1.0  # of a level that is new to a probe: no months before it tell how far this water wanders

WINDOWS = ((30.0, 4, 1.8), (91.0, 7, 2.15), (182.0, 12, 2.4))  # days, fewest readings, standard score


@dataclass(frozen=True, slots=True)
class _Watch:
    """How a kind of series is charted: the days that are recent, the days before them that they are held against, the
    fewest of these that are seen, the correlation taken for granted (worth so many observations), and after how many
    observations a chart may signal by chance. fast_score: the standard score of a slope that the CUSUM begins."""

    recent_d: float
    baseline_d: float
    fewest: int
    correlation_d: float
    weight: float
    run_length: float
    fast_score: float


KITS = _Watch(35.0, 147.0, 6, 10.0, 12.0, 700.0, 2.5)
PROBES = _Watch(28.0, 60.0, 4, 4.0, 14.0, 1500.0, 3.0)
ALLOWANCE, WEIGHT = 0.5, 0.05  # of the CUSUM, of the EWMA
SLOW_SCORE = 2.0  # standard score of the slope besides, where the EWMA signals

LEVELLING_D, LEVELLING_BIC = 365.0, 6.0
RISES = 0.4  # correlation with time from which on a curve is looked for at all
NARROW = 0.1  # of the range of values: intervals wider than this say nothing of a curve


@dataclass(frozen=True, slots=True)
class Observation:
    """One observation: what the water held lies within [low, high]; high is None where it is open."""

    at_ms: int
    low: float
    high: float | None
    value: float


@dataclass(frozen=True, slots=True)
class Daily:
    """Mean of one day's n samples of a probe."""

    day_ms: int
    mean: float
    n: int


@dataclass(frozen=True, slots=True)
class Reach:
    """The next line on the way, and when the projection reaches it; latest_ms is None where it may never."""

    limit: float
    at_ms: int
    earliest_ms: int
    latest_ms: int | None


@dataclass(frozen=True, slots=True)
class Plateau:
    """Where the water levels off, 80 % interval; when 5 % of it is left to go. None: the data put no end to it."""

    low: float | None
    mid: float
    high: float | None
    reached_from_ms: int
    reached_to_ms: int | None


@dataclass(frozen=True, slots=True)
class Trend:
    """Where the water is going. Slopes in the analyte's unit per day, with their 80 % interval; None where nothing
    bounds it.

    alarm: worth telling a person, within the budget for false alarms. since_ms: the first observation it rests on.
    how_sure: in a sentence.
    """

    direction: Direction
    slope_per_day: float | None
    slope_low: float | None
    slope_high: float | None
    since_ms: int | None
    n: int
    reaches: Reach | None
    alarm: bool
    plateau: Plateau | None
    how_sure: str


def of_readings(seen: Sequence[Observation], now_ms: int, limits: Sequence[float], rising_is_bad: bool) -> Trend:
    """The trend of readings by hand, in any order. limits: lines on the bad side, in the unit of the readings."""
    daily = {one.at_ms // DAY_MS: one for one in sorted(seen, key=lambda one: one.at_ms)}
    series = _series(list(daily.values()), rising_is_bad)  # more than the last of a day would say the same again
    if series is None or now_ms - series.newest_ms > TREND_FRESH_DAYS * DAY_MS:
        return _unknown(len(seen), f"No reading in the last {TREND_FRESH_DAYS:.0f} days.")
    looks = [
        (_look(part, KITS), score)
        for window, fewest, score in WINDOWS
        if len((part := series.since(-window)).at) >= fewest and part.at[-1] - part.at[0] >= window / 3
    ]
    if not looks:
        return _unknown(
            len(seen), f"Too few readings to tell: it takes {WINDOWS[0][1]} within {WINDOWS[0][0]:.0f} days."
        )
    lines = _lines(limits, rising_is_bad)
    signs = [look for look, score in looks if look.z >= score]
    charts = _charts(series, KITS)
    if charts is not None and charts.fast is not None:
        signs.append(charts.fast)
    usual = looks[min(1, len(looks) - 1)][0]
    return _answer(signs, usual, series.since(-LEVELLING_D), lines, AHEAD, now_ms, rising_is_bad)


def of_probe(
    daily: Sequence[Daily], shifts_ms: Sequence[int], now_ms: int, limits: Sequence[float], rising_is_bad: bool
) -> Trend:
    """The trend of a probe's daily means, in ascending order. limits: as for readings. shifts_ms: when a change was
    declared (another ration, another place of the probe); what went before the last one is no measure for what came
    after it. Until there is as much of the new level as the charts look back on, a rise is projected no further than it
    has been seen (`AHEAD_NEW`).

    Days with less than half of the usual samples are left out: their mean would lean to one side of the day.
    """
    usual = float(np.median([day.n for day in daily])) if daily else 0.0
    begins = max((ms for ms in shifts_ms if ms <= now_ms), default=-math.inf)
    days = [Observation(d.day_ms, d.mean, d.mean, d.mean) for d in daily if d.n >= usual / 2 and d.day_ms >= begins]
    series = _series(days, rising_is_bad)
    if series is None or now_ms - series.newest_ms > PROBE_TREND_FRESH_DAYS * DAY_MS:
        return _unknown(len(days), f"No day of the probe in the last {PROBE_TREND_FRESH_DAYS:.0f}.")
    year, series = series.since(-LEVELLING_D), series.since(-(PROBES.recent_d + PROBES.baseline_d))
    charts = _charts(series, PROBES)
    if charts is None:
        return _unknown(len(days), f"Too few days to tell: it takes {2 * PROBES.fewest} since the last change.")
    whole, lines = _look(series, PROBES), _lines(limits, rising_is_bad)
    signs = [
        look for look in (charts.fast, whole if charts.slow and whole.z >= SLOW_SCORE else None) if look is not None
    ]
    new = -float(year.at[0]) < PROBES.recent_d + PROBES.baseline_d
    return _answer(signs, whole, year, lines, AHEAD_NEW if new else AHEAD, now_ms, rising_is_bad)


@dataclass(frozen=True)
class _Series:
    """Observations in ascending order, in days before the newest, turned over where falling is bad."""

    newest_ms: int
    at: Floats
    low: Floats
    high: Floats
    value: Floats

    def since(self, day: float) -> "_Series":
        part = self.at >= day
        return replace(self, at=self.at[part], low=self.low[part], high=self.high[part], value=self.value[part])


def _series(seen: Sequence[Observation], rising_is_bad: bool) -> _Series | None:
    """None without any."""
    if not seen:
        return None
    newest = seen[-1].at_ms
    at = np.array([(one.at_ms - newest) / DAY_MS for one in seen])
    low = np.array([one.low for one in seen])
    high = np.array([math.inf if one.high is None else one.high for one in seen])
    value = np.array([one.value for one in seen])
    if not rising_is_bad:
        low, high, value = -high, -low, -value
    return _Series(newest, at, low, high, value)


@dataclass(frozen=True)
class _Look:
    """A stretch of a series: the standard score of its rise, its slope, and the level in its middle (day, level,
    deviation)."""

    series: _Series
    z: float
    slope: kendall.Slope
    middle: float
    level: float
    level_sd: float

    def at(self, day: float) -> float:
        return self.level + self.slope.mid * (day - self.middle)


def _look(part: _Series, watch: _Watch) -> _Look:
    """By the Mann-Kendall test."""
    seen = (part.at, part.low, part.high, part.value)
    at = part.at
    residue = part.value - kendall.slope(*seen, 0.0).mid * at
    correlation_d = kendall.correlation_time(at, residue - residue.mean(), watch.correlation_d, watch.weight)
    inflated = kendall.inflation(at, correlation_d)
    test = kendall.mann_kendall(*seen, inflated)
    slope = kendall.slope(*seen, test.variance)
    middle = float(at.mean())
    moved = slope.mid * (at - middle)
    level, level_sd = _level(part.low - moved, part.high - moved)
    return _Look(part, test.z, slope, middle, level, level_sd * math.sqrt(inflated))


def _level(low: Floats, high: Floats) -> tuple[float, float]:
    """The level that intervals share, or scatter about, and its deviation."""
    most, least = float(low.max()), float(high.min())
    if most <= least:
        if math.isfinite(least - most):
            return (most + least) / 2, (least - most) / math.sqrt(12)
        return (most if math.isfinite(most) else least), 0.0
    try:
        found = censored.fit(low, high, np.ones((len(low), 1)))
    except ValueError:
        return most, 0.0
    return float(found.coefficients[0]), math.sqrt(float(found.covariance[0, 0]))


def _lines(limits: Sequence[float], rising_is_bad: bool) -> list[float]:
    return sorted(limits if rising_is_bad else [-limit for limit in limits])


def _ahead(look: _Look, lines: Sequence[float]) -> float | None:
    """The next line: the first that either the fitted level or the newest observation has not reached."""
    here = min(look.at(0.0), float(look.series.value[-1]))
    return next((line for line in lines if line > here), None)


def _reach(look: _Look, lines: Sequence[float], now_ms: int) -> Reach | None:
    """When the straight projection reaches the next line above where the water is now; None if it doesn't rise."""
    line = _ahead(look, lines)
    if line is None or look.slope.mid <= 0:
        return None

    def when(level: float, slope: float) -> int | None:
        if slope <= 0:
            return None
        days = look.middle + max(0.0, line - level) / slope
        return max(now_ms, look.series.newest_ms + round(min(days, 36500.0) * DAY_MS))

    sd = kendall.Z80 * look.level_sd
    mid = when(look.level, look.slope.mid)
    assert mid is not None
    earliest = when(look.level + sd, min(look.slope.high, 1e9))
    return Reach(line, mid, now_ms if earliest is None else min(earliest, mid), when(look.level - sd, look.slope.low))


def _telling(signs: Sequence[_Look], lines: Sequence[float], ahead: float, now_ms: int) -> _Look | None:
    """Of what looks like a rise, what is worth telling: the one that reaches a line first.

    ahead: how far each is projected, in lengths of the stretch in which it shows.
    """
    found = []
    for look in signs:
        reach = _reach(look, lines, now_ms)
        horizon_d = min(HORIZON_D, ahead * float(look.series.at[-1] - look.series.at[0]))
        if reach is not None and look.slope.low > 0 and reach.at_ms - now_ms <= horizon_d * DAY_MS:
            found.append((reach.at_ms, look))
    return min(found, key=lambda one: one[0])[1] if found else None


@dataclass(frozen=True)
class _Charts:
    """fast: the stretch since which a rise shows, where the CUSUM signals one. slow: whether the EWMA does."""

    fast: _Look | None
    slow: bool


def _charts(series: _Series, watch: _Watch) -> _Charts | None:
    """Recent observations held against those before, made independent of each other; None with too few of either."""
    at, value = series.at, series.value
    begin = max(-watch.recent_d, float(at[0]) / 2)
    early, late = (at < begin) & (at >= begin - watch.baseline_d), at >= begin
    if early.sum() < watch.fewest or late.sum() < 2:
        return None
    line = np.polynomial.Polynomial.fit(at[early], value[early], 1)
    residue = value[early] - line(at[early])
    width = (series.high - series.low)[early]
    rounding = float(np.mean(np.where(np.isfinite(width), width, 0.0) ** 2)) / 12
    sd = math.sqrt(max(float(residue @ residue) / (len(residue) - 2), rounding)) or 1e-9
    correlation_d = kendall.correlation_time(at[early], residue, watch.correlation_d, watch.weight)
    alike = np.exp(-np.diff(at[late]) / correlation_d)
    off = (value[late] - value[early].mean()) / sd
    score = np.append(off[0], (off[1:] - alike * off[:-1]) / np.sqrt(1 - alike**2))
    means = control_charts.ewma(score, WEIGHT, 0.0)
    mean_sd = float(control_charts.ewma_sd(WEIGHT, np.array([len(score)]))[0])
    slow = bool(means[-1] > control_charts.ewma_limit(WEIGHT, watch.run_length) * mean_sd)
    sums = control_charts.cusum(score, ALLOWANCE)
    if sums[-1] <= control_charts.cusum_limit(ALLOWANCE, watch.run_length):
        return _Charts(None, slow)
    zero = np.nonzero(sums == 0)[0]
    onset = float(at[late][zero[-1]]) if len(zero) else float(at[late][0])
    fast = _known(series.since(onset), sd, correlation_d)
    return _Charts(fast if fast is not None and fast.z >= watch.fast_score else None, slow)


def _known(part: _Series, sd: float, correlation_d: float) -> _Look | None:
    """By least squares, for a deviation and a correlation that are known from before."""
    at, n = part.at, len(part.at)
    if n < 2:
        return None
    weight = np.linalg.inv(sd**2 * np.exp(-np.abs(at[:, None] - at[None, :]) / correlation_d))
    middle = float((weight @ at).sum() / weight.sum())
    design = np.column_stack([np.ones(n), at - middle])
    covariance = np.linalg.inv(design.T @ weight @ design)
    level, slope = covariance @ (design.T @ weight @ part.value)
    half = kendall.Z80 * math.sqrt(float(covariance[1, 1]))
    return _Look(
        part,
        float(slope) / math.sqrt(float(covariance[1, 1])),
        kendall.Slope(float(slope), float(slope) - half, float(slope) + half),
        middle,
        float(level),
        math.sqrt(float(covariance[0, 0])),
    )


def _levelling(series: _Series) -> Levelling | None:
    """The approach to a plateau of a series that rises, where it beats a straight line by enough."""
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


def _answer(
    signs: Sequence[_Look],
    usual: _Look,
    year: _Series,
    lines: Sequence[float],
    ahead: float,
    now_ms: int,
    rising_is_bad: bool,
) -> Trend:
    """What is told: of what is worth an alarm; else of what rises but reaches no line; else of the usual stretch."""
    telling = _telling(signs, lines, ahead, now_ms)
    look = telling or max((sign for sign in signs if sign.slope.low > 0), key=lambda sign: sign.z, default=usual)
    levels, alarm = _levelling(year), telling is not None
    slope, newest = look.slope, look.series.newest_ms
    direction: Direction = "rising" if slope.low > 0 else "falling" if slope.high < 0 else "level"
    reach = _reach(look, lines, now_ms) if direction == "rising" else None
    plateau = None
    if levels is not None:
        from_ms = newest + round(levels.reached_from * DAY_MS)
        to_ms = None if levels.reached_to is None else newest + round(levels.reached_to * DAY_MS)
        plateau = Plateau(levels.plateau_low, levels.plateau, levels.plateau_high, from_ms, to_ms)
        direction = "level" if to_ms is not None and to_ms <= now_ms else "levelling off"
        line = _ahead(look, lines)
        if line is None or (plateau.high is not None and plateau.high < line):
            reach, alarm = None, False  # what levels off below a line never reaches it
    found = Trend(
        direction,
        slope.mid,
        slope.low if math.isfinite(slope.low) else None,
        slope.high if math.isfinite(slope.high) else None,
        newest + round(float(look.series.at[0]) * DAY_MS),
        len(look.series.at),
        reach,
        alarm,
        plateau,
        _how_sure(look),
    )
    return found if rising_is_bad else _turned(found)


def _turned(trend: Trend) -> Trend:
    """The same with the sign of the water's values turned over."""
    names: dict[Direction, Direction] = {"rising": "falling", "falling": "rising"}
    plateau, reach = trend.plateau, trend.reaches
    return replace(
        trend,
        direction=names.get(trend.direction, trend.direction),
        slope_per_day=_minus(trend.slope_per_day),
        slope_low=_minus(trend.slope_high),
        slope_high=_minus(trend.slope_low),
        reaches=None if reach is None else replace(reach, limit=-reach.limit),
        plateau=None
        if plateau is None
        else replace(plateau, low=_minus(plateau.high), mid=-plateau.mid, high=_minus(plateau.low)),
    )


def _minus(value: float | None) -> float | None:
    return None if value is None else -value


def _how_sure(look: _Look) -> str:
    days = look.series.at[-1] - look.series.at[0]
    chance = math.erfc(abs(look.z) / math.sqrt(2)) / 2
    often = "less than 1 in 1000" if chance < 0.001 else f"about 1 in {max(2, round(1 / chance))}"
    return (
        f"From {len(look.series.at)} observations over {days:.0f} days; water that only wanders would show as much in"
        f" {often} such spans."
    )


def _unknown(n: int, why: str) -> Trend:
    return Trend("unknown", None, None, None, None, n, None, False, None, why)
