"""Households that do not exist: what their water does over a year, and what kits and probes show of it.

Water wanders about its level with a correlation of days to weeks (that is the null: no trend, and no two days alike),
falls with each water change and rises until the next, follows the seasons. Kits are read about weekly, by people who
mistake a step now and then and skip a week; probes sample every five minutes, drop out for hours and for days.
Levels, spreads and correlation times are drawn from ranges that are our judgement of small planted tanks: common
practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tareline.core.trends.slopes import Observation
from tareline.core.trends.trend import DailyMean
from tareline.core.units import DAY_MS, NITRATE_PER_N

Floats = NDArray[np.float64]
START_MS = 1_772_323_200_000  # 2026-03-01T00:00:00Z
BEFORE_D, YEAR_D = 182, 365
SAMPLES = 288  # a day, one every five minutes

NITROGEN_STEPS = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
NITRATE_STEPS = tuple(ion / NITRATE_PER_N for ion in (0.0, 5.0, 10.0, 20.0, 40.0, 80.0, 160.0))
PH_STEPS = (6.0, 6.4, 6.6, 6.8, 7.0, 7.2, 7.6, 8.0)
NITRATE_CEILING = 40.0 / NITRATE_PER_N


@dataclass(frozen=True)
class Water:
    """One analyte of one tank: how it is seen, which lines it has, and its true level on each day, (days,)."""

    analyte: str
    by: str  # "chart", "drops", "pen" or "probe"
    steps: tuple[float, ...]  # of a chart; of drops and pen the one step of their scale
    limits: tuple[float, ...]
    rising_is_bad: bool
    level: float
    true: Floats

    @property
    def worse(self) -> int:
        return 1 if self.rising_is_bad else -1

    @property
    def line(self) -> float:
        """The line that comes first."""
        return min(self.limits) if self.rising_is_bad else max(self.limits)

    def ramped(self, onset: int, days_to_line: float) -> "Water":
        """The same water, rising steadily from a day on, so that its level reaches the first line in so many days."""
        passed = np.maximum(0.0, np.arange(len(self.true)) - onset)
        return replace(self, true=self.true + (self.line - self.level) / days_to_line * passed)

    def stepped(self, day: int, by: float) -> "Water":
        return replace(self, true=self.true + by * (np.arange(len(self.true)) >= day))

    def until(self, day: int) -> "Water":
        return replace(self, true=self.true[:day])


def wander(rng: np.random.Generator, days: int, correlation_d: float) -> Floats:
    """A stationary series, mean 0, deviation 1, whose correlation falls to 1/e in so many days."""
    from scipy.signal import lfilter

    alike = np.exp(-1 / correlation_d)
    noise = rng.normal(size=days) * np.sqrt(1 - alike**2)
    noise[0] = rng.normal()
    found: Floats = lfilter([1.0], [1.0, -alike], noise)
    return found


def tank(rng: np.random.Generator) -> list[Water]:
    """The waters of one tank in which nothing rises for good, over half a year to look back on and a year."""
    days = BEFORE_D + YEAR_D
    day = np.arange(days)

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def multiplied(level: float, spread: tuple[float, float], correlation: tuple[float, float]) -> Floats:
        sd = between(*spread)
        found: Floats = level * np.exp(sd * wander(rng, days, between(*correlation)) - sd**2 / 2)
        return found

    changed = np.cumsum(rng.random(days) < 1 / 7)  # a water change about weekly
    since = day - np.maximum.accumulate(np.where(np.diff(changed, prepend=0) > 0, day, 0))
    saw = 1 + between(0.0, 0.02) * (np.minimum(since, 21) - 6.0)
    ammonia, nitrite = between(0.02, 0.2), between(0.01, 0.15)
    nitrate, tds = between(0.2, 0.7) * NITRATE_CEILING, between(120, 350)
    ph, kh = between(6.8, 7.7), between(3.0, 9.0)
    warm, swing = between(23.0, 26.0), between(0.3, 1.3)
    warmth = warm + swing * np.sin(2 * np.pi * (day / 365.25 + rng.random()))
    true_tds = multiplied(tds, (0.02, 0.07), (5, 25)) * (1 + 0.3 * (saw - 1))
    tds_line = (1.6 * tds,)
    return [
        Water(
            "ammonia", "chart", NITROGEN_STEPS, (0.5, 1.0, 2.0), True, ammonia, multiplied(ammonia, (0.3, 0.7), (5, 20))
        ),
        Water("nitrite", "chart", NITROGEN_STEPS, (0.3,), True, nitrite, multiplied(nitrite, (0.3, 0.7), (5, 20))),
        Water(
            "nitrate",
            "chart",
            NITRATE_STEPS,
            (NITRATE_CEILING,),
            True,
            nitrate,
            multiplied(nitrate, (0.08, 0.25), (7, 30)) * saw,
        ),
        Water("ph", "chart", PH_STEPS, (6.5,), False, ph, ph + between(0.04, 0.15) * wander(rng, days, between(5, 25))),
        Water("kh", "drops", (1.0,), (1.0,), False, kh, multiplied(kh, (0.04, 0.12), (7, 30))),
        Water("tds", "pen", (1.0,), tds_line, True, tds, true_tds),
        Water("tds", "probe", (), tds_line, True, tds, true_tds),
        Water(
            "temperature",
            "probe",
            (),
            (30.0,),
            True,
            warm,
            warmth + between(0.15, 0.5) * wander(rng, days, between(1.5, 6)),
        ),
    ]


def readings(rng: np.random.Generator, water: Water) -> list[Observation]:
    """What somebody reads from a kit or a pen about weekly: one week in ten is skipped."""
    at = np.cumsum(7 + rng.integers(-2, 3, size=len(water.true) // 7 + 8))
    at = at[at < len(water.true)]
    at = at[rng.random(len(at)) > 0.1]
    return [_read(rng, water, float(water.true[day]), int(day)) for day in at]


def _read(rng: np.random.Generator, water: Water, true: float, day: int) -> Observation:
    at_ms = START_MS + day * DAY_MS + int(rng.integers(8, 22)) * 3_600_000
    if water.by == "chart":
        steps = water.steps
        place = float(np.interp(true, steps, np.arange(len(steps)))) + 0.3 * rng.normal()
        i = int(np.clip(round(place), 0, len(steps) - 1))
        low = steps[i - 1] if i else min(0.0, steps[0])
        return Observation(at_ms, low, steps[i + 1] if i + 1 < len(steps) else None, steps[i])
    step = water.steps[0]
    error = 0.4 * step if water.by == "drops" else 0.02 * true
    value = max(0.0, round((true + error * rng.normal()) / step) * step)
    return Observation(at_ms, max(0.0, value - step / 2), value + step / 2, value)


def daily(rng: np.random.Generator, water: Water) -> list[DailyMean]:
    """Daily means of a probe's samples: a daily swing that changes, noise, hours and days without a sample."""
    days = len(water.true)
    clock = np.arange(SAMPLES) / SAMPLES
    relative = 1.0 if water.analyte == "temperature" else water.level / 100
    swing = relative * rng.uniform(0.1, 0.5) * (1 + 0.3 * rng.normal(size=(days, 1)))
    samples = water.true[:, None] + swing * np.sin(2 * np.pi * (clock[None, :] - 0.3))
    samples = samples + relative * 0.1 * rng.normal(size=samples.shape)
    first = rng.integers(0, SAMPLES, size=days)
    length = np.where(rng.random(days) < 0.1, rng.integers(6, SAMPLES, size=days), 0)
    length[rng.random(days) < 0.02] = 2 * SAMPLES
    place = np.arange(SAMPLES)[None, :]
    there = (place < first[:, None]) | (place >= (first + length)[:, None])
    there[length > SAMPLES] = False
    n = there.sum(axis=1)
    means = (samples * there).sum(axis=1) / np.maximum(n, 1)
    return [DailyMean(START_MS + day * DAY_MS, float(means[day]), int(n[day])) for day in range(days) if n[day]]


def two_higher(values: Sequence[float], worse: int) -> list[bool]:
    """The naive rule, at each observation: two in a row worse than the one before."""
    turned = [worse * value for value in values]
    return [i >= 2 and turned[i] > turned[i - 1] > turned[i - 2] for i in range(len(turned))]


def over_line(water: Water, seen: Sequence[Observation]) -> list[bool]:
    """A fixed line, at each observation: a chart counts as midpoint to its upper neighbour, its lowest step never."""
    found = []
    for one in seen:
        counted = one.value
        if water.by == "chart":
            first = one.value == water.steps[0]
            counted = -np.inf if first else one.value if one.high is None else (one.value + one.high) / 2
            counted = one.value if not water.rising_is_bad else counted
        found.append(bool(water.worse * counted >= water.worse * water.line))
    return found
