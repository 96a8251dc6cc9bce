"""Entering what people tell: things there are, rations, lines, readings, refills and the rest.

Each entry is one transaction together with what follows from it: holds by the lines, and the messages that feeders must
get. The messages leave after the commit.
"""

import dataclasses
import json
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import datetime
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from sqlalchemy import Connection, insert, select

from tareline.app import dispatch, holds, repository, requests
from tareline.app.answers import things
from tareline.app.answers.base import Answer
from tareline.app.answers.entries import EntryAnswer, HoldNow, MadeAnswer, WrittenAnswer
from tareline.app.answers.feeding import MealAnswer, RationAnswer, RationToday
from tareline.app.answers.lines import CrossingAnswer, LineAnswer, LinesAnswer
from tareline.app.answers.things import ThingAnswer
from tareline.app.context import Context
from tareline.app.projections.samples import Samples
from tareline.app.requests import parse
from tareline.app.snapshot import Snapshots, TankSnapshot
from tareline.core.calendar import day_of, from_ms, to_ms
from tareline.core.feeding.absence import check_absence
from tareline.core.feeding.ration import Ration, make_ration, needs_confirmation, ration_on
from tareline.core.safety.hold import release_refused
from tareline.core.safety.lines import Crossing, Line, holds_on_ammonia, make_line
from tareline.core.units import check_stated, unit_choice
from tareline.core.water.readings import StatedReading, make_reading, neighbours
from tareline.core.weighing.causes import CorrectingEntry
from tareline.core.weighing.gross_errors import Finding
from tareline.errors import FieldError
from tareline.store import ledger
from tareline.store.devices import Issued
from tareline.store.ledger import Entry
from tareline.store.tables import answered

AHEAD_MS = 5 * 60_000
ENTERED = ("by", "client_ref", "at", "confirm", "note", "void")

THINGS: dict[str, type[BaseModel]] = {
    "tank": requests.TankRequest,
    "food": requests.FoodRequest,
    "water": requests.WaterRequest,
    "kit": requests.KitRequest,
    "feeder": requests.FeederRequest,
    "probe": requests.ProbeRequest,
}
KINDS: dict[str, type[BaseModel]] = {
    "reading": requests.ReadingRequest,
    "refill": requests.RefillRequest,
    "weighin": requests.WeighInRequest,
    "loss": requests.LossRequest,
    "hopper": requests.HopperRequest,
    "calibration": requests.CalibrationRequest,
    "handfeed": requests.HandFeedRequest,
    "water-change": requests.WaterChangeRequest,
    "top-up": requests.TopUpRequest,
    "note": requests.NoteRequest,
}
OF_FEEDER = ("refill", "weighin", "loss", "hopper", "calibration")
_EITHER_OR: dict[str, list[tuple[str, tuple[str, ...]]]] = {
    "weighin": [("mass_g", ("gross_g", "tare_g"))],
    "refill": [("added_g", ("before_g", "after_g"))],
    "water-change": [("volume_l", ("volume_us_gal",))],
    "top-up": [("volume_l", ("volume_us_gal",))],
}
_OF_THE_KIT = ("below", "above", "resolution", "factor")
Body = Mapping[str, Any]
A = TypeVar("A", bound=Answer)


def entry_view(entry: Entry, zone: str) -> EntryAnswer:
    """An entry as it is shown."""
    return EntryAnswer(**entry_fields(entry, zone))


def entry_fields(entry: Entry, zone: str) -> dict[str, Any]:
    """The fields of an entry's answer: times as local RFC 3339, before them those of its own kind."""
    view = {
        "entry": entry.id,
        "kind": entry.kind,
        "at": stated(entry.at_ms, zone),
        "recorded_at": stated(entry.recorded_ms, zone),
        "tank": entry.tank,
        "feeder": entry.device,
        "by": entry.by,
        "corrects": entry.corrects,
        "void": entry.void,
    }
    if entry.at_high_ms is not None:
        view["at_low"] = None if entry.at_low_ms is None else stated(entry.at_low_ms, zone)
        view["at_high"] = stated(entry.at_high_ms, zone)
    own = {
        ("note_kind" if key == "kind" else key): value
        for key, value in entry.body.items()
        if key not in ("at_low", "at_high")
    }
    return {**own, **view}


