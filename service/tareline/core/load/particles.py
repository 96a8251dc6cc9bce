"""Sequential Monte Carlo: weighted draws (particles) from the prior are updated with the readings, block by block.

Each block of readings reweights the draws. Where the weights become uneven (effective number below half), the draws are
resampled by their weights and then moved by Metropolis steps, which are accepted by the prior and all readings so far
(Chopin 2002, "A sequential particle filter method for static models"). The proposal for one half of the draws is a
normal distribution fitted to the other half, so that its step suits every direction. A block that would leave fewer
than a quarter of the draws is taken in by parts (tempering). The same code processes a year at once or one more week.

Draws are rows of independent standard normals (see priors.py). The result is determined by the seed.
"""

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOVES = (3, 12)  # least and most moves after a resampling: they end once the variance inflation is at most
MOST_INFLATION = 2.5
LAST_MOVES = (5, 200)  # the same at the end, where few records need more than a dozen moves
UNEVEN, TOO_UNEVEN = 0.5, 0.25
WIDER = 1.1  # standard deviation of the proposal over that of the draws, so that its tails reach further
MOST_STAGES = 60  # tempering stages of one block


class SamplerTarget(Protocol):
    """A posterior whose readings come in blocks. carry: (rows, draws), the simulation's state between blocks."""

    dims: int
    blocks: int

    def begin(self, z: Floats) -> Floats:
        """The carry before the first block."""
        ...

    def advance(self, z: Floats, carry: Floats, first: int, last: int) -> tuple[Floats, Floats]:
        """The carry after blocks first..last-1 and their log-likelihood per draw."""
        ...

    def mixing_statistic(self, z: Floats) -> Floats:
        """The quantity whose mixing is measured: (draws,)."""
        ...


