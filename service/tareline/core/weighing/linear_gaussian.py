"""Linear statements with Gaussian errors about a chain of unknowns, solved together in time linear in the chain's
length.

A statement says that coefficients times unknowns, plus coefficients times constants, equal a value with a normally
distributed error. Priors, transitions from one event to the next and measurements all have this form, so the smoother
of a state-space model is the weighted least squares solution of its statements (Rauch, Tung & Striebel 1965; in
information form Fahrmeir & Kaufmann 1991). Unknowns of one statement lie close together in the chain: the normal matrix
is a band matrix, and its Cholesky factorisation costs the chain's length times the square of the band's width.
Constants, which occur everywhere, are added as a border (Schur complement).

Many sets of variances are solved at once, because the search for the variances needs dozens of solutions.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

Floats = NDArray[np.floating[Any]]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Statements:
    """k statements of one kind: sum_j coef[i, j] x[at[i, j]] + border[i] . c = value[i], with independent errors.

    at: (k, J) places of the unknowns in the chain. coef: (k, J). value: (k,). border: (k, P) or None.
    variance: (k,), or (G, k) where G sets of variances are solved side by side.
    """

    kind: str
    at: Ints
    coef: Floats
    value: Floats
    variance: Floats
    border: Floats | None = None


@dataclass(frozen=True)
class GaussianPosterior:
    """The posterior of all unknowns and constants, for each of G sets of variances.

    mean: (G, N) of the unknowns. constants: (G, P). constants_cov: (G, P, P). log_evidence: (G,) natural logarithm of
    the density of all the statements' values, priors among them.
    """

    mean: Floats
    constants: Floats
    constants_cov: Floats
    log_evidence: Floats
    _factor: Floats  # (band + 1, G N) lower Cholesky factor
    _pull: Floats  # (G, N, P) how the unknowns follow the constants, with the sign turned

    @property
    def sets(self) -> int:
        return int(self.mean.shape[0])

    def sums(self, weights: Floats, constants: Floats | None = None) -> tuple[Floats, Floats]:
        """Means (G, K) and covariances (G, K, K) of K weighted sums of unknowns, weights (K, N), and of constants,
        weights (K, P)."""
        sets, size = self.mean.shape
        mean = self.mean @ weights.T
        through = -weights @ self._pull
        if constants is not None:
            mean = mean + self.constants @ constants.T
            through = through + constants
        half, info = lapack.dtbtrs(self._factor, np.asfortranarray(np.tile(weights.T, (sets, 1))), uplo="L")
        _solved(info)
        half = half.reshape(sets, size, -1)
        return mean, half.transpose(0, 2, 1) @ half + through @ self.constants_cov @ through.transpose(0, 2, 1)

    @cached_property
    def _inverse(self) -> Floats:
        """(G, N, band + 1): the inverse's entries [n, n + d] inside the band, for constants held still.

        By the recursion of Takahashi, Fagan & Chin (1973), from the end of the chain to its beginning.
        """
        sets, size = self.mean.shape
        width = self._factor.shape[0] - 1
        factor = self._factor.T.reshape(sets, size, width + 1)
        inverse = np.zeros((sets, size, width + 1))
        window = np.zeros((sets, width, width))
        for n in range(size - 1, -1, -1):
            column = factor[:, n, 1:] / factor[:, n, :1]
            below = -(window @ column[:, :, None])[:, :, 0]
            own = 1 / factor[:, n, 0] ** 2 - (column * below).sum(axis=1)
            inverse[:, n, 0], inverse[:, n, 1:] = own, below
            if width:
                window[:, 1:, 1:] = window[:, :-1, :-1].copy()
                window[:, 0, 0] = own
                window[:, 0, 1:] = window[:, 1:, 0] = below[:, :-1]
        return inverse

    def spread(self, statements: Statements) -> Floats:
        """The posterior variance of each statement's left side: (G, k)."""
        found = np.zeros((self.sets, len(statements.value)))
        places = statements.at.shape[1]
        for one in range(places):
            for other in range(places):
                low = np.minimum(statements.at[:, one], statements.at[:, other])
                apart = np.abs(statements.at[:, one] - statements.at[:, other])
                found += self._inverse[:, low, apart] * (statements.coef[:, one] * statements.coef[:, other])
        through = np.zeros((self.sets, len(statements.value), self.constants.shape[1]))
        if statements.border is not None:
            through += statements.border
        for one in range(places):
            through -= self._pull[:, statements.at[:, one], :] * statements.coef[:, one, None]
        found += np.einsum("gkp,gpq,gkq->gk", through, self.constants_cov, through)
        return found

    def residual(self, statements: Statements) -> Floats:
        """(G, k): value minus left side at the mean."""
        said = (self.mean[:, statements.at] * statements.coef).sum(axis=2)
        if statements.border is not None:
            said = said + self.constants @ statements.border.T
        difference: Floats = statements.value - said
        return difference

    def shifts(self, statements: Statements) -> tuple[Floats, Floats]:
        """For each statement the error of its value that would make everything else fit best, and the standard
        deviation of that error: (G, k) each; infinite where no other statement tests it.

        Their ratio squared is the generalised likelihood ratio of one gross error (Narasimhan & Mah 1987).
        """
        variance = np.broadcast_to(statements.variance, (self.sets, len(statements.value)))
        left = variance - self.spread(statements)  # of the residual
        told = left > 1e-6 * variance
        left = np.where(told, left, 1.0)
        size = np.where(told, self.residual(statements) * variance / left, 0.0)
        return size, np.where(told, variance / np.sqrt(left), np.inf)


