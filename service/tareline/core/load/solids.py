"""The dissolved solids S (mg/L) of a tank with constant volume.

    dS/dt = ash x fed / volume - uptake S + what top-ups bring

Evaporation leaves solids behind: top-ups keep the volume constant, and their solids stay. Where no top-up is recorded,
an evaporation of some thousandths of the volume a day is assumed, and a content of the water that replaces it. Each
step is exact for constant rates: S(h) = S exp(-uptake h) + inflow (1 - exp(-uptake h)) / uptake.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tareline.core.load import likelihood, particles, priors
from tareline.core.load.nitrogen import slot
from tareline.core.load.particles import ParticleSet
from tareline.core.load.record import Change, Record, RecordedReading

Floats = NDArray[np.float64]

DRAWS = 500
TRUST = 0.7
STEP_D = 7.0
DRIFT_EVERY_D = 90.0
LEAST_READINGS = 3
MOST_BLUNDERS = 0.2
PRIORS = priors.Priors(priors.SOLIDS)


@dataclass(frozen=True, slots=True)
class SolidsTimeline:
    """A record divided into time steps, for the solids. fed: food in g/L/d. stated: solids in top-ups whose content is
    stated, mg/L/d; unstated: the other top-ups, as a share of the volume a day."""

    edges: Floats
    fed: Floats
    stated: Floats
    unstated: Floats
    assumed: bool  # no top-up is recorded
    events: tuple[tuple[Change | int, ...], ...]  # an int is a reading's index
    readings: likelihood.Readings
    by_probe: NDArray[np.bool_]  # (readings,)
    drifted: Floats  # (readings,): the drift of a probe until then, see _drifted
    volume_l: float
    blocks: tuple[int, ...]


def timeline(record: Record, step_d: float = STEP_D) -> SolidsTimeline:
    """Divide a record into steps of at most `step_d` days, with an end at each event."""
    events: list[Change | RecordedReading] = [c for c in record.changes if c.kind == "change"]
    events += [one for one in record.readings if one.analyte == "tds"]
    events = sorted((e for e in events if 0 <= e.day <= record.now), key=lambda e: e.day)
    slots = [slot(event.day) for event in events]
    end = max(slot(record.now), 0.25)
    edges = np.unique(np.concatenate([np.arange(0.0, end, step_d), [end], slots]))
    at_step: list[list[Change | int]] = [[] for _ in edges]
    seen: list[RecordedReading] = []
    for event, k in zip(events, np.searchsorted(edges, slots), strict=True):
        if isinstance(event, RecordedReading):
            at_step[k].append(len(seen))
            seen.append(event)
        else:
            at_step[k].append(event)
    days = int(np.ceil(end))
    fed = np.zeros(days)
    for one in record.fed:
        if 0 <= one.day < days:
            fed[one.day] += one.mass_g / record.volume_l
    upto = np.interp(edges, np.arange(days + 1.0), np.concatenate([[0.0], np.cumsum(fed)]))
    topups = sorted((c for c in record.changes if c.kind == "topup" and 0 < c.day <= end), key=lambda c: c.day)
    rates, last = np.zeros((2, len(edges) - 1)), 0.0
    for topup in topups:
        if topup.day == last:
            continue
        overlap = np.clip(np.minimum(edges[1:], topup.day) - np.maximum(edges[:-1], last), 0.0, None)
        share = topup.volume_l / record.volume_l * overlap / np.diff(edges) / (topup.day - last)
        rates[0 if topup.tds_mg_per_l is not None else 1] += share * (topup.tds_mg_per_l or 1.0)
        last = topup.day
    return SolidsTimeline(
        edges=edges,
        fed=np.diff(upto) / np.diff(edges),
        stated=rates[0],
        unstated=rates[1],
        assumed=not topups,
        events=tuple(tuple(these) for these in at_step),
        readings=likelihood.readings(seen),
        by_probe=np.array([one.probe for one in seen], dtype=bool),
        drifted=_drifted(seen),
        volume_l=record.volume_l,
        blocks=tuple(k for k, these in enumerate(at_step) if any(isinstance(one, int) for one in these)),
    )


def _drifted(seen: Sequence[RecordedReading]) -> Floats:
    """The drift of a probe until each reading, in standard deviations of its drift over a quarter: (readings,).

    A random walk grows with the root of time; a straight line to its end describes most of it.
    """
    days = [one.day for one in seen if one.probe]
    if not days or days[0] == days[-1]:
        return np.zeros(len(seen))
    reach = np.sqrt((days[-1] - days[0]) / DRIFT_EVERY_D)
    return np.array([reach * (one.day - days[0]) / (days[-1] - days[0]) if one.probe else 0.0 for one in seen])


class SolidsTarget:
    """A timeline as the sampler's target. The carry has the shape (1, draws): the solids in mg/L."""

    def __init__(self, timeline: SolidsTimeline) -> None:
        self.timeline = timeline
        self.dims, self.blocks = len(PRIORS), len(timeline.blocks)

    def begin(self, z: Floats) -> Floats:
        return PRIORS.values(z)["solids_start"][None, :]

    def through(self, z: Floats, solids: Floats, first: int, last: int, seen: Floats) -> Floats:
        """The solids after the events of step `last`, in mg/L: (draws,).

        seen: (readings, draws), which is filled with the content of the water at each reading.
        """
        c, f = self.timeline, PRIORS.values(z)
        rate = f["uptake_per_d"]
        for k in range(first, last):
            solids = self._apply_events(k, solids, f["topup_solids"], seen)
            h = c.edges[k + 1] - c.edges[k]
            topups = f["evaporation_per_d"] if c.assumed else c.unstated[k]
            inflow = f["ash"] * c.fed[k] + c.stated[k] + topups * f["topup_solids"]
            solids = solids * np.exp(-rate * h) - inflow * np.expm1(-rate * h) / rate
        self._apply_events(last, solids, f["topup_solids"], seen)
        return solids

    def _apply_events(self, k: int, solids: Floats, source: Floats, seen: Floats) -> Floats:
        for event in self.timeline.events[k]:
            if isinstance(event, int):
                seen[event] = solids
            else:
                share = min(event.volume_l / self.timeline.volume_l, 1.0)
                solids = solids + share * ((source if event.tds_mg_per_l is None else event.tds_mg_per_l) - solids)
        return solids

    def shown(self, z: Floats, seen: Floats, rows: slice = slice(None)) -> Floats:
        """The content at some readings as the pen or the probe shows it, in mg/L: (rows, draws)."""
        f = PRIORS.values(z)
        probe = f["probe_bias"] * np.exp(self.timeline.drifted[rows, None] * f["probe_drift"])
        shown: Floats = seen[rows] * np.where(self.timeline.by_probe[rows, None], probe, f["tds_bias"])
        return shown

    def advance(self, z: Floats, carry: Floats, first: int, last: int) -> tuple[Floats, Floats]:
        if first == last:
            return carry, np.zeros(len(z))
        blocks = self.timeline.blocks
        seen = np.empty((len(self.timeline.readings), len(z)))
        solids = self.through(z, carry[0], blocks[first - 1] if first else 0, blocks[last - 1], seen)
        index = [one for k in blocks[first:last] for one in self.timeline.events[k] if isinstance(one, int)]
        rows = slice(min(index), max(index) + 1)
        shown = self.shown(z, seen, rows)
        chance = likelihood.probability(likelihood.only(self.timeline.readings, rows), shown)
        return solids[None, :], np.log(chance).sum(axis=0)

    def mixing_statistic(self, z: Floats) -> Floats:
        mixing_statistic: Floats = z[:, PRIORS.column["uptake_per_d"]]
        return mixing_statistic


