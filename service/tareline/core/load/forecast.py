"""Forecasts of the water for the coming weeks, for the planned ration or for another scenario.

A scenario can be another food, a water change, fewer plants or an absence. A forecast simulates the posterior's draws
further in time, so the bands contain the uncertainty of the tank's figures and their future random changes. The bands
are those of the water itself: the error of a test kit and of the person who reads it is not included.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tareline.core.load import limit, nitrogen, solids
from tareline.core.load.nitrogen import Simulation
from tareline.core.load.particles import quantiles
from tareline.core.load.posterior import Posterior, extend_draws
from tareline.core.load.record import WITNESSES, Change, DailyFeed, Food, Harvest, Record, RecordedReading
from tareline.core.load.solids import SolidsPosterior, SolidsTarget

Floats = NDArray[np.float64]

BANDS = (0.05, 0.25, 0.5, 0.75, 0.95)
Content = Literal["ammonia", "nitrite", "nitrate", "tds"]


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is assumed to happen in the coming days. Days are counted from now.

    daily_g: the ration in grams a day, one for all days or one for each day. food: the food, None for the food that was
    fed last. changes, harvests: their `day` is counted from now.
    """

    days: int
    daily_g: float | Sequence[float]
    food: Food | None = None
    changes: tuple[Change, ...] = ()
    harvests: tuple[Harvest, ...] = ()

    def ration_g(self, day: int) -> float:
        return self.daily_g if isinstance(self.daily_g, int | float) else self.daily_g[day]


@dataclass(frozen=True, slots=True)
class Forecast:
    """Bands of the water at the end of each day ahead: per content (days, 5), at the quantiles `BANDS`; mg/L, N as N.

    over_ceiling: (days,), probability that nitrate is above the tank's ceiling. detected: (days,), probability that
    ammonia or nitrite is at or above the detection limit of the kits. rests_at: quantiles of the steady
    nitrate under the last day's ration, mg/L as N; None where nitrate never becomes steady.
    """

    bands: Mapping[Content, Floats]
    over_ceiling: Floats
    detected: Floats
    rests_at: tuple[float | None, ...]


def forecast(known: Posterior, scenario: Scenario, dissolved: SolidsPosterior | None = None, seed: int = 0) -> Forecast:
    """Simulate a scenario. dissolved: the posterior of the dissolved solids of the same record, where there is one."""
    food = _food(known.record, scenario.food)
    record = _extended(known.record, scenario, food)
    cut = nitrogen.timeline(record, step_d=1.0 if record.now - known.record.now <= 120 else nitrogen.STEP_D)
    particle_set = known.particle_set
    z = extend_draws(known.timeline.priors, cut.priors, particle_set.z, seed)
    k = (
        int(np.searchsorted(cut.edges, known.timeline.edges[known.timeline.blocks[particle_set.taken - 1]]))
        if particle_set.taken
        else 0
    )
    run = Simulation(cut, z, k)
    steps = len(cut.edges) - 1
    water = np.empty((len(cut.readings), len(z)))
    state = run.through(particle_set.carry, k, steps, water)
    run.look(state, steps, water)
    daily = water[-3 * scenario.days :].reshape(scenario.days, 3, -1)
    weights = known.weights
    bands: dict[Content, Floats] = {
        "ammonia": quantiles(daily[:, 0].T, weights, BANDS).T,
        "nitrite": quantiles(daily[:, 1].T, weights, BANDS).T,
        "nitrate": quantiles(daily[:, 2].T, weights, BANDS).T,
    }
    if dissolved is not None and dissolved.speaks:
        bands["tds"] = _solids(dissolved, record, scenario)
    ammonia, nitrite = record.detects
    end = Posterior(record, cut, replace(particle_set, z=z), state, run.uptake[-1], known.reached, known.blunders)
    rest = limit.steady_nitrate(end, scenario.ration_g(scenario.days - 1), food)
    return Forecast(
        bands=bands,
        over_ceiling=(daily[:, 2] > record.ceiling_mg_n_per_l) @ weights,
        detected=((daily[:, 0] >= ammonia) | (daily[:, 1] >= nitrite)) @ weights,
        rests_at=tuple(_finite(float(np.quantile(rest, q, method="lower"))) for q in BANDS),
    )


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _food(record: Record, food: Food | None) -> int:
    """The index of the scenario's food; where it names none, that of the food that was fed last."""
    if food is not None:
        return record.foods.index(food) if food in record.foods else len(record.foods)
    return max(record.fed, key=lambda fed: fed.day).food if record.fed else 0


def _extended(record: Record, scenario: Scenario, food: int) -> Record:
    """The record as if the scenario had already happened, with a reading of each analyte at the end of each day."""
    first = round(record.now)
    foods = record.foods if food < len(record.foods) or scenario.food is None else (*record.foods, scenario.food)
    fed = tuple(DailyFeed(first + day, scenario.ration_g(day), 0.0, food) for day in range(scenario.days))
    looks = tuple(
        RecordedReading(record.now + day + 1, analyte, 0.0, None, 0.0)  # type: ignore[arg-type]
        for day in range(scenario.days)
        for analyte in WITNESSES
    )
    return replace(
        record,
        now=record.now + scenario.days,
        foods=foods,
        fed=tuple(one for one in record.fed if one.day < first) + fed,
        readings=record.readings + looks,
        changes=record.changes + tuple(replace(c, day=record.now + c.day) for c in scenario.changes),
        harvests=record.harvests + tuple(replace(h, day=record.now + h.day) for h in scenario.harvests),
    )


def _solids(dissolved: SolidsPosterior, record: Record, scenario: Scenario) -> Floats:
    """Bands of dissolved solids for each coming day. Top-ups are assumed to continue as they were."""
    looks = tuple(
        RecordedReading(record.now - scenario.days + day + 1, "tds", 0.0, None, 0.0) for day in range(scenario.days)
    )
    topups = [c for c in dissolved.record.changes if c.kind == "topup"]
    more: list[Change] = []
    if topups:
        recent = [c for c in topups if c.day > dissolved.record.now - 90] or topups
        every = max(1.0, (recent[-1].day - recent[0].day) / max(1, len(recent) - 1))
        litres = float(np.mean([c.volume_l for c in recent]))
        last = topups[-1].day
        more = [
            replace(recent[-1], day=last + every * (i + 1), volume_l=litres)
            for i in range(int((record.now - last) / every) + 1)
        ]
    cut = solids.timeline(
        replace(record, readings=dissolved.record.readings + looks, changes=record.changes + tuple(more))
    )
    problem = SolidsTarget(cut)
    water = np.empty((len(cut.readings), len(dissolved.particle_set.z)))
    problem.through(dissolved.particle_set.z, problem.begin(dissolved.particle_set.z)[0], 0, len(cut.edges) - 1, water)
    return quantiles(water[-scenario.days :].T, dissolved.particle_set.weights, BANDS).T
