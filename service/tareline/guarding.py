"""Carrying out what the guard decides: hold and release entries, in the transaction of what called for them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from tareline import facts
from tareline.context import Context
from tareline.guard.hold import Kind, added_by, restored_by
from tareline.guard.lines import Crossing, Known, crossings, sampled_crossing, with_samples
from tareline.sampling import Sampled
from tareline.store import ledger


@dataclass(frozen=True, slots=True)
class Water:
    """Every line that the water crosses, and what is known of it."""

    found: list[Crossing]
    known: dict[str, Known]


def look(tx: Connection, context: Context, tank: str, sampled: Sampled) -> Water:
    """Hold the water as it is known now against the tank's lines; where samples are newer they speak for themselves."""
    now_ms = context.stamp_ms()
    stage = str(context.need("tank", tank)["stage"])
    by_hand = facts.water(tx, context, tank, now_ms)
    known = with_samples(by_hand, sampled.clear)
    why = facts.circumstances(tx, context, tank, now_ms)
    newer = {analyte: value for analyte, value in by_hand.items() if known[analyte] is value}
    found = crossings(facts.lines_now(tx, context, tank, now_ms), newer, stage, why)
    for one in sampled.crossed:
        if one.known.at_ms >= by_hand[one.line.analyte].at_ms if one.line.analyte in by_hand else True:
            found.append(sampled_crossing(one.line, one.known, one.probe, one.proven, stage, now_ms))
    return Water(found, known)


def judge(tx: Connection, context: Context, tank: str, sampled: Sampled) -> tuple[list[Crossing], list[int]]:
    """Enter what follows from the water as it is known now.

    Returns every line that is crossed, and the entries that were made (holds, reductions, restorations).
    """
    water = look(tx, context, tank, sampled)
    state = facts.hold_state(tx, tank)
    made = []
    beyond = {(c.line.analyte, c.line.above) for c in water.found if c.known.entry == 0}
    restored = [r for r in restored_by(state, water.known) if (r.analyte, r.above) not in beyond]
    if restored:
        note = "restored by rule: a newer reading is clear of the line"
        made.append(release(tx, context, tank, [reason.entry for reason in restored], note, None))
    for crossing in added_by(state, water.found):
        line = crossing.line
        body = {
            "cause": "line",
            "do": crossing.do,
            "reduce_to": line.reduce_to if crossing.do == "reduce" else None,
            "reason": crossing.text,
            "analyte": line.analyte,
            "above": line.above,
            "limit": line.canonical,
            "reading": crossing.known.entry or None,
        }
        made.append(_enter_hold(tx, context, tank, body))
    return water.found, made


def hold(
    tx: Connection,
    context: Context,
    tank: str,
    cause: Kind,
    reason: str,
    by: str | None = None,
    device: str | None = None,
) -> int:
    """Enter a hold that no line asked for."""
    body: dict[str, Any] = {"cause": cause, "do": "hold", "reason": reason, "device": device}
    return _enter_hold(tx, context, tank, body, by)


def release(
    tx: Connection, context: Context, tank: str, reasons: Sequence[int], note: str | None, by: str | None
) -> int:
    """Enter the end of some reasons."""
    now_ms = context.stamp_ms()
    still = [r.entry for r in facts.hold_state(tx, tank).reasons if r.entry not in reasons]
    body = {"releases": list(reasons), "note": note, "open": still}
    return ledger.add(tx, "release", now_ms, now_ms, body, tank=tank, by=by)


def _enter_hold(tx: Connection, context: Context, tank: str, body: dict[str, Any], by: str | None = None) -> int:
    """Enter a hold, with the reasons that were in force before it."""
    now_ms = context.stamp_ms()
    before = [r.entry for r in facts.hold_state(tx, tank).reasons]
    return ledger.add(tx, "hold", now_ms, now_ms, {**body, "open": before}, tank=tank, by=by)
