"""The shapes in which values are shown: a finding, a hold in words, a device, a week in one sentence. Reads nothing."""

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from tareline.app.commands.entries import entry_view, stated
from tareline.app.projections.accounts import finding_id
from tareline.core.alerts.concerns import and_list
from tareline.core.feeding.books import DayBook
from tareline.core.feeding.doses import Dose
from tareline.core.safety.hold import HoldState
from tareline.core.safety.stops import STOPS, Stop
from tareline.core.water.readings import Reading
from tareline.core.weighing.estimate import DoseEstimate
from tareline.core.weighing.gain import drift
from tareline.core.weighing.gross_errors import Finding
from tareline.errors import FieldError
from tareline.mqtt.journals import Track
from tareline.store.devices import Device, Issued
from tareline.store.ledger import Entry

MOST_DAYS = 400
FIRST_YEAR, LAST_YEAR = 1970, 2999


def finding_view(feeder: str, finding: Finding, zone: str) -> dict[str, Any]:
    """A finding as it is shown: what, where, how large, why, and the one entry that would mend the books."""
    mend = finding.mend
    return {
        "id": finding_id(feeder, finding),
        "kind": finding.kind,
        "feeder": feeder,
        "from": stated(finding.from_ms, zone),
        "to": stated(finding.to_ms, zone),
        "after": finding.after_entry or None,
        "before": finding.before_entry or None,
        "mass_g": finding.size_g,
        "sd_g": finding.sd_g,
        "deviations": finding.deviations,
        "likely": [{"cause": c.name, "share": c.share, "evidence": c.evidence} for c in finding.causes],
        "mend": None
        if mend is None
        else {
            "kind": mend.kind,
            "at": stated(mend.at_ms, zone),
            "corrects": mend.corrects,
            "mass_g": mend.mass_g,
            "sd_g": mend.sd_g,
        },
    }


def drift_view(doses: Sequence[Dose], estimates: Mapping[int, DoseEstimate]) -> dict[str, Any] | None:
    """How far what came out lies from what was asked, and why; None before there is an account of these doses."""
    known = [dose for dose in doses if not dose.moved or dose.entry in estimates]
    if not known:
        return None
    found = drift(known, estimates)
    return {"asked_g": found.asked_g, "given_g": found.given_g, "drift_g": found.drift_g, "cause": found.cause}


def within_calendar(field: str, day: date) -> None:
    """Raise FieldError for a date that no book can have."""
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise FieldError(field, f"expected a year from {FIRST_YEAR} to {LAST_YEAR}; found {day}")


def check_period(start: date, end: date) -> None:
    """Raise FieldError for days that can't be shown at once, both ends included."""
    within_calendar("start", start)
    within_calendar("end", end)
    if end < start:
        raise FieldError("end", f"expected a date from {start} on; found {end}")
    if (end - start).days >= MOST_DAYS:
        raise FieldError("end", f"expected at most {MOST_DAYS} days; found {(end - start).days + 1}")


def hold_message(state: HoldState, feeders: Sequence[dict[str, Any]]) -> str:
    """The hold in a few words, with what a person must do where a feeder has not answered."""
    stopped = [f["feeder"] for f in feeders if f["stopped"] is not None]
    if stopped and not state.held:
        also = "" if nothing_moves(state, feeders) else f"{_wanted(state, False)}, but "
        many = len(stopped) > 1
        return (
            f"{also}{and_list(stopped)} {'have stopped themselves' if many else 'has stopped itself'} and "
            f"{'are' if many else 'is'} not known to go on"
        )
    held = nothing_moves(state, feeders)
    wanted = _wanted(state, held)
    if not feeders:
        return f"{wanted}; no feeder on this tank"
    if all(f["confirmed"] for f in feeders):
        return wanted
    late = [f["feeder"] for f in feeders if f["overdue"]]
    if late and held:
        return f"{wanted}: not confirmed, unplug the feeder ({', '.join(late)})"
    if late:
        return f"{wanted}: not confirmed by {', '.join(late)}"
    return f"{wanted}: asked, not confirmed"


def nothing_moves(state: HoldState, feeders: Sequence[dict[str, Any]]) -> bool:
    """Whether the tank is held, or each of its feeders is by itself: its hopper is off, or it has stopped itself."""
    return state.held or (bool(feeders) and not any(f["hung"] and f["stopped"] is None for f in feeders))


