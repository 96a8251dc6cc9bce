"""A record -> what is believed of its tank."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tareline.core.load import likelihood, particles
from tareline.core.load.nitrogen import Course, Run, course, removal
from tareline.core.load.particles import Cloud
from tareline.core.load.priors import Priors
from tareline.core.load.record import Record

Floats = NDArray[np.float64]

DRAWS = 1000


class Tank:
    """A course as the sampler's problem: its blocks are the moments at which something was read."""

    def __init__(self, course: Course) -> None:
        self.course = course
        self.dims, self.blocks = len(course.priors), len(course.blocks)

    def begin(self, z: Floats) -> Floats:
        return Run(self.course, z, 0, 0).start()

    def advance(self, z: Floats, carry: Floats, first: int, last: int) -> tuple[Floats, Floats]:
        if first == last:
            return carry, np.zeros(len(z))
        blocks = self.course.blocks
        k = blocks[first - 1] if first else 0
        run = Run(self.course, z, k, blocks[last - 1])
        seen = np.empty((len(self.course.readings), len(z)))
        carry = run.through(carry, k, blocks[last - 1], seen)
        run.look(carry, blocks[last - 1], seen)
        rows = self._rows(first, last)
        bias = run.figures["bias"]
        water = np.where(self.course.of_nitrate[rows, None], seen[rows] * bias, seen[rows])
        log_lik: Floats = np.log(likelihood.probability(likelihood.only(self.course.readings, rows), water)).sum(axis=0)
        return carry, log_lik

    def _rows(self, first: int, last: int) -> slice:
        """The readings of some blocks."""
        of_block = [one for k in self.course.blocks[first:last] for one in self.course.happens[k]]
        index = [one[0] for one in of_block if isinstance(one, tuple)]
        return slice(min(index), max(index) + 1)

    def marker(self, z: Floats) -> Floats:
        """The log of what is removed at 5 mg N/L of nitrate, per mg of food's nitrogen as stated."""
        figures = self.course.priors.values(z)
        rate = removal(5.0, figures["capacity"], figures["half"], figures["order"])
        marker: Floats = np.log(rate / figures["reaching"])
        return marker


@dataclass(frozen=True, slots=True)
class Posterior:
    """Draws of a tank as believed after the readings.

    state: (6, draws), before what happens at the record's end; uptake: (draws,), mg N/L/d at its end, of a mature tank.
    reached: (draws,), the highest nitrate there was at a reading of it, mg N/L; zero without one. blunders: how
    probably each reading is one.
    """

    record: Record
    course: Course
    cloud: Cloud
    state: Floats
    uptake: Floats
    reached: Floats
    blunders: Floats

    @property
    def figures(self) -> dict[str, Floats]:
        return dict(self.course.priors.values(self.cloud.z))

    @property
    def weights(self) -> Floats:
        return self.cloud.weights


def posterior(record: Record, draws: int = DRAWS, seed: int = 0) -> Posterior:
    """What is believed of a tank after everything in its record. Deterministic for a seed."""
    cut = course(record.recent())
    cloud = particles.prior_cloud(Tank(cut), draws, seed)
    return _told(record.recent(), cut, particles.take_in(Tank(cut), cloud, seed))


def carried(before: Priors, after: Priors, z: Floats, seed: int) -> Floats:
    """Draws with the columns of a longer record: what no reading has seen yet is drawn from its prior."""
    rng = np.random.default_rng([seed, 2, len(after)])
    known = [before.column.get(prior.name) for prior in after.priors]
    return np.column_stack([rng.standard_normal(len(z)) if i is None else z[:, i] for i in known])


def _told(record: Record, cut: Course, cloud: Cloud) -> Posterior:
    steps = len(cut.edges) - 1
    k = cut.blocks[cloud.taken - 1] if cloud.taken else 0
    run = Run(cut, cloud.z, k)
    state = run.through(cloud.carry, k, steps)
    last = Run(cut, cloud.z, steps - 1)
    return Posterior(record, cut, cloud, state, last.uptake[-1], *_back(cut, cloud))


def _back(cut: Course, cloud: Cloud) -> tuple[Floats, Floats]:
    """The highest nitrate at a reading, and per reading, how probably it is a blunder given all of them."""
    whole = Run(cut, cloud.z)
    seen = np.empty((len(cut.readings), len(cloud.z)))
    steps = len(cut.edges) - 1
    whole.look(whole.through(whole.start(), 0, steps, seen), steps, seen)
    water = np.where(cut.of_nitrate[:, None], seen * whole.figures["bias"], seen)
    chance: Floats = likelihood.blunders(cut.readings, water) @ cloud.weights
    return np.max(seen[cut.of_nitrate], axis=0, initial=0.0), chance
