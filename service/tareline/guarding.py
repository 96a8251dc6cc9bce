"""Carrying out what the guard decides: hold and release entries, in the transaction of what called for them."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection

from tareline import facts
from tareline.context import Context
from tareline.guard.hold import Kind, added_by, restored_by
from tareline.guard.lines import Crossing, crossings
from tareline.store import ledger


def judge(tx: Connection, context: Context, tank: str) -> tuple[list[Crossing], list[int]]:
    """Hold the water as it is now known against the tank's lines, and enter what follows.

    Returns every line that is crossed, and the entries that were made (holds, reductions, restorations).
    """
    now_ms = context.stamp_ms()
    stage = str(context.need("tank", tank)["stage"])
    known = facts.water(tx, context, tank, now_ms)
    why = facts.circumstances(tx, context, tank, now_ms)
    found = crossings(facts.lines(context, tank), known, stage, why)
    state = facts.hold_state(tx, tank)
    made = []
    restored = restored_by(state, known)
    if restored:
        note = "restored by rule: a newer reading is clear of the line"
        made.append(release(tx, context, tank, [reason.entry for reason in restored], note, None))
    for crossing in added_by(state, found):
        line = crossing.line
        body = {
            "cause": "line",
            "do": crossing.do,
            "reduce_to": line.reduce_to if crossing.do == "reduce" else None,
            "reason": crossing.text,
            "analyte": line.analyte,
            "above": line.above,
            "limit": line.canonical,
            "reading": crossing.known.entry,
        }
        made.append(_enter_hold(tx, context, tank, body))
    return found, made


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
