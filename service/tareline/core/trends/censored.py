"""A normal linear model of observations that are known as intervals, by maximum likelihood.

An observation is an interval [low, high]: a number where both agree, open where one is infinite. In the parameters
coefficients/sd and 1/sd the log-likelihood is concave (Olsen 1978; Burridge 1981), so Newton's steps, halved where
they go too far, find the one maximum. A lognormal model is this one on logarithms.

Budget: none of its own; it says where the level is, not whether it changes.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

_LOG_ROOT_2PI = 0.5 * math.log(2 * math.pi)


@dataclass(frozen=True, slots=True)
class CensoredFit:
    """coefficients: (p,) of the design's columns. sd: of an observation about them. covariance: (p + 1, p + 1) of
    both, from the observed information. log_likelihood: natural."""

    coefficients: Floats
    sd: float
    covariance: Floats
    log_likelihood: float


def fit(low: Floats, high: Floats, design: Floats) -> CensoredFit:
    """Fit n intervals (n,) with the columns of a design (n, p).

    Raises ValueError where there is no maximum: where all the intervals share a point, so that no spread is needed, and
    where so little is known that any spread fits.
    """
    with np.errstate(invalid="ignore"):
        exact = np.isfinite(low) & np.isfinite(high) & (high - low <= 1e-12 * np.maximum(1.0, np.abs(high)))
        middle = np.where(np.isinf(low), high, np.where(np.isinf(high), low, (low + high) / 2))
    start = np.linalg.lstsq(design, middle, rcond=None)[0]
    spread = math.sqrt(float(np.mean((middle - design @ start) ** 2)))
    if not math.isfinite(spread) or spread <= 0:
        spread = 1e-3 + float(np.abs(middle).max())
    theta = np.append(start, 1.0) / spread
    value, gradient, hessian = _likelihood(low, high, design, exact, theta)
    for _ in range(100):
        if value > -1e-6 and not exact.any():
            break  # all is certain: nearer and nearer to no spread at all
        try:
            step = np.linalg.solve(-hessian, gradient)
        except np.linalg.LinAlgError:
            break
        gain = float(gradient @ step)
        if theta[-1] < 1e-6 / spread:
            break  # only ends are known, and they order themselves by chance alone: more and more spread fits better
        if gain < 1e-12 * (1 + abs(value)):
            return _fit(theta, hessian, value)
        length = 1.0
        while length > 1e-10:
            tried = theta + length * step
            if tried[-1] > 0:
                found = _likelihood(low, high, design, exact, tried)
                if found[0] > value - 1e-13 * abs(value):
                    break
            length /= 2
        else:
            return _fit(theta, hessian, value)
        theta, (value, gradient, hessian) = tried, found
        if theta[-1] > 1e6 / spread:
            break
    raise ValueError("expected intervals that leave a spread to be found")


def _likelihood(
    low: Floats, high: Floats, design: Floats, exact: NDArray[np.bool_], theta: Floats
) -> tuple[float, Floats, Floats]:
    """Log-likelihood with gradient and Hessian in (coefficients/sd, 1/sd)."""
    from scipy.special import log_ndtr

    scale, centre = theta[-1], design @ theta[:-1]
    a, b = low * scale - centre, high * scale - centre
    # On the side where the tail is small, so that a difference of two of its shares keeps its digits.
    flip = a > 0
    near, far = np.where(flip, -a, b), np.where(flip, -b, a)
    upper, lower = log_ndtr(near), log_ndtr(far)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_p = upper + np.log1p(-np.exp(lower - upper))
    log_p = np.where(exact, math.log(scale) - a**2 / 2 - _LOG_ROOT_2PI, log_p)
    if not np.isfinite(log_p).all():
        return -math.inf, np.zeros_like(theta), np.eye(len(theta))
    at_a, at_b = np.where(np.isinf(a), 0.0, a), np.where(np.isinf(b), 0.0, b)
    u = np.where(exact | np.isinf(a), 0.0, np.exp(np.minimum(-(at_a**2) / 2 - _LOG_ROOT_2PI - log_p, 700.0)))
    v = np.where(exact | np.isinf(b), 0.0, np.exp(np.minimum(-(at_b**2) / 2 - _LOG_ROOT_2PI - log_p, 700.0)))
    along_a = np.column_stack([-design, np.where(np.isinf(low), 0.0, low)])
    along_b = np.column_stack([-design, np.where(np.isinf(high), 0.0, high)])
    gradient = -(u + np.where(exact, at_a, 0.0)) @ along_a + v @ along_b
    aa = np.where(exact, -1.0, at_a * u - u**2)
    cross = (along_a * (u * v)[:, None]).T @ along_b
    hessian = (along_a * aa[:, None]).T @ along_a + (along_b * (-at_b * v - v**2)[:, None]).T @ along_b
    hessian = hessian + cross + cross.T
    count = float(exact.sum())
    gradient[-1] += count / scale
    hessian[-1, -1] -= count / scale**2
    return float(log_p.sum()), gradient, hessian


def _fit(theta: Floats, hessian: Floats, value: float) -> CensoredFit:
    sd = 1 / theta[-1]
    coefficients = theta[:-1] * sd
    p = len(coefficients)
    turn = np.zeros((p + 1, p + 1))  # derivatives of (coefficients, sd)
    turn[:p, :p] = np.eye(p) * sd
    turn[:p, p] = -coefficients * sd
    turn[p, p] = -(sd**2)
    return CensoredFit(coefficients, float(sd), turn @ np.linalg.inv(-hessian) @ turn.T, value)
