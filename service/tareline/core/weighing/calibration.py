"""Calibrations of a load cell with check masses: the slope, its drift, and when to calibrate again.

A calibration is a polynomial fitted by least squares to the indications under known masses. Its standard deviation has
few degrees of freedom, so that intervals use Student's t with the effective number of them (GUM, JCGM 100:2008, G.4.1,
Welch-Satterthwaite).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from tareline.core.units import DAY_MS
from tareline.core.weighing.linear_gaussian import Floats

REPEAT_DAYS = 180  # twice a year (common practice, no source)
TOLERANCE = 0.005  # of the slope: half a percent of everything that is fed (judgement)


@dataclass(frozen=True, slots=True)
class Calibration:
    """The check masses of a calibration and the indication of the cell under each, in grams."""

    entry: int
    at_ms: int
    masses_g: tuple[float, ...]
    shown_g: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class CalibrationFit:
    """A polynomial y = c0 + c1 x + ...: coefficients, their standard deviations, residuals, their standard deviation
    and its degrees of freedom."""

    coefficients: Floats
    sds: Floats
    residuals: Floats
    residual_sd: float
    df: int


def fit(x: Sequence[float], y: Sequence[float], degree: int = 1) -> CalibrationFit:
    """Fit a polynomial by least squares. Raises ValueError where there are not more points than coefficients."""
    df = len(x) - degree - 1
    if df < 1 or len(set(x)) <= degree:
        raise ValueError(f"expected more than {degree + 1} points, {degree + 1} of them apart; found {len(x)}")
    values = np.asarray(y, float)
    scale = max(abs(one) for one in x) or 1.0  # so that powers of large masses lose no digits
    powers = np.vander(np.asarray(x, float) / scale, degree + 1, increasing=True)
    basis, upper = np.linalg.qr(powers)
    units = scale ** -np.arange(degree + 1.0)
    coefficients = np.linalg.solve(upper, basis.T @ values)
    residuals = values - powers @ coefficients
    residual_sd = math.sqrt(float(residuals @ residuals) / df)
    sds = residual_sd * np.linalg.norm(np.linalg.inv(upper), axis=1)
    return CalibrationFit(coefficients * units, sds * units, residuals, residual_sd, df)


def effective_df(parts: Sequence[tuple[float, float]]) -> float:
    """Effective degrees of freedom of a sum of independent parts, each (standard deviation, degrees of freedom)."""
    total = sum(sd**2 for sd, _ in parts)
    return total**2 / sum(sd**4 / df for sd, df in parts)


def expanded(parts: Sequence[tuple[float, float]], level: float = 0.95) -> float:
    """Half-width of the interval that contains the value with a probability of `level`; degrees of freedom are rounded
    down to a whole number."""
    t = float(stdtrit(math.floor(effective_df(parts)), (1 + level) / 2))
    return t * math.sqrt(sum(sd**2 for sd, _ in parts))


@dataclass(frozen=True, slots=True)
class CalibrationRecord:
    """The newest calibration of a cell, and the drift since the one before.

    slope, slope_u: indicated grams per gram, with the half-width of the 95 % interval. drift: change of the slope since
    the previous calibration, None without one. sure: whether the drift is larger than its 95 % interval. repeat_by_ms:
    when the next calibration is due: at once where the drift is sure and more than half a percent.
    """

    last: Calibration
    residuals_g: tuple[float, ...]
    slope: float
    slope_u: float
    drift: float | None
    sure: bool
    repeat_by_ms: int


def record(calibrations: Sequence[Calibration]) -> CalibrationRecord:
    """The record of one cell. Each calibration needs at least three check masses. Raises ValueError without any."""
    if not calibrations:
        raise ValueError("expected at least one calibration; found none")
    ordered = sorted(calibrations, key=lambda one: (one.at_ms, one.entry))
    fits = [fit(one.masses_g, one.shown_g) for one in ordered[-2:]]
    last = fits[-1]
    slope = float(last.coefficients[1])
    drift, sure = None, False
    if len(fits) == 2:
        drift = slope - float(fits[0].coefficients[1])
        sure = abs(drift) > expanded([(float(one.sds[1]), one.df) for one in fits])
    due_ms = ordered[-1].at_ms + REPEAT_DAYS * DAY_MS
    if sure and drift is not None and abs(drift) > TOLERANCE:
        due_ms = ordered[-1].at_ms
    residuals = tuple(float(residual) for residual in last.residuals)
    slope_u = expanded([(float(last.sds[1]), last.df)])
    return CalibrationRecord(ordered[-1], residuals, slope, slope_u, drift, sure, due_ms)
