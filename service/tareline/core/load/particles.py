"""Sequential Monte Carlo: draws from the prior, led through the readings in their order to the posterior.

Each block of readings weights the draws. Where the weights become uneven (effective number below half), draws are
chosen anew by their weights and moved: proposed from a normal law fitted to the draws of the other half, so that the
step is the same in every direction that matters, and accepted by Metropolis' rule against prior and all readings so far
(Chopin 2002, "A sequential particle filter method for static models"). A block that would leave fewer than a quarter
of the draws is taken in by parts (tempering). The same code takes in a year at once and one week more.

Draws are rows of independent standard normals (see priors.py). Everything follows from the seed.
"""

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOVES = (3, 12)  # after each choice, at least and at most: until draws depend on one another no more than this,
MOST_INFLATION = 2.5
LAST_MOVES = (5, 200)  # and at the end, where few records need more than a dozen
UNEVEN, TOO_UNEVEN = 0.5, 0.25
WIDER = 1.1  # of the proposal's law over the draws' own, so that its tails reach beyond theirs
MOST_STAGES = 60  # of one block


class Problem(Protocol):
    """A posterior whose readings come in blocks. carry: (rows, draws), what stepping on needs."""

    dims: int
    blocks: int

    def begin(self, z: Floats) -> Floats:
        """The carry before the first block."""
        ...

    def advance(self, z: Floats, carry: Floats, first: int, last: int) -> tuple[Floats, Floats]:
        """The carry after blocks first..last-1 and their log-likelihood per draw."""
        ...

    def marker(self, z: Floats) -> Floats:
        """One number per draw whose mixing counts."""
        ...


@dataclass(frozen=True, slots=True)
class Cloud:
    """Weighted draws after `taken` blocks.

    z: (draws, dims). log_weight, log_lik (of all blocks taken): (draws,). inflation: by how much dependence between
    draws multiplies the variance of their mean. step: of the last moves, 0 to 1. accepted: their share.
    """

    z: Floats
    log_weight: Floats
    carry: Floats
    log_lik: Floats
    taken: int
    inflation: float = 1.0
    step: float = 0.7
    accepted: float = 1.0

    @property
    def weights(self) -> Floats:
        weight: Floats = np.exp(self.log_weight - self.log_weight.max())
        share: Floats = weight / weight.sum()
        return share

    @property
    def effective(self) -> float:
        """How many independent draws these are worth."""
        return float(1 / np.sum(self.weights**2) / self.inflation)


def prior_cloud(problem: Problem, draws: int, seed: int) -> Cloud:
    """Draws before any reading."""
    z = np.random.default_rng([seed, 0]).standard_normal((draws, problem.dims))
    zero = np.zeros(draws)
    return Cloud(z, zero, problem.begin(z), zero, 0)


def take_in(problem: Problem, cloud: Cloud, seed: int, trust: float = 1.0) -> Cloud:
    """The cloud after all of the problem's blocks, with equal weights and well mixed draws.

    trust: power of each likelihood, 1 for Bayes' own.
    """
    rng = np.random.default_rng([seed, 1, cloud.taken])
    cloud = filtered(problem, cloud, rng, trust)
    if cloud.taken:
        # As if the last block had been taken in by a hair less, so that what moves against is all readings.
        none = np.zeros(len(cloud.log_lik))
        cloud, _ = _renew(problem, cloud, none, cloud.taken, 0.0, trust, rng, LAST_MOVES)
    return cloud


def filtered(problem: Problem, cloud: Cloud, rng: np.random.Generator, trust: float = 1.0) -> Cloud:
    """The cloud after all of the problem's blocks; its weights are as uneven as the last of them left them."""
    for block in range(cloud.taken, problem.blocks):
        carry, gain = problem.advance(cloud.z, cloud.carry, block, block + 1)
        gain = trust * gain
        part = 0.0
        for _ in range(MOST_STAGES):
            log_weight = cloud.log_weight + (1 - part) * gain
            share = _effective(log_weight) / len(gain)
            if share >= UNEVEN:
                break
            step = 1 - part
            if share < TOO_UNEVEN:
                step = _tempering(cloud.log_weight, gain, step)
            part += step
            cloud = replace(cloud, carry=carry, log_weight=cloud.log_weight + step * gain)
            cloud, gain = _renew(problem, cloud, gain, block, part, trust, rng, MOVES)
            carry = cloud.carry
        cloud = replace(
            cloud,
            carry=carry,
            log_weight=cloud.log_weight + (1 - part) * gain,
            log_lik=cloud.log_lik + gain,
            taken=block + 1,
        )
    return cloud


def _effective(log_weight: Floats) -> float:
    weight = np.exp(log_weight - log_weight.max())
    return float(weight.sum() ** 2 / np.sum(weight**2))


def _tempering(log_weight: Floats, gain: Floats, most: float) -> float:
    """How much of a block leaves half of the effective draws there are."""
    aim = 0.5 * _effective(log_weight)
    low, high = 0.0, most
    for _ in range(30):
        middle = (low + high) / 2
        if _effective(log_weight + middle * gain) > aim:
            low = middle
        else:
            high = middle
    return max(low, 1e-6)


