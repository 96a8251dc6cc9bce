"""From rows of the ledger to the values that the functional core works on. Reads only."""

import dataclasses
import json
from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection

from tareline.app.context import Context
from tareline.core.calendar import ONE_DAY, day_end_ms, day_of, day_start_ms, days_between
from tareline.core.feeding.absence import Absence, settled, with_absences
from tareline.core.feeding.doses import LARGEST_MEAL_G, Dose, HandFeed
from tareline.core.feeding.plan import largest_meal_g
from tareline.core.feeding.ration import Meal, Ration, carried_g, ration_on
from tareline.core.safety import faults
from tareline.core.safety.hold import HoldState, Reason, Release, fold
from tareline.core.safety.lines import Circumstances, KnownValue, Line, default_lines, known_water, raised
from tareline.core.safety.stops import Stop
from tareline.core.units import ANALYTES, CANONICAL, DAY_MS, TDS_FACTOR, to_canonical
from tareline.core.water.balance import Inflow
from tareline.core.water.readings import Reading, Stated
from tareline.store import ledger
from tareline.store.ledger import Entry

PROBE_SPAN_C = 1.0  # a probe's thermometer is true to 0.5 K (DS18B20 data sheet)
_STATED = tuple(field.name for field in dataclasses.fields(Stated))
_CONTENT = {  # what a source water says of an analyte, and on which basis
    "tds": ("tds_mg_per_l", None),
    "nitrate": ("nitrate_mg_per_l", "ion"),
    "ammonia": ("ammonia_mg_per_l", "ion"),
    "kh": ("kh_dkh", None),
}


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


def sized(tx: Connection, context: Context, doses: Sequence[Dose]) -> list[Dose]:
    """The doses; those of which neither steps nor grams are known with the largest meal of their day on their tank."""
    found = []
    for one in doses:
        tank = context.tank_of(one.feeder, one.at_ms) if one.target_g is None and one.moved else None
        if tank is not None:
            zone = context.zone(tank)
            day = day_of(one.at_ms, zone)
            meal_g = largest_meal_g(ration_on(day, zone, rations(tx, tank, zone, day_start_ms(day, zone))))
            found.append(dataclasses.replace(one, largest_g=meal_g or LARGEST_MEAL_G))
        else:
            found.append(one)
    return found


