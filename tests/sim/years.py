"""A year of an aquarium of tests/worlds under one policy, and what the service told meanwhile, against the truth.

The ramp: led by the service's own ramp on its own posterior, which goes on with each week's readings. The book, common
practice without a source: a fixed step every four weeks until nitrate is first seen, then no more. Every keeper begins
with 0.01 g a day for 20 l and steps by 0.015 g (0.01 to 0.02 g a month; common practice, no source). A hold by the
default lines is kept until a reading is clear.
"""

import copy
import math
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from importlib import import_module
from typing import Literal

import numpy as np
from ramps import BOOK_WEEKS, LINES, NOON_MS, START_G_PER_L, STEP_G_PER_L, Driver, counted

from tareline.core.load.forecast import Scenario, forecast
from tareline.core.load.limit import Load
from tareline.core.load.posterior import Posterior
from tareline.core.load.record import Change, DailyFeed, Food, Harvest, Record, RecordedReading
from tareline.core.safety.ramp import Ramp
from tareline.core.units import DAY_MS
from worlds.keepers import CHARTS, Keeper
from worlds.seam import NITRATE_CEILING_MG_N_PER_L, Notes, World

Policy = Literal["ramp", "book"]
WORLDS = {
    "plants_by_quota": "PlantsByQuota",
    "floating_plants": "FloatingPlants",
    "substrate": "Substrate",
    "young_tank": "YoungTank",
}
WEEKS = 52
DWELL_DAYS = 14
LIMIT_EVERY = 4  # weeks; between them the limit is the last one
FORECAST_AT = (16, 28, 40)
FORECAST_WEEKS = (2, 4, 8)
WITHIN = 0.2
SCALE_SD = 0.02  # of a dose as it is noted


@dataclass(frozen=True, slots=True)
class Week:
    """One week: the ration that was fed, the true limit, and what was told at its end, all in grams a day.

    p5_g, p95_g: the interval where a limit is told; p5_g alone: "at least"; both None: nothing is told.
    """

    ration_g: float
    limit_g: float
    found: bool
    p5_g: float | None
    p50_g: float | None
    p95_g: float | None
    recommended_g: float
    refuses: bool


@dataclass
class Year:
    """What became of one aquarium.

    steps: ration and limit of each step up. ahead: weeks ahead, and whether nitrate then lay in the band of 90 %, with
    the ration kept as it was. over_ceiling: weeks at whose end nitrate stood above its ceiling.
    """

    world: str
    seed: int
    reach_g: float
    weeks: list[Week] = field(default_factory=list)
    steps: list[tuple[float, float]] = field(default_factory=list)
    ahead: list[tuple[int, bool]] = field(default_factory=list)
    worst_ammonia: float = 0.0
    over_ceiling: int = 0


def record_of(world: World, notes: Notes) -> Record:
    """What the service is told of an aquarium: all that its keeper has written down."""
    days: dict[int, float] = {}
    for day, mass_g in notes.fed:
        days[math.floor(day)] = days.get(math.floor(day), 0.0) + mass_g
    return Record(
        volume_l=world.volume_l,
        now=world.day,
        new=world.new,
        foods=(Food("food", world.protein_percent),),
        fed=tuple(DailyFeed(day, mass, SCALE_SD * mass) for day, mass in sorted(days.items())),
        readings=tuple(_reading(*one) for one in notes.readings if one[1] != "kh"),
        changes=tuple(Change(day, litres, nitrate_mg_n_per_l=nitrate) for day, litres, nitrate in notes.changes),
        harvests=tuple(Harvest(day, share) for day, share, _ in notes.trims),
    )


def _reading(day: float, analyte: str, value: float, low: float, high: float | None, kit: str) -> RecordedReading:
    """A reading as the service keeps it: with the neighbouring steps of a chart, or what an instrument tells apart."""
    if kit == "chart":
        steps = CHARTS[analyte]  # type: ignore[index]
        at = min(range(len(steps)), key=lambda i: abs(steps[i] - value))
        low = steps[at - 1] if at else 0.0
        high = steps[at + 1] if at + 1 < len(steps) else None
    return RecordedReading(day, analyte, low, high, value, detected=value > 0)  # type: ignore[arg-type]


