"""Entering what people did and saw: readings, refills and every other kind of the table of kinds, and corrections."""

import dataclasses
import json
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel
from sqlalchemy import Connection

from tareline.app import holds, repository, requests
from tareline.app.answers.entries import HoldNow, MadeAnswer
from tareline.app.answers.lines import CrossingAnswer
from tareline.app.commands.transactions import Transactions
from tareline.app.context import Context
from tareline.app.entry_kinds import ENTRY_KINDS
from tareline.app.idempotency import request_identity
from tareline.app.requests import parse
from tareline.app.requests.fields import TimedRequest
from tareline.app.snapshot import Snapshots
from tareline.core.units import unit_choice
from tareline.core.water.readings import StatedReading, make_reading, neighbours
from tareline.errors import FieldError
from tareline.store import ledger
from tareline.store.ledger import Entry

_NOT_KEPT = {"by", "client_ref", "at"}
_OF_THE_KIT = ("below", "above", "resolution", "factor")
Body = Mapping[str, Any]


class Entries:
    """Makes entries and corrects them."""

    def __init__(self, context: Context, transactions: Transactions) -> None:
        self._context, self._transactions = context, transactions

    def add(self, kind: str, ref: str, body: Body | BaseModel) -> MadeAnswer:
        """An entry of a kind of the table, of a tank or a feeder."""
        of = ENTRY_KINDS[kind]
        checked = parse(of.model, body)
        self._context.need(of.owner, ref)
        at_ms = checked.at_ms(self._context.stamp_ms())
        feeder = ref if of.owner == "feeder" else None
        tank = ref if feeder is None else self._context.tank_of(feeder, at_ms)

        def make(snapshots: Snapshots) -> MadeAnswer:
            fields, subject = self._fields(checked, tank, at_ms)
            entry = ledger.add(
                snapshots.tx,
                kind,
                at_ms,
                self._context.stamp_ms(),
                fields,
                tank=ref if feeder is None else None,
                device=feeder,
                subject=subject,
                by=checked.by,
            )
            if kind == "refill":
                self._change_food(snapshots.tx, ref, at_ms, fields.get("food"))
            return self._shown(snapshots, entry, tank)

        return self._transactions.enter(make, MadeAnswer, kind, tank, request_identity(checked, kind, ref), feeder)

    def correct(self, entry: int, body: Body | BaseModel) -> MadeAnswer:
        """One more entry that stands for an earlier one: with other fields, or void."""
        checked = parse(requests.CorrectionRequest, body)
        changes = dict(checked.model_extra or {})
        with self._context.store.read() as tx:
            found = _newest(tx, entry)
        tank = found.tank or self._context.tank_of(found.device or "", found.at_ms)

        def make(snapshots: Snapshots) -> MadeAnswer:
            newest = _newest(snapshots.tx, entry)
            if newest.kind not in ENTRY_KINDS:
                raise FieldError("entry", f"a {newest.kind} is not corrected by hand", 409)
            if newest.void:
                raise FieldError("entry", "this entry was taken back; enter it anew", 409)
            if not checked.void and not changes:
                raise FieldError("", "expected the corrected fields, or void: true")
            columns: dict[str, Any] = {"by": checked.by, "void": checked.void}
            fields = newest.body
            if not checked.void:
                fields, columns["at_ms"], columns["subject"] = self._corrected(newest, changes)
            columns["body"] = json.dumps({**fields, "correction_note": checked.note})
            made = ledger.correct(snapshots.tx, newest, self._context.stamp_ms(), **columns)
            if newest.kind == "refill" and "food" in changes:
                self._change_food(snapshots.tx, str(newest.device), columns["at_ms"], fields.get("food"))
            return self._shown(snapshots, made, tank)

        return self._transactions.enter(
            make, MadeAnswer, "correction", tank, request_identity(checked, "correction", entry), found.device
        )

    def _change_food(self, tx: Connection, feeder: str, at_ms: int, food: str | None) -> None:
        """A refill with another food: the feeder's newest version holds that food from then on."""
        before = self._context.register.at("feeder", feeder, at_ms) or {}
        if food is not None and food != before.get("food"):
            self._context.add_version(tx, "feeder", feeder, at_ms, {**before, "food": food})

    def _corrected(self, newest: Entry, changes: dict[str, Any]) -> tuple[dict[str, Any], int, str | None]:
        """An entry's fields with changes applied and checked as the whole they now are."""
        of = ENTRY_KINDS[newest.kind]
        plain = {key: value for key, value in newest.body.items() if key in of.model.model_fields}
        if newest.kind == "reading" and ("value" in changes or "kit" in changes) and newest.body.get("kit"):
            plain = {key: value for key, value in plain.items() if key not in _OF_THE_KIT}
        if of.either is not None:  # one way of saying it replaces the other
            one, others = of.either
            if set(others) & changes.keys() or (one not in changes and plain.get(others[0]) is not None):
                plain.pop(one, None)
            elif one in changes:
                plain = {key: value for key, value in plain.items() if key not in others}
        checked = parse(of.model, {**plain, **changes})
        at_ms = checked.at_ms(self._context.stamp_ms()) if "at" in changes else newest.at_ms
        fields, subject = self._fields(checked, newest.tank, at_ms)
        return fields, at_ms, subject

    def _fields(self, checked: TimedRequest, tank: str | None, at_ms: int) -> tuple[dict[str, Any], str | None]:
        """The body to store, and the subject by which entries of this kind can be searched."""
        fields = checked.model_dump(exclude=_NOT_KEPT, mode="json")
        for name in ("food", "water"):
            if fields.get(name) is not None:
                self._context.refer(name, fields[name])
        if isinstance(checked, requests.ReadingRequest):
            return self._reading(checked, tank, at_ms), checked.analyte
        if isinstance(checked, requests.WeighInRequest):
            fields["mass_g"] = checked.net_g
        return fields, None

    def _reading(self, checked: requests.ReadingRequest, tank: str | None, at_ms: int) -> dict[str, Any]:
        """A reading's body: as it was stated, with what its kit says where one is named."""
        given = checked.model_dump(include={field.name for field in dataclasses.fields(StatedReading)})
        given["chart"] = checked.below is not None or checked.above is not None
        if checked.kit is not None:
            given |= self._by_kit(checked, at_ms)
        if given["unit"] is None:
            raise FieldError("unit", f"expected {unit_choice(checked.analyte)}, or a kit")
        stated_as = StatedReading(**given)
        make_reading(0, at_ms, stated_as, repository.tds_factor(self._context, tank))
        return {**dataclasses.asdict(stated_as), "kit": checked.kit}

    def _by_kit(self, checked: requests.ReadingRequest, at_ms: int) -> dict[str, Any]:
        """What follows from the kit: unit and basis, the neighbours on its scale or an instrument's resolution and
        factor."""
        assert checked.kit is not None
        self._context.refer("kit", checked.kit)
        kit = self._context.register.at("kit", checked.kit, at_ms) or {}
        if kit["analyte"] != checked.analyte:
            raise FieldError("kit", f"expected a kit for {checked.analyte}; this one is for {kit['analyte']}")
        for name in ("unit", "basis"):
            given, own = getattr(checked, name), kit[name]
            if given is not None and given != own:
                raise FieldError(name, f"expected the kit's {own!r}, or none; found {given!r}")
        found: dict[str, Any] = {"unit": kit["unit"], "basis": kit["basis"], "chart": kit["steps"] is not None}
        if kit["steps"] is not None:
            found["below"], found["above"] = neighbours(kit["steps"], checked.value)
        else:
            for name in ("resolution", "factor"):
                if getattr(checked, name) is None:
                    found[name] = kit.get(name)
        return found

    def _shown(self, snapshots: Snapshots, entry: int, tank: str | None) -> MadeAnswer:
        """An entry just made; a reading with what it changed."""
        made = ledger.get(snapshots.tx, entry)
        assert made is not None
        if made.kind != "reading" or tank is None:
            return MadeAnswer.of(made, "UTC" if tank is None else self._context.zone(tank))
        found = snapshots.of(tank).water.found
        crossed = [c for c in found if _about(c.line.analyte, str(made.body["analyte"]))]
        entries = holds.apply_changes(snapshots, tank)
        state = snapshots.of(tank).holds
        return MadeAnswer.of(
            made,
            self._context.zone(tank),
            crossed=[CrossingAnswer.of_crossing(crossing) for crossing in crossed],
            made=entries,
            hold=HoldNow(held=state.held, reduce_to=state.reduce_to),
        )


def _newest(tx: Connection, entry: int) -> Entry:
    """The entry that is in force in place of one: itself, or its newest correction. Raises FieldError (404)."""
    found = ledger.get(tx, entry)
    if found is None:
        raise FieldError("entry", f"there is no entry {entry}", 404)
    chain = ledger.corrections_of(tx, [found.root]).get(found.root, [])
    return chain[-1] if chain else found


def _about(line: str, analyte: str) -> bool:
    """Whether a line can be crossed by a reading of an analyte; un-ionised ammonia follows from three."""
    return line == analyte or (line == "free_ammonia" and analyte in ("ammonia", "ph", "temperature"))
