"""Which samples of a probe can be compared with a line: those that the water of a tank can really have had.

Water changes slowly. A track follows the samples, no faster than the water of a tank changes; a sample is plausible
where it lies near the track. Other samples (a probe that fell out of the water, the 85 degC of a thermometer that lost
its power, a loose contact) do not move the track. Later samples are plausible again once they are back at the track,
agree with a reading by hand, or have been steady at another level for a day.

Steady values prove little, because the air of a room is steady too. So a plausible sample may only notify; a proven
sample may also reduce or hold feeding. Samples are proven while none was off the track since a reading by hand agreed,
or since a whole day near the earlier level. A thermometer may fall out alone, so a conductivity cell in the water does
not prove its temperature. As a consequence, after a sudden change that nobody entered, lines on samples only notify
until a person measures once. The doubt itself is reported as an issue (`condition.py`).

The figures in METRIC_LIMITS are judgement, wide for water and narrow for faults: 1 W per litre, more than most heaters
have, warms water by 0.86 K an hour (4.19 kJ per kg and K); a hot day adds some degrees; evaporation and plants change
dissolved solids by a few percent a day, and fertiliser by some percent at once. A DS18B20 shows 85 degC after power-on,
and common drivers return -127 where none answers (data sheet and common practice, from memory); both lie outside the
range of any water.
"""

import math
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from tareline.core.units import HOUR_MS, MINUTE_MS

Points = Sequence[tuple[int, float]]  # (UNIX ms, value), ascending in time


@dataclass(frozen=True, slots=True)
class MetricLimits:
    """The limits of how a metric changes in water, and of how accurately a probe measures it.

    Values are compared on the metric's own scale; where `relative` is true, that is the natural logarithm, and step,
    rate, agree and worked are shares. lowest, highest: the range of possible values. step: the largest distance from
    the track. rate_per_h: the fastest change of the track. worked: the largest jump during a water change. agree: the
    largest difference between a sample and a reading by hand that confirms it. noise: standard deviation of the
    difference of two instruments read at the same time. restless: mean change between samples within a few minutes,
    over RECENT_MS, that occurs in air but not in water.
    """

    lowest: float
    highest: float
    step: float
    rate_per_h: float
    worked: float
    agree: float
    noise: float
    relative: bool = False
    restless: float = math.inf

    def scaled(self, value: float) -> float | None:
        """The value on the scale of comparison; None where it is impossible for water."""
        if not self.lowest <= value <= self.highest:  # also True for NaN
            return None
        return math.log(value) if self.relative else value


METRIC_LIMITS: dict[str, MetricLimits] = {
    "temperature": MetricLimits(-2.0, 60.0, 1.0, 1.5, worked=0.0, agree=1.0, noise=0.3, restless=0.1),
    "tds": MetricLimits(1.0, 50_000.0, 0.10, 0.005, worked=1.2, agree=0.15, noise=0.03, relative=True),
    "conductivity": MetricLimits(
        0.001, 10.0, 0.12, 0.03, worked=1.2, agree=0.15, noise=0.03, relative=True
    ),  # S/m, not at 25
}
REACH_MS = 30 * MINUTE_MS  # across a gap the track may move at most as far as in this time
FORGOTTEN_MS = 7 * 24 * HOUR_MS  # after a longer gap a new track begins, and the probe must be confirmed again
WORK_MS = 3 * HOUR_MS  # how far the time of an entered water change may be from its effect
HAND_READING_MS = HOUR_MS  # a reading by hand speaks of samples this near
CALM_MS = 24 * HOUR_MS  # the air of a room rarely stays within a step for a day and a night
BRIEF_MS = 15 * MINUTE_MS
RECENT_MS = 2 * HOUR_MS
MOST_BAD = 0.2  # share of bad samples among the recent ones above which the others are not plausible either
STUCK_MS = 24 * HOUR_MS  # water never keeps one value so long; the sea at Key West kept one for 12 h (0.1 degF)
FEWEST = 3
USUAL = 200  # number of the newest samples from which the usual pause is calculated
DRY_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class CheckedSample:
    """One sample: whether it is plausible (may notify), proven (may also hold feeding), and off the track.

    off: off the track, or impossible for water. A sample that is not off can still be implausible, where many of the
    recent samples are off.
    """

    at_ms: int
    value: float
    plausible: bool
    proven: bool
    off: bool


def check_samples(
    metric: str,
    points: Points,
    hand_readings: Points = (),
    maintenance_ms: Sequence[int] = (),
    dry: Sequence[tuple[int, int]] = (),
) -> list[CheckedSample]:
    """Check every sample.

    hand_readings: readings by hand in the metric's unit, as (UNIX ms, value). maintenance_ms: when water was changed or
    topped up. dry: when the probe was out of the water (`dry_spans` of its conductivity).
    """
    return [
        j
        for part in _parts(points)
        for j in _check_part(METRIC_LIMITS[metric], part, hand_readings, maintenance_ms, dry)
    ]


