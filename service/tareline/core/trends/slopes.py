"""The slope of a series of observations, with its interval: by the Mann-Kendall test, or by least squares."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tareline.core.trends import censored, kendall
from tareline.core.units import DAY_MS

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Observation:
    """One observation: the content lies within [low, high]; high is None where there is no upper end."""

    at_ms: int
    low: float
    high: float | None
    value: float


@dataclass(frozen=True)
class Series:
    """Observations in ascending order; `at` in days before the newest one; signs changed where falling is bad."""

    newest_ms: int
    at: Floats
    low: Floats
    high: Floats
    value: Floats

    def since(self, day: float) -> "Series":
        """The part from a day on, which is given as `at` is."""
        part = self.at >= day
        return replace(self, at=self.at[part], low=self.low[part], high=self.high[part], value=self.value[part])


def series_of(seen: Sequence[Observation], rising_is_bad: bool) -> Series | None:
    """The observations as arrays; None where there are none."""
    if not seen:
        return None
    newest = seen[-1].at_ms
    at = np.array([(one.at_ms - newest) / DAY_MS for one in seen])
    low = np.array([one.low for one in seen])
    high = np.array([math.inf if one.high is None else one.high for one in seen])
    value = np.array([one.value for one in seen])
    if not rising_is_bad:
        low, high, value = -high, -low, -value
    return Series(newest, at, low, high, value)


@dataclass(frozen=True)
class SlopeEstimate:
    """The slope of a part of a series: the standard score of its rise, the slope with its interval, and the level in
    the middle (day, level, standard deviation).

    Slopes are in the analyte's unit per day.
    """

    series: Series
    z: float
    slope: kendall.Slope
    middle: float
    level: float
    level_sd: float

    def at(self, day: float) -> float:
        """The fitted level on a day."""
        return self.level + self.slope.mid * (day - self.middle)


def estimate_slope(part: Series, correlation_d: float, weight: float) -> SlopeEstimate:
    """The slope of a part of a series, by the Mann-Kendall test.

    correlation_d: prior of the correlation time in days. weight: the prior's weight in observations.
    """
    seen = (part.at, part.low, part.high, part.value)
    at = part.at
    residue = part.value - kendall.slope(*seen, 0.0).mid * at
    found_d = kendall.correlation_time(at, residue - residue.mean(), correlation_d, weight)
    inflated = kendall.inflation(at, found_d)
    test = kendall.mann_kendall(*seen, inflated)
    slope = kendall.slope(*seen, test.variance)
    middle = float(at.mean())
    moved = slope.mid * (at - middle)
    level, level_sd = _level(part.low - moved, part.high - moved)
    return SlopeEstimate(part, test.z, slope, middle, level, level_sd * math.sqrt(inflated))


def _level(low: Floats, high: Floats) -> tuple[float, float]:
    """The mean level of intervals, and its standard deviation."""
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


def least_squares_slope(part: Series, sd: float, correlation_d: float) -> SlopeEstimate | None:
    """The slope by least squares, for a standard deviation and a correlation time that the baseline gave."""
    at, n = part.at, len(part.at)
    if n < 2:
        return None
    weight = np.linalg.inv(sd**2 * np.exp(-np.abs(at[:, None] - at[None, :]) / correlation_d))
    middle = float((weight @ at).sum() / weight.sum())
    design = np.column_stack([np.ones(n), at - middle])
    covariance = np.linalg.inv(design.T @ weight @ design)
    level, slope = covariance @ (design.T @ weight @ part.value)
    half = kendall.Z80 * math.sqrt(float(covariance[1, 1]))
    return SlopeEstimate(
        part,
        float(slope) / math.sqrt(float(covariance[1, 1])),
        kendall.Slope(float(slope), float(slope) - half, float(slope) + half),
        middle,
        float(level),
        math.sqrt(float(covariance[0, 0])),
    )
