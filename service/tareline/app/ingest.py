"""Taking what devices send: each message exactly once to disk, many in one transaction.

A message is understood and becomes an entry, samples or device state; or it is stored as it came with the reason why it
was not understood. Either way it is then on disk and may be acknowledged.
"""

import json
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from sqlalchemy import Connection

from tareline.app import holds
from tareline.app.context import Context
from tareline.app.projections.samples import Samples
from tareline.app.snapshot import Snapshots
from tareline.core.safety.faults import lost_g
from tareline.core.safety.stops import STOPS
from tareline.core.units import DAY_MS
from tareline.mqtt import messages as wire
from tareline.mqtt import senml
from tareline.mqtt.journals import Track
from tareline.mqtt.messages import Message
from tareline.mqtt.timestamps import Boots
from tareline.store import devices as device_store
from tareline.store import ledger, series
from tareline.store.devices import Device
from tareline.store.engine import StoreError

log = logging.getLogger(__name__)

JUMP = 1_000_000  # doses: more than any feeder makes in its life
GAPS = 1000
AHEAD_MS = DAY_MS  # a board's clock this far ahead of every clock we know is wrong
METRICS = {"temperature": ("Cel", -60.0, 125.0), "conductivity": ("S/m", 0.0, 100.0), "voltage": ("V", -100.0, 100.0)}
UNKNOWN_DEVICE = "unknown device: not registered as a feeder or a probe"