def _wanted(state: HoldState, held: bool) -> str:
    return "held" if held else f"reduced to {state.reduce_to:.0%}" if state.reduce_to < 1 else "feeding"


def stop_view(stop: Stop | None, held: bool, asked: Issued | None, zone: str) -> dict[str, Any] | None:
    """That a feeder has stopped itself and is not known to go on, and what that waits for; None where nothing is.

    held: whether its tank is. asked: the newest hold message to it.
    """
    if stop is None:
        return None
    if held:
        waits = "a person's release"
    elif asked is None or asked.body["held"]:
        waits = "the feeder, which has yet to say that it has seen the hold; the release follows by itself"
    else:
        waits = "the feeder, which has yet to confirm the release"
    return {"since": stated(stop.since_ms, zone), "code": stop.code, "text": STOPS[stop.code].found, "waits_for": waits}


def sentence(
    books: Sequence[DayBook], budget_g: float | None, dispensed_g: float | None, sd_g: float | None, now_ms: int
) -> str:
    """One sentence that sums up a week."""
    past = [book for book in books if book.start_ms <= now_ms]
    doses = sum(1 for book in past for dose in book.doses if dose.moved)
    if dispensed_g is None:
        fed = "No dose was weighed"
    else:
        # As many digits as the deviation allows, and never one that would read as no deviation at all.
        places = 2 if not sd_g or sd_g >= 0.01 else min(5, 1 - math.floor(math.log10(sd_g)))
        fed = f"{dispensed_g:.{places}f} g (deviation {sd_g or 0:.{places}f} g) were dispensed in {doses} doses"
    parts = [fed if budget_g is None else f"{fed} of a budget of {budget_g:.2f} g"]
    by_hand = sum(book.handfed_g for book in past)
    if by_hand:
        parts.append(f"{by_hand:.2f} g were fed by hand")
    held_s = sum(book.held_s for book in past)
    if held_s:
        shown = f"{held_s / 3600:.1f} h" if held_s >= 3600 else f"{max(1, round(held_s / 60))} min"
        parts.append(f"feeding was held for {shown}")
    unweighed = sum(book.unweighed for book in past)
    if unweighed:
        parts.append(f"{unweighed} {'dose was' if unweighed == 1 else 'doses were'} not weighed")
    return "; ".join(parts) + "."


def stated_reading(r: Reading, entry: Entry) -> dict[str, Any]:
    """A reading in the unit and basis in which it was stated."""
    body = entry.body
    stated = {"value": body["value"], "unit": body["unit"], "basis": body.get("basis"), "detected": r.detected}
    high = None if r.high is None else r.scale.stated(r.high)
    return {**stated, "low": r.scale.stated(r.low), "high": high}


def corrected_view(entry: Entry, corrections: Sequence[Entry], zone: str) -> dict[str, Any]:
    return {**entry_view(entry, zone), "corrected_by": [c.id for c in corrections if c.id > entry.id]}


def device_view(
    name: str,
    kind: str,
    tank: str | None,
    known: Device,
    told: dict[tuple[str, str], Issued],
    track: Track,
    zone: str,
) -> dict[str, Any]:
    hello = known.hello or {}
    plan, hold = told.get((name, "plan")), told.get((name, "hold"))
    silent = known.online is False and known.status_ms is not None
    return {
        "device": name,
        "kind": kind,
        "tank": tank,
        "online": known.online,
        "last_seen": None if known.seen_ms is None else stated(known.seen_ms, zone),
        "silent_since": stated(known.status_ms or 0, zone) if silent else None,
        "firmware": hello.get("firmware"),
        "board": known.board,
        "boot": hello.get("boot"),
        "clock": hello.get("clock"),
        "heap_free_bytes": hello.get("heap_free_bytes"),
        "heap_largest_bytes": hello.get("heap_largest_bytes"),
        "plan_version": None if plan is None else plan.version,
        "plan_confirmed": plan is not None and known.confirms("plan", plan.version),
        "hold_version": None if hold is None else hold.version,
        "hold_confirmed": hold is not None and known.confirms("hold", hold.version),
        "received_seq": track.received if hello.get("journal") is not None else None,
        "waiting_for": [list(missing) for missing in track.missing()],
    }
