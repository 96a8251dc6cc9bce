"""Does it go on rising, or does it level off? A straight line against a first-order approach to a plateau.

Approach: c(t) = plateau + start exp(-k t), as of a concentration with constant inflow and first-order loss. Given the
rate k both models are linear, so k is found on a grid that closes in; noise may be correlated exponentially in time.

Budget: "levelling off" is said only where the approach beats the line by 6 in BIC ("strong", Kass & Raftery 1995);
of straight lines with noise of the correlation time given, about one in a hundred does so by chance.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

CHI80 = 1.642374  # 80 % point of chi-squared with one degree of freedom
NEAR = 0.05  # the plateau counts as reached where this share of it is left
_GRID = 81


@dataclass(frozen=True, slots=True)
class Levelling:
    """The approach as fitted, and its 80 % intervals by profile likelihood.

    bic_gain: BIC of the straight line less that of the approach. rate: 1 per unit of time. plateau_high: None where
    the data put no upper end to it. reached: unit of time in which `at` was given; when 5 % of the plateau is left.
    """

    bic_gain: float
    rate: float
    plateau: float
    plateau_low: float
    plateau_high: float | None
    reached_from: float
    reached_to: float | None
    squares: float  # of weighted residues, made independent
    rising: bool
    residue: Floats  # (n,) value less approach


def levelling(at: Floats, value: Floats, sd: Floats, correlation_time: float) -> Levelling | None:
    """Both models on n values at ascending times, with relative deviations sd (n,). None with fewer than six values.

    The scale of the deviations is estimated: only their ratios matter.
    """
    n = len(at)
    if n < 6:
        return None
    t0, span = float(at[0]), float(at[-1] - at[0])
    t = at - t0
    whiten = _Whitening(t, sd, correlation_time)
    y, one = whiten(value), whiten(np.ones(n))
    line = np.column_stack([one, whiten(t)])
    line_squares = float(np.sum((y - line @ np.linalg.lstsq(line, y, rcond=None)[0]) ** 2))
    low, high = 0.02 / span, 30.0 / span
    rates = np.geomspace(low, high, _GRID)
    whole = _approaches(rates, t, y, one, whiten)
    best = _best(rates, t, y, one, whiten, whole)
    rate, squares = best[0], max(best[1].squares[0], 1e-300)
    gain = n * math.log(max(line_squares, 1e-300) / squares) - math.log(n)
    scale = squares / (n - 3)
    # The profile of each: what some accepted rate allows, less what that rate itself costs.
    near = np.geomspace(rate / 8, rate * 8, 4 * _GRID)
    fine = _approaches(near[(near >= low) & (near <= high)], t, y, one, whiten)
    room = CHI80 - (fine.squares - squares) / scale
    accepted = room >= 0
    if not accepted.any():  # one rate alone, to the last digit
        fine, room, accepted = best[1], np.array([CHI80]), np.array([True])
    half = np.sqrt(scale * np.maximum(room, 0.0) * fine.plateau_variance)[accepted]
    plateau, start, k = fine.plateau[accepted], fine.start[accepted], fine.rates[accepted]
    open_end = bool(k[0] <= low * 1.2)
    reached = t0 + np.log(np.maximum(np.abs(start) / np.maximum(NEAR * np.abs(plateau), 1e-300), 1.0)) / k
    return Levelling(
        gain,
        rate,
        float(best[1].plateau[0]),
        float((plateau - half).min()),
        None if open_end else float((plateau + half).max()),
        float(reached.min()),
        None if open_end else float(reached.max()),
        float(squares),
        bool(best[1].start[0] < 0),
        value - best[1].plateau[0] - best[1].start[0] * np.exp(-rate * t),
    )


class _Whitening:
    """Turns values with exponentially correlated noise into values with independent noise of deviation one."""

    def __init__(self, t: Floats, sd: Floats, correlation_time: float) -> None:
        alike = np.exp(-np.diff(t) / correlation_time) if correlation_time > 0 else np.zeros(len(t) - 1)
        self._alike = alike[:, None]
        self._sd = sd[:, None]
        self._rest = np.sqrt(np.maximum(1 - alike**2, 1e-9))[:, None]

    def __call__(self, value: Floats) -> Floats:
        """value: (n,) or (n, m)."""
        scaled = value.reshape(len(value), -1) / self._sd
        rest = (scaled[1:] - self._alike * scaled[:-1]) / self._rest
        return np.concatenate([scaled[:1], rest]).reshape(value.shape)


@dataclass(frozen=True)
class _Approaches:
    rates: Floats
    squares: Floats
    plateau: Floats
    start: Floats
    plateau_variance: Floats


def _approaches(rates: Floats, t: Floats, y: Floats, one: Floats, whiten: _Whitening) -> _Approaches:
    """Least squares for each of some rates at once."""
    decay = whiten(np.exp(-t[:, None] * rates[None, :]))
    oo, od, dd = float(one @ one), one @ decay, (decay**2).sum(axis=0)
    oy, dy = float(one @ y), y @ decay
    left = np.maximum(oo * dd - od**2, 1e-300)
    plateau, start = (dd * oy - od * dy) / left, (oo * dy - od * oy) / left
    residue = y[:, None] - one[:, None] * plateau - decay * start
    return _Approaches(rates, (residue**2).sum(axis=0), plateau, start, dd / left)


def _best(
    rates: Floats, t: Floats, y: Floats, one: Floats, whiten: _Whitening, found: _Approaches
) -> tuple[float, _Approaches]:
    """The best rate, by grids that close in on it."""
    for _ in range(5):
        i = int(np.argmin(found.squares))
        rates = np.geomspace(found.rates[max(i - 1, 0)], found.rates[min(i + 1, len(found.rates) - 1)], 21)
        found = _approaches(rates, t, y, one, whiten)
    i = int(np.argmin(found.squares))
    return float(found.rates[i]), _approaches(found.rates[i : i + 1], t, y, one, whiten)
