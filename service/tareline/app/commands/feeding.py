"""What people decide about feeding: rations, absences, lines, holds and their release."""

from collections.abc import Collection, Mapping
from dataclasses import asdict
from typing import Any

from pydantic import BaseModel

from tareline.app import holds, repository, requests
from tareline.app.answers.entries import WrittenAnswer
from tareline.app.answers.feeding import MealAnswer, RationAnswer, RationToday
from tareline.app.answers.lines import LineAnswer, LinesAnswer
from tareline.app.commands.transactions import Transactions
from tareline.app.context import Context
from tareline.app.idempotency import request_identity
from tareline.app.requests import parse
from tareline.app.snapshot import Snapshots, TankSnapshot
from tareline.core.calendar import day_of, rfc3339
from tareline.core.feeding.absence import check_absence
from tareline.core.feeding.ration import Ration, make_ration, needs_confirmation, ration_on
from tareline.core.safety.hold import release_refused
from tareline.core.safety.lines import holds_on_ammonia, make_line
from tareline.errors import FieldError
from tareline.store import ledger

Body = Mapping[str, Any]


class Feeding:
    """Enters what people decide about feeding.

    others: the names of those who may be told instead during an absence.
    """

    def __init__(self, context: Context, transactions: Transactions, others: Collection[str] = ()) -> None:
        self._context, self._transactions, self._others = context, transactions, others

    def put_ration(self, tank: str, body: Body | BaseModel) -> RationAnswer:
        """Decide a ration: less holds at once, more from the next local midnight, a first one at once."""
        self._context.need("tank", tank)
        checked = parse(requests.RationRequest, body)
        feeders = self._context.register.devices_of("feeder", tank)
        meals = [(m.at, m.share, m.feeder) for m in checked.meals]

        def make(snapshots: Snapshots) -> RationAnswer:
            # Stamped within the transaction: what is decided last must also have the newest time.
            now_ms = self._context.stamp_ms()
            new = make_ration(checked.daily_g, checked.cap_g, meals, feeders, now_ms, checked.carry_over)
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

        return self._transactions.enter(make, RationAnswer, "ration", tank, request_identity(checked, "ration", tank))

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

        return self._transactions.enter(
            make, WrittenAnswer, "absence", tank, request_identity(checked, "absence", tank)
        )

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
            body = {"lines": [asdict(line) for line in lines], "by": checked.by}
            self._context.add_version(snapshots.tx, "lines", tank, self._context.stamp_ms(), body)
            holds.apply_changes(snapshots, tank)
            return LinesAnswer(lines=[LineAnswer.of(line) for line in repository.lines(self._context, tank)])

        return self._transactions.enter(make, LinesAnswer, "lines", tank, request_identity(checked, "lines", tank))

    def hold(self, tank: str, body: Body | BaseModel) -> WrittenAnswer:
        """A person pauses feeding."""
        self._context.need("tank", tank)
        checked = parse(requests.HoldRequest, body)

        def make(snapshots: Snapshots) -> WrittenAnswer:
            return WrittenAnswer(entry=holds.hold(snapshots, tank, "person", checked.reason, checked.by))

        return self._transactions.enter(make, WrittenAnswer, "hold", tank, request_identity(checked, "hold", tank))

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
            # Lines may have been lowered since the hold: what crosses them now would be held again at once.
            found = [c for c in water.found if c.do == "hold"]
            needs += [f"a reading clear of today's line; now {c.text}" for c in found if not needs]
            if needs:
                raise FieldError("", f"not released: this needs {'; and '.join(needs)}", 409)
            reasons = [r.entry for r in state.reasons if r.do == "hold"]
            return WrittenAnswer(entry=holds.release(snapshots, tank, reasons, checked.note, checked.by))

        return self._transactions.enter(make, WrittenAnswer, "hold", tank, request_identity(checked, "release", tank))


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
        decided_at=rfc3339(last.decided_ms, tank.zone),
        today=RationToday(daily_g=force.daily_g, cap_g=force.cap_g, carry_over=force.carry_over),
    )
