"""Doses: each number of a journal is entered once, whatever comes and however often."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from tareline.app.ingest import losses
from tareline.app.ingest.state import DeviceStates
from tareline.app.ingest.times import latest_ms, note_time
from tareline.app.ingest.transaction import IngestTransaction, NotUnderstoodError, read
from tareline.mqtt import messages as wire
from tareline.mqtt.messages import Message
from tareline.store import devices as device_store
from tareline.store import ledger

JUMP = 1_000_000  # doses: more than any feeder makes in its life


@dataclass(frozen=True, slots=True)
class ReceivedDose:
    """A dose that was understood, with the message that brought it."""

    device: str
    message: Message
    content: wire.DoseMessage


def read_dose(work: IngestTransaction, device: str, message: Message) -> ReceivedDose:
    """Understand a dose. Raises NotUnderstoodError."""
    dose = read(wire.DoseMessage, message.payload)
    check_number(work.states, "seq", device, dose.journal, dose.seq)
    note_time(work, device, dose, message)
    return ReceivedDose(device, message, dose)


def check_number(states: DeviceStates, name: str, device: str, journal: str, number: int) -> None:
    """Refuse a dose's number that no journal can have reached: it would use up all numbers below it."""
    track = states.tracks.get((device, journal))
    most = (track.frontier if track is not None and number > track.received else 0) + JUMP
    if number > most and (track is None or number > track.received):
        raise NotUnderstoodError(f"{name}: expected at most {most}; found {number}")


def enter(work: IngestTransaction, doses: Sequence[ReceivedDose]) -> None:
    """Enter the doses of a batch."""
    rows: list[dict[str, Any]] = []
    again: dict[tuple[str, str], list[ReceivedDose]] = {}
    earliest: dict[tuple[str, str], dict[int, int | None]] = {}
    for dose in doses:
        seq, key = dose.content.seq, (dose.device, dose.content.journal)
        track = work.states.track(*key)
        if track.seen(seq):
            again.setdefault(key, []).append(dose)
        else:
            track.take(seq)
            beside = earliest.setdefault(key, {})
            row = _row_of(work, dose, beside)
            beside[seq] = row["at_ms"] if row["at_high_ms"] is None else row["at_low_ms"]
            rows.append(row)
        work.result.journals.add(key)
    if rows:
        ledger.add_doses(work.tx, rows)
        work.result.dosed.update(row["device"] for row in rows)
        work.result.count("dose", len(rows))
    for (device, journal), repeated in again.items():
        _enter_again(work, device, journal, repeated)


def _enter_again(work: IngestTransaction, device: str, journal: str, doses: Sequence[ReceivedDose]) -> None:
    """Doses whose number has been seen: the same again, a better message for one not understood, or one that was given
    up and came after all; anything else is another dose under a used number, and refused."""
    stored = ledger.doses_by_seq(work.tx, device, journal, [d.content.seq for d in doses])
    for dose in doses:
        seq = dose.content.seq
        entry = stored.get(seq)
        if entry is None or entry.body.get("outcome") == "unknown":
            row = _row_of(work, dose, {})
            if entry is None:
                ledger.add_doses(work.tx, [row])
                losses.found_after_all(work, device, journal, seq)
            else:
                changes = {k: row[k] for k in ("at_ms", "at_low_ms", "at_high_ms", "body")}
                ledger.correct(work.tx, entry, work.stamp_ms, **changes)
            stored.update(ledger.doses_by_seq(work.tx, device, journal, [seq]))
            work.result.dosed.add(device)
            work.result.count("dose")
        elif entry.raw == dose.message.payload.decode() or (differing := _differing(entry.body, dose.content)) is None:
            work.result.count("repeat")
        else:
            reason = f"{differing}: dose {seq} of this journal came before with another value"
            device_store.add_reject(work.tx, device, dose.message.topic, dose.message.payload, reason, work.stamp_ms)
            work.result.count("reject")


def identity_of(states: DeviceStates, device: str, payload: bytes) -> tuple[str, int] | None:
    """The journal and the number of a dose that was not understood, where both can be read."""
    try:
        identity = wire.Identity.model_validate_json(payload)
    except ValidationError:
        return None
    journal = identity.journal_or((states.known(device).hello or {}).get("journal"))
    return None if journal is None else (journal, identity.seq)


def enter_unknown(work: IngestTransaction, device: str, message: Message, reject: int) -> None:
    """A dose was not understood: where its number can be read, that is used up by a dose of unknown mass.

    reject: the message as it is kept.
    """
    identity = identity_of(work.states, device, message.payload)
    if identity is None:
        return
    journal, seq = identity
    try:
        check_number(work.states, "seq", device, journal, seq)
    except NotUnderstoodError:
        return
    track = work.states.track(device, journal)
    if track.seen(seq):
        return
    track.take(seq)
    body = {"journal": journal, "seq": seq, "outcome": "unknown", "reject": reject}
    at_ms = message.arrival_ms
    low_ms = _not_before(work, device, journal, seq, {})
    ledger.add_doses(work.tx, [_row(work, device, journal, seq, at_ms, low_ms, at_ms, json.dumps(body))])
    work.result.dosed.add(device)
    work.result.journals.add((device, journal))


def _row_of(work: IngestTransaction, dose: ReceivedDose, beside: Mapping[int, int | None]) -> dict[str, Any]:
    """A dose's row. beside: the earliest instants of the same journal's doses that are in no row yet, by number."""
    told = dose.content
    at_ms, low_ms, high_ms = told.at_ms, None, None
    if at_ms is None:
        at_ms = high_ms = latest_ms(work, dose.device, told.boot, told.uptime_ms, dose.message)
        low_ms = _not_before(work, dose.device, told.journal, told.seq, beside)
        if low_ms is not None:
            low_ms = min(low_ms, high_ms)
    body = dose.message.payload.decode()
    return _row(work, dose.device, told.journal, told.seq, at_ms, low_ms, high_ms, body)


def _row(
    work: IngestTransaction,
    device: str,
    journal: str,
    seq: int,
    at_ms: int,
    low_ms: int | None,
    high_ms: int | None,
    body: str,
) -> dict[str, Any]:
    return {
        "at_ms": at_ms,
        "at_low_ms": low_ms,
        "at_high_ms": high_ms,
        "recorded_ms": work.stamp_ms,
        "kind": "dose",
        "device": device,
        "journal": journal,
        "seq": seq,
        "void": False,
        "body": body,
    }


def _not_before(
    work: IngestTransaction, device: str, journal: str, seq: int, beside: Mapping[int, int | None]
) -> int | None:
    """The earliest instant of the nearest dose before one."""
    near = ledger.neighbour(work.tx, device, journal, seq)
    lower = [(number, at_ms) for number, at_ms in beside.items() if number < seq]
    found = max([*lower, *([near] if near is not None else [])], key=lambda pair: pair[0], default=None)
    return None if found is None else found[1]


def _differing(stored: dict[str, Any], told: wire.DoseMessage) -> str | None:
    """The first field in which a repeated dose differs; a time that was unknown before or is now is no difference."""
    for name in wire.DoseMessage.model_fields:
        old, new = stored.get(name), getattr(told, name)
        if old != new and not (name == "at_ms" and (old is None or new is None)):
            return name
    return None