def _renew(
    problem: Problem,
    cloud: Cloud,
    gain: Floats,
    block: int,
    part: float,
    trust: float,
    rng: np.random.Generator,
    moves: tuple[int, int],
) -> tuple[Cloud, Floats]:
    """Equal weights again: chosen by weight, then moved against blocks before `block` and `part` of that one.

    Returns the cloud and the (trusted) log-likelihood of `block`, which has been stepped through already.
    """
    chosen = rng.permutation(_systematic(cloud.weights, rng))  # so that each half is all over
    crowding = float(np.sum(np.bincount(chosen, minlength=len(chosen)).astype(float) ** 2) / len(chosen))
    z, carry = cloud.z[chosen], cloud.carry[:, chosen]
    before, gain = cloud.log_lik[chosen], gain[chosen]
    marked = problem.marker(z)
    step, accepted = cloud.step, 0.0
    laws = _laws(z)
    score = before + part * gain + _against(laws, z)
    least, most = moves
    for done in range(1, most + 1):
        new_z = np.vstack([_propose(law, half, step, rng) for law, half in zip(laws, _halves(z), strict=True)])
        new_carry, new_before = problem.advance(new_z, problem.begin(new_z), 0, block)
        new_before, new_gain = trust * new_before, np.zeros(len(z))
        if part > 0:
            new_carry, new_gain = problem.advance(new_z, new_carry, block, block + 1)
            new_gain = trust * new_gain
        new_score = new_before + part * new_gain + _against(laws, new_z)
        take = np.log(rng.uniform(size=len(z))) < new_score - score
        z = np.where(take[:, None], new_z, z)
        carry = np.where(take, new_carry, carry)
        before, gain = np.where(take, new_before, before), np.where(take, new_gain, gain)
        score = np.where(take, new_score, score)
        accepted = float(take.mean())
        step = float(np.clip(step * np.exp(accepted - 0.3), 0.1, 1.0))
        kept = _correlation(marked, problem.marker(z)) ** 2
        inflation = 1 + (cloud.inflation * crowding - 1) * kept
        if done >= least and inflation <= MOST_INFLATION:
            break
    zero = np.zeros(len(z))
    return Cloud(z, zero, carry, before, cloud.taken, inflation, step, accepted), gain


Law = tuple[Floats, Floats, Floats]  # mean, Cholesky factor and its inverse


def _halves(z: Floats) -> tuple[Floats, Floats]:
    half = len(z) // 2
    return z[:half], z[half:]


def _laws(z: Floats) -> tuple[Law, Law]:
    """The normal law that each half of the draws is moved by: fitted to the other half, since draws that take part in
    their own law are drawn together."""
    one, other = _halves(z)
    return _law(other), _law(one)


def _law(z: Floats) -> Law:
    mean = z.mean(axis=0)
    # einsum here and below: BLAS would wake its threads for these small products, and take more time in sum.
    scatter = np.einsum("ij,ik->jk", z - mean, z - mean)
    dims = z.shape[1]
    # Few draws correlate by chance: each figure's own variance counts as much as a quarter of a draw per figure more.
    own = dims / 4 / (len(z) - 1) * np.diag(np.diag(scatter))
    spread = np.linalg.cholesky(WIDER**2 * ((scatter + own) / (len(z) - 1 + dims / 4) + 1e-9 * np.eye(dims)))
    return mean, spread, np.linalg.inv(spread)


def _propose(law: Law, z: Floats, step: float, rng: np.random.Generator) -> Floats:
    """Draws led towards the law's mean and jittered, so that the law itself stays as it is."""
    mean, spread, _ = law
    noise = np.einsum("ij,kj->ik", rng.standard_normal(z.shape), spread)
    led: Floats = mean + np.sqrt(1 - step**2) * (z - mean) + step * noise
    return led


def _against(laws: tuple[Law, Law], z: Floats) -> Floats:
    """The log of prior over proposal's law, per draw."""
    ratios = []
    for (mean, _, whiten), half in zip(laws, _halves(z), strict=True):
        white = np.einsum("ij,kj->ik", half - mean, whiten)
        ratios.append(0.5 * np.sum(white**2, axis=1) - 0.5 * np.sum(half**2, axis=1))
    return np.concatenate(ratios)


def _systematic(weights: Floats, rng: np.random.Generator) -> NDArray[np.intp]:
    """Indices chosen by weight with the least noise."""
    points = (np.arange(len(weights)) + rng.uniform()) / len(weights)
    return np.minimum(np.searchsorted(np.cumsum(weights), points), len(weights) - 1)


def _correlation(a: Floats, b: Floats) -> float:
    if np.ptp(a) == 0 or np.ptp(b) == 0:
        return 0.0
    return float(np.clip(np.corrcoef(a, b)[0, 1], 0.0, 1.0))


def quantiles(values: Floats, weights: Floats, at: tuple[float, ...]) -> Floats:
    """Weighted quantiles of values of shape (draws,) or (draws, n): (len(at),) or (len(at), n)."""
    if values.ndim == 1:
        order = np.argsort(values)
        upto = np.cumsum(weights[order])
        found: Floats = np.interp(np.array(at) * upto[-1], upto - weights[order] / 2, values[order])
        return found
    return np.column_stack([quantiles(column, weights, at) for column in values.T])