def stated(at_ms: int, zone: str) -> str:
    """An instant as RFC 3339 with the offset of a zone."""
    return from_ms(at_ms, zone).isoformat(timespec="milliseconds")


class Entries:
    """Writes entries. `send` is called with the messages for feeders after each commit.

    others: the names of those who may be told instead during an absence.
    """

    def __init__(
        self,
        context: Context,
        send: Callable[[Sequence[Issued]], None],
        samples: Samples,
        others: Collection[str] = (),
    ) -> None:
        self._context = context
        self._send = send
        self._samples = samples
        self._others = others

    # -- things ------------------------------------------------------------------------------------------------------

    def add_thing(self, kind: str, body: Body | BaseModel) -> ThingAnswer:
        """A new tank, food, water, kit, feeder or probe; 409 where its id is taken."""
        checked = parse(THINGS[kind], body)
        ref = str(checked.id)  # type: ignore[attr-defined]
        taken = self._context.register.now(kind, ref)
        if taken is None and kind in ("feeder", "probe") and self._context.register.known_device(ref):
            taken = {}

        def make(snapshots: Snapshots) -> ThingAnswer:
            if taken is not None:
                raise FieldError("id", f"there is already a device or {kind} {ref!r}", 409)
            return self._put(snapshots, kind, ref, checked)

        return self._enter(checked, make, things.THINGS[kind], kind, None)

    def put_thing(self, kind: str, ref: str, body: Body | BaseModel) -> ThingAnswer:
        """A new version of a thing, from `at` on; 404 where there is none."""
        plain = body.model_dump(exclude_unset=True) if isinstance(body, BaseModel) else dict(body)
        if plain.setdefault("id", ref) != ref:
            raise FieldError("id", f"expected {ref!r} as in the address; found {plain['id']!r}")
        self._context.need(kind, ref)
        checked = parse(THINGS[kind], plain)
        return self._enter(
            checked, lambda snapshots: self._put(snapshots, kind, ref, checked), things.THINGS[kind], kind, None
        )

    def _put(self, snapshots: Snapshots, kind: str, ref: str, checked: BaseModel) -> ThingAnswer:
        fields = checked.model_dump(exclude=set(ENTERED) - {"by"}, mode="json")
        for name in ("tank", "food"):
            if fields.get(name) is not None:
                self._reference(name, fields[name])
        if kind == "kit":
            check_stated(fields["analyte"], fields["unit"], fields["basis"])
            if fields["factor"] is not None and (fields["analyte"] != "tds" or fields["unit"] == "uS/cm"):
                raise FieldError("factor", "expected only for an instrument that shows tds in mg/L or ppm")
        before = self._context.register.now(kind, ref) or {}
        self._context.add_version(snapshots.tx, kind, ref, self._at_ms(checked), fields)
        now = self._context.register.now(kind, ref) or {}
        if kind == "feeder" and now.get("tank") not in (None, before.get("tank")):
            holds.brings_its_stop(snapshots, str(now["tank"]), ref)
        for tank in {before.get("tank"), now.get("tank"), ref if kind == "tank" else None} - {None}:
            holds.judge(snapshots, str(tank))
        told = {"id": ref, **{key: value for key, value in now.items() if key != "by"}}
        return things.THINGS[kind].model_validate(told)

    def _reference(self, name: str, ref: str) -> None:
        if self._context.register.now(name, ref) is None:
            raise FieldError(name, f"expected the id of a {name}; there is none called {ref!r}")

    # -- ration and lines --------------------------------------------------------------------------------------------

    def put_ration(self, tank: str, body: Body | BaseModel) -> RationAnswer:
        """Decide a ration: less holds at once, more from the next local midnight, a first one at once."""
        self._context.need("tank", tank)
        checked = parse(requests.RationRequest, body)
        feeders = self._context.register.devices_of("feeder", tank)
        now_ms = self._context.stamp_ms()
        meals = [(m.at, m.share, m.feeder) for m in checked.meals]
        new = make_ration(checked.daily_g, checked.cap_g, meals, feeders, now_ms, checked.carry_over)

        def make(snapshots: Snapshots) -> RationAnswer:
            last = snapshots.of(tank).last_ration
            if needs_confirmation(last, new) and not checked.confirm:
                assert last is not None
                raise FieldError(
                    "confirm",
                    f"expected true: {new.daily_g:g} g a day under a cap of {new.cap_g:g} g is over 1.5 times the last "
                    f"ration ({last.daily_g:g} g under {last.cap_g:g} g)",
                    409,
                )
            write_ration(snapshots, tank, new, checked.by)
            return ration_view(snapshots.of(tank))

        return self._enter(checked, make, RationAnswer, "ration", tank)

    def put_absence(self, tank: str, body: Body | BaseModel, proven_g: float | None = None) -> WrittenAnswer:
        """Plan an absence, in place of one that was planned; without grams, end it (from the next midnight on where it
        has begun). proven_g: what the tank is known to carry, which a ration for an absence must not exceed."""
        zone = self._context.zone(tank)
        checked = parse(requests.AbsenceRequest, body)
        if checked.tell is not None and checked.tell not in self._others:
            known = f"one of {', '.join(sorted(self._others))}" if self._others else "none, as notify.others is empty"
            raise FieldError(
                "tell", f"expected a name with addresses in notify.others ({known}); found {checked.tell!r}"
            )

        def make(snapshots: Snapshots) -> WrittenAnswer:
            now_ms, before = self._context.stamp_ms(), snapshots.of(tank)
            today = day_of(now_ms, zone)
            planned = before.coming_absences
            if checked.daily_g is None and not planned:
                raise FieldError("daily_g", "no absence is planned that could be ended", 409)
            if checked.daily_g is not None:
                assert checked.start is not None
                assert checked.end is not None
                running = next((absence for absence in planned if absence.covers(today)), None)
                check_absence(checked.start, checked.end, checked.daily_g, today, before.last_ration, running, proven_g)
            fields = checked.model_dump(include={"start", "end", "daily_g", "tell"}, mode="json")
            fields["start"] = fields["start"] or today.isoformat()
            entry = ledger.add(snapshots.tx, "absence", now_ms, now_ms, fields, tank=tank, by=checked.by)
            snapshots.put(before.with_absence(repository.absence_of(entry, now_ms, fields)))
            return WrittenAnswer(entry=entry)

        return self._enter(checked, make, WrittenAnswer, "absence", tank)

    def put_lines(self, tank: str, body: Body | BaseModel) -> LinesAnswer:
        """Replace a tank's lines; 409 without `confirm` where none of them would hold on ammonia."""
        self._context.need("tank", tank)
        checked = parse(requests.LinesRequest, body)
        lines = []
        for i, given in enumerate(checked.lines):
            try:
                lines.append(
                    make_line(
                        given.analyte, given.above, given.below, given.unit, given.basis, given.do, given.reduce_to
                    )
                )
            except FieldError as error:
                raise FieldError(f"lines.{i}.{error.field}", error.message, error.status) from error
        if not holds_on_ammonia(lines) and not checked.confirm:
            raise FieldError("confirm", "expected true: none of these lines holds feeding on ammonia", 409)

        def make(snapshots: Snapshots) -> LinesAnswer:
            body = {"lines": [_line_body(line) for line in lines], "by": checked.by}
            self._context.add_version(snapshots.tx, "lines", tank, self._context.stamp_ms(), body)
            holds.judge(snapshots, tank)
            return LinesAnswer(lines=lines_view(self._context, tank))

        return self._enter(checked, make, LinesAnswer, "lines", tank)

    # -- entries of the ledger ---------------------------------------------------------------------------------------

    def add(self, kind: str, ref: str, body: Body | BaseModel) -> MadeAnswer:
        """A reading, refill, weigh-in, hand feed, water change, top-up or note, of a tank or a feeder."""
        checked = parse(KINDS[kind], body)
        owner = "feeder" if kind in OF_FEEDER else "tank"
        self._context.need(owner, ref)
        at_ms = self._at_ms(checked)
        tank = ref if owner == "tank" else self._context.tank_of(ref, at_ms)

        def make(snapshots: Snapshots) -> MadeAnswer:
            fields, subject = self._fields(kind, checked, tank, at_ms)
            entry = ledger.add(
                snapshots.tx,
                kind,
                at_ms,
                self._context.stamp_ms(),
                fields,
                tank=ref if owner == "tank" else None,
                device=ref if owner == "feeder" else None,
                subject=subject,
                by=_by(checked),
            )
            if kind == "refill":
                self._change_food(snapshots.tx, ref, at_ms, fields.get("food"))
            return self._shown(snapshots, entry, tank)

        return self._enter(checked, make, MadeAnswer, kind, tank)

    def correct(self, entry: int, body: Body | BaseModel) -> MadeAnswer:
        """One more entry that stands for an earlier one: with other fields, or void."""
        checked = parse(requests.CorrectionRequest, body)
        changes = dict(checked.model_extra or {})
        with self._context.store.read() as tx:
            found = ledger.get(tx, entry)
            if found is None:
                raise FieldError("entry", f"there is no entry {entry}", 404)
            chain = ledger.corrections_of(tx, [found.root]).get(found.root, [])
        newest = chain[-1] if chain else found
        tank = newest.tank or self._context.tank_of(newest.device or "", newest.at_ms)

        def make(snapshots: Snapshots) -> MadeAnswer:
            if newest.kind not in KINDS:
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

        return self._enter(checked, make, MadeAnswer, "correction", tank)

    def _change_food(self, tx: Connection, feeder: str, at_ms: int, food: str | None) -> None:
        """A refill with another food: from then on the hopper holds that."""
        before = self._context.register.at("feeder", feeder, at_ms) or {}
        if food is not None and food != before.get("food"):
            self._context.add_version(tx, "feeder", feeder, at_ms, {**before, "food": food})

    def _corrected(self, newest: Entry, changes: dict[str, Any]) -> tuple[dict[str, Any], int, str | None]:
        """An entry's fields with changes applied and checked as the whole they now are."""
        model = KINDS[newest.kind]
        plain = {key: value for key, value in newest.body.items() if key in model.model_fields}
        if newest.kind == "reading" and ("value" in changes or "kit" in changes) and newest.body.get("kit"):
            plain = {key: value for key, value in plain.items() if key not in _OF_THE_KIT}
        for one, others in _EITHER_OR.get(newest.kind, []):  # one way of saying it replaces the other
            if set(others) & changes.keys() or (one not in changes and plain.get(others[0]) is not None):
                plain.pop(one, None)
            elif one in changes:
                plain = {key: value for key, value in plain.items() if key not in others}
        checked = parse(model, {**plain, **changes})
        at_ms = self._at_ms(checked) if "at" in changes else newest.at_ms
        fields, subject = self._fields(newest.kind, checked, newest.tank, at_ms)
        return fields, at_ms, subject

    def _fields(self, kind: str, checked: BaseModel, tank: str | None, at_ms: int) -> tuple[dict[str, Any], str | None]:
        """The body to store, and what it is about where that is searched for."""
        fields = checked.model_dump(exclude=set(ENTERED), mode="json")
        for name in ("food", "water"):
            if fields.get(name) is not None:
                self._reference(name, fields[name])
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
        """What follows from the kit: unit and basis, the neighbours on its scale or what an instrument tells apart."""
        assert checked.kit is not None
        self._reference("kit", checked.kit)
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

    def _shown(self, snapshots: Snapshots, entry: int, tank: str | None, **decided: str | None) -> MadeAnswer:
        """An entry just made; a reading with what it changed. decided: of which finding, and how."""
        made = ledger.get(snapshots.tx, entry)
        assert made is not None
        fields = entry_fields(made, self._context.zone(tank) if tank is not None else "UTC")
        if made.kind == "reading" and tank is not None:
            found = snapshots.of(tank).water.found
            fields["crossed"] = [crossing_view(c) for c in found if _about(c.line.analyte, str(made.body["analyte"]))]
            fields["made"] = holds.judge(snapshots, tank)
            state = snapshots.of(tank).holds
            fields["hold"] = HoldNow(held=state.held, reduce_to=state.reduce_to)
        return MadeAnswer(**{**fields, **decided})

    # -- findings ----------------------------------------------------------------------------------------------------

    def decide(self, name: str, found: tuple[str, Finding] | None, body: Body | BaseModel) -> MadeAnswer:
        """What a person decides of a finding: accept it, which makes the entry that mends the books, or dismiss it.

        found: its feeder and the finding; None where there is none (any more): 404.
        """
        checked = parse(requests.DecisionRequest, body)
        zone_of = self._context.tank_of(found[0], found[1].to_ms) if found is not None else None

        def make(snapshots: Snapshots) -> MadeAnswer:
            if found is None:
                raise FieldError("finding", f"there is no finding {name!r} now", 404)
            feeder, finding = found
            mend = finding.mend
            now_ms = self._context.stamp_ms()
            made: int | None = None
            if checked.decision == "accept":
                if mend is None:
                    raise FieldError("decision", "no entry would mend this; dismiss it, or enter what happened", 409)
                made = self._mend(snapshots.tx, feeder, mend, checked, now_ms)
            body: dict[str, Any] = {"finding": name, "key": list(finding.key), "decision": checked.decision}
            likely = finding.causes[0].name if finding.causes else finding.kind
            body |= {"made": made, "likely": likely, "mass_g": finding.size_g, "sd_g": finding.sd_g}
            body["note"] = checked.note
            noted = ledger.add(snapshots.tx, "finding", finding.to_ms, now_ms, body, device=feeder, by=checked.by)
            shown = made if made is not None else noted
            return self._shown(snapshots, shown, zone_of, decision=checked.decision, finding=name)

        return self._enter(checked, make, MadeAnswer, "finding", zone_of)

    def _mend(
        self, tx: Connection, feeder: str, mend: CorrectingEntry, checked: requests.DecisionRequest, now_ms: int
    ) -> int:
        """The one entry that mends the books, as a person would have made it; its id."""
        note = {"note": checked.note, "by_finding": True}
        if mend.corrects is not None:
            old = ledger.get(tx, mend.corrects)
            assert old is not None
            if mend.kind == "void":
                return ledger.correct(tx, old, now_ms, void=True, by=checked.by)
            assert mend.mass_g is not None
            fields = {k: v for k, v in old.body.items() if k not in ("before_g", "after_g", "gross_g", "tare_g")}
            fields["added_g" if old.kind == "refill" else "mass_g"] = round(mend.mass_g, 6)
            if mend.sd_g is not None:
                fields["sd_g"] = round(mend.sd_g, 6)
            return ledger.correct(tx, old, now_ms, body=json.dumps({**fields, **note}), by=checked.by)
        at_ms = min(mend.at_ms, now_ms)
        fields = {"hung": True} if mend.kind == "handling" else {"sd_g": round(mend.sd_g or 0.0, 6) or None}
        if mend.kind != "handling":
            fields["added_g" if mend.kind == "refill" else "mass_g"] = round(mend.mass_g or 0.0, 6)
        kind = {"handling": "hopper"}.get(mend.kind, mend.kind)
        return ledger.add(tx, kind, at_ms, now_ms, {**fields, **note}, device=feeder, by=checked.by)

    # -- hold and release --------------------------------------------------------------------------------------------

    def hold(self, tank: str, body: Body | BaseModel) -> WrittenAnswer:
        """A person pauses feeding."""
        self._context.need("tank", tank)
        checked = parse(requests.HoldRequest, body)

        def make(snapshots: Snapshots) -> WrittenAnswer:
            return WrittenAnswer(entry=holds.hold(snapshots, tank, "person", checked.reason, checked.by))

        return self._enter(checked, make, WrittenAnswer, "hold", tank)

    def release(self, tank: str, body: Body | BaseModel) -> WrittenAnswer:
        """A person releases a hold; 409 where no reading newer than it shows the water clear of its line."""
        self._context.need("tank", tank)
        checked = parse(requests.ReleaseRequest, body)

        def make(snapshots: Snapshots) -> WrittenAnswer:
            now = snapshots.of(tank)
            state, water = now.holds, now.water
            if not state.held:
                raise FieldError("", "feeding is not held", 409)
            needs = release_refused(state, water.known)
            # Lines may have been lowered since the hold: what they hold on now would be held again at once.
            found = [c for c in water.found if c.do == "hold"]
            needs += [f"a reading clear of today's line; now {c.text}" for c in found if not needs]
            if needs:
                raise FieldError("", f"not released: this needs {'; and '.join(needs)}", 409)
            reasons = [r.entry for r in state.reasons if r.do == "hold"]
            return WrittenAnswer(entry=holds.release(snapshots, tank, reasons, checked.note, checked.by))

        return self._enter(checked, make, WrittenAnswer, "hold", tank)

    # -- common ------------------------------------------------------------------------------------------------------

    def _enter(
        self, checked: BaseModel, make: Callable[[Snapshots], A], answers: type[A], what: str, tank: str | None
    ) -> A:
        """One transaction for what somebody sent: `enter`, with its client reference."""
        return self.enter(make, answers, what, tank, getattr(checked, "client_ref", None))

    def enter(
        self,
        make: Callable[[Snapshots], A],
        answers: type[A],
        what: str,
        tank: str | None,
        reference: str | None = None,
    ) -> A:
        """One transaction: the entry, what feeders must be told, and the answer kept for the same client reference.

        answers: the kind of answer that `make` gives. Raises FieldError (409) where the reference belongs to another
        kind of call.
        """
        context = self._context
        with context.in_order:
            answer, sent = self._commit(make, answers, tank, reference)
            self._send(sent)
        context.announce(what, tank)
        return answer

    def consider(self, make: Callable[[Snapshots], bool], what: str, tank: str) -> bool:
        """One transaction in which it turns out whether anything is entered, as `make` tells; if so, what feeders of
        the tank must be told follows as from every entry."""
        context = self._context
        with context.in_order:
            with context.write() as tx:
                snapshots = Snapshots(tx, context, self._samples)
                if not make(snapshots):
                    return False
                sent = dispatch.tell(snapshots, context.register.devices_of("feeder", tank))
            self._send(sent)
        context.announce(what, tank)
        return True

    def _commit(
        self, make: Callable[[Snapshots], A], answers: type[A], tank: str | None, reference: str | None
    ) -> tuple[A, list[Issued]]:
        context = self._context
        with context.write() as tx:
            if reference is not None:
                kept = tx.execute(select(answered.c.body).where(answered.c.client_ref == reference)).scalar()
                if kept is not None:
                    return _kept(kept, answers), []
            snapshots = Snapshots(tx, context, self._samples)
            answer = make(snapshots)
            feeders = context.register.refs("feeder")
            if tank is not None:
                feeders = context.register.devices_of("feeder", tank)
            sent = dispatch.tell(snapshots, feeders)
            if reference is not None:
                body = answer.model_dump_json(by_alias=True)
                tx.execute(insert(answered).values(client_ref=reference, recorded_ms=context.stamp_ms(), body=body))
        return answer, sent

    def _at_ms(self, checked: BaseModel) -> int:
        """When it happened: as stated, at most five minutes ahead; now where nothing is stated."""
        at: datetime | None = getattr(checked, "at", None)
        now_ms = self._context.stamp_ms()
        if at is None:
            return now_ms
        at_ms = instant_ms("at", at)
        if at_ms > now_ms + AHEAD_MS:
            raise FieldError("at", f"expected at most 5 minutes ahead of now; found {at.isoformat()}")
        if at.year < 1990:
            raise FieldError("at", f"expected a year from 1990 on; found {at.isoformat()}")
        return at_ms


