"""What the tests of this author's worlds ask of each of them."""

import copy
import os
from typing import TypeVar

from worlds.seam import (
    AMMONIA_DETECTED_MG_N_PER_L,
    NITRATE_CEILING_MG_N_PER_L,
    NITRITE_DETECTED_MG_N_PER_L,
    Water,
)
from worlds.tank import MONTH_D, Tank

AnyTank = TypeVar("AnyTank", bound=Tank)
FULL = os.environ.get("TARELINE_FULL") == "1"


def worst_of_month(tank: Tank, ration_g: float) -> float:
    """Live a month with the usual trim at its end: the worst of the three monthly means, each over its bound."""
    ammonia = nitrite = nitrate = 0.0
    days = 30
    for _ in range(days):
        tank.advance(MONTH_D / days, ration_g * MONTH_D / days)
        water = tank.water
        ammonia += water.ammonia / days
        nitrite += water.nitrite / days
        nitrate += water.nitrate / days
    tank.trim(tank.usual_trim_per_month)
    return max(
        ammonia / AMMONIA_DETECTED_MG_N_PER_L,
        nitrite / NITRITE_DETECTED_MG_N_PER_L,
        nitrate / NITRATE_CEILING_MG_N_PER_L,
    )


def ends_over(tank: Tank, ration_g: float) -> bool:
    """Whether such a ration, for as long as needed, ends over a bound.

    The end is reached when a year changes the nitrogen of all pools together by less than 0.1 % of its food, or when a
    bound is passed and it still rises; not before two years, so that what comes with the change of ration is over.
    """
    still = tank.held()
    still.step_d = 0.125
    fed_mg = 12.0 * MONTH_D * ration_g * still.food_n_mg_per_g
    before = held_before_mg = -1.0
    for year in range(80):
        for _ in range(11):
            still.advance(MONTH_D, ration_g * MONTH_D)
            still.trim(still.usual_trim_per_month)
        now = worst_of_month(still, ration_g)
        account = still.nitrogen_mg()
        held_mg = sum(mg for name, mg in account.items() if name != "start" and not name.endswith((" in", " out")))
        if year >= 2 and now > 1.0 and now > before:
            return True
        if year >= 2 and abs(held_mg - held_before_mg) < 1e-3 * fed_mg:
            return now > 1.0
        before, held_before_mg = now, held_mg
    raise AssertionError("not at rest after 80 years")


def check_limit(tank: Tank) -> None:
    """At 0.9 of the limit the tank ends within its bounds, at 1.1 over one; and asking changes nothing."""
    before = tank.nitrogen_mg()
    limit_g = tank.limit_g()
    assert tank.nitrogen_mg() == before
    assert limit_g > 0.0
    assert not ends_over(tank, 0.9 * limit_g)
    assert ends_over(tank, 1.1 * limit_g)


def live_a_hard_year(tank: Tank, ration_g: float) -> None:
    """A year with everything that the seam offers, and ten times the ration in one month."""
    source = Water(nitrate=3.0, nitrite=0.01, ammonia=0.02, kh=6.0)
    for month in range(12):
        tank.advance(20.0, 20.0 * ration_g * (10.0 if month == 7 else 1.0))
        if month == 2:
            tank.change_water(0.4, source)
        if month == 4:
            tank.heat_wave(10.0, 6.0)
        if month == 5:
            tank.cut_power(36.0)
        tank.advance(10.4, 0.0 if month == 9 else 10.4 * ration_g)
        tank.trim(0.95 if month == 10 else tank.usual_trim_per_month)


def check_conservation(tank: Tank) -> None:
    """All nitrogen is accounted for to 1e-9 of what came in, and no pool is negative."""
    live_a_hard_year(tank, 0.06 * tank.volume_l / 20.0)
    account = tank.nitrogen_mg()
    came = sum(mg for name, mg in account.items() if name == "start" or name.endswith(" in"))
    there = sum(mg for name, mg in account.items() if name != "start" and not name.endswith(" in"))
    assert abs(came - there) < 1e-9 * came
    assert min(account.values()) >= 0.0
    for way in ("food in", "source water in", "changed out", "trimmed out", "gas out"):
        assert account[way] > 0.0
    water = tank.water
    assert min(water.ammonia, water.nitrite, water.nitrate, water.kh) >= 0.0
    assert tank.plants.dry_g > 0.0


def check_step_halving(tank: Tank, ration_g: float) -> None:
    """Half the step changes a month's means by less than 1 % after a year.

    Nearly nothing is compared with what matters: 0.005 mg N/L in the water, 0.1 % of the food in the gas.
    """
    means: list[dict[str, float]] = []
    for step_d in (tank.step_d, tank.step_d / 2.0):
        one = copy.deepcopy(tank)
        one.step_d = step_d
        for _ in range(12):
            one.advance(MONTH_D, MONTH_D * ration_g)
            one.trim(one.usual_trim_per_month)
        month = dict.fromkeys((*one.nitrogen_mg(), "dry_g"), 0.0)
        for _ in range(30):
            one.advance(1.0, ration_g)
            for name, mg in (one.nitrogen_mg() | {"dry_g": one.plants.dry_g}).items():
                month[name] += mg / 30.0
        means.append(month)
    coarse, fine = means
    for name, mg in fine.items():
        floor_mg = 0.005 * tank.volume_l if name in ("ammonia", "nitrite", "nitrate") else 1e-9
        if name == "gas out":
            floor_mg = 0.001 * fine["food in"]
        assert abs(coarse[name] - mg) < max(0.01 * abs(mg), floor_mg), name


_DRAWN: dict[tuple[type[Tank], int], Tank] = {}


def drawn(kind: type[AnyTank], seed: int) -> AnyTank:
    """A copy of the aquarium of this seed, which is drawn only once."""
    if (kind, seed) not in _DRAWN:
        _DRAWN[kind, seed] = kind.draw(seed)
    tank = copy.deepcopy(_DRAWN[kind, seed])
    assert isinstance(tank, kind)
    return tank


def over_20_l(tank: Tank) -> float:
    """The limit in g/d in proportion to 20 L."""
    return tank.limit_g() * 20.0 / tank.volume_l
