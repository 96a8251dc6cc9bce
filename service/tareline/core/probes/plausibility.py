"""Which samples of a probe may be held against a line: those that water could have brought about.

Water is slow. From sample to sample a track follows what the probe says, no faster than the water of a tank changes; a
sample is plausible where it lies near the track. What is not (a probe that fell out of the water, the 85 degC of a
thermometer that lost its power, a loose contact) leaves the track where it was. What follows is plausible once it is
back there, agrees with a reading by hand, or has been calm elsewhere for a day.

Calm proves little, as the air of a room is calm too. So a plausible sample may notify; only a proven one may reduce or
hold feeding: since a reading by hand last agreed, or since a whole day near the level from before, nothing was off. A
thermometer may fall out alone, so a wet cell proves nothing of it. The price: after a sudden change that nobody
entered, lines on samples only notify until a person measures once. The doubt itself is told (`condition.py`).

The figures in LAWS are judgement, wide for water and narrow against faults: 1 W per litre, more than most heaters
have, warms water by 0.86 K an hour (4.19 kJ per kg and K); a hot day brings some degrees; evaporation and plants change
dissolved solids by a few percent a day, dosing by some at once. 85 degC is what a DS18B20 holds after power-on and
-127 what common drivers say where none answers (data sheet and common practice, from memory); both lie outside of any
water's range.
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
    """How a metric behaves in water, and how well a probe tells it.

    Values are compared on the metric's own scale, where relative on the natural logarithm: step, rate, agree and worked
    are then shares. lowest, highest: outside nothing is water. step: how far from the track is near. rate_per_h: how
    fast the track moves. worked: how far a level may jump while somebody changes water. agree: how near a reading by
    hand is to a sample that it confirms. noise: one deviation of a difference of two instruments read at one moment.
    restless: mean step between samples of a few minutes, over RECENT_MS, that air has and water has not.
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
        """The value on the scale of comparison; None where it can't be water's."""
        if not self.lowest <= value <= self.highest:  # nor is what is not a number
            return None
        return math.log(value) if self.relative else value


METRIC_LIMITS: dict[str, MetricLimits] = {
    "temperature": MetricLimits(-2.0, 60.0, 1.0, 1.5, worked=0.0, agree=1.0, noise=0.3, restless=0.1),
    "tds": MetricLimits(1.0, 50_000.0, 0.10, 0.005, worked=1.2, agree=0.15, noise=0.03, relative=True),
    "conductivity": MetricLimits(
        0.001, 10.0, 0.12, 0.03, worked=1.2, agree=0.15, noise=0.03, relative=True
    ),  # S/m, not at 25
}
REACH_MS = 30 * MINUTE_MS  # across a gap the track may have moved by no more than in this time
FORGOTTEN_MS = 7 * 24 * HOUR_MS  # after a longer gap a track begins anew, and a probe is to be confirmed again
WORK_MS = 3 * HOUR_MS  # how far from an entered water change its effect may lie: people enter afterwards
HAND_READING_MS = HOUR_MS  # a reading by hand speaks of samples this near
CALM_MS = 24 * HOUR_MS  # the air of a room seldom stays within a step for a day and a night
BRIEF_MS = 15 * MINUTE_MS
RECENT_MS = 2 * HOUR_MS
MOST_BAD = 0.2  # of the recent samples: with more, the others are not believed either
STUCK_MS = 24 * HOUR_MS  # the same value for so long is no water's; the sea at Key West kept one for 12 h (0.1 degF)
FEWEST = 3
USUAL = 200  # so many of the newest samples say how often a probe sends
DRY_SHARE = 0.25


@dataclass(frozen=True, slots=True)
class CheckedSample:
    """One sample: whether it may notify, whether it may hold feeding too, and whether it was off the track.

    off: off the track, or no water's at all. A sample that is not off may still not be plausible, among many that are.
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
    """Every sample with what is to be thought of it.

    pens: readings by hand, in the metric's unit, as (UNIX ms, value). works_ms: when water was changed or topped up.
    dry: when the probe was out of the water (`dry_spans` of its conductivity).
    """
    return [
        j
        for part in _parts(points)
        for j in _check_part(METRIC_LIMITS[metric], part, hand_readings, maintenance_ms, dry)
    ]


def plausible(checked: Sequence[CheckedSample]) -> list[tuple[int, float]]:
    """The samples that may be held against a line that notifies."""
    return [(j.at_ms, j.value) for j in checked if j.plausible]


def proven(checked: Sequence[CheckedSample]) -> list[tuple[int, float]]:
    """The samples that may be held against a line that reduces or holds."""
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
    """The samples, parted where a pause is so long that nothing is known of the water after it."""
    cuts = [i for i in range(1, len(points)) if points[i][0] - points[i - 1][0] > FORGOTTEN_MS]
    return [points[a:b] for a, b in pairwise([0, *cuts, len(points)]) if a < b]


class _Track:
    """The level that the water is believed to have. It stands still while the probe is off."""

    def __init__(self, limits: MetricLimits, level: float | None, at_ms: int) -> None:
        self._limits, self._level, self._at_ms = limits, level, at_ms
        self._lost = False
        self._before = level  # the level to be near for a day; None where the track is proven
        self._calm_ms: int | None = at_ms  # since when it is
        self._doubted = False  # at the beginning nothing was off yet, so that the level to be near may still move
        self._other: tuple[int, float] | None = None  # since when, and about what, it has been calm elsewhere

    @property
    def proven(self) -> bool:
        return self._before is None

    def confirm(self, at_ms: int, level: float) -> None:
        self._level, self._at_ms, self._lost = level, at_ms, False
        self._before, self._other = None, None

    def doubt(self) -> None:
        """Something was off: what follows is to be proven again."""
        if self._before is None:
            self._before = self._level
        self._doubted, self._calm_ms, self._other = True, None, None

    def takes(self, at_ms: int, level: float, worked: bool) -> bool:
        """Whether a level is near the track, which then follows it."""
        assert self._level is not None  # a level was given, so that the first levels had a middle
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
        """Off the track; taken once it has been calm there for a day."""
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
    """Where a track begins: the middle of the first few values that can be water's."""
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
    """The stretches of at least a day in which a probe said the same again and again: (first, last) of each."""
    found, start = [], 0
    for i in range(1, len(points) + 1):
        if i == len(points) or points[i][1] != points[start][1]:
            if points[i - 1][0] - points[start][0] >= STUCK_MS and i - start >= 2 * FEWEST:
                found.append((points[start][0], points[i - 1][0]))
            start = i
    return found


def dry_spans(conductivity: Points, others: Points = ()) -> list[tuple[int, int]]:
    """When a probe that measures conductivity was out of the water: (first, last) instant of each stretch.

    conductivity: in S/m. others: what the same board sent besides (temperature or voltage): a board that finds its cell
    dry may send the rest alone. Dry is a cell below a quarter of what was usual over the time given; three samples
    make a stretch, or three times the usual pause without one. What lies before the first conductivity is left open.
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
    """The median time between the newest samples (older ones may be hourly means), at least a minute; an hour where
    there is none to tell."""
    pauses = sorted(b[0] - a[0] for a, b in pairwise(points[-USUAL:]))
    return max(MINUTE_MS, pauses[len(pauses) // 2]) if pauses else HOUR_MS


def near(points: Points, at_ms: int) -> Points:
    """The samples that a reading by hand at this instant speaks of."""
    return points[
        bisect_left(points, (at_ms - HAND_READING_MS,)) : bisect_right(points, (at_ms + HAND_READING_MS, math.inf))
    ]
