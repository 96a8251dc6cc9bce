"""The weeks ahead under a ration, and what if: another food, a water change, fewer plants, a holiday.

A forecast is the posterior's own draws led on: what is not known of the tank and what it may yet wander is in the
bands. They are bands of the water; a kit's own step and its reader's eye come on top.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tareline.core.load import limit, nitrogen, solids
from tareline.core.load.nitrogen import Run
from tareline.core.load.particles import quantiles
from tareline.core.load.posterior import Posterior, carried
from tareline.core.load.record import WITNESSES, Change, Fed, Food, Harvest, Record, Seen
from tareline.core.load.solids import Solids, SolidsPosterior

Floats = NDArray[np.float64]

BANDS = (0.05, 0.25, 0.5, 0.75, 0.95)
Content = Literal["ammonia", "nitrite", "nitrate", "tds"]


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is going to happen. Days are counted from now.

    daily_g: one ration, or one per day. food: another one than the last fed. changes, harvests: with days from now.
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

    over_ceiling: (days,), probability of nitrate above the tank's ceiling. seen: of ammonia or nitrite at or above
    what kits show. rests_at: quantiles of nitrate at rest under the last day's ration (None: it never rests).
    """

    bands: Mapping[Content, Floats]
    over_ceiling: Floats
    seen: Floats
    rests_at: tuple[float | None, ...]


def forecast(known: Posterior, ahead: Ahead, dissolved: SolidsPosterior | None = None, seed: int = 0) -> Forecast:
    """Lead the posterior on. dissolved: the solids' posterior of the same record, if there is one that speaks."""
    food = _food(known.record, ahead.food)
    record = _extended(known.record, ahead, food)
    cut = nitrogen.course(record, step_d=1.0 if record.now - known.record.now <= 120 else nitrogen.STEP_D)
    cloud = known.cloud
    z = carried(known.course.priors, cut.priors, cloud.z, seed)
    k = int(np.searchsorted(cut.edges, known.course.edges[known.course.blocks[cloud.taken - 1]])) if cloud.taken else 0
    run = Run(cut, z, k)
    steps = len(cut.edges) - 1
    water = np.empty((len(cut.readings), len(z)))
    state = run.through(cloud.carry, k, steps, water)
    run.look(state, steps, water)
    daily = water[-3 * ahead.days :].reshape(ahead.days, 3, -1)
    weights = known.weights
    bands: dict[Content, Floats] = {
        "ammonia": quantiles(daily[:, 0].T, weights, BANDS).T,
        "nitrite": quantiles(daily[:, 1].T, weights, BANDS).T,
        "nitrate": quantiles(daily[:, 2].T, weights, BANDS).T,
    }
    if dissolved is not None and dissolved.speaks:
        bands["tds"] = _solids(dissolved, record, ahead)
    ammonia, nitrite = record.detects
    end = Posterior(record, cut, replace(cloud, z=z), state, run.uptake[-1], known.reached, known.blunders)
    rest = limit.steady_nitrate(end, ahead.ration_g(ahead.days - 1), food)
    return Forecast(
        bands=bands,
        over_ceiling=(daily[:, 2] > record.ceiling_mg_n_per_l) @ weights,
        seen=((daily[:, 0] >= ammonia) | (daily[:, 1] >= nitrite)) @ weights,
        rests_at=tuple(_finite(float(np.quantile(rest, q, method="lower"))) for q in BANDS),
    )


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _food(record: Record, food: Food | None) -> int:
    """The index of the food ahead: a new one, or what was fed last."""
    if food is not None:
        return record.foods.index(food) if food in record.foods else len(record.foods)
    return max(record.fed, key=lambda fed: fed.day).food if record.fed else 0


def _extended(record: Record, ahead: Ahead, food: int) -> Record:
    """The record as if what is ahead had happened, with a look at the water at each day's end."""
    first = round(record.now)
    foods = record.foods if food < len(record.foods) or ahead.food is None else (*record.foods, ahead.food)
    fed = tuple(Fed(first + day, ahead.ration_g(day), 0.0, food) for day in range(ahead.days))
    looks = tuple(
        Seen(record.now + day + 1, analyte, 0.0, None, 0.0)  # type: ignore[arg-type]
        for day in range(ahead.days)
        for analyte in WITNESSES
    )
    return replace(
        record,
        now=record.now + ahead.days,
        foods=foods,
        fed=tuple(one for one in record.fed if one.day < first) + fed,
        seen=record.seen + looks,
        changes=record.changes + tuple(replace(c, day=record.now + c.day) for c in ahead.changes),
        harvests=record.harvests + tuple(replace(h, day=record.now + h.day) for h in ahead.harvests),
    )


def _solids(dissolved: SolidsPosterior, record: Record, ahead: Ahead) -> Floats:
    """Bands of dissolved solids per day ahead. Top-ups go on as they were."""
    looks = tuple(Seen(record.now - ahead.days + day + 1, "tds", 0.0, None, 0.0) for day in range(ahead.days))
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
    cut = solids.course(replace(record, seen=dissolved.record.seen + looks, changes=record.changes + tuple(more)))
    problem = Solids(cut)
    water = np.empty((len(cut.readings), len(dissolved.cloud.z)))
    problem.through(dissolved.cloud.z, problem.begin(dissolved.cloud.z)[0], 0, len(cut.edges) - 1, water)
    return quantiles(water[-ahead.days :].T, dissolved.cloud.weights, BANDS).T
