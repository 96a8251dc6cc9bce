"""Carrying out what the guard decides: hold and release entries, in the transaction of what called for them."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Any

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.context import Context
from tareline.app.projections.samples import Sampled
from tareline.core.safety.hold import Kind, added_by, restored_by
from tareline.core.safety.lines import Crossing, KnownValue, crossings, sampled_crossing, with_samples
from tareline.core.safety.stops import reason
from tareline.store import devices as device_store
from tareline.store import ledger


@dataclass(frozen=True, slots=True)
class Water:
    """Every line that the water crosses, and what is known of it."""

    found: list[Crossing]
    known: dict[str, KnownValue]


def look(tx: Connection, context: Context, tank: str, sampled: Sampled) -> Water:
    """Hold the water as it is known now against the tank's lines; of an empty tank, what was known since it is empty.

    A reading stops to count where a newer sample lies clear of the line, and samples where a newer reading does.
    Samples were looked at a while ago: by lines, and of probes, that may be others now.
    """
    now_ms = context.stamp_ms()
    stage = str(context.need("tank", tank)["stage"])
    by_hand = repository.water(tx, context, tank, now_ms)
    known = with_samples(by_hand, sampled.recent)
    lines, probes = repository.lines_now(tx, context, tank, now_ms), context.register.devices_of("probe", tank)
    why = repository.circumstances(tx, context, tank, now_ms)
    found = [c for c in crossings(lines, by_hand, stage, why) if known[c.line.analyte].reaches(c.line)]
    for one in sampled.crossed:
        hand = by_hand.get(one.line.analyte)
        denied = hand is not None and hand.at_ms > one.known.at_ms and not hand.reaches(one.line)
        if one.line in lines and one.probe in probes and not denied:
            found.append(sampled_crossing(one.line, one.known, one.probe, one.proven, stage, now_ms))
    if stage == "empty":
        since_ms = _emptied_ms(context, tank)
        found = [c for c in found if c.known.at_ms >= since_ms]
    return Water(found, known)


def _emptied_ms(context: Context, tank: str) -> int:
    """Since when a tank is empty."""
    versions = context.register.history("tank", tank)
    empty = takewhile(lambda version: version.body["stage"] == "empty", reversed(versions))
    return min(version.at_ms for version in empty)


def judge(tx: Connection, context: Context, tank: str, sampled: Sampled) -> tuple[list[Crossing], list[int]]:
    """Enter what follows from the water as it is known now.

    Returns every line that is crossed, and the entries that were made (holds, reductions, restorations).
    """
    water = look(tx, context, tank, sampled)
    state = repository.hold_state(tx, tank)
    made = []
    # Samples are beyond a line until they are clear of it by the hysteresis.
    beyond = {(c.line.analyte, c.line.above, c.line.canonical) for c in water.found if c.known.entry == 0}
    restored = [r for r in restored_by(state, water.known) if (r.analyte, r.above, r.limit) not in beyond]
    if restored:
        note = "restored by rule: a newer reading is clear of the line"
        made.append(release(tx, context, tank, [reason.entry for reason in restored], note, None))
        state = repository.hold_state(tx, tank)
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
    text: str,
    by: str | None = None,
    device: str | None = None,
) -> int:
    """Enter a hold that no line asked for."""
    body: dict[str, Any] = {"cause": cause, "do": "hold", "reason": text, "device": device}
    return _enter_hold(tx, context, tank, body, by)


def stopped(tx: Connection, context: Context, feeder: str, code: str, fault: int) -> str | None:
    """A feeder has told that it stopped itself: note it, and hold its tank until a person releases it.

    The same stop told again (as after a restart) needs no further hold while one is in force that the feeder was told
    of since. fault: its entry. Returns the tank that is newly held.
    """
    now_ms = context.stamp_ms()
    before, last = repository.open_stop(tx, feeder), device_store.issued(tx).get((feeder, "hold"))
    version = last.version if last is not None else 0
    body = {"event": "stopped", "code": code, "fault": fault, "hold_version": version}
    ledger.add(tx, "stop", now_ms, now_ms, body, device=feeder)
    told = before is not None and before.code == code and before.told_since(version)
    if told and last is not None and last.body["held"]:
        return None  # it may be that a person has released the tank, and that this feeder has yet to see the hold
    tank = context.tank_of(feeder, now_ms)
    if tank is None or not _hold_for_stop(tx, context, tank, feeder, code):
        return None
    return tank


def brings_its_stop(tx: Connection, context: Context, tank: str, feeder: str) -> None:
    """A feeder comes to a tank: if it has stopped itself, a person releases that there."""
    stop = repository.open_stop(tx, feeder)
    if stop is not None:
        _hold_for_stop(tx, context, tank, feeder, stop.code)


def _hold_for_stop(tx: Connection, context: Context, tank: str, feeder: str, code: str) -> bool:
    """Hold a tank since a feeder on it has stopped itself; whether it was not held for that already."""
    text = reason(feeder, code)
    if any(r.kind == "stop" and r.text == text for r in repository.hold_state(tx, tank).reasons):
        return False
    hold(tx, context, tank, "stop", text, device=feeder)
    return True


def release(
    tx: Connection, context: Context, tank: str, reasons: Sequence[int], note: str | None, by: str | None
) -> int:
    """Enter the end of some reasons."""
    now_ms = context.stamp_ms()
    still = [r.entry for r in repository.hold_state(tx, tank).reasons if r.entry not in reasons]
    body = {"releases": list(reasons), "note": note, "open": still}
    return ledger.add(tx, "release", now_ms, now_ms, body, tank=tank, by=by)


def _enter_hold(tx: Connection, context: Context, tank: str, body: dict[str, Any], by: str | None = None) -> int:
    """Enter a hold, with the reasons that were in force before it."""
    now_ms = context.stamp_ms()
    before = [r.entry for r in repository.hold_state(tx, tank).reasons]
    return ledger.add(tx, "hold", now_ms, now_ms, {**body, "open": before}, tank=tank, by=by)
