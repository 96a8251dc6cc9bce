"""From rows of the ledger to the values that the functional core works on. Reads only."""

import json
from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection

from tareline.context import Context
from tareline.feeding.days import ONE_DAY, day_end_ms, day_of, day_start_ms, days_between
from tareline.feeding.doses import Dose, HandFeed
from tareline.feeding.plan import largest_meal_g
from tareline.feeding.ration import Meal, Ration, carried_g, ration_on
from tareline.guard.hold import HoldState, Reason, Release, fold
from tareline.guard.lines import DEFAULT_LINES, Known, Line, known_water
from tareline.store import ledger, series
from tareline.store.ledger import Entry
from tareline.units import ANALYTES, to_canonical
from tareline.water.readings import Reading


def dose(entry: Entry) -> Dose:
    """A dose from its entry; a gap is a dose of unknown size that stands for several."""
    body = entry.body
    if entry.kind == "gap":
        count = 0 if body["before_first"] else body["to"] - body["from"] + 1
        return Dose(entry.id, entry.at_ms, entry.device or "", "unknown", count=count, journal=body["journal"])
    return Dose(
        entry=entry.id,
        at_ms=entry.at_ms,
        feeder=entry.device or "",
        outcome=body["outcome"],
        target_g=body.get("target_g"),
        steps=body.get("steps"),
        before_g=body.get("before_g"),
        after_g=body.get("after_g"),
        sd_g=body.get("sd_g"),
        at_low_ms=entry.at_low_ms,
        at_high_ms=entry.at_high_ms,
        cause=body.get("cause"),
        meal=body.get("meal"),
        temperature_c=body.get("temperature_c"),
        journal=body.get("journal"),
        seq=body.get("seq"),
    )


