"""The six figures of a feeder (hyperparameters of its model), learned from its own past.

Empirical Bayes that keeps the uncertainty: the posterior of the figures is the evidence of the statements (all masses
integrated out, `linear_gaussian`) times a log-normal prior. Its mode is found by Newton's method on finite differences
of the evidence, many of which are evaluated at once. Around the mode the posterior is integrated by importance sampling
from a t distribution, which is fitted a second time to the first result (adaptive importance sampling; Cappe et al.
2004). So the result is a mixture over a dozen weighted sets of figures, and the standard deviations of a new feeder
include that its figures are hardly known.

The points come from a fixed seed, so that the same input always gives the same result.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from tareline.core.weighing.linear_gaussian import Floats, GaussianPosterior, solve
from tareline.core.weighing.model import CONSTANTS, FIGURES, Chain, Shift, prior, statements

ROUNDS = 20
POINTS = 96
KEPT = 12  # points of the largest weight: the others change no digit that is shown
ENOUGH = 16  # least effective number of points to fit the distribution to
TAILS = 8.0  # degrees of freedom: tails heavier than normal, so that no weight becomes very large
SEED = 20


@dataclass(frozen=True, slots=True)
class LearnedFigures:
    """S sets of figures with their weights. figures: (S, 6) natural logarithms; weights: (S,), which sum to 1."""

    figures: Floats
    weights: Floats

    @property
    def mean(self) -> Floats:
        mean: Floats = self.weights @ self.figures
        return mean

    @property
    def cov(self) -> Floats:
        off = self.figures - self.mean
        cov: Floats = (self.weights[:, None] * off).T @ off
        return cov


def solve_chain(chain: Chain, figures: Floats, shifts: Sequence[Shift] = ()) -> GaussianPosterior:
    """The posterior of a chain for one or several sets of figures."""
    return solve(statements(chain, figures, shifts), chain.size, CONSTANTS + len(shifts))


class _Target:
    """The logarithm of the figures' posterior density, up to a constant."""

    def __init__(self, chain: Chain, shifts: Sequence[Shift]) -> None:
        self._chain, self._shifts = chain, shifts
        self.mean, self.cov = prior(chain)
        self._precision = np.linalg.inv(self.cov)

    def __call__(self, figures: Floats) -> Floats:
        off = figures - self.mean
        evidence = solve_chain(self._chain, figures, self._shifts).log_evidence
        density: Floats = evidence - np.einsum("gi,ij,gj->g", off, self._precision, off) / 2
        return density


class Mode(NamedTuple):
    """The most probable figures (6,) as natural logarithms, and axes (6, 6), whose columns are about one standard
    deviation long."""

    figures: Floats
    axes: Floats


def mode(chain: Chain, shifts: Sequence[Shift] = (), start: Mode | None = None) -> Mode:
    """The mode of the figures' posterior. start: where to begin the search; by default at the prior."""
    target = _Target(chain, shifts)
    size = len(FIGURES)
    at, axes = start or Mode(target.mean, np.linalg.cholesky(target.cov) * 0.4)
    one = np.eye(size)
    pairs = [(i, j) for i in range(size) for j in range(i)]
    look = np.array([0 * one[0], *one, *-one, *(one[i] + one[j] for i, j in pairs)])
    idle = 0
    for _ in range(ROUNDS):
        seen = target(at + look @ axes.T)
        here, up, down, both = seen[0], seen[1 : size + 1], seen[size + 1 : 2 * size + 1], seen[2 * size + 1 :]
        curvature = np.diag(2 * here - up - down)
        for (i, j), corner in zip(pairs, both, strict=True):
            curvature[i, j] = curvature[j, i] = up[i] + up[j] - corner - here
        bent, turn = np.linalg.eigh(curvature)
        bent = np.maximum(bent, 0.1)  # limits the step where the density is flat or convex
        step = axes @ (turn @ ((turn.T @ (up - down) / 2) / bent))
        step /= max(1.0, np.abs(step).max() / 2.0)
        tries = np.array([*(at + step * length for length in (1, 0.5, 0.25, 0.1)), at + axes @ look[seen.argmax()]])
        tried = target(tries)
        best = int(tried.argmax())
        if tried[best] > here:
            at = tries[best]
        axes = axes @ turn / np.sqrt(bent)
        axes = axes * np.minimum(1.0, 1.0 / np.linalg.norm(axes, axis=0))
        idle = idle + 1 if tried[best] - here < 0.05 else 0
        if idle == 2:
            break
    return Mode(at, axes)


def learn(chain: Chain, shifts: Sequence[Shift] = (), start: Mode | None = None) -> LearnedFigures:
    """The posterior of the figures as weighted sets; start as for `mode`."""
    centre, axes = mode(chain, shifts, start)
    target = _Target(chain, shifts)
    random = np.random.default_rng(SEED)
    size = len(FIGURES)
    half = random.standard_normal((POINTS // 2, size))
    cloud = np.concatenate([half, -half]) * np.sqrt(TAILS / random.chisquare(TAILS, POINTS))[:, None]
    log_cloud = -(TAILS + size) / 2 * np.log1p((cloud**2).sum(axis=1) / TAILS)

    def drawn() -> tuple[Floats, Floats]:
        points = centre + cloud @ axes.T
        return points, target(points) - log_cloud

    points, log_weights = drawn()
    weights = _flat_enough(log_weights)
    centre = weights @ points
    off = points - centre
    axes = 1.1 * np.linalg.cholesky((weights[:, None] * off).T @ off + 0.1 * axes @ axes.T)
    points, log_weights = drawn()
    weights = np.exp(log_weights - log_weights.max())
    kept = np.argsort(-weights)[:KEPT]
    return LearnedFigures(points[kept], weights[kept] / weights[kept].sum())


def _flat_enough(log_weights: Floats) -> Floats:
    """Weights that sum to 1, tempered until their effective number is large enough to fit a distribution."""
    temper = 1.0
    weights: Floats = np.exp(log_weights - log_weights.max())
    while weights.sum() ** 2 < ENOUGH * (weights**2).sum():
        temper *= 0.7
        weights = np.exp(temper * (log_weights - log_weights.max()))
    weights /= weights.sum()
    return weights
