"""Control charts: sums of what exceeds a level (CUSUM), weighted means (EWMA), and how long each runs before an alarm.

Page 1954; Roberts 1959; Montgomery, Introduction to Statistical Quality Control, ch. 9. Values are standard scores:
independent, mean 0 and deviation 1 while nothing has changed.

Budget: a chart's limit is chosen by its average run length, the mean number of values up to a false alarm
(`cusum_limit`, `ewma_limit`). The run lengths solve their integral equations (Crowder 1987; Vance 1986) by
Gauss-Legendre quadrature.
"""

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

_NODES = 64


def cusum(score: Floats, allowance: float) -> Floats:
    """Upper tabular CUSUM (n,): max(0, previous + score - allowance), from zero. The lower one is that of -score."""
    walk = np.cumsum(score - allowance)
    risen: Floats = walk - np.minimum(np.minimum.accumulate(walk), 0.0)
    return risen


def ewma(value: Floats, weight: float, start: float) -> Floats:
    """Exponentially weighted moving average (n,): weight x value + (1 - weight) x previous, from `start`."""
    found = np.empty(len(value))
    last = start
    for i, one in enumerate(value):
        last += weight * (one - last)
        found[i] = last
    return found


def ewma_sd(weight: float, n: Floats) -> Floats:
    """Deviation of the EWMA's n-th value, from a known start, of scores with deviation 1."""
    sd: Floats = np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * n)))
    return sd


def cusum_run_length(allowance: float, limit: float, shift: float = 0.0) -> float:
    """Average run length of the upper CUSUM that signals above `limit`, from zero, for scores with mean `shift`."""
    from scipy.special import ndtr

    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    y, w = limit * (nodes + 1) / 2, limit * weights / 2
    y0 = np.concatenate([[0.0], y])
    # Unknowns: run length from zero, and from each node.
    move = _density(y[None, :] - y0[:, None] + allowance - shift) * w[None, :]
    back = ndtr(allowance - shift - y0)[:, None]
    return float(np.linalg.solve(np.eye(_NODES + 1) - np.hstack([back, move]), np.ones(_NODES + 1))[0])


def ewma_run_length(weight: float, limit: float, shift: float = 0.0) -> float:
    """Average run length of the two-sided EWMA that signals beyond `limit` of its final deviations, from zero."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    edge = limit * np.sqrt(weight / (2 - weight))
    y, w = edge * nodes, edge * weights
    start = np.concatenate([[0.0], y])
    move = _density((y[None, :] - (1 - weight) * start[:, None]) / weight - shift) * w[None, :] / weight
    still = np.hstack([np.zeros((_NODES + 1, 1)), move])
    return float(np.linalg.solve(np.eye(_NODES + 1) - still, np.ones(_NODES + 1))[0])


@cache
def cusum_limit(allowance: float, run_length: float) -> float:
    """Limit of an upper CUSUM that signals falsely once in `run_length` values on average."""
    return _limit(lambda limit: cusum_run_length(allowance, limit), run_length, 12.0)


@cache
def ewma_limit(weight: float, run_length: float) -> float:
    """Limit, in the EWMA's final deviations, that is exceeded falsely once in `run_length` values, upwards alone."""
    return _limit(lambda limit: 2 * ewma_run_length(weight, limit), run_length, 5.0)


def _limit(length: Callable[[float], float], run_length: float, highest: float) -> float:
    from scipy.optimize import brentq

    return float(brentq(lambda limit: np.log(length(limit) / run_length), 0.5, highest, xtol=1e-6))


def _density(z: Floats) -> Floats:
    density: Floats = np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    return density