def local_days(context: Context, tank: str | None, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
    """[start, end) of every local day that [start, end] touches; of UTC for a feeder on no tank."""
    zone = context.zone(tank) if tank is not None else "UTC"
    days = days_between(day_of(start_ms, zone), day_of(end_ms, zone))
    return [(day_start_ms(day, zone), day_end_ms(day, zone)) for day in days]


def is_hung(tx: Connection, feeder: str) -> bool:
    """Whether the hopper hangs on its cell, as far as anybody said."""
    newest = ledger.newest(tx, "hopper", device=feeder)
    return not newest or bool(newest[0].body["hung"])


def gain_g_per_step(tx: Connection, feeder: str) -> float | None:
    """The gain that was last decided for a feeder from its own past; None where none was."""
    newest = ledger.newest(tx, "gain", device=feeder)
    return float(newest[0].body["gain_g_per_step"]) if newest else None


def handfeed(entry: Entry) -> HandFeed:
    body = entry.body
    return HandFeed(entry.id, entry.at_ms, body["mass_g"], body.get("sd_g"), entry.by, body.get("food"))


def reading(entry: Entry) -> Reading:
    """A reading from its entry, in its analyte's canonical unit; a corrected one keeps its first number."""
    body = entry.body
    analyte, unit, basis = body["analyte"], body["unit"], body.get("basis")

    def canonical(value: float | None) -> float | None:
        return None if value is None else to_canonical(analyte, value, unit, basis)

    value = canonical(body["value"])
    assert value is not None
    return Reading(
        entry.root,
        entry.at_ms,
        analyte,
        value,
        body["chart"],
        canonical(body.get("below")),
        canonical(body.get("above")),
    )


def rations(tx: Connection, tank: str, since_ms: int) -> list[Ration]:
    """The rations that matter from the beginning of a local day on, oldest first: the one in force then, and later."""
    earlier = ledger.newest(tx, "ration", tank=tank, before_ms=since_ms)
    return [ration(entry) for entry in earlier + ledger.standing(tx, tank, (), ["ration"], since_ms)]


def ration(entry: Entry) -> Ration:
    body = entry.body
    meals = tuple(Meal(m["at"], m["share"], m["feeder"], m["slot"]) for m in body["meals"])
    return Ration(body["daily_g"], body["cap_g"], meals, entry.at_ms, body.get("carry_over", 0.0))


def fed(tx: Connection, context: Context, tank: str, start_ms: int, end_ms: int) -> tuple[list[Dose], list[HandFeed]]:
    """Doses (gaps among them) and hand feeds of a tank in [start, end), by time."""
    stays = context.register.stays("feeder", tank)
    entries = ledger.standing(tx, tank, stays, ["dose", "gap", "handfeed"], start_ms, end_ms)
    doses = [dose(entry) for entry in entries if entry.kind != "handfeed"]
    return doses, [handfeed(entry) for entry in entries if entry.kind == "handfeed"]


def carried_over_g(tx: Connection, context: Context, tank: str, zone: str, day: date) -> float:
    """What a day is fed besides its ration, from what remained of the day before; nothing after a day with a hold."""
    before = day - ONE_DAY
    start_ms, end_ms = day_start_ms(before, zone), day_end_ms(before, zone)
    history = rations(tx, tank, start_ms)
    then, now = ration_on(before, zone, history), ration_on(day, zone, history)
    if then is None or now is None or not now.carry_over:
        return 0.0
    periods = hold_state(tx, tank, start_ms).periods
    if any(p.from_ms < end_ms and (p.to_ms is None or p.to_ms > start_ms) for p in periods):
        return 0.0
    doses, handfeeds = fed(tx, context, tank, start_ms, end_ms)
    unknown_g = largest_meal_g(then)
    counted_g = sum(d.counted_g(unknown_g) for d in doses) + sum(h.mass_g for h in handfeeds)
    return carried_g(now, max(0.0, then.daily_g - counted_g))


def latest_readings(tx: Connection, tank: str) -> dict[str, tuple[Reading, Entry]]:
    """The newest reading of each analyte, with its entry."""
    found = {}
    for analyte in ANALYTES:
        entries = ledger.newest(tx, "reading", tank=tank, subject=analyte)
        if entries:
            found[analyte] = (reading(entries[0]), entries[0])
    return found


def temperature_c(
    tx: Connection, context: Context, tank: str, latest: dict[str, tuple[Reading, Entry]]
) -> tuple[float, int] | None:
    """The newest temperature and its instant, from a reading or from a probe on the tank."""
    found = []
    if "temperature" in latest:
        taken = latest["temperature"][0]
        found.append((taken.value, taken.at_ms))
    for probe in context.register.devices_of("probe", tank):
        sampled = series.newest(tx, probe, "temperature")
        if sampled is not None:
            found.append(sampled)
    return max(found, key=lambda value: value[1], default=None)


def water(tx: Connection, context: Context, tank: str, now_ms: int) -> dict[str, Known]:
    """What is known of a tank's water, as it counts against lines."""
    latest = latest_readings(tx, tank)
    celsius = temperature_c(tx, context, tank, latest)
    return known_water({analyte: r for analyte, (r, _) in latest.items()}, celsius, now_ms)


def lines(context: Context, tank: str) -> tuple[Line, ...]:
    """The lines of a tank: its own, or the defaults."""
    body = context.register.now("lines", tank)
    if body is None:
        return DEFAULT_LINES
    return tuple(Line(**line) for line in body["lines"])


def hold_state(tx: Connection, tank: str, since_ms: int | None = None) -> HoldState:
    """What holds or reduces feeding of a tank; with `since_ms` also the periods that reach past that instant.

    Each hold and release carries the other reasons that were in force then, so that nothing older has to be read.
    """
    entries = [] if since_ms is None else ledger.standing(tx, tank, (), ["hold", "release"], since_ms)
    before = [e for kind in ("hold", "release") for e in ledger.newest(tx, kind, tank=tank, before_ms=since_ms)]
    if before:
        last = max(before, key=lambda e: (e.at_ms, e.id))
        still = [entry for number in last.body["open"] if (entry := ledger.get(tx, number)) is not None]
        entries = [*still, *([last] if last.kind == "hold" else []), *entries]
    return fold_entries(entries)


def fold_entries(entries: Sequence[Entry]) -> HoldState:
    """The hold state from hold and release entries."""
    reasons, releases = [], []
    for entry in entries:
        body: dict[str, Any] = json.loads(entry.raw)
        if entry.kind == "release":
            releases.append(Release(entry.id, entry.at_ms, tuple(body["releases"])))
        else:
            reasons.append(
                Reason(
                    entry=entry.root,
                    since_ms=entry.at_ms,
                    kind=body["cause"],
                    do=body["do"],
                    text=body["reason"],
                    reduce_to=body.get("reduce_to"),
                    analyte=body.get("analyte"),
                    above=body.get("above", True),
                    limit=body.get("limit"),
                    device=body.get("device"),
                )
            )
    return fold(reasons, releases)
