"""From rows of the ledger to the values that the functional core works on. Reads only."""

import dataclasses
import json
from collections.abc import Mapping, Sequence
from datetime import date
from itertools import takewhile
from typing import Any

from sqlalchemy import Connection

from tareline.app.context import Context
from tareline.core.calendar import ONE_DAY, day_end_ms, day_of, day_start_ms, days_between
from tareline.core.feeding import books
from tareline.core.feeding.absence import Absence, rations_from, settled
from tareline.core.feeding.books import Feedings
from tareline.core.feeding.doses import Dose, HandFeed
from tareline.core.feeding.ration import Meal, Ration
from tareline.core.safety import faults
from tareline.core.safety.hold import HoldState, Reason, Release, fold
from tareline.core.safety.lines import Circumstances, Line, default_lines, raised
from tareline.core.safety.stops import Stop
from tareline.core.units import CANONICAL, DAY_MS, TDS_FACTOR, to_canonical
from tareline.core.water.balance import Inflow
from tareline.core.water.readings import Reading, StatedReading
from tareline.store import ledger
from tareline.store.ledger import Entry
from tareline.store.register import Version

_STATED = tuple(field.name for field in dataclasses.fields(StatedReading))
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


def local_days(context: Context, tank: str | None, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
    """[start, end) of every local day that [start, end] touches; of UTC for a feeder on no tank."""
    zone = context.zone(tank) if tank is not None else "UTC"
    days = days_between(day_of(start_ms, zone), day_of(end_ms, zone))
    return [(day_start_ms(day, zone), day_end_ms(day, zone)) for day in days]


def stop_of(newest: Entry | None) -> Stop | None:
    """The stop that the newest entry of that kind tells of; None where the feeder continues, or never stopped."""
    if newest is None or newest.body["event"] != "stopped":
        return None
    body = newest.body
    return Stop(newest.id, newest.recorded_ms, body["code"], body["hold_version"])


def handfeed(entry: Entry) -> HandFeed:
    body = entry.body
    return HandFeed(entry.id, entry.at_ms, body["mass_g"], body.get("sd_g"), entry.by, body.get("food"))


def tds_factor(context: Context, tank: str | None) -> float:
    """The mg/L per uS/cm that a tank's dissolved solids are calculated with."""
    body = (context.register.now("tank", tank) if tank is not None else None) or {}
    return float(body.get("tds_factor") or TDS_FACTOR)


def reading(entry: Entry, factor: float) -> Reading:
    """A reading from its entry, in its analyte's canonical unit; a corrected one keeps its first number.

    factor: the tank's, for dissolved solids.
    """
    body = entry.body  # each access parses the row's JSON
    stated = StatedReading(**{name: body[name] for name in _STATED if name in body})
    return stated.reading(entry.root, entry.at_ms, factor)


def rations(tx: Connection, tank: str, zone: str, since_ms: int) -> list[Ration]:
    """The rations that matter from the beginning of a local day on, oldest first: the one in force then, and later;
    as they hold through planned absences."""
    return rations_from(*rations_and_absences(tx, tank, zone), zone, since_ms)


def rations_and_absences(tx: Connection, tank: str, zone: str) -> tuple[list[Ration], list[Absence]]:
    """Every ration as it was decided, and every absence that came to hold, each in the order they were decided."""
    entries = ledger.standing(tx, tank, (), ["ration", "absence"])
    absences = [absence_of(entry.root, entry.at_ms, entry.body) for entry in entries if entry.kind == "absence"]
    return [ration(entry) for entry in entries if entry.kind == "ration"], settled(absences, zone)


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
    decided = [absence_of(entry.root, entry.at_ms, entry.body) for entry in ledger.standing(tx, tank, (), ["absence"])]
    return [absence for absence in settled(decided, zone) if absence.end >= since]


def absence_of(entry: int, at_ms: int, body: Mapping[str, Any]) -> Absence:
    """An absence from its entry; one without grams ends what was decided before."""
    start, daily_g = date.fromisoformat(body["start"]), body["daily_g"]
    end = start - ONE_DAY if daily_g is None else date.fromisoformat(body["end"])
    return Absence(start, end, daily_g or 0.0, body["tell"], entry, at_ms)


FED_KINDS = ("dose", "gap", "handfeed", "fault", "device")


def fed(tx: Connection, context: Context, tank: str, start_ms: int, end_ms: int) -> tuple[list[Dose], list[HandFeed]]:
    """Doses (gaps among them) and hand feeds of a tank in [start, end), by time."""
    stays = context.register.stays("feeder", tank)
    entries = ledger.standing(tx, tank, stays, ["dose", "gap", "handfeed"], start_ms, end_ms)
    found = fed_of(entries)
    return sized(tx, context, found.doses), list(found.handfeeds)


def fed_of(entries: Sequence[Entry]) -> Feedings:
    """What some entries, by time, say to have gone into a tank."""
    boards = [entry for entry in entries if entry.kind == "device" and entry.body.get("event") == "board"]
    told = ((e, faults.lost_g(e.body["code"], e.body.get("detail"))) for e in entries if e.kind == "fault")
    return Feedings(
        tuple(dose(entry) for entry in entries if entry.kind in ("dose", "gap")),
        tuple(handfeed(entry) for entry in entries if entry.kind == "handfeed"),
        tuple((fault.at_ms, _loser(fault, boards), grams) for fault, grams in told if grams > 0),
    )


def _loser(fault: Entry, boards: Sequence[Entry]) -> str:
    """The feeder that has lost food; empty where its board has been replaced since, for a fault names no journal.

    boards: the entries of boards that answered to the name of another one, by time.
    """
    later = [entry.body for entry in boards if entry.device == fault.device and entry.at_ms >= fault.at_ms]
    return "" if later and later[0]["before"] != later[-1]["board"] else str(fault.device)


def sized(tx: Connection, context: Context, doses: Sequence[Dose]) -> list[Dose]:
    """The doses; those without known steps or grams are sized as the largest meal of their day on their tank."""
    known: dict[str, tuple[list[Ration], list[Absence]]] = {}
    found = []
    for one in doses:
        tank = context.tank_of(one.feeder, one.at_ms) if one.target_g is None and one.moved else None
        if tank is not None:
            zone = context.zone(tank)
            if tank not in known:
                known[tank] = rations_and_absences(tx, tank, zone)
            found += books.sized([one], zone, *known[tank])
        else:
            found.append(one)
    return found


def readings(tx: Connection, context: Context, tank: str, since_ms: int) -> list[Reading]:
    """Every reading of a tank since an instant, by time."""
    factor = tds_factor(context, tank)
    return [reading(entry, factor) for entry in ledger.standing(tx, tank, (), ["reading"], since_ms)]


def circumstances(tx: Connection, context: Context, tank: str, now_ms: int) -> Circumstances:
    """What explains a crossing at an instant: how old the tank is, and when water with chloramine last went in."""
    since_ms = context.register.history("tank", tank)[0].at_ms
    kinds = ("water-change", "top-up")
    entries = [e for kind in kinds for e in ledger.newest(tx, kind, tank=tank, before_ms=now_ms + 1, limit=5)]
    return explained(context, since_ms, entries, now_ms)


def explained(context: Context, since_ms: int, entries: Sequence[Entry], now_ms: int) -> Circumstances:
    """The same from the newest entries of water that went in. since_ms: from when the tank is on."""
    chloramine_ms = None
    for entry in entries:
        source = context.register.at("water", entry.body.get("water") or "", entry.at_ms) or {}
        if source.get("chloramine"):
            chloramine_ms = max(entry.at_ms, chloramine_ms or 0)
    return Circumstances((now_ms - since_ms) / DAY_MS, chloramine_ms)


def emptied_ms(versions: Sequence[Version]) -> int | None:
    """Since when a tank is empty, by its versions; None while it is not."""
    empty = takewhile(lambda version: version.body["stage"] == "empty", reversed(versions))
    return min((version.at_ms for version in empty), default=None)


def inflows(
    tx: Connection, context: Context, tank: str, analyte: str, start_ms: int, end_ms: int
) -> list[Inflow] | None:
    """The water that went into a tank in [start, end), with its content of an analyte, by time.

    None where a volume, or the content of a source water, is not known.
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
    before_ms = ledger.EVER_MS if since_ms is None else since_ms
    asked = [ledger.Asked(kind, tank=tank, before_ms=before_ms) for kind in ("hold", "release")]
    before = [entry for own in ledger.newest_of(tx, asked).values() for entry in own]
    if before:
        last = max(before, key=lambda e: (e.at_ms, e.id))
        still = ledger.entries(tx, last.body["open"])
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
            reasons.append(reason_of(entry.root, entry.at_ms, body))
    return fold(reasons, releases)


def reason_of(entry: int, at_ms: int, body: Mapping[str, Any]) -> Reason:
    """The reason that a hold's entry gives."""
    return Reason(
        entry=entry,
        since_ms=at_ms,
        kind=body["cause"],
        do=body["do"],
        text=body["reason"],
        reduce_to=body.get("reduce_to"),
        analyte=body.get("analyte"),
        above=body.get("above", True),
        limit=body.get("limit"),
        device=body.get("device"),
    )