def _solved(info: int) -> None:
    if info != 0:
        raise np.linalg.LinAlgError(f"expected statements that determine every unknown; row {info} is left open")


def solve(groups: Sequence[Statements], size: int, constants: int) -> GaussianPosterior:
    """The posterior of `size` unknowns and `constants` constants.

    Raises numpy.linalg.LinAlgError where the statements do not determine an unknown: every unknown needs a prior.
    """
    groups = [group for group in groups if len(group.value)]
    sets = max((group.variance.shape[0] for group in groups if group.variance.ndim == 2), default=1)
    width = max(int((group.at.max(axis=1) - group.at.min(axis=1)).max()) for group in groups)
    # Laid out as LAPACK reads them: the band by columns, the right sides one after the other.
    band = np.zeros((sets, size * (width + 1)))
    right = np.zeros((1 + constants, sets, size))
    corner, corner_right = np.zeros((sets, constants, constants)), np.zeros((sets, constants))
    for group in groups:
        weight = np.broadcast_to(1 / group.variance, (sets, len(group.value)))
        for one in range(group.at.shape[1]):
            own, pulled = group.at[:, one], weight * group.coef[:, one]
            _add(right[0], own, pulled * group.value)
            if group.border is not None:
                for c in range(constants):
                    _add(right[1 + c], own, pulled * group.border[:, c])
            for other in range(one, group.at.shape[1]):
                low, apart = np.minimum(own, group.at[:, other]), np.abs(own - group.at[:, other])
                _add(band, low * (width + 1) + apart, pulled * group.coef[:, other])
        if group.border is not None:
            corner += np.einsum("gk,kp,kq->gpq", weight, group.border, group.border, optimize=True)
            corner_right += (weight * group.value) @ group.border
    factor, info = lapack.dpbtrf(band.reshape(-1, width + 1).T, lower=1, overwrite_ab=1)
    _solved(info)
    across = right[1:].transpose(1, 0, 2).copy()
    solution, info = lapack.dpbtrs(factor, right.reshape(1 + constants, -1).T, lower=1)
    _solved(info)
    solution = solution.T.reshape(1 + constants, sets, size)
    still, pull = solution[0], solution[1:].transpose(1, 2, 0)
    schur = corner - across @ pull
    constants_cov = np.linalg.inv(schur) if constants else corner
    fixed = (constants_cov @ (corner_right[:, :, None] - across @ still[:, :, None]))[:, :, 0]
    mean = still - (pull @ fixed[:, :, None])[:, :, 0]
    found = GaussianPosterior(mean, fixed, constants_cov, np.zeros(sets), factor, pull)
    evidence = (size + constants) * np.log(2 * np.pi) / 2 - np.log(factor[0]).reshape(sets, size).sum(axis=1)
    if constants:
        evidence -= np.linalg.slogdet(schur)[1] / 2
    for group in groups:
        misfit = found.residual(group) ** 2 / group.variance + np.log(2 * np.pi * group.variance)
        evidence = evidence - misfit.sum(axis=1) / 2
    found.log_evidence[:] = evidence
    return found


def _add(target: Floats, place: Ints, amount: Floats) -> None:
    """Add amounts (G, k) at places (k,) of a target (G, N); a place may come more than once."""
    if len(place) > 8 and (np.diff(place) > 0).all():
        target[:, place] += amount
    else:
        for one, own in zip(target, amount, strict=True):
            np.add.at(one, place, own)