def instant_ms(field: str, at: datetime) -> int:
    """A stated time as UNIX milliseconds. Raises FieldError at the ends of the calendar."""
    try:
        return to_ms(at)
    except OverflowError as error:
        raise FieldError(field, f"expected a time within the calendar; found {at.isoformat()}") from error


def _kept(body: str, answers: type[A]) -> A:
    """An answer that was kept. Raises FieldError (409) where it was given to another kind of call."""
    try:
        return answers.model_validate_json(body)
    except ValidationError as error:
        raise FieldError(
            "client_ref", "expected a new one: this one was sent with another kind of entry", 409
        ) from error


def _by(checked: BaseModel) -> str | None:
    by: str | None = getattr(checked, "by", None)
    return by


def _about(line: str, analyte: str) -> bool:
    """Whether a line can be crossed by a reading of an analyte; un-ionised ammonia follows from three."""
    return line == analyte or (line == "free_ammonia" and analyte in ("ammonia", "ph", "temperature"))


def _line_body(line: Line) -> dict[str, Any]:
    return {
        "analyte": line.analyte,
        "above": line.above,
        "limit": line.limit,
        "unit": line.unit,
        "basis": line.basis,
        "do": line.do,
        "reduce_to": line.reduce_to,
    }


def line_view(line: Line) -> LineAnswer:
    """A line as it is stated over HTTP."""
    return LineAnswer(
        analyte=line.analyte,
        above=line.limit if line.above else None,
        below=None if line.above else line.limit,
        unit=line.unit,
        basis=line.basis,
        do=line.do,
        reduce_to=line.reduce_to,
    )


