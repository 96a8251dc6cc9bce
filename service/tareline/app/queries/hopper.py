"""What is left in a feeder's hopper by its account, how long that lasts, and how much it should hold at most."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.answers.hoppers import HopperAdvice, HopperAnswer, NewestWeighIn, TankHopperAnswer
from tareline.app.commands.entries import stated
from tareline.app.context import Context
from tareline.app.projections.accounts import Account, Accounts
from tareline.core.safety.hopper_advice import advice_text, hopper_advice, round_down_g
from tareline.core.weighing.hopper import hopper
from tareline.store import devices as device_store
from tareline.store import ledger, series


def hopper_view(account: Account | None, plan: Mapping[str, Any] | None, zone: str) -> HopperAnswer:
    """The hopper if the plan in force goes on; every value None before there is an account, days None where nothing
    is being fed. plan: the body of the feeder's newest `down/plan`."""
    if account is None or account.found is None:
        return HopperAnswer()
    found = hopper(account.found, daily_g(plan))
    return HopperAnswer(
        content_g=found.content_g,
        content_sd_g=found.content_sd_g,
        days_left=found.days,
        days_low=found.days_low,
        days_high=found.days_high,
        refill_by=None if found.refill_by_ms is None else stated(found.refill_by_ms, zone),
        weigh_by=stated(found.weigh_by_ms, zone),
    )


def daily_g(plan: Mapping[str, Any] | None) -> float:
    """What a plan asks for in a day: the most of any that has not begun yet, since a new ration comes with a midnight,
    and an absence that feeds less ends again."""
    meals = plan["meals"] if plan is not None else []
    days: dict[str, float] = {}
    for meal in meals:
        day = str(meal["id"]).partition("/")[0]
        days[day] = days.get(day, 0.0) + float(meal["target_g"])
    return max((grams for day, grams in days.items() if day != min(days)), default=sum(days.values()))


def advice_view(
    tx: Connection, context: Context, feeder: str, tank: str, content_g: float | None, plan: Mapping[str, Any] | None
) -> HopperAdvice | None:
    """How much a feeder's hopper should hold at most in its tank, and how much it holds; None where its food is not
    known. plan: the body of the feeder's newest `down/plan`."""
    ref = (context.register.now("feeder", feeder) or {}).get("food")
    food = None if ref is None else context.register.now("food", ref)
    if food is None:
        return None
    latest = repository.latest_readings(tx, context, tank)
    advice = hopper_advice(
        repository.lines(context, tank),
        context.need("tank", tank)["volume_l"],
        food["protein_percent"],
        latest["ph"][0] if "ph" in latest else None,
        repository.temperature(context, tank, latest),
        context.stamp_ms(),
    )
    if advice.mass_g is None:
        return None
    return HopperAdvice(
        most_g=round_down_g(advice.mass_g),
        content_g=content_g,
        exceeded=content_g is not None and content_g > advice.mass_g,
        analyte=advice.analyte,
        line_mg_n_per_l=advice.line_mg_n_per_l,
        ph=advice.ph,
        temperature_c=advice.temperature_c,
        assumed=list(advice.assumed),
        text=advice_text(feeder, advice, content_g, daily_g(plan)),
    )


def tank_hoppers(tx: Connection, context: Context, accounts: Accounts, tank: str) -> list[TankHopperAnswer]:
    """The hoppers of a tank's feeders."""
    zone = context.zone(tank)
    devices, told = device_store.load(tx), device_store.issued(tx)
    found = []
    for feeder in context.register.devices_of("feeder", tank):
        plan = told.get((feeder, "plan"))
        weighed = ledger.newest(tx, "weighin", device=feeder)
        shown = dict(hopper_view(accounts.account(feeder), None if plan is None else plan.body, zone))
        as_of_ms: int | None = context.stamp_ms()
        by: str | None = "account"
        if shown["content_g"] is None:
            shown["content_g"], shown["content_sd_g"], as_of_ms, by = _weighed(tx, feeder)
        online = devices[feeder].online if feeder in devices else None
        last = weighed[0] if weighed else None
        found.append(
            TankHopperAnswer(
                feeder=feeder,
                food=(context.register.now("feeder", feeder) or {}).get("food"),
                as_of=None if as_of_ms is None else stated(as_of_ms, zone),
                by=by,
                online=online,
                last_weighin=None
                if last is None
                else NewestWeighIn(at=stated(last.at_ms, zone), mass_g=last.body["mass_g"], sd_g=last.body["sd_g"]),
                **shown,
            )
        )
    return found


def _weighed(tx: Connection, feeder: str) -> tuple[float | None, float | None, int | None, str | None]:
    """What is in the hopper by the newest of: the cell, a weigh-in, a refill's own weight."""
    found: list[tuple[int, float, float | None, str]] = []
    for entry in ledger.newest(tx, "dose", device=feeder, limit=20):
        body = entry.body
        if body.get("after_g") is not None:
            found.append((entry.at_ms, body["after_g"], body.get("sd_g"), "cell"))
            break
    cell = series.newest(tx, feeder, "hopper")
    if cell is not None:
        sd = series.newest(tx, feeder, "hopper_sd")
        found.append((cell[1], cell[0], None if sd is None else sd[0], "cell"))
    for entry in ledger.newest(tx, "weighin", device=feeder):
        found.append((entry.at_ms, entry.body["mass_g"], entry.body["sd_g"], "weigh-in"))
    for entry in ledger.newest(tx, "refill", device=feeder):
        if entry.body.get("after_g") is not None:
            found.append((entry.at_ms, entry.body["after_g"], None, "refill"))
    if not found:
        return None, None, None, None
    at_ms, mass_g, sd_g, by = max(found, key=lambda one: one[0])
    return mass_g, sd_g, at_ms, by


def content_g(tx: Connection, accounts: Accounts, feeder: str, zone: str) -> float | None:
    """What is in a hopper by its account; before there is one, by what was weighed last."""
    by_account_g = hopper_view(accounts.account(feeder), None, zone).content_g
    return by_account_g if by_account_g is not None else _weighed(tx, feeder)[0]
