"""What is left in a feeder's hopper by its account, how long that lasts, and how much it should hold at most."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from tareline.app.answers.hoppers import HopperAdvice, HopperAnswer, NewestWeighIn, TankHopperAnswer
from tareline.app.context import Context
from tareline.app.projections.accounts import Account, Accounts
from tareline.app.snapshot import FeederSnapshot, TankSnapshot
from tareline.core.calendar import rfc3339
from tareline.core.feeding.doses import HUNG_G
from tareline.core.safety.hopper_advice import advice_text, hopper_advice, round_down_g
from tareline.core.weighing.hopper import hopper
from tareline.store import ledger, series
from tareline.store.ledger import Asked, Entry


def hopper_view(account: Account | None, plan: Mapping[str, Any] | None, zone: str) -> HopperAnswer:
    """The hopper if the plan in force continues; every value None before there is an account, days None where nothing
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
        refill_by=None if found.refill_by_ms is None else rfc3339(found.refill_by_ms, zone),
        weigh_by=rfc3339(found.weigh_by_ms, zone),
    )


WEIGHS = {"dose": 20, "weighin": 1, "refill": 1}  # by kind of entry, how many of the newest are looked at


@dataclass(frozen=True, slots=True)
class WeighedContent:
    """What is in a hopper by the newest of: the cell, a weigh-in, a refill's own weight; and its last weigh-in.

    Grams, standard deviation in grams, UNIX ms, and by what; None where nothing was weighed.
    """

    content_g: float | None
    sd_g: float | None
    at_ms: int | None
    by: str | None
    last_weighin: Entry | None


def last_weighed(
    newest: Mapping[str, Sequence[Entry]], cell: tuple[float, int] | None, cell_sd: tuple[float, int] | None
) -> WeighedContent:
    """From the newest entries of each kind of WEIGHS, newest first, and what the cell sent last with its deviation."""
    weighins = newest["weighin"]
    found: list[tuple[int, float, float | None, str]] = []
    weighed = next((dose for dose in newest["dose"] if _of_content(dose.body.get("after_g"))), None)
    if weighed is not None:
        found.append((weighed.at_ms, weighed.body["after_g"], weighed.body.get("sd_g"), "cell"))
    if cell is not None and _of_content(cell[0]):
        found.append((cell[1], cell[0], None if cell_sd is None else cell_sd[0], "cell"))
    found += [(entry.at_ms, entry.body["mass_g"], entry.body["sd_g"], "weigh-in") for entry in weighins]
    by_refill = (entry for entry in newest["refill"] if entry.body.get("after_g") is not None)
    found += [(entry.at_ms, entry.body["after_g"], None, "refill") for entry in by_refill]
    at_ms, content_g, sd_g, by = max(found, key=lambda one: one[0], default=(None, None, None, None))
    return WeighedContent(content_g, sd_g, at_ms, by, next(iter(weighins), None))


def _of_content(shown_g: float | None) -> bool:
    """Whether a cell has weighed a hopper that hung on it."""
    return shown_g is not None and shown_g >= HUNG_G


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
    context: Context, feeder: str, tank: TankSnapshot, content_g: float | None, plan: Mapping[str, Any] | None
) -> HopperAdvice | None:
    """How much a feeder's hopper should hold at most in its tank, and how much it holds; None where its food is not
    known. plan: the body of the feeder's newest `down/plan`."""
    ref = (context.register.now("feeder", feeder) or {}).get("food")
    food = None if ref is None else context.register.now("food", ref)
    if food is None:
        return None
    advice = hopper_advice(
        tank.lines,
        context.need("tank", tank.id)["volume_l"],
        food["protein_percent"],
        tank.readings.get("ph"),
        tank.temperature,
        tank.now_ms,
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


def tank_hopper(
    context: Context, accounts: Accounts, tank: TankSnapshot, feeder: FeederSnapshot, weighed: WeighedContent
) -> TankHopperAnswer:
    """The hopper of one of a tank's feeders."""
    plan = None if feeder.plan is None else feeder.plan.body
    shown = dict(hopper_view(accounts.account(feeder.name), plan, tank.zone))
    as_of_ms: int | None = tank.now_ms
    by: str | None = "account"
    if shown["content_g"] is None:
        shown["content_g"], shown["content_sd_g"] = weighed.content_g, weighed.sd_g
        as_of_ms, by = weighed.at_ms, weighed.by
    last = weighed.last_weighin
    return TankHopperAnswer(
        feeder=feeder.name,
        food=(context.register.now("feeder", feeder.name) or {}).get("food"),
        as_of=None if as_of_ms is None else rfc3339(as_of_ms, tank.zone),
        by=by,
        online=feeder.device.online,
        last_weighin=None
        if last is None
        else NewestWeighIn(at=rfc3339(last.at_ms, tank.zone), mass_g=last.body["mass_g"], sd_g=last.body["sd_g"]),
        **shown,
    )


def weighed_last(tx: Connection, feeders: Sequence[str]) -> dict[str, WeighedContent]:
    """What was weighed last in some feeders' hoppers."""
    asked = {(f, kind): Asked(kind, device=f, limit=n) for f in feeders for kind, n in WEIGHS.items()}
    newest = ledger.newest_of(tx, list(asked.values()))
    cells = series.newest_of(tx, feeders, ("hopper", "hopper_sd"))
    return {
        feeder: last_weighed(
            {kind: newest[asked[feeder, kind]] for kind in WEIGHS},
            cells.get((feeder, "hopper")),
            cells.get((feeder, "hopper_sd")),
        )
        for feeder in feeders
    }


def content_g(accounts: Accounts, feeder: str, weighed: WeighedContent, zone: str) -> float | None:
    """What is in a hopper by its account; before there is one, by what was weighed last."""
    by_account_g = hopper_view(accounts.account(feeder), None, zone).content_g
    return by_account_g if by_account_g is not None else weighed.content_g