def local_days(context: Context, tank: str | None, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
    """[start, end) of every local day that [start, end] touches; of UTC for a feeder on no tank."""
    zone = context.zone(tank) if tank is not None else "UTC"
    days = days_between(day_of(start_ms, zone), day_of(end_ms, zone))
    return [(day_start_ms(day, zone), day_end_ms(day, zone)) for day in days]


def is_hung(tx: Connection, feeder: str) -> bool:
    """Whether the hopper hangs on its cell, as far as anybody said."""
    newest = ledger.newest(tx, "hopper", device=feeder)
    return not newest or bool(newest[0].body["hung"])


def open_stop(tx: Connection, feeder: str) -> Stop | None:
    """The stop that a feeder has made of itself, unless it is known to go on."""
    newest = ledger.newest(tx, "stop", device=feeder)
    if not newest or newest[0].body["event"] != "stopped":
        return None
    body = newest[0].body
    return Stop(newest[0].id, newest[0].recorded_ms, body["code"], body["hold_version"])


def gain_g_per_step(tx: Connection, feeder: str) -> float | None:
    """The gain that was last decided for a feeder from its own past; None where none was."""
    newest = ledger.newest(tx, "gain", device=feeder)
    return float(newest[0].body["gain_g_per_step"]) if newest else None


def handfeed(entry: Entry) -> HandFeed:
    body = entry.body
    return HandFeed(entry.id, entry.at_ms, body["mass_g"], body.get("sd_g"), entry.by, body.get("food"))


def tds_factor(context: Context, tank: str | None) -> float:
    """The mg/L per uS/cm that a tank's dissolved solids are reckoned by."""
    body = (context.register.now("tank", tank) if tank is not None else None) or {}
    return float(body.get("tds_factor") or TDS_FACTOR)


def reading(entry: Entry, factor: float) -> Reading:
    """A reading from its entry, in its analyte's canonical unit; a corrected one keeps its first number.

    factor: the tank's, for dissolved solids.
    """
    body = entry.body  # each look at it reads the row's JSON
    stated = Stated(**{name: body[name] for name in _STATED if name in body})
    return stated.reading(entry.root, entry.at_ms, factor)


def rations(tx: Connection, tank: str, zone: str, since_ms: int) -> list[Ration]:
    """The rations that matter from the beginning of a local day on, oldest first: the one in force then, and later;
    as they hold through planned absences."""
    earlier = ledger.newest(tx, "ration", tank=tank, before_ms=since_ms)
    decided = [ration(entry) for entry in earlier + ledger.standing(tx, tank, (), ["ration"], since_ms)]
    return with_absences(decided, absences(tx, tank, zone, day_of(since_ms, zone)), zone)


def ration(entry: Entry) -> Ration:
    body = entry.body
    meals = tuple(Meal(m["at"], m["share"], m["feeder"], m["slot"]) for m in body["meals"])
    return Ration(body["daily_g"], body["cap_g"], meals, entry.at_ms, body.get("carry_over", 0.0))


def last_ration(tx: Connection, tank: str) -> Ration | None:
    """The ration decided last, as it was decided."""
    newest = ledger.newest(tx, "ration", tank=tank)
    return ration(newest[0]) if newest else None


def absences(tx: Connection, tank: str, zone: str, since: date) -> list[Absence]:
    """The absences that hold on a local day or later, in the order they were decided."""
    decided = [_absence(entry) for entry in ledger.standing(tx, tank, (), ["absence"])]
    return [absence for absence in settled(decided, zone) if absence.end >= since]


def _absence(entry: Entry) -> Absence:
    """An absence from its entry; one without grams ends what was decided before."""
    body = entry.body
    start, daily_g = date.fromisoformat(body["start"]), body["daily_g"]
    end = start - ONE_DAY if daily_g is None else date.fromisoformat(body["end"])
    return Absence(start, end, daily_g or 0.0, body["tell"], entry.root, entry.at_ms)


def fed(tx: Connection, context: Context, tank: str, start_ms: int, end_ms: int) -> tuple[list[Dose], list[HandFeed]]:
    """Doses (gaps among them) and hand feeds of a tank in [start, end), by time."""
    stays = context.register.stays("feeder", tank)
    entries = ledger.standing(tx, tank, stays, ["dose", "gap", "handfeed"], start_ms, end_ms)
    doses = sized(tx, context, [dose(entry) for entry in entries if entry.kind != "handfeed"])
    return doses, [handfeed(entry) for entry in entries if entry.kind == "handfeed"]


def losses(tx: Connection, context: Context, tank: str, start_ms: int, end_ms: int) -> list[tuple[int, str, float]]:
    """What feeders of a tank told in [start, end) to have left their hoppers without a step: (when, feeder, grams)."""
    entries = ledger.standing(tx, "", context.register.stays("feeder", tank), ["fault"], start_ms, end_ms)
    told = ((e.at_ms, str(e.device), faults.lost_g(e.body["code"], e.body.get("detail"))) for e in entries)
    return [loss for loss in told if loss[2] > 0]


def carried_over_g(tx: Connection, context: Context, tank: str, zone: str, day: date) -> float:
    """What a day is fed besides its ration, from what remained of the day before; nothing after a day with a hold."""
    before = day - ONE_DAY
    start_ms, end_ms = day_start_ms(before, zone), day_end_ms(before, zone)
    history = rations(tx, tank, zone, start_ms)
    then, now = ration_on(before, zone, history), ration_on(day, zone, history)
    if then is None or now is None or not now.carry_over:
        return 0.0
    periods = hold_state(tx, tank, start_ms).periods
    if any(p.from_ms < end_ms and (p.to_ms is None or p.to_ms > start_ms) for p in periods):
        return 0.0
    doses, handfeeds = fed(tx, context, tank, start_ms, end_ms)
    unknown_g = largest_meal_g(then)
    counted_g = sum(d.counted_g(unknown_g) for d in doses) + sum(h.mass_g for h in handfeeds)
    counted_g += sum(grams for _, _, grams in losses(tx, context, tank, start_ms, end_ms))
    return carried_g(now, max(0.0, then.daily_g - counted_g))


def readings(tx: Connection, context: Context, tank: str, since_ms: int) -> list[Reading]:
    """Every reading of a tank since an instant, by time."""
    factor = tds_factor(context, tank)
    return [reading(entry, factor) for entry in ledger.standing(tx, tank, (), ["reading"], since_ms)]


def latest_readings(tx: Connection, context: Context, tank: str) -> dict[str, tuple[Reading, Entry]]:
    """The newest reading of each analyte, with its entry."""
    found = {}
    factor = tds_factor(context, tank)
    for analyte in ANALYTES:
        entries = ledger.newest(tx, "reading", tank=tank, subject=analyte)
        if entries:
            found[analyte] = (reading(entries[0], factor), entries[0])
    return found


def temperature(context: Context, tank: str, latest: dict[str, tuple[Reading, Entry]]) -> Reading | None:
    """The newest temperature, from a reading or from a probe on the tank that is proven (which has no entry)."""
    found = [latest["temperature"][0]] if "temperature" in latest else []
    sampled = context.samples.get(tank, {}).get("temperature")
    if sampled is not None:
        found.append(Reading(0, sampled[1], "temperature", sampled[0], resolution=PROBE_SPAN_C))
    return max(found, key=lambda one: one.at_ms, default=None)


def water(tx: Connection, context: Context, tank: str, now_ms: int) -> dict[str, KnownValue]:
    """What is known of a tank's water, as it counts against lines."""
    latest = latest_readings(tx, context, tank)
    celsius = temperature(context, tank, latest)
    return known_water({analyte: r for analyte, (r, _) in latest.items()}, celsius, now_ms)


def circumstances(tx: Connection, context: Context, tank: str, now_ms: int) -> Circumstances:
    """What explains a crossing at an instant: how old the tank is, and when water with chloramine last went in."""
    since_ms = context.register.history("tank", tank)[0].at_ms
    chloramine_ms = None
    for kind in ("water-change", "top-up"):
        for entry in ledger.newest(tx, kind, tank=tank, before_ms=now_ms + 1, limit=5):
            source = context.register.at("water", entry.body.get("water") or "", entry.at_ms) or {}
            if source.get("chloramine"):
                chloramine_ms = max(entry.at_ms, chloramine_ms or 0)
    return Circumstances((now_ms - since_ms) / DAY_MS, chloramine_ms)


def inflows(
    tx: Connection, context: Context, tank: str, analyte: str, start_ms: int, end_ms: int
) -> list[Inflow] | None:
    """The water that went into a tank in [start, end), with its content of an analyte, by time.

    None where the balance cannot be told: a volume or a source water's content is not known.
    """
    field, basis = _CONTENT[analyte]
    found = []
    for entry in ledger.standing(tx, tank, (), ["water-change", "top-up"], start_ms, end_ms):
        source = context.register.at("water", entry.body.get("water") or "", entry.at_ms) or {}
        if entry.body.get("volume_l") is None or source.get(field) is None:
            return None
        content = to_canonical(analyte, source[field], CANONICAL[analyte].unit, basis)
        found.append(Inflow(entry.at_ms, entry.body["volume_l"], content, entry.kind == "water-change"))
    return found


def lines(context: Context, tank: str) -> tuple[Line, ...]:
    """The lines of a tank: its own, or the defaults."""
    body = context.register.now("lines", tank)
    if body is None:
        return default_lines(context.need("tank", tank)["nitrate_ceiling_mg_per_l"])
    return tuple(Line(**line) for line in body["lines"])


def lines_now(tx: Connection, context: Context, tank: str, now_ms: int) -> tuple[Line, ...]:
    """The lines as they act at an instant: one step more strictly during an absence."""
    zone = context.zone(tank)
    today = day_of(now_ms, zone)
    away = any(absence.covers(today) for absence in absences(tx, tank, zone, today))
    return raised(lines(context, tank)) if away else lines(context, tank)


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
