"""What a device says of itself, and its answers to what it was told."""

import logging
from dataclasses import replace

from tareline.app import holds
from tareline.app.ingest.doses import check_number
from tareline.app.ingest.losses import give_up
from tareline.app.ingest.times import note_arrival
from tareline.app.ingest.transaction import IngestTransaction, read
from tareline.app.snapshot import Snapshots
from tareline.mqtt import messages as wire
from tareline.mqtt.messages import Message
from tareline.store import ledger

log = logging.getLogger(__name__)


def take_status(work: IngestTransaction, device: str, message: Message) -> None:
    """Whether a device is on the broker."""
    status = read(wire.Status, message.payload)
    known = work.states.known(device)
    if known.online != status.online:
        work.remember(replace(known, online=status.online, status_ms=work.stamp_ms))


def take_applied(work: IngestTransaction, device: str, message: Message) -> None:
    """Which plan and which hold a feeder has in force."""
    applied = read(wire.Applied, message.payload).model_dump()
    known = work.states.known(device)
    if known.applied != applied:
        work.remember(replace(known, applied=applied))


def take_reply(work: IngestTransaction, device: str, message: Message) -> None:
    """Whether a device does what a command asked for."""
    reply = read(wire.Reply, message.payload)
    if reply.ok:
        work.result.done_commands.add(reply.id)
    else:
        log.warning("%s refused command %s: %s", device, reply.id, reply.detail or "")
        work.result.refused_resends.add(reply.id)


def take_fetch(work: IngestTransaction, device: str, message: Message) -> None:
    """A device asks for a piece of an update."""
    work.result.fetches.append((device, read(wire.Fetch, message.payload)))


def take_update(work: IngestTransaction, device: str, message: Message) -> None:
    """Where a device is with an update."""
    work.result.updates.append((device, read(wire.UpdateState, message.payload)))


def read_hello(work: IngestTransaction, device: str, message: Message) -> wire.Hello:
    """Understand a hello. Raises NotUnderstoodError."""
    hello = read(wire.Hello, message.payload)
    if hello.journal is not None:
        for name, number in (("journal_from", hello.journal_from), ("journal_to", hello.journal_to)):
            check_number(work.states, name, device, hello.journal, number or 0)
    note_arrival(work, device, hello.boot, hello.uptime_ms, message)
    return hello


def greet(work: IngestTransaction, device: str, message: Message, hello: wire.Hello) -> None:
    """Take a hello: the board, and what the device says of its journal and its clock."""
    result = work.result
    result.count("hello")
    known = work.states.known(device)
    if known.board is not None and known.board != hello.board:
        _hold_for_another_board(work, device, known.board, hello.board)
        known = replace(known, former_boards=(*known.former_boards[-9:], known.board))
    work.remember(replace(known, hello=hello.model_dump(), board=hello.board))
    _end_former_journal(work, device, (known.hello or {}).get("journal"), hello.journal)
    if hello.kind == "feeder" and hello.journal is not None:
        track = work.states.track(device, hello.journal)
        track.known_to = max(track.known_to, hello.journal_to or 0)
        if not message.retained:
            track.begin_anew()
        result.journals.add((device, hello.journal))
        if hello.journal_from is not None and track.received < hello.journal_from - 1:
            lost = (1, hello.journal_from - 1)
            give_up(work, device, hello.journal, lost, "the device no longer holds them")
    if hello.kind == "feeder" and not message.retained:
        result.greeted.add(device)
    if hello.clock == "unset" and not message.retained:
        result.clockless.append((device, hello))


def _end_former_journal(work: IngestTransaction, device: str, former: str | None, journal: str | None) -> None:
    """Give up what is missing of a journal that a device has replaced by a new one."""
    if former is None or journal is None or former == journal or (device, former) not in work.states.tracks:
        return
    missing = work.states.tracks[device, former].missing()
    if missing:
        give_up(work, device, former, (1, missing[-1][1]), "the device began a new journal")


def _hold_for_another_board(work: IngestTransaction, device: str, before: str, now: str) -> None:
    """Two boards under one name, or a board that was replaced: the feeder is held until a person says which."""
    text = f"another board ({now}) answers to the name {device}; before it was {before}"
    body = {"event": "board", "board": now, "before": before}
    ledger.add(work.tx, "device", work.stamp_ms, work.stamp_ms, body, device=device)
    log.error("%s", text)
    tank = work.context.tank_of(device, work.stamp_ms)
    if tank is not None:
        snapshots = Snapshots(work.tx, work.context, work.samples)
        if not any(r.kind == "board" and r.device == device for r in snapshots.of(tank).holds.reasons):
            note = "; if you replaced the board, release; if not, find the second one"
            holds.hold(snapshots, tank, "board", text + note, device=device)
            work.result.held.add(tank)