@dataclass(frozen=True, slots=True)
class ParticleSet:
    """Weighted draws after `taken` blocks.

    z: (draws, dims). log_weight, log_lik (log-likelihood of all blocks taken): (draws,). inflation: the factor by which
    dependence between draws increases the variance of their mean. step: step size of the last moves, 0 to 1.
    accepted: share of accepted moves.
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
        """The effective number of independent draws."""
        return float(1 / np.sum(self.weights**2) / self.inflation)


def prior_particles(problem: SamplerTarget, draws: int, seed: int) -> ParticleSet:
    """Draws before any reading."""
    z = np.random.default_rng([seed, 0]).standard_normal((draws, problem.dims))
    zero = np.zeros(draws)
    return ParticleSet(z, zero, problem.begin(z), zero, 0)


def update(problem: SamplerTarget, particle_set: ParticleSet, seed: int, trust: float = 1.0) -> ParticleSet:
    """The draws after all blocks of the problem, with equal weights and well mixed.

    trust: the exponent of each likelihood; 1 gives the ordinary Bayesian posterior.
    """
    rng = np.random.default_rng([seed, 1, particle_set.taken])
    particle_set = filter_blocks(problem, particle_set, rng, trust)
    if particle_set.taken:
        # A tempering part of zero beyond the last block: the moves then are accepted by all readings.
        none = np.zeros(len(particle_set.log_lik))
        particle_set, _ = _resample_and_move(
            problem, particle_set, none, particle_set.taken, 0.0, trust, rng, LAST_MOVES
        )
    return particle_set


def filter_blocks(
    problem: SamplerTarget, particle_set: ParticleSet, rng: np.random.Generator, trust: float = 1.0
) -> ParticleSet:
    """The draws after all blocks of the problem, with the weights that the last block left."""
    for block in range(particle_set.taken, problem.blocks):
        carry, gain = problem.advance(particle_set.z, particle_set.carry, block, block + 1)
        gain = trust * gain
        part = 0.0
        for _ in range(MOST_STAGES):
            log_weight = particle_set.log_weight + (1 - part) * gain
            share = _effective_number(log_weight) / len(gain)
            if share >= UNEVEN:
                break
            step = 1 - part
            if share < TOO_UNEVEN:
                step = _tempering_step(particle_set.log_weight, gain, step)
            part += step
            particle_set = replace(particle_set, carry=carry, log_weight=particle_set.log_weight + step * gain)
            particle_set, gain = _resample_and_move(problem, particle_set, gain, block, part, trust, rng, MOVES)
            carry = particle_set.carry
        particle_set = replace(
            particle_set,
            carry=carry,
            log_weight=particle_set.log_weight + (1 - part) * gain,
            log_lik=particle_set.log_lik + gain,
            taken=block + 1,
        )
    return particle_set


def _effective_number(log_weight: Floats) -> float:
    weight = np.exp(log_weight - log_weight.max())
    return float(weight.sum() ** 2 / np.sum(weight**2))


def _tempering_step(log_weight: Floats, gain: Floats, most: float) -> float:
    """The part of a block that reduces the effective number of draws to half."""
    aim = 0.5 * _effective_number(log_weight)
    low, high = 0.0, most
    for _ in range(30):
        middle = (low + high) / 2
        if _effective_number(log_weight + middle * gain) > aim:
            low = middle
        else:
            high = middle
    return max(low, 1e-6)


def _resample_and_move(
    problem: SamplerTarget,
    particle_set: ParticleSet,
    gain: Floats,
    block: int,
    part: float,
    trust: float,
    rng: np.random.Generator,
    moves: tuple[int, int],
) -> tuple[ParticleSet, Floats]:
    """Resample to equal weights, and move the draws by the posterior of all blocks before `block` and `part` of it.

    Returns the draws, and the log-likelihood of `block` (times `trust`), which they have already been advanced through.
    """
    chosen = rng.permutation(_systematic_resample(particle_set.weights, rng))  # so that each half is all over
    crowding = float(np.sum(np.bincount(chosen, minlength=len(chosen)).astype(float) ** 2) / len(chosen))
    z, carry = particle_set.z[chosen], particle_set.carry[:, chosen]
    before, gain = particle_set.log_lik[chosen], gain[chosen]
    statistic = problem.mixing_statistic(z)
    step, accepted = particle_set.step, 0.0
    proposals = _proposal_laws(z)
    score = before + part * gain + _log_prior_over_proposal(proposals, z)
    least, most = moves
    for done in range(1, most + 1):
        new_z = np.vstack([_propose(law, half, step, rng) for law, half in zip(proposals, _halves(z), strict=True)])
        new_carry, new_before = problem.advance(new_z, problem.begin(new_z), 0, block)
        new_before, new_gain = trust * new_before, np.zeros(len(z))
        if part > 0:
            new_carry, new_gain = problem.advance(new_z, new_carry, block, block + 1)
            new_gain = trust * new_gain
        new_score = new_before + part * new_gain + _log_prior_over_proposal(proposals, new_z)
        take = np.log(rng.uniform(size=len(z))) < new_score - score
        z = np.where(take[:, None], new_z, z)
        carry = np.where(take, new_carry, carry)
        before, gain = np.where(take, new_before, before), np.where(take, new_gain, gain)
        score = np.where(take, new_score, score)
        accepted = float(take.mean())
        step = float(np.clip(step * np.exp(accepted - 0.3), 0.1, 1.0))
        kept = _correlation(statistic, problem.mixing_statistic(z)) ** 2
        inflation = 1 + (particle_set.inflation * crowding - 1) * kept
        if done >= least and inflation <= MOST_INFLATION:
            break
    zero = np.zeros(len(z))
    return ParticleSet(z, zero, carry, before, particle_set.taken, inflation, step, accepted), gain


ProposalLaw = tuple[Floats, Floats, Floats]  # mean, Cholesky factor and its inverse


def _halves(z: Floats) -> tuple[Floats, Floats]:
    half = len(z) // 2
    return z[:half], z[half:]


def _proposal_laws(z: Floats) -> tuple[ProposalLaw, ProposalLaw]:
    """The proposal distribution of each half of the draws, fitted to the other half: draws that take part in the fit of
    their own proposal would move towards each other."""
    one, other = _halves(z)
    return _fitted_law(other), _fitted_law(one)


def _fitted_law(z: Floats) -> ProposalLaw:
    mean = z.mean(axis=0)
    # einsum here and below: BLAS would wake its threads for these small products, and take more time in sum.
    scatter = np.einsum("ij,ik->jk", z - mean, z - mean)
    dims = z.shape[1]
    # Few draws correlate by chance: each figure's own variance counts as much as a quarter of a draw per figure more.
    own = dims / 4 / (len(z) - 1) * np.diag(np.diag(scatter))
    spread = np.linalg.cholesky(WIDER**2 * ((scatter + own) / (len(z) - 1 + dims / 4) + 1e-9 * np.eye(dims)))
    return mean, spread, np.linalg.inv(spread)


def _propose(law: ProposalLaw, z: Floats, step: float, rng: np.random.Generator) -> Floats:
    """Proposed draws: each moves towards the proposal's mean and gets noise, so that the proposal is stationary."""
    mean, spread, _ = law
    noise = np.einsum("ij,kj->ik", rng.standard_normal(z.shape), spread)
    led: Floats = mean + np.sqrt(1 - step**2) * (z - mean) + step * noise
    return led


def _log_prior_over_proposal(proposals: tuple[ProposalLaw, ProposalLaw], z: Floats) -> Floats:
    """The log of the prior density divided by the proposal density: (draws,)."""
    ratios = []
    for (mean, _, whiten), half in zip(proposals, _halves(z), strict=True):
        white = np.einsum("ij,kj->ik", half - mean, whiten)
        ratios.append(0.5 * np.sum(white**2, axis=1) - 0.5 * np.sum(half**2, axis=1))
    return np.concatenate(ratios)


def _systematic_resample(weights: Floats, rng: np.random.Generator) -> NDArray[np.intp]:
    """Indices of a systematic resampling by weight, which adds the least noise."""
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