def lines_view(context: Context, tank: str) -> list[LineAnswer]:
    """The lines in force."""
    return [line_view(line) for line in repository.lines(context, tank)]


def crossing_view(crossing: Crossing) -> CrossingAnswer:
    """A crossed line: what it does now, and in words."""
    return CrossingAnswer(**{**dict(line_view(crossing.line)), "do": crossing.do, "text": crossing.text})


def write_ration(snapshots: Snapshots, tank: str, new: Ration, by: str | None) -> int:
    """Enter a ration that was decided; returns the entry."""
    body = {
        "daily_g": new.daily_g,
        "cap_g": new.cap_g,
        "meals": [{"at": m.at, "share": m.share, "feeder": m.feeder, "slot": m.slot} for m in new.meals],
        "carry_over": new.carry_over,
    }
    before = snapshots.of(tank)
    entry = ledger.add(snapshots.tx, "ration", new.decided_ms, new.decided_ms, body, tank=tank, by=by)
    snapshots.put(before.with_ration(new))
    return entry


def ration_view(tank: TankSnapshot) -> RationAnswer:
    """The ration decided last, and what of it is in force today."""
    last = tank.last_ration
    if last is None:
        raise FieldError("ration", f"none has been decided for {tank.id!r}", 404)
    force = ration_on(tank.today, tank.zone, tank.rations(tank.today))
    assert force is not None
    return RationAnswer(
        daily_g=last.daily_g,
        cap_g=last.cap_g,
        meals=[MealAnswer(at=m.at, share=m.share, feeder=m.feeder) for m in last.meals],
        carry_over=last.carry_over,
        decided_at=stated(last.decided_ms, tank.zone),
        today=RationToday(daily_g=force.daily_g, cap_g=force.cap_g, carry_over=force.carry_over),
    )