@dataclass(slots=True)
class Taken:
    """What a batch brought, for what follows from it."""

    dosed: set[str] = field(default_factory=set)
    changed: set[tuple[str, str]] = field(default_factory=set)
    journals: set[tuple[str, str]] = field(default_factory=set)
    clockless: list[dict[str, Any]] = field(default_factory=list)
    greeted: set[str] = field(default_factory=set)
    devices: set[str] = field(default_factory=set)
    done_commands: set[str] = field(default_factory=set)
    refused_resends: set[str] = field(default_factory=set)
    fetches: list[tuple[str, wire.Fetch]] = field(default_factory=list)
    updates: list[tuple[str, wire.UpdateState]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    def count(self, what: str, n: int = 1) -> None:
        self.counts[what] = self.counts.get(what, 0) + n


class NotUnderstoodError(Exception):
    """A message that cannot be taken; its text is the reason that is stored with it."""


@dataclass(slots=True)
class _Dose:
    device: str
    message: Message
    read: wire.DoseMessage


class Ingest:
    """Takes batches; keeps in memory how far each journal is and when each boot began.

    Used from one thread. Raises StoreError when a batch could not be committed.
    """

    def __init__(self, context: Context, root: str, samples: Samples) -> None:
        self._context = context
        self._sampled = samples
        self._prefix = root + "/"
        self._load()

    def _load(self) -> None:
        with self._context.store.read() as tx:
            self.devices = device_store.load(tx)
            self._boots = Boots(device_store.load_boots(tx))
            self.tracks: dict[tuple[str, str], Track] = {}
            for (device, journal), received in device_store.load_journals(tx).items():
                above = ledger.seqs_above(tx, device, journal, received)
                for gap in ledger.newest(tx, "gap", device=device, limit=GAPS):
                    if gap.body["journal"] == journal:
                        above.update(range(max(gap.body["from"], received + 1), gap.body["to"] + 1))
                self.tracks[device, journal] = Track(received, above)

    def known(self, device: str) -> Device:
        """What is known of a device; nothing yet of one that has said nothing."""
        return self.devices.get(device, Device(device))

    def take(self, batch: Sequence[Message]) -> Taken:
        """Put a batch on disk. A message that breaks the taking itself is set aside as one not understood."""
        try:
            return self._take(batch)
        except StoreError:
            raise
        except Exception as error:
            log.exception("a batch of %d messages could not be taken as a whole", len(batch))
            self._load()
            if len(batch) == 1:
                return self._set_aside(batch[0], f"internal error: {type(error).__name__}: {error}")
        taken = Taken()
        for message in batch:
            one = self.take([message])
            taken.dosed |= one.dosed
            taken.changed |= one.changed
            taken.journals |= one.journals
            taken.clockless += one.clockless
            taken.greeted |= one.greeted
            taken.devices |= one.devices
            taken.done_commands |= one.done_commands
            taken.refused_resends |= one.refused_resends
            taken.fetches += one.fetches
            taken.updates += one.updates
            for what, n in one.counts.items():
                taken.count(what, n)
        return taken

    def _set_aside(self, message: Message, reason: str) -> Taken:
        taken = Taken()
        with self._context.write() as tx:
            self._reject(tx, taken, message, reason)
        return taken

    def _take(self, batch: Sequence[Message]) -> Taken:
        taken = Taken()
        doses: list[_Dose] = []
        hellos: list[tuple[str, Message, wire.Hello]] = []
        refused: list[tuple[Message, str]] = []
        with self._context.write() as tx:
            for message in batch:
                try:
                    device, tail = self._address(message)
                    if tail == "dose":
                        doses.append(self._read_dose(device, message))
                    elif tail == "hello":
                        hellos.append((device, message, self._read_hello(device, message)))
                    else:
                        self._handlers[tail](self, tx, taken, device, message)
                        taken.count(tail)
                except NotUnderstoodError as error:
                    refused.append((message, str(error)))
            if doses:
                self._enter_doses(tx, taken, doses)
            for device, message, hello in hellos:  # after the doses that came with it: those are not missing
                self._greet(tx, taken, device, message, hello)
            for message, reason in refused:
                self._reject(tx, taken, message, reason)
            self._save(tx, taken)
        return taken

    # -- addressing and reading --------------------------------------------------------------------------------------

    def _address(self, message: Message) -> tuple[str, str]:
        if not message.topic.startswith(self._prefix):
            raise NotUnderstoodError(f"topic: expected one under {self._prefix}")
        device, _, tail = message.topic[len(self._prefix) :].partition("/up/")
        if not self._context.register.known_device(device):
            raise NotUnderstoodError(UNKNOWN_DEVICE)
        if tail not in ("dose", "hello") and tail not in self._handlers:
            raise NotUnderstoodError(f"topic: expected one of the contract's under up/; found {tail!r}")
        if len(message.payload) > wire.UP_BYTES:
            raise NotUnderstoodError(f"payload: expected at most {wire.UP_BYTES} bytes; found {len(message.payload)}")
        return device, tail

    def _read_dose(self, device: str, message: Message) -> _Dose:
        try:
            read = wire.DoseMessage.model_validate_json(message.payload)
        except ValidationError as error:
            raise NotUnderstoodError(wire.explain(error)) from error
        self._check_number("seq", device, read.journal, read.seq)
        self._note_time(device, read.boot, read.at_ms, read.uptime_ms, message)
        return _Dose(device, message, read)

    def _read_hello(self, device: str, message: Message) -> wire.Hello:
        hello = _read(wire.Hello, message.payload)
        if hello.journal is not None:
            for name, number in (("journal_from", hello.journal_from), ("journal_to", hello.journal_to)):
                self._check_number(name, device, hello.journal, number or 0)
        if not message.retained:
            self._boots.note_arrival(device, hello.boot, message.arrival_ms, hello.uptime_ms)
        return hello

    def _check_number(self, name: str, device: str, journal: str, number: int) -> None:
        """Refuse a dose's number that no journal can have reached: taken, it would use up all numbers below it."""
        track = self.tracks.get((device, journal))
        most = (track.frontier if track is not None and number > track.received else 0) + JUMP
        if number > most and (track is None or number > track.received):
            raise NotUnderstoodError(f"{name}: expected at most {most}; found {number}")

    def _note_time(self, device: str, boot: str, at_ms: int | None, uptime_ms: int, message: Message) -> None:
        """Learn from a message when its boot began; refuse a time that cannot be."""
        if at_ms is not None:
            if at_ms > message.arrival_ms + AHEAD_MS and at_ms > self._context.stamp_ms() + AHEAD_MS:
                raise NotUnderstoodError(f"at_ms: expected no time more than a day ahead; found {at_ms}")
            self._boots.note_clock(device, boot, at_ms, uptime_ms)
        elif not message.retained:
            self._boots.note_arrival(device, boot, message.arrival_ms, uptime_ms)

    # -- doses -------------------------------------------------------------------------------------------------------

    def _enter_doses(self, tx: Connection, taken: Taken, doses: Sequence[_Dose]) -> None:
        stamp_ms = self._context.stamp_ms()
        rows: list[dict[str, Any]] = []
        again: dict[tuple[str, str], list[_Dose]] = {}
        earliest: dict[tuple[str, str], dict[int, int | None]] = {}
        for dose in doses:
            read = dose.read
            key = (dose.device, read.journal)
            track = self.tracks.get(key)
            if track is None:
                track = self.tracks[key] = Track()
            if track.seen(read.seq):
                again.setdefault(key, []).append(dose)
            else:
                track.take(read.seq)
                beside = earliest.setdefault(key, {})
                row = self._row(tx, dose, stamp_ms, beside)
                beside[read.seq] = row["at_ms"] if row["at_high_ms"] is None else row["at_low_ms"]
                rows.append(row)
            taken.journals.add(key)
        if rows:
            ledger.add_doses(tx, rows)
            taken.dosed.update(row["device"] for row in rows)
            taken.count("dose", len(rows))
        for key, repeated in again.items():
            self._enter_again(tx, taken, key, repeated, stamp_ms)

    def _row(self, tx: Connection, dose: _Dose, stamp_ms: int, beside: Mapping[int, int | None]) -> dict[str, Any]:
        """A dose's row. beside: the earliest instants of the same journal's doses that are in no row yet, by number."""
        read = dose.read
        at_ms, low_ms, high_ms = read.at_ms, None, None
        if at_ms is None:
            at_ms = self._boots.at_ms(dose.device, read.boot, read.uptime_ms, dose.message.arrival_ms)
            high_ms = at_ms
            low_ms = self._not_before(tx, dose.device, read.journal, read.seq, beside)
            if low_ms is not None:
                low_ms = min(low_ms, high_ms)
        return {
            "at_ms": at_ms,
            "at_low_ms": low_ms,
            "at_high_ms": high_ms,
            "recorded_ms": stamp_ms,
            "kind": "dose",
            "device": dose.device,
            "journal": read.journal,
            "seq": read.seq,
            "void": False,
            "body": dose.message.payload.decode(),
        }

    @staticmethod
    def _not_before(
        tx: Connection, device: str, journal: str, seq: int, beside: Mapping[int, int | None]
    ) -> int | None:
        """The earliest instant of the nearest dose before one."""
        near = ledger.neighbour(tx, device, journal, seq)
        lower = [(number, at_ms) for number, at_ms in beside.items() if number < seq]
        found = max([*lower, *([near] if near is not None else [])], key=lambda pair: pair[0], default=None)
        return None if found is None else found[1]

    def _enter_again(
        self, tx: Connection, taken: Taken, key: tuple[str, str], doses: Sequence[_Dose], stamp_ms: int
    ) -> None:
        """Doses whose number has been seen: the same again, a better message for one not understood, or one that
        was given up and came after all; anything else is another dose under a used number, and refused."""
        device, journal = key
        stored = ledger.doses_by_seq(tx, device, journal, [d.read.seq for d in doses])
        for dose in doses:
            entry = stored.get(dose.read.seq)
            raw = dose.message.payload.decode()
            if entry is None:
                row = self._row(tx, dose, stamp_ms, {})
                ledger.add_doses(tx, [row])
                self._found_after_all(tx, device, journal, dose.read.seq, stamp_ms)
                stored.update(ledger.doses_by_seq(tx, device, journal, [dose.read.seq]))
                taken.dosed.add(device)
                taken.count("dose")
            elif entry.body.get("outcome") == "unknown":
                row = self._row(tx, dose, stamp_ms, {})
                changes = {k: row[k] for k in ("at_ms", "at_low_ms", "at_high_ms", "body")}
                ledger.correct(tx, entry, stamp_ms, **changes)
                stored.update(ledger.doses_by_seq(tx, device, journal, [dose.read.seq]))
                taken.dosed.add(device)
                taken.count("dose")
            elif entry.raw == raw or (differing := _differing(entry.body, dose.read)) is None:
                taken.count("repeat")
            else:
                reason = f"{differing}: dose {dose.read.seq} of this journal came before with another value"
                device_store.add_reject(tx, device, dose.message.topic, dose.message.payload, reason, stamp_ms)
                taken.count("reject")

    def _found_after_all(self, tx: Connection, device: str, journal: str, seq: int, stamp_ms: int) -> None:
        """A dose that was given up came: the entry that gave it up is corrected to what is still missing."""
        for gap in ledger.newest(tx, "gap", device=device, limit=GAPS):
            body = gap.body
            if body["journal"] != journal or not body["from"] <= seq <= body["to"]:
                continue
            left = [(body["from"], seq - 1), (seq + 1, body["to"])]
            parts = [{**body, "from": first, "to": last} for first, last in left if first <= last]
            if parts:
                ledger.correct(tx, gap, stamp_ms, body=json.dumps(parts[0]))
                for part in parts[1:]:
                    ledger.add(tx, "gap", gap.at_ms, stamp_ms, part, device=device)
            else:
                ledger.correct(tx, gap, stamp_ms, void=True)

    def _reject(self, tx: Connection, taken: Taken, message: Message, reason: str) -> None:
        """Keep a message with the reason; where it is a dose whose number can be read, its number is used up."""
        stamp_ms = self._context.stamp_ms()
        inner = message.topic.removeprefix(self._prefix)
        device = inner.partition("/")[0] or None
        kept = device_store.add_reject(tx, device, message.topic, message.payload, reason, stamp_ms)
        taken.count("reject")
        log.warning("not understood on %s: %s", message.topic[:200], reason[:500])
        if device is None or not inner.endswith("/up/dose") or not self._context.register.known_device(device):
            return
        try:
            identity = wire.Identity.model_validate_json(message.payload)
        except ValidationError:
            return
        hello = (self.devices.get(device) or Device(device)).hello or {}
        journal = identity.journal_or(hello.get("journal"))
        if journal is None:
            return
        try:
            self._check_number("seq", device, journal, identity.seq)
        except NotUnderstoodError:
            return
        track = self.tracks.setdefault((device, journal), Track())
        if track.seen(identity.seq):
            return
        track.take(identity.seq)
        body = {"journal": journal, "seq": identity.seq, "outcome": "unknown", "reject": kept}
        row = {
            "at_ms": message.arrival_ms,
            "at_low_ms": self._not_before(tx, device, journal, identity.seq, {}),
            "at_high_ms": message.arrival_ms,
            "recorded_ms": stamp_ms,
            "kind": "dose",
            "device": device,
            "journal": journal,
            "seq": identity.seq,
            "void": False,
            "body": json.dumps(body),
        }
        ledger.add_doses(tx, [row])
        taken.dosed.add(device)
        taken.journals.add((device, journal))

    def expect_rejected(self, device: str) -> None:
        """A device has become known: doses it sent before were set aside, so they exist and are to be asked for."""
        hello = (self.devices.get(device) or Device(device)).hello or {}
        with self._context.store.read() as tx:
            payloads = device_store.rejected_payloads(tx, f"{self._prefix}{device}/up/dose")
        for payload in payloads:
            try:
                identity = wire.Identity.model_validate_json(payload)
            except ValidationError:
                continue
            journal = identity.journal_or(hello.get("journal"))
            if journal is not None:
                track = self.tracks.setdefault((device, journal), Track())
                track.known_to = max(track.known_to, identity.seq)

    def give_up(self, tx: Connection, key: tuple[str, str], lost: tuple[int, int], why: str, taken: Taken) -> None:
        """Enter that what is missing of a range of doses will never come.

        Doses before the first one that this service has seen of a journal were fed before it knew the device: they are
        entered, but count against no day.
        """
        device, journal = key
        stamp_ms = self._context.stamp_ms()
        for first, last in self.tracks[key].give_up(lost[1], lost[0]):
            near = ledger.neighbour(tx, device, journal, first)
            at_ms = (None if near is None else near[1]) or stamp_ms
            body = {"journal": journal, "from": first, "to": last, "why": why, "before_first": near is None}
            ledger.add(tx, "gap", at_ms, stamp_ms, body, device=device)
            log.error("doses %d to %d of %s are lost: %s", first, last, device, why)
            taken.dosed.add(device)
        taken.journals.add(key)

    # -- everything else under up/ -----------------------------------------------------------------------------------

    def _status(self, tx: Connection, taken: Taken, device: str, message: Message) -> None:
        status = _read(wire.Status, message.payload)
        known = self.devices.get(device, Device(device))
        if known.online != status.online:
            at_ms = self._context.stamp_ms()
            self._remember(taken, replace(known, online=status.online, status_ms=at_ms))

    def _greet(self, tx: Connection, taken: Taken, device: str, message: Message, hello: wire.Hello) -> None:
        taken.count("hello")
        body = hello.model_dump()
        known = self.devices.get(device, Device(device))
        if known.board is not None and known.board != hello.board:
            self._another_board(tx, taken, device, known.board, hello.board)
            known = replace(known, former_boards=(*known.former_boards[-9:], known.board))
        former = (device, str((known.hello or {}).get("journal")))
        self._remember(taken, replace(known, hello=body, board=hello.board))
        if hello.journal is not None and former[1] != hello.journal and former in self.tracks:
            missing = self.tracks[former].missing()
            if missing:
                self.give_up(tx, former, (1, missing[-1][1]), "the device began a new journal", taken)
        if hello.kind == "feeder" and hello.journal is not None:
            key = (device, hello.journal)
            track = self.tracks.setdefault(key, Track())
            track.known_to = max(track.known_to, hello.journal_to or 0)
            if not message.retained:
                track.begin_anew()
            taken.journals.add(key)
            if hello.journal_from is not None and track.received < hello.journal_from - 1:
                self.give_up(tx, key, (1, hello.journal_from - 1), "the device no longer holds them", taken)
        if hello.kind == "feeder" and not message.retained:
            taken.greeted.add(device)
        if hello.clock == "unset" and not message.retained:
            taken.clockless.append({"device": device, **body})

    def _another_board(self, tx: Connection, taken: Taken, device: str, before: str, now: str) -> None:
        """Two boards under one name, or a board that was replaced: the feeder is held until a person says which."""
        stamp_ms = self._context.stamp_ms()
        text = f"another board ({now}) answers to the name {device}; before it was {before}"
        body = {"event": "board", "board": now, "before": before}
        ledger.add(tx, "device", stamp_ms, stamp_ms, body, device=device)
        log.error("%s", text)
        tank = self._context.tank_of(device, stamp_ms)
        if tank is not None:
            snapshots = Snapshots(tx, self._context, self._sampled)
            if not any(r.kind == "board" and r.device == device for r in snapshots.of(tank).holds.reasons):
                note = "; if you replaced the board, release; if not, find the second one"
                holds.hold(snapshots, tank, "board", text + note, device=device)
                taken.changed.add(("hold", tank))

    def _applied(self, tx: Connection, taken: Taken, device: str, message: Message) -> None:
        applied = _read(wire.Applied, message.payload)
        known = self.devices.get(device, Device(device))
        if known.applied != applied.model_dump():
            self._remember(taken, replace(known, applied=applied.model_dump()))

    def _weight(self, tx: Connection, taken: Taken, device: str, message: Message) -> None:
        weight = _read(wire.Weight, message.payload)
        self._note_time(device, weight.boot, weight.at_ms, weight.uptime_ms, message)
        at_ms = weight.at_ms
        if at_ms is None:
            at_ms = self._boots.at_ms(device, weight.boot, weight.uptime_ms, message.arrival_ms)
        values = [
            series.Value("hopper", "g", at_ms, weight.mass_g),
            series.Value("hopper_sd", "g", at_ms, weight.sd_g),
        ]
        series.add(tx, device, values)
        taken.devices.add(device)

    def _samples(self, tx: Connection, taken: Taken, device: str, message: Message) -> None:
        try:
            records = senml.parse(message.payload)
        except ValidationError as error:
            raise NotUnderstoodError(wire.explain(error)) from error
        sent_ms = message.arrival_ms
        boot, uptime_ms = senml.extra(records, "boot"), senml.extra(records, "uptime_ms")
        if isinstance(boot, str) and isinstance(uptime_ms, int) and 0 <= uptime_ms < 2**53:
            self._note_time(device, boot, None, uptime_ms, message)
            sent_ms = self._boots.at_ms(device, boot, uptime_ms, message.arrival_ms)
        good: list[series.Value] = []
        wrong: str | None = None
        for record in senml.resolve(records):
            value = _value(record, sent_ms)
            if isinstance(value, str):
                wrong = wrong or value
            elif value.at_ms > self._context.stamp_ms() + AHEAD_MS:
                wrong = wrong or f"t: expected no time more than a day ahead; found {record.time_s:.0f}"
            else:
                good.append(value)
        if good:
            series.add(tx, device, good)
            taken.devices.add(device)
        if wrong is not None:
            raise NotUnderstoodError(f"{wrong} ({len(good)} other values of the pack were taken)")

    def _fault(self, tx: Connection, taken: Taken, device: str, message: Message) -> None:
        fault = _read(wire.Fault, message.payload)
        self._note_time(device, fault.boot, fault.at_ms, fault.uptime_ms, message)
        raw = message.payload.decode()
        if any(entry.raw == raw for entry in ledger.newest(tx, "fault", device=device, limit=200)):
            return  # the broker delivered it twice
        at_ms, high_ms = fault.at_ms, None
        if at_ms is None:
            at_ms = high_ms = self._boots.at_ms(device, fault.boot, fault.uptime_ms, message.arrival_ms)
        stamp_ms = self._context.stamp_ms()
        entry = ledger.add(tx, "fault", at_ms, stamp_ms, raw, device=device, at_high_ms=high_ms)
        log.warning("%s reports the fault %s: %s", device, fault.code, fault.detail or "")
        if lost_g(fault.code, fault.detail):
            taken.dosed.add(device)  # which the tank's other feeders get less for
        if fault.code in STOPS and self._context.register.now("feeder", device) is not None:
            tank = holds.stopped(Snapshots(tx, self._context, self._sampled), device, fault.code, entry)
            if tank is not None:
                taken.changed.add(("hold", tank))
        taken.devices.add(device)

    def _reply(self, tx: Connection, taken: Taken, device: str, message: Message) -> None:
        reply = _read(wire.Reply, message.payload)
        if reply.ok:
            taken.done_commands.add(reply.id)
        else:
            log.warning("%s refused command %s: %s", device, reply.id, reply.detail or "")
            taken.refused_resends.add(reply.id)

    def _fetch(self, tx: Connection, taken: Taken, device: str, message: Message) -> None:
        taken.fetches.append((device, _read(wire.Fetch, message.payload)))

    def _update(self, tx: Connection, taken: Taken, device: str, message: Message) -> None:
        taken.updates.append((device, _read(wire.UpdateState, message.payload)))

    _handlers: dict[str, Callable[["Ingest", Connection, Taken, str, Message], None]] = {  # noqa: RUF012
        "status": _status,
        "applied": _applied,
        "weight": _weight,
        "samples": _samples,
        "fault": _fault,
        "reply": _reply,
        "fetch": _fetch,
        "update": _update,
    }

    # -- keeping -----------------------------------------------------------------------------------------------------

    def _remember(self, taken: Taken, known: Device) -> None:
        self.devices[known.device] = known
        taken.devices.add(known.device)

    def _save(self, tx: Connection, taken: Taken) -> None:
        if taken.journals:
            device_store.save_journals(tx, {key: self.tracks[key].received for key in taken.journals})
        if self._boots.changed:
            device_store.save_boots(tx, {key: self._boots.known[key] for key in self._boots.changed})
            self._boots.changed.clear()
        for device, boot in self._boots.moved:
            self._place_again(tx, taken, device, boot)
        self._boots.moved.clear()
        for device in taken.devices | taken.dosed:
            known = self.devices.get(device, Device(device))
            self.devices[device] = replace(known, seen_ms=self._context.stamp_ms())
            device_store.save(tx, self.devices[device])

    def _place_again(self, tx: Connection, taken: Taken, device: str, boot: str) -> None:
        """A boot began earlier than was thought: correct the time of what was placed by it."""
        began_ms, exact = self._boots.known[device, boot]
        for entry in ledger.placed_by_boot(tx, device, boot):
            at_ms = began_ms + int(entry.body.get("uptime_ms") or 0)
            if entry.at_ms == at_ms:
                continue
            low_ms = None if exact or entry.at_low_ms is None else min(entry.at_low_ms, at_ms)
            changes = {"at_ms": at_ms, "at_low_ms": low_ms, "at_high_ms": None if exact else at_ms}
            ledger.correct(tx, entry, self._context.stamp_ms(), **changes)
            taken.dosed.add(device)


_M = TypeVar("_M", bound=BaseModel)


def _read(model: type[_M], payload: bytes) -> _M:
    try:
        return model.model_validate_json(payload)
    except ValidationError as error:
        raise NotUnderstoodError(wire.explain(error)) from error


def _value(record: senml.Resolved, sent_ms: int) -> series.Value | str:
    """A SenML record as a value of a series, or why it is none."""
    metric = record.name.rsplit(":", 1)[-1].rsplit("/", 1)[-1]
    if metric not in METRICS:
        return f"n: expected a name ending in one of {', '.join(METRICS)}; found {record.name[:80]!r}"
    unit, lowest, highest = METRICS[metric]
    if record.unit != unit:
        return f"u: expected {unit!r} for {metric}; found {record.unit!r}"
    if not senml.is_number(record.value) or not lowest <= float(record.value or 0.0) <= highest:
        return f"v: expected {lowest:g} to {highest:g} {unit} for {metric}; found {record.value!r}"
    at_ms = record.time_s * 1000 + (sent_ms if record.relative else 0)
    if not wire.FIRST_MS <= at_ms < wire.LAST_MS:  # nor is a sum of times that is not finite
        return f"t: expected a time between 2020 and 2100; found {record.time_s:g} s"
    return series.Value(metric, unit, round(at_ms), float(record.value or 0.0))


def _differing(stored: dict[str, Any], read: wire.DoseMessage) -> str | None:
    """The first field in which a repeated dose differs; a time that was unknown before or is now is no difference."""
    for name in wire.DoseMessage.model_fields:
        old, new = stored.get(name), getattr(read, name)
        if old != new and not (name == "at_ms" and (old is None or new is None)):
            return name
    return None
