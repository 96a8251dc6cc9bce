"""When something happened that a device tells of: by its clock, or else by its boot and its uptime."""

from typing import Protocol

from tareline.app.ingest.transaction import IngestTransaction, NotUnderstoodError
from tareline.core.units import DAY_MS
from tareline.mqtt.messages import Message
from tareline.store import ledger

AHEAD_MS = DAY_MS  # a board's clock this far ahead of every clock we know is wrong


class Timed(Protocol):
    """A message that tells when it was made; at_ms is None where the board has no clock."""

    boot: str
    at_ms: int | None
    uptime_ms: int


def note_time(work: IngestTransaction, device: str, told: Timed, message: Message) -> None:
    """Learn from a message when its boot began; refuse a time that cannot be."""
    at_ms = told.at_ms
    if at_ms is not None:
        if at_ms > message.arrival_ms + AHEAD_MS and at_ms > work.stamp_ms + AHEAD_MS:
            raise NotUnderstoodError(f"at_ms: expected no time more than a day ahead; found {at_ms}")
        work.states.boots.note_clock(device, told.boot, at_ms, told.uptime_ms)
    else:
        note_arrival(work, device, told.boot, told.uptime_ms, message)


def note_arrival(work: IngestTransaction, device: str, boot: str, uptime_ms: int, message: Message) -> None:
    """Learn from the arrival of a message when its boot began; a retained one may have waited for weeks."""
    if not message.retained:
        work.states.boots.note_arrival(device, boot, message.arrival_ms, uptime_ms)


def latest_ms(work: IngestTransaction, device: str, boot: str, uptime_ms: int, message: Message) -> int:
    """The latest instant at which a board without a clock can have had this uptime."""
    return work.states.boots.at_ms(device, boot, uptime_ms, message.arrival_ms)


def place_again(work: IngestTransaction, device: str, boot: str) -> None:
    """A boot began earlier than was thought: correct the time of what was placed by it."""
    began_ms, exact = work.states.boots.known[device, boot]
    for entry in ledger.placed_by_boot(work.tx, device, boot):
        at_ms = began_ms + int(entry.body.get("uptime_ms") or 0)
        if entry.at_ms == at_ms:
            continue
        low_ms = None if exact or entry.at_low_ms is None else min(entry.at_low_ms, at_ms)
        changes = {"at_ms": at_ms, "at_low_ms": low_ms, "at_high_ms": None if exact else at_ms}
        ledger.correct(work.tx, entry, work.stamp_ms, **changes)
        work.result.dosed.add(device)
