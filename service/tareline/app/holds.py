"""Holds and releases as entries of the ledger, made in the transaction of the event that caused them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from tareline.app.repository import reason_of
from tareline.app.snapshot import Snapshots, TankSnapshot
from tareline.core.safety.hold import Kind, Reason, added_by, restored_by
from tareline.core.safety.lines import Crossing
from tareline.core.safety.stops import Stop, reason
from tareline.store import ledger


@dataclass(frozen=True, slots=True)
class HoldChanges:
    """The changes that follow from the water: reductions that end, and lines that hold or reduce from now on."""

    restored: Sequence[Reason] = ()
    added: Sequence[Crossing] = ()

    def __bool__(self) -> bool:
        return bool(self.restored or self.added)


def changes_due(tank: TankSnapshot) -> HoldChanges:
    """The changes of holds that follow from the water as it is known now."""
    found, known = tank.water.found, tank.water.known
    # Samples are beyond a line until they are clear of it by the hysteresis.
    beyond = {(c.line.analyte, c.line.above, c.line.canonical) for c in found if c.known.entry == 0}
    restored = [r for r in restored_by(tank.holds, known) if (r.analyte, r.above, r.limit) not in beyond]
    state = tank.holds.released([r.entry for r in restored], tank.now_ms)
    return HoldChanges(restored, added_by(state, found))


def apply_changes(snapshots: Snapshots, tank: str) -> list[int]:
    """Enter the changes of holds that follow from the water as it is known now.

    Returns the entries that were made (holds, reductions, restorations).
    """
    due = changes_due(snapshots.of(tank))
    made = []
    if due.restored:
        note = "restored by rule: a newer reading is clear of the line"
        made.append(release(snapshots, tank, [reason.entry for reason in due.restored], note, None))
    for crossing in due.added:
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
        made.append(_enter_hold(snapshots, tank, body))
    return made


def hold(
    snapshots: Snapshots, tank: str, cause: Kind, text: str, by: str | None = None, device: str | None = None
) -> int:
    """Enter a hold that no line asked for."""
    body: dict[str, Any] = {"cause": cause, "do": "hold", "reason": text, "device": device}
    return _enter_hold(snapshots, tank, body, by)


def stopped(snapshots: Snapshots, feeder: str, code: str, fault: int) -> str | None:
    """A feeder has told that it stopped itself: note it, and hold its tank until a person releases it.

    The same stop told again (as after a restart) needs no further hold while a hold is in force of which the feeder was
    told after that stop. fault: its entry. Returns the tank that is newly held.
    """
    context, now_ms = snapshots.context, snapshots.context.stamp_ms()
    known = snapshots.feeder(feeder)
    before, last = known.stop, known.told
    version = last.version if last is not None else 0
    body = {"event": "stopped", "code": code, "fault": fault, "hold_version": version}
    entry = ledger.add(snapshots.tx, "stop", now_ms, now_ms, body, device=feeder)
    snapshots.put_feeder(replace(known, stop=Stop(entry, now_ms, code, version), stop_noted_ms=now_ms))
    told = before is not None and before.code == code and before.issued_since(version)
    if told and last is not None and last.held:
        return None  # it may be that a person has released the tank, and that this feeder has yet to see the hold
    tank = context.tank_of(feeder, now_ms)
    if tank is None or not _hold_for_stop(snapshots, tank, feeder, code):
        return None
    return tank


def brings_its_stop(snapshots: Snapshots, tank: str, feeder: str) -> None:
    """A feeder comes to a tank: where it has stopped itself, that tank is held until a person releases it."""
    stop = snapshots.feeder(feeder).stop
    if stop is not None:
        _hold_for_stop(snapshots, tank, feeder, stop.code)


def _hold_for_stop(snapshots: Snapshots, tank: str, feeder: str, code: str) -> bool:
    """Hold a tank because a feeder on it has stopped itself; whether this hold is new."""
    text = reason(feeder, code)
    if any(r.kind == "stop" and r.text == text for r in snapshots.of(tank).holds.reasons):
        return False
    hold(snapshots, tank, "stop", text, device=feeder)
    return True


def release(snapshots: Snapshots, tank: str, reasons: Sequence[int], note: str | None, by: str | None) -> int:
    """Enter the end of some reasons."""
    before, now_ms = snapshots.of(tank), snapshots.context.stamp_ms()
    state = before.holds.released(reasons, now_ms)
    body = {"releases": list(reasons), "note": note, "open": [r.entry for r in state.reasons]}
    entry = ledger.add(snapshots.tx, "release", now_ms, now_ms, body, tank=tank, by=by)
    snapshots.put(replace(before, holds=state))
    return entry


def _enter_hold(snapshots: Snapshots, tank: str, body: dict[str, Any], by: str | None = None) -> int:
    """Enter a hold, with the reasons that were in force before it."""
    before, now_ms = snapshots.of(tank), snapshots.context.stamp_ms()
    body = {**body, "open": [r.entry for r in before.holds.reasons]}
    entry = ledger.add(snapshots.tx, "hold", now_ms, now_ms, body, tank=tank, by=by)
    snapshots.put(replace(before, holds=before.holds.with_reason(reason_of(entry, now_ms, body))))
    return entry
