"""Doses that will not come are given up by an entry of the ledger; it is corrected where one comes after all."""

import json
import logging

from tareline.app.ingest.state import GAPS
from tareline.app.ingest.transaction import IngestTransaction
from tareline.store import ledger

log = logging.getLogger(__name__)


def give_up(work: IngestTransaction, device: str, journal: str, lost: tuple[int, int], why: str) -> None:
    """Enter that what is missing of a range of doses will never come.

    Doses before the first one that this service has seen of a journal were fed before it knew the device: they are
    entered, but count against no day.
    """
    for first, last in work.states.tracks[device, journal].give_up(lost[1], lost[0]):
        near = ledger.neighbour(work.tx, device, journal, first)
        at_ms = (None if near is None else near[1]) or work.stamp_ms
        body = {"journal": journal, "from": first, "to": last, "why": why, "before_first": near is None}
        ledger.add(work.tx, "gap", at_ms, work.stamp_ms, body, device=device)
        log.error("doses %d to %d of %s are lost: %s", first, last, device, why)
        work.result.dosed.add(device)
    work.result.journals.add((device, journal))


def found_after_all(work: IngestTransaction, device: str, journal: str, seq: int) -> None:
    """A dose that was given up came: the entry that gave it up is corrected to what is still missing."""
    for gap in ledger.newest(work.tx, "gap", device=device, limit=GAPS):
        body = gap.body
        if body["journal"] != journal or not body["from"] <= seq <= body["to"]:
            continue
        left = [(body["from"], seq - 1), (seq + 1, body["to"])]
        parts = [{**body, "from": first, "to": last} for first, last in left if first <= last]
        if parts:
            ledger.correct(work.tx, gap, work.stamp_ms, body=json.dumps(parts[0]))
            for part in parts[1:]:
                ledger.add(work.tx, "gap", gap.at_ms, work.stamp_ms, part, device=device)
        else:
            ledger.correct(work.tx, gap, work.stamp_ms, void=True)
