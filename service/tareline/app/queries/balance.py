"""Gathers the data of the balances of a tank's water: readings, water that went in, food that was given.

A balance that cannot be calculated says why, in a sentence (`why_not`); what it needs is for the keeper to enter.
"""

import math
from dataclasses import dataclass

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.answers.balances import (
    BalancesAnswer,
    HardnessBalance,
    NetBalance,
    NitrogenBalance,
    NoBalance,
    RunsOut,
)
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.core.calendar import rfc3339
from tareline.core.safety.lines import NAMES
from tareline.core.units import CANONICAL, DAY_MS
from tareline.core.water.balance import Inflow, food_ammonia_mg, food_nitrogen_mg, kh_days, kh_spent_dkh, net
from tareline.core.water.readings import Reading

LOOK_BACK_MS = 91 * DAY_MS
LEAST_MS = 14 * DAY_MS  # readings that lie nearer together say more of their own error than of a balance: judgement
FOOD_MS = 28 * DAY_MS  # the food of this period stands for the coming days
AHEAD_DAYS = 365.0  # what lies further ahead is not foretold


@dataclass(frozen=True, slots=True)
class FoodFed:
    """What was fed in a stretch of time: nitrogen, and the ammonia N that fish make of it, in mg.

    uncounted: whether doses are lost of which not even the number is known.
    unnamed: feeders and hands whose food is not known.
    """

    nitrogen_mg: float
    ammonia_mg: float
    uncounted: bool
    unnamed: tuple[str, ...]


def balances(tx: Connection, context: Context, accounts: Accounts, tank: str, now_ms: int) -> BalancesAnswer:
    """Salt, nitrogen and carbonate hardness over the last quarter of a year; canonical units, a day."""
    readings = repository.readings(tx, context, tank, now_ms - LOOK_BACK_MS)
    return BalancesAnswer(
        salt=_net(tx, context, tank, "tds", readings),
        nitrogen=_nitrogen(tx, context, accounts, tank, readings, now_ms),
        hardness=_hardness(tx, context, accounts, tank, readings, now_ms),
    )


def _net(tx: Connection, context: Context, tank: str, analyte: str, readings: list[Reading]) -> NetBalance | NoBalance:
    """What the tank itself does to a concentration, between the oldest and the newest reading."""
    own = [r for r in readings if r.analyte == analyte]
    if len(own) < 2 or own[-1].at_ms - own[0].at_ms < LEAST_MS:
        return NoBalance(
            why_not=f"It takes two readings of {NAMES[analyte]} that lie {LEAST_MS // DAY_MS} days apart, "
            f"within {LOOK_BACK_MS // DAY_MS} days."
        )
    first, last = own[0], own[-1]
    inflows = repository.inflows(tx, context, tank, analyte, first.at_ms, last.at_ms + 1)
    if inflows is None:
        return NoBalance(why_not=_unsaid(analyte))
    found = net(first, last, inflows, context.need("tank", tank)["volume_l"])
    if found is None:
        return NoBalance(why_not="All the water was changed since the older reading.")
    zone = context.zone(tank)
    return NetBalance(
        from_=rfc3339(first.at_ms, zone),
        to=rfc3339(last.at_ms, zone),
        start=first.value,
        end=last.value,
        per_day=found.per_day,
        low=found.low if math.isfinite(found.low) else None,
        high=found.high,
        unit=CANONICAL[analyte].unit,
        basis=CANONICAL[analyte].basis,
        changes=sum(one.replaces for one in inflows),
        topups=sum(not one.replaces for one in inflows),
    )


def _unsaid(analyte: str) -> str:
    return (
        f"A water change or a top-up was written down without its volume, or its source water's {NAMES[analyte]} "
        "is not known."
    )


def _nitrogen(
    tx: Connection, context: Context, accounts: Accounts, tank: str, readings: list[Reading], now_ms: int
) -> NitrogenBalance | NoBalance:
    """How much nitrate the tank makes beside what food brings in."""
    found = _net(tx, context, tank, "nitrate", readings)
    if isinstance(found, NoBalance):
        return found
    own = [r for r in readings if r.analyte == "nitrate"]
    start_ms, end_ms = own[0].at_ms, own[-1].at_ms
    food = _food(tx, context, accounts, tank, start_ms, end_ms, now_ms)
    per_day = DAY_MS / (end_ms - start_ms) / context.need("tank", tank)["volume_l"]
    return NitrogenBalance(
        **dict(found),
        food_per_day=None if food.unnamed else food.nitrogen_mg * per_day,
        food_at_least=food.uncounted,
        food_not_known_of=list(food.unnamed),
    )