@dataclass(frozen=True, slots=True)
class SolidsPosterior:
    """Draws of a tank's solids from their posterior. blunders: the mean probability that a reading is a blunder."""

    record: Record
    particle_set: ParticleSet
    blunders: float

    @property
    def speaks(self) -> bool:
        """Whether there are enough readings, and the model explains them."""
        readings = sum(one.analyte == "tds" for one in self.record.readings)
        return readings >= LEAST_READINGS and self.blunders <= MOST_BLUNDERS


def posterior(record: Record, draws: int = DRAWS, seed: int = 0, trust: float = TRUST) -> SolidsPosterior:
    """The posterior of a tank's solids after everything in its record. The same seed gives the same result."""
    record = record.recent()
    problem = SolidsTarget(timeline(record))
    particle_set = particles.update(problem, particles.prior_particles(problem, draws, seed), seed, trust)
    seen = np.empty((len(problem.timeline.readings), draws))
    problem.through(particle_set.z, problem.begin(particle_set.z)[0], 0, len(problem.timeline.edges) - 1, seen)
    chance = likelihood.blunders(problem.timeline.readings, problem.shown(particle_set.z, seen)) @ particle_set.weights
    return SolidsPosterior(record, particle_set, float(chance.mean()) if len(chance) else 0.0)