def plausible(checked: Sequence[CheckedSample]) -> list[tuple[int, float]]:
    """The samples that can be compared with a line that notifies."""
    return [(j.at_ms, j.value) for j in checked if j.plausible]


def proven(checked: Sequence[CheckedSample]) -> list[tuple[int, float]]:
    """The samples that can be compared with a line that reduces or holds feeding."""
    return [(j.at_ms, j.value) for j in checked if j.proven]


def _check_part(
    limits: MetricLimits,
    points: Points,
    hand_readings: Points,
    maintenance_ms: Sequence[int],
    dry: Sequence[tuple[int, int]],
) -> list[CheckedSample]:
    track = _Track(limits, _first_level(limits, points), points[0][0])
    hands, works = (
        _ValuesNear(hand_readings, HAND_READING_MS),
        _ValuesNear([(at, 0.0) for at in maintenance_ms], WORK_MS),
    )
    out, held = _WithinSpans(dry), _WithinSpans([(start + 1, end) for start, end in stuck_spans(points)])
    recent: deque[tuple[int, bool]] = deque()
    bad, steps, before = 0, 0.0, None
    found = []
    for at_ms, value in points:
        level = limits.scaled(value)
        if level is not None and before is not None and 0 < at_ms - before[0] <= BRIEF_MS:
            keep = math.exp(-(at_ms - before[0]) / RECENT_MS)
            steps = keep * steps + (1 - keep) * abs(level - before[1])
            if steps > limits.restless:
                track.doubt()
        before = before if level is None else (at_ms, level)
        near_by_hand = [limits.scaled(pen) for pen in hands.at(at_ms)]
        if level is None or held.at(at_ms) or out.at(at_ms):
            track.doubt()
            off = True
        elif any(pen is not None and abs(level - pen) <= limits.agree for pen in near_by_hand):
            track.confirm(at_ms, level)
            off = False
            bad, recent = 0, deque()
        else:
            off = not track.takes(at_ms, level, bool(works.at(at_ms)))
        recent.append((at_ms, off))
        bad += off
        while recent[0][0] < at_ms - RECENT_MS:
            bad -= recent.popleft()[1]
        good = not off and (bad < FEWEST or bad <= MOST_BAD * len(recent))
        found.append(CheckedSample(at_ms, value, good, good and track.proven, off))
    return found


def _parts(points: Points) -> list[Points]:
    """The samples, divided at pauses so long that the earlier level says nothing about the later one."""
    cuts = [i for i in range(1, len(points)) if points[i][0] - points[i - 1][0] > FORGOTTEN_MS]
    return [points[a:b] for a, b in pairwise([0, *cuts, len(points)]) if a < b]


class _Track:
    """The level that the water is assumed to have. It does not move while samples are off the track."""

    def __init__(self, limits: MetricLimits, level: float | None, at_ms: int) -> None:
        self._limits, self._level, self._at_ms = limits, level, at_ms
        self._lost = False
        self._before = level  # the level at which samples must stay for a day; None where the track is proven
        self._calm_ms: int | None = at_ms  # since when they have stayed there
        self._doubted = False  # whether a sample was ever off; until then that level may still move
        self._other: tuple[int, float] | None = None  # since when samples have been steady at another level, and which

    @property
    def proven(self) -> bool:
        return self._before is None

    def confirm(self, at_ms: int, level: float) -> None:
        self._level, self._at_ms, self._lost = level, at_ms, False
        self._before, self._other = None, None

    def doubt(self) -> None:
        """Note that a sample was off: later samples must be proven again."""
        if self._before is None:
            self._before = self._level
        self._doubted, self._calm_ms, self._other = True, None, None

    def takes(self, at_ms: int, level: float, worked: bool) -> bool:
        """Whether a level is near the track, which then follows it."""
        assert self._level is not None  # there is a possible value, so the track has a first level
        off = level - self._level
        if worked and abs(off) <= self._limits.worked:
            self._level, self._at_ms, self._lost = level, at_ms, False
            self._before = None if self._before is None else level
            return True
        moved = self._limits.rate_per_h * min(at_ms - self._at_ms, REACH_MS) / HOUR_MS
        self._at_ms = at_ms
        if abs(off) > self._limits.step + (0.0 if self._lost else moved):
            return self._elsewhere(at_ms, level)
        self._level += math.copysign(min(moved, abs(off)), off)
        self._lost, self._other = False, None
        self._prove(at_ms, level)
        return True

    def _elsewhere(self, at_ms: int, level: float) -> bool:
        """Handle a level off the track: it becomes the track once samples have been steady there for a day."""
        other = self._other
        self.doubt()
        self._lost = True
        if other is None or abs(level - other[1]) > self._limits.step:
            self._other = (at_ms, level)
            return False
        if at_ms - other[0] < CALM_MS:
            self._other = other
            return False
        self._level, self._lost = level, False
        return True

    def _prove(self, at_ms: int, level: float) -> None:
        if self._before is None:
            return
        if abs(level - self._before) > self._limits.step:
            self._calm_ms = None
            if not self._doubted:
                self._before = level
        elif self._calm_ms is None:
            self._calm_ms = at_ms
        elif at_ms - self._calm_ms >= CALM_MS:
            self._before = None


