"""The posterior distribution of a tank's figures, given its record."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tareline.core.load import likelihood, particles
from tareline.core.load.nitrogen import Simulation, Timeline, removal, timeline
from tareline.core.load.particles import ParticleSet
from tareline.core.load.priors import Priors
from tareline.core.load.record import Record

Floats = NDArray[np.float64]

DRAWS = 1000


class NitrogenTarget:
    """A timeline as the sampler's target: its blocks are the instants at which something was read."""

    def __init__(self, timeline: Timeline) -> None:
        self.timeline = timeline
        self.dims, self.blocks = len(timeline.priors), len(timeline.blocks)

    def begin(self, z: Floats) -> Floats:
        return Simulation(self.timeline, z, 0, 0).start()

    def advance(self, z: Floats, carry: Floats, first: int, last: int) -> tuple[Floats, Floats]:
        if first == last:
            return carry, np.zeros(len(z))
        blocks = self.timeline.blocks
        k = blocks[first - 1] if first else 0
        run = Simulation(self.timeline, z, k, blocks[last - 1])
        seen = np.empty((len(self.timeline.readings), len(z)))
        carry = run.through(carry, k, blocks[last - 1], seen)
        run.look(carry, blocks[last - 1], seen)
        rows = self._rows(first, last)
        bias = run.figures["bias"]
        water = np.where(self.timeline.of_nitrate[rows, None], seen[rows] * bias, seen[rows])
        log_lik: Floats = np.log(likelihood.probability(likelihood.only(self.timeline.readings, rows), water)).sum(
            axis=0
        )
        return carry, log_lik

    def _rows(self, first: int, last: int) -> slice:
        """The readings of some blocks."""
        of_block = [one for k in self.timeline.blocks[first:last] for one in self.timeline.events[k]]
        index = [one[0] for one in of_block if isinstance(one, tuple)]
        return slice(min(index), max(index) + 1)

    def mixing_statistic(self, z: Floats) -> Floats:
        """The log of the removal at 5 mg N/L of nitrate, per mg of the food's nitrogen as stated."""
        figures = self.timeline.priors.values(z)
        rate = removal(5.0, figures["capacity"], figures["half"], figures["order"])
        mixing_statistic: Floats = np.log(rate / figures["reaching"])
        return mixing_statistic


@dataclass(frozen=True, slots=True)
class Posterior:
    """Draws of a tank's figures from their posterior distribution.

    state: (6, draws), just before the events at the end of the record. uptake: (draws,), mg N/L/d at the end, for full
    maturity. reached: (draws,), the highest nitrate at any reading of nitrate, mg N/L; zero without one. blunders:
    (readings,), the probability that each reading is a blunder.
    """

    record: Record
    timeline: Timeline
    particle_set: ParticleSet
    state: Floats
    uptake: Floats
    reached: Floats
    blunders: Floats

    @property
    def figures(self) -> dict[str, Floats]:
        return dict(self.timeline.priors.values(self.particle_set.z))

    @property
    def weights(self) -> Floats:
        return self.particle_set.weights


def posterior(record: Record, draws: int = DRAWS, seed: int = 0) -> Posterior:
    """The posterior of a tank after everything in its record. The same seed gives the same result."""
    cut = timeline(record.recent())
    particle_set = particles.prior_particles(NitrogenTarget(cut), draws, seed)
    return summarise(record.recent(), cut, particles.update(NitrogenTarget(cut), particle_set, seed))


def extend_draws(before: Priors, after: Priors, z: Floats, seed: int) -> Floats:
    """Draws with the columns of a longer record; figures that the shorter record lacks are drawn from their prior."""
    rng = np.random.default_rng([seed, 2, len(after)])
    known = [before.column.get(prior.name) for prior in after.priors]
    return np.column_stack([rng.standard_normal(len(z)) if i is None else z[:, i] for i in known])


def summarise(record: Record, cut: Timeline, particle_set: ParticleSet) -> Posterior:
    steps = len(cut.edges) - 1
    k = cut.blocks[particle_set.taken - 1] if particle_set.taken else 0
    run = Simulation(cut, particle_set.z, k)
    state = run.through(particle_set.carry, k, steps)
    last = Simulation(cut, particle_set.z, steps - 1)
    return Posterior(record, cut, particle_set, state, last.uptake[-1], *_fit_of_readings(cut, particle_set))


def _fit_of_readings(cut: Timeline, particle_set: ParticleSet) -> tuple[Floats, Floats]:
    """`reached` and `blunders` of the posterior: all readings compared with the simulation of each draw."""
    whole = Simulation(cut, particle_set.z)
    seen = np.empty((len(cut.readings), len(particle_set.z)))
    steps = len(cut.edges) - 1
    whole.look(whole.through(whole.start(), 0, steps, seen), steps, seen)
    water = np.where(cut.of_nitrate[:, None], seen * whole.figures["bias"], seen)
    chance: Floats = likelihood.blunders(cut.readings, water) @ particle_set.weights
    return np.max(seen[cut.of_nitrate], axis=0, initial=0.0), chance
