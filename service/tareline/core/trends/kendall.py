"""Monotonic trend of observations of which some are intervals: the Mann-Kendall test and the slope that goes with it.

Two observations differ where neither's value lies inside of the other's interval; otherwise they are tied. For plain
numbers this is the usual comparison; a value below a detection limit, [0, limit], is tied with everything that may lie
under the limit (as in Kendall's tau for non-detects; Helsel, Statistics for Censored Environmental Data, ch. 10), and
neighbouring steps of one chart differ.

The variance of S is that over all permutations (Daniels 1944; Kendall, Rank Correlation Methods, ch. 5), which for
plain ties is the usual correction. Neighbouring observations of water resemble each other, so the variance is inflated
as that of a slope is when correlation falls exponentially with time (`inflation`; the idea of Hamed & Rao 1998, here
for uneven spacing).

Budget: a test at standard score z is passed by chance in 1 - Phi(z) of stationary series whose correlation time is the
one given; correlation that is longer than given passes more often.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

Z80 = 1.2815515655446004  # 80 % of a normal distribution lies within so many deviations


@dataclass(frozen=True, slots=True)
class Kendall:
    """s: pairs that rise less pairs that fall. variance: of s without a trend. z: standard score, with the usual
    correction for continuity."""

    s: int
    variance: float

    @property
    def z(self) -> float:
        return (self.s - np.sign(self.s)) / math.sqrt(self.variance) if self.variance > 0 else 0.0

    @property
    def p(self) -> float:
        """Two-sided."""
        return math.erfc(abs(self.z) / math.sqrt(2))


@dataclass(frozen=True, slots=True)
class Slope:
    """Change of the value in one unit of time, and its 80 % interval; infinite where nothing bounds it."""

    mid: float
    low: float
    high: float


def scores(low: Floats, high: Floats, value: Floats) -> Floats:
    """(n, n): +1 where the observation of the column lies above that of the row, -1 below, 0 where they are tied."""
    column, row = value[None, :], value[:, None]
    above = (column > row) & (low[None, :] >= row) & (high[:, None] <= column)
    return above.astype(float) - above.T


def mann_kendall(at: Floats, low: Floats, high: Floats, value: Floats, inflated: float = 1.0) -> Kendall:
    """The test on n observations at times `at` (n,), each within [low, high]; `inflated`: factor on the variance."""
    n = len(at)
    pairs = scores(low, high, value)
    times = np.sign(at[None, :] - at[:, None])
    s = round(float((pairs * times).sum()) / 2)
    if n < 3:
        return Kendall(s, float(n - 1))
    rows = [float((m.sum(axis=1) ** 2).sum()) for m in (pairs, times)]
    squares = [float((m**2).sum()) for m in (pairs, times)]
    both = (rows[0] - squares[0]) * (rows[1] - squares[1]) / (n * (n - 1) * (n - 2))
    return Kendall(s, inflated * (both + squares[0] * squares[1] / (2 * n * (n - 1))))


def slope(at: Floats, low: Floats, high: Floats, value: Floats, variance: float) -> Slope:
    """The slope at which what is left has no trend (Sen 1968), and the 80 % interval of slopes that leave no more than
    chance would; variance: of S, as `mann_kendall` has it (Gilbert 1987, ch. 16.5). Times must not all be the same.

    A pair of observations bounds the slope from below and from above; S of what is left falls by one as the slope
    passes each bound, so estimate and interval are order statistics of the bounds. A pair that differs is taken to
    lie within half of what its intervals allow: who picks a step of a chart picks the nearest.
    """
    first, second = np.nonzero(at[None, :] > at[:, None])
    apart, change = at[second] - at[first], value[second] - value[first]
    least = np.minimum(low[second] - value[first], value[second] - high[first])
    most = np.maximum(high[second] - value[first], value[second] - low[first])
    differ = (least >= 0) & (change > 0) | (most <= 0) & (change < 0)
    least, most = np.where(differ, (least + change) / 2, least), np.where(differ, (most + change) / 2, most)
    ends = np.sort(np.concatenate([least / apart, most / apart]))
    pairs, reach = len(first), Z80 * math.sqrt(variance)
    from_, to = math.floor(pairs - reach) - 1, math.ceil(pairs + reach)
    left, right = float(ends[pairs - 1]), float(ends[pairs])
    return Slope(
        (left + right) / 2 if math.isfinite(right - left) else min(max(0.0, left), right),
        float(ends[from_]) if from_ >= 0 else -math.inf,
        float(ends[to]) if to < 2 * pairs else math.inf,
    )


def inflation(at: Floats, correlation_time: float) -> float:
    """Factor by which exponential correlation inflates the variance of a straight line's slope over times `at`."""
    centred = at - at.mean()
    squares = float(centred @ centred)
    if squares == 0 or correlation_time <= 0:
        return 1.0
    alike = np.exp(-np.abs(at[:, None] - at[None, :]) / correlation_time)
    return float(centred @ alike @ centred) / squares


def correlation_time(at: Floats, residue: Floats, prior_time: float, prior_weight: float) -> float:
    """Time over which the correlation of residues at ascending times falls to 1/e.

    From products of neighbours, with `prior_weight` imagined ones that have the prior's correlation: a dozen
    observations say little of their own correlation, and say too little of it (Kendall 1954).
    """
    step = float(np.median(np.diff(at)))
    prior = math.exp(-step / prior_time)
    variance = float(np.mean(residue**2))
    if variance == 0:
        return prior_time
    n = len(residue)
    alike = float(residue[1:] @ residue[:-1]) / variance + (
        1 + 3 * prior
    )  # unbiased for a mean and about so for a line
    alike = (alike + prior_weight * prior) / (n - 1 + prior_weight)
    return -step / math.log(min(0.97, max(0.02, alike)))