@dataclass
class _Told:
    """For the ramp's driver, which asks by the number of a tank: there is one."""

    world: World
    keeper: Keeper

    @property
    def seen(self) -> list[list[RecordedReading]]:
        return [list(self.record(0).readings)]

    def record(self, i: int) -> Record:
        del i
        return record_of(self.world, self.keeper.notes)


def lead(name: str, seed: int, policy: Policy = "ramp") -> Year:
    """A year of the aquarium of a seed."""
    world: World = getattr(import_module(f"worlds.{name}"), WORLDS[name]).draw(seed)
    keeper = Keeper.make(seed, world.usual_trim_per_month)
    ration_g, step_g = round(START_G_PER_L * world.volume_l, 6), round(STEP_G_PER_L * world.volume_l, 6)
    year = Year(name, seed, ration_g + WEEKS // BOOK_WEEKS * step_g)
    driver = Driver(Ramp(ration_g, step_g, 100 * step_g, DWELL_DAYS, 1 / 3, "auto", 1, NOON_MS), ration_g)
    told = _Told(world, keeper)
    share, stopped, limit_g = 1.0, False, math.nan
    for week in range(WEEKS):
        if week % LIMIT_EVERY == 0:
            limit_g = world.limit_g()
        fed_g = ration_g
        for day in range(7):
            keeper.feed_day(world, ration_g * share)
            year.worst_ammonia = max(year.worst_ammonia, world.water.ammonia)
            if day == 3 and driver.asks:
                keeper.read(world, "nitrate")
        year.over_ceiling += world.water.nitrate > NITRATE_CEILING_MG_N_PER_L
        keeper.weekly(world)
        for analyte in ("ammonia", "nitrite", "nitrate"):
            keeper.read(world, analyte)
        seen = told.seen[0]
        crossed = [line for line in LINES if line.crossed_by(counted(seen).get(line.analyte, 0.0))]
        driver.unfed_ms += 7 * DAY_MS if share == 0 else 0
        share = (
            0.0
            if any(line.do == "hold" for line in crossed)
            else min((line.reduce_to or 1.0 for line in crossed), default=1.0)
        )
        driver.held = share < 1
        answer: Load | None = None
        if policy == "ramp":
            now_ms = NOON_MS + int(world.day * DAY_MS)
            decision = driver.look(told, 0, now_ms, tuple(line.analyte for line in crossed))
            assert driver.known is not None
            answer = driver.load
            assert answer is not None
            if decision.state == "steps up":
                year.steps.append((driver.ration_g, limit_g))
            ration_g = driver.ration_g
            if week + 1 in FORECAST_AT and answer.diagnostics.speaks:
                year.ahead += _ahead(world, driver.known, ration_g)
        else:
            stopped = stopped or any(one.analyte == "nitrate" and one.detected for one in seen)
            if not stopped and (week + 1) % BOOK_WEEKS == 0:
                ration_g += step_g
        year.weeks.append(_week(fed_g, limit_g, answer))
    return year


def _week(ration_g: float, limit_g: float, answer: Load | None) -> Week:
    if answer is None:
        return Week(ration_g, limit_g, False, None, None, None, 0.0, False)
    return Week(
        ration_g,
        limit_g,
        answer.found,
        answer.p5_g,
        answer.p50_g,
        answer.p95_g,
        answer.recommended_g,
        not answer.diagnostics.speaks,
    )


def _ahead(world: World, known: Posterior, ration_g: float) -> list[tuple[int, bool]]:
    """Whether nitrate lies in the bands of 90 % if the ration stays as it is: a copy of the aquarium goes on."""
    bands = forecast(known, Scenario(7 * FORECAST_WEEKS[-1], ration_g)).bands["nitrate"]
    other = copy.deepcopy(world)
    found = []
    for day in range(1, 7 * FORECAST_WEEKS[-1] + 1):
        other.advance(1.0, ration_g)
        if day % 7 == 0 and day // 7 in FORECAST_WEEKS:
            low, _, _, _, high = bands[day - 1]
            found.append((day // 7, bool(low <= other.water.nitrate <= high)))
    return found


def years(name: str, count: int, first_seed: int, policy: Policy = "ramp", processes: int = 1) -> list[Year]:
    """Years of some aquariums of a world, from a seed on."""
    one = partial(lead, name, policy=policy)
    seeds = range(first_seed, first_seed + count)
    if processes == 1:
        return [one(seed) for seed in seeds]
    with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn")) as pool:
        return list(pool.map(one, seeds))


@dataclass(frozen=True)
class Figures:
    """Shares over some years; None where there is nothing to count."""

    years: int
    over: float  # of tank-weeks, fed above the limit
    steps_over: float | None  # of steps up, that land above the limit
    held: float | None  # of told intervals at the year's end, that hold the limit
    under_p5: float | None  # of these, with the limit below
    at_least: float | None  # of tank-weeks in which "at least" is told, in which it is true
    refuses: float  # of years, at their end
    recommended_over: float  # of tank-weeks
    found_within_fifth: float | None  # of the tanks within reach
    width: float | None  # median p95 / p5 at the end
    ahead: dict[int, float]
    worst_ammonia: float
    over_ceiling: float  # of tank-weeks

    def __str__(self) -> str:
        def share(value: float | None) -> str:
            return "-" if value is None else f"{value:.3f}"

        ahead = ", ".join(f"{weeks} w {share_:.2f}" for weeks, share_ in self.ahead.items())
        return (
            f"{self.years} years: above the limit {self.over:.3f} of weeks, steps {share(self.steps_over)}; told at "
            f"the end: hold {share(self.held)}, limit under p5 {share(self.under_p5)}, width {share(self.width)}; at "
            f"least holds {share(self.at_least)}; refuses {self.refuses:.3f}; recommended above "
            f"{self.recommended_over:.3f}; found within a fifth {share(self.found_within_fifth)} of those in reach; "
            f"nitrate ahead {ahead}; worst ammonia {self.worst_ammonia:.2f} mg N/L; "
            f"nitrate over its ceiling {self.over_ceiling:.4f} of weeks"
        )


def figures(found: Sequence[Year]) -> Figures:
    """What some years came to."""
    weeks = [week for year in found for week in year.weeks]
    steps = [step for year in found for step in year.steps]
    ends = [year.weeks[-1] for year in found]
    told = [week for week in ends if week.found and week.p5_g is not None and week.p95_g is not None]
    least = [week for week in weeks if not week.found and week.p5_g is not None]
    reach = [year for year in found if 0 < year.weeks[-1].limit_g <= year.reach_g]
    near = [
        end.found and end.p50_g is not None and abs(end.p50_g - end.limit_g) <= WITHIN * end.limit_g
        for end in (year.weeks[-1] for year in reach)
    ]
    ahead = {
        span: [inside for year in found for weeks_, inside in year.ahead if weeks_ == span] for span in FORECAST_WEEKS
    }
    return Figures(
        years=len(found),
        over=float(np.mean([week.ration_g > week.limit_g for week in weeks])),
        steps_over=_mean([ration > limit for ration, limit in steps]),
        held=_mean([(w.p5_g or 0) <= w.limit_g <= (w.p95_g or 0) for w in told]),
        under_p5=_mean([w.limit_g < (w.p5_g or 0) for w in told]),
        at_least=_mean([(w.p5_g or 0) <= w.limit_g for w in least]),
        refuses=float(np.mean([week.refuses for week in ends])),
        recommended_over=float(np.mean([week.recommended_g > week.limit_g for week in weeks])),
        found_within_fifth=_mean(near),
        width=float(np.median([(w.p95_g or 0) / (w.p5_g or 1) for w in told])) if told else None,
        ahead={span: float(np.mean(of)) for span, of in ahead.items() if of},
        worst_ammonia=max(year.worst_ammonia for year in found),
        over_ceiling=sum(year.over_ceiling for year in found) / len(weeks),
    )


def _mean(of: Sequence[bool]) -> float | None:
    return float(np.mean(of)) if of else None