def _first_level(limits: MetricLimits, points: Points) -> float | None:
    """The first level of a track: the median of the first seven possible values."""
    levels: list[float] = []
    for _, value in points:
        level = limits.scaled(value)
        if level is not None:
            levels.append(level)
        if len(levels) == 7:
            break
    return sorted(levels)[len(levels) // 2] if levels else None


class _ValuesNear:
    """The values whose times lie within some distance of an instant; instants are asked in order."""

    def __init__(self, points: Points, reach_ms: int) -> None:
        self._points, self._reach_ms, self._first = sorted(points), reach_ms, 0

    def at(self, at_ms: int) -> list[float]:
        while self._first < len(self._points) and self._points[self._first][0] < at_ms - self._reach_ms:
            self._first += 1
        found = []
        for point_ms, value in self._points[self._first :]:
            if point_ms > at_ms + self._reach_ms:
                break
            found.append(value)
        return found


class _WithinSpans:
    """Whether an instant lies in one of some spans; instants are asked in order."""

    def __init__(self, spans: Sequence[tuple[int, int]]) -> None:
        self._spans, self._first = sorted(spans), 0

    def at(self, at_ms: int) -> bool:
        while self._first < len(self._spans) and self._spans[self._first][1] < at_ms:
            self._first += 1
        return self._first < len(self._spans) and self._spans[self._first][0] <= at_ms


def stuck_spans(points: Points) -> list[tuple[int, int]]:
    """The stretches of at least a day in which a probe sent the same value every time: (first, last) in UNIX ms."""
    found, start = [], 0
    for i in range(1, len(points) + 1):
        if i == len(points) or points[i][1] != points[start][1]:
            if points[i - 1][0] - points[start][0] >= STUCK_MS and i - start >= 2 * FEWEST:
                found.append((points[start][0], points[i - 1][0]))
            start = i
    return found


def dry_spans(conductivity: Points, others: Points = ()) -> list[tuple[int, int]]:
    """When a probe that measures conductivity was out of the water: (first, last) of each stretch in UNIX ms.

    conductivity: in S/m. others: other samples of the same board (temperature or voltage), because a board that finds
    its cell dry may send only those. A cell is dry below a quarter of its usual value; a stretch needs three samples,
    or three usual pauses without a sample. Nothing is said about the time before the first conductivity.
    """
    if not conductivity:
        return []
    values = sorted(value for _, value in conductivity)
    least = max(DRY_SHARE * values[(3 * len(values)) // 4], METRIC_LIMITS["conductivity"].lowest)
    quiet_ms = FEWEST * usual_pause_ms(conductivity)
    wet = dict(conductivity)
    spans: list[tuple[int, int]] = []
    run: list[int] = []
    low, wet_ms = 0, conductivity[0][0]
    for at_ms in sorted({*wet, *(at_ms for at_ms, _ in others if at_ms > wet_ms)}):
        value = wet.get(at_ms)
        if value is None or value < least:
            run.append(at_ms)
            low += value is not None
            continue
        if run and (low >= FEWEST or run[-1] - wet_ms > quiet_ms):
            spans.append((run[0], at_ms - 1))
        run, low, wet_ms = [], 0, at_ms
    if run and (low >= FEWEST or run[-1] - wet_ms > quiet_ms):
        spans.append((run[0], run[-1]))
    return spans


def usual_pause_ms(points: Points) -> int:
    """The median time between the newest samples in ms (older ones may be hourly means), at least a minute; an hour
    where there are fewer than two samples."""
    pauses = sorted(b[0] - a[0] for a, b in pairwise(points[-USUAL:]))
    return max(MINUTE_MS, pauses[len(pauses) // 2]) if pauses else HOUR_MS


def near(points: Points, at_ms: int) -> Points:
    """The samples near an instant, with which a reading by hand at this instant is compared."""
    return points[
        bisect_left(points, (at_ms - HAND_READING_MS,)) : bisect_right(points, (at_ms + HAND_READING_MS, math.inf))
    ]