def _hardness(
    tx: Connection, context: Context, accounts: Accounts, tank: str, readings: list[Reading], now_ms: int
) -> HardnessBalance | NoBalance:
    """The carbonate hardness that nitrifying the food's ammonia uses up, and when it may run out.

    The most that can be: ammonia that plants take up is not nitrified, and nitrate they take up gives hardness back.
    """
    own = [r for r in readings if r.analyte == "kh"]
    if not own:
        return NoBalance(why_not=f"Carbonate hardness was not measured within {LOOK_BACK_MS // DAY_MS} days.")
    volume_l = context.need("tank", tank)["volume_l"]
    start_ms = now_ms - FOOD_MS
    food = _food(tx, context, accounts, tank, start_ms, now_ms, now_ms)
    if food.unnamed:
        return NoBalance(why_not=f"It is not known what is fed by {' and '.join(food.unnamed)}.")
    if food.ammonia_mg == 0:
        return NoBalance(why_not=f"Nothing was fed within {FOOD_MS // DAY_MS} days, as far as is known.")
    inflows = repository.inflows(tx, context, tank, "kh", start_ms, now_ms)
    if inflows is None:
        return NoBalance(why_not=_unsaid("kh"))
    nitrified = food.ammonia_mg / volume_l / (FOOD_MS / DAY_MS)
    newest = own[-1]
    restored = sum(_restored(one, newest.value, volume_l) for one in inflows) / (FOOD_MS / DAY_MS)
    days = kh_days(newest, nitrified, restored)
    zone = context.zone(tank)
    return HardnessBalance(
        measured=rfc3339(newest.at_ms, zone),
        value=newest.value,
        unit=CANONICAL["kh"].unit,
        basis=None,
        spent_per_day=kh_spent_dkh(nitrified),
        spent_at_least=food.uncounted,
        restored_per_day=restored,
        runs_out=None
        if days is None or days[0] > AHEAD_DAYS
        else RunsOut(
            from_=rfc3339(newest.at_ms + round(days[0] * DAY_MS), zone),
            to=None if days[1] > AHEAD_DAYS else rfc3339(newest.at_ms + round(days[1] * DAY_MS), zone),
        ),
    )


def _restored(inflow: Inflow, kh_dkh: float, volume_l: float) -> float:
    return inflow.volume_l / volume_l * (inflow.content - (kh_dkh if inflow.replaces else 0.0))


def _food(
    tx: Connection, context: Context, accounts: Accounts, tank: str, start_ms: int, end_ms: int, now_ms: int
) -> FoodFed:
    """What was fed in [start, end), each dose by its feeder's account, else by what it tells itself."""
    doses, handfeeds = repository.fed(tx, context, tank, start_ms, end_ms)
    told = accounts.told(context.register.stays("feeder", tank), [(start_ms, end_ms)], doses, now_ms)
    nitrogen_mg, ammonia_mg = 0.0, 0.0
    unnamed: dict[str, None] = {}
    given: list[tuple[str, str | None, int, float]] = [
        (d.feeder, None, d.at_ms, told.doses[d.entry].mass_g if d.entry in told.doses else d.expected()[0])
        for d in doses
        if d.moved
    ]
    given += [("hand", h.food, h.at_ms, h.mass_g) for h in handfeeds]
    feeders = context.register.devices_of("feeder", tank)
    for who, named, at_ms, mass_g in given:
        feeder = who if who != "hand" else feeders[0] if len(feeders) == 1 else ""
        ref = named or (context.register.at("feeder", feeder, at_ms) or {}).get("food")
        food = None if ref is None else context.register.at("food", ref, at_ms)
        if food is None:
            unnamed[who] = None
        else:
            nitrogen_mg += food_nitrogen_mg(mass_g, food["protein_percent"])
            ammonia_mg += food_ammonia_mg(mass_g, food["protein_percent"])
    return FoodFed(nitrogen_mg, ammonia_mg, any(d.count == 0 for d in doses), tuple(unnamed))
