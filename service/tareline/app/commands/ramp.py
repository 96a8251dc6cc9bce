"""The ramp of each tank in the books: the present state is gathered, the core decides, and the decision is entered.

A ramp is a series of entries of kind "ramp": how it was set, every decision with its reasons, and what people said. The
ration changes by the same entry as when a person changes it.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from sqlalchemy import Connection

from tareline.app import repository, requests
from tareline.app.answers.entries import WrittenAnswer
from tareline.app.answers.ramp import KnowledgeAnswer, RampAnswer, RampEntered, RampEntry
from tareline.app.commands.feeding import write_ration
from tareline.app.commands.transactions import Transactions
from tareline.app.context import Context
from tareline.app.idempotency import RequestIdentity, request_identity
from tareline.app.projections.load_record import DETECTS
from tareline.app.projections.samples import Samples
from tareline.app.requests import parse
from tareline.app.snapshot import Snapshots, TankSnapshot
from tareline.core.calendar import rfc3339
from tareline.core.feeding.books import Span, joined_spans
from tareline.core.feeding.ration import CONFIRM_ABOVE, Ration, in_force_since_ms, scaled
from tareline.core.safety.due_list import Due
from tareline.core.safety.hold import HoldState
from tareline.core.safety.ramp import (
    ENDED,
    Decision,
    LoadKnowledge,
    NewestReading,
    Ramp,
    TankState,
    decide,
    rations_to_judge,
    readings_due,
)
from tareline.core.units import DAY_MS
from tareline.core.water.readings import Reading
from tareline.errors import FieldError
from tareline.store import ledger
from tareline.store.ledger import Entry

Row = dict[str, Any]
OF_THE_LOAD = ("ammonia", "free_ammonia", "nitrite", "nitrate")  # lines on these concern the ration
TRACE_MG_N_PER_L = dict(zip(("ammonia", "nitrite"), DETECTS, strict=True))
SET = ("start_g", "step_g", "ceiling_g", "dwell_days", "fraction", "consent")


@dataclass(frozen=True, slots=True)
class RampSources:
    """What a ramp is told of a tank by other parts of the service.

    They are asked often, so each answers with what has been calculated already.

    knowledge: of some rations, None where the load was never calculated. rising: the analytes whose trend gives an
    alarm, None where trends are not known. findings: the number of findings on which nobody has decided yet.
    """

    knowledge: Callable[[str, Sequence[float]], LoadKnowledge | None]
    rising: Callable[[str], Sequence[str] | None]
    findings: Callable[[str], int]


@dataclass(frozen=True, slots=True)
class RampHistory:
    """A ramp so far: how it is set, its entries since it began, and the tank's rations, oldest first."""

    ramp: Ramp
    entries: tuple[Entry, ...]
    rations: tuple[Ration, ...]

    @property
    def decided(self) -> list[Entry]:
        return [entry for entry in self.entries if entry.subject == "decision"]

    @property
    def state(self) -> str | None:
        """The state that was entered last."""
        return self.decided[-1].body["state"] if self.decided else None

    @property
    def ended(self) -> bool:
        return self.state in ENDED

    def last(self, subject: str, state: str | None = None) -> Entry | None:
        """The newest entry of a subject; of decisions, the newest one with this state."""
        kept = [e for e in self.entries if e.subject == subject and state in (None, e.body.get("state"))]
        return kept[-1] if kept else None


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a ramp would decide now, what was known of the load, and the readings that it waits for."""

    road: RampHistory
    decision: Decision
    knowledge: LoadKnowledge | None
    needs: tuple[Due, ...]

    @property
    def is_news(self) -> bool:
        """Whether it says more than the decision entered last: another state, another ration or another question."""
        if self.decision.daily_g is not None or self.decision.state != self.road.state:
            return True
        asks = self.decision.state == "ready for a step"
        return asks and self.decision.next_g != self.road.decided[-1].body["next_g"]


class Ramps:
    """The ramps of an installation. `step` is called whenever something may have changed; the rest by people."""

    def __init__(self, context: Context, transactions: Transactions, samples: Samples, sources: RampSources) -> None:
        self._context = context
        self._transactions = transactions
        self._samples = samples
        self._sources = sources

    # -- decisions of the ramp ---------------------------------------------------------------------------------------

    def step(self, tank: str) -> Decision | None:
        """Decide, and enter what is new; returns the decision that was entered, None where none was.

        Nothing is entered while the clock is behind.
        """
        decided: list[Decision] = []

        def make(snapshots: Snapshots) -> bool:
            found = self.proposed(snapshots.of(tank))
            if found is None or not found.is_news or self._context.behind_ms():
                return False
            decided.append(found.decision)
            self._put(snapshots, tank, found.road, found.decision, found.knowledge)
            return True

        self._transactions.consider(make, "ramp", tank)
        return decided[0] if decided else None

    def proposed(self, tank: TankSnapshot) -> Proposal | None:
        """What the ramp of a tank would decide now, and what it waits for; None where none is under way."""
        road = road_of(tank)
        if road is None or road.ended:
            return None
        return self._propose(tank, road)

    def _propose(self, tank: TankSnapshot, road: RampHistory, accepted_g: float | None = None) -> Proposal:
        knowledge = self._sources.knowledge(tank.id, rations_to_judge(road.ramp, road.rations[-1].daily_g))
        state = self._state_of(tank, road)
        needs = tuple(readings_due(road.ramp, knowledge, state, tank.now_ms))
        decision = decide(road.ramp, knowledge, replace(state, accepted_g=accepted_g), tank.now_ms)
        return Proposal(road, decision, knowledge, needs)

    def _put(
        self,
        snapshots: Snapshots,
        tank: str,
        road: RampHistory,
        decision: Decision,
        knowledge: LoadKnowledge | None,
        by: str | None = None,
    ) -> WrittenAnswer:
        """Enter a decision, and the ration that it changes to."""
        now_ms = self._context.stamp_ms()
        body: Row = asdict(decision)
        if decision.daily_g is not None:
            body["ration"] = write_ration(snapshots, tank, scaled(road.rations[-1], decision.daily_g, now_ms), by)
        body["knowledge"] = None if knowledge is None else knowledge_view(knowledge).model_dump()
        entry = ledger.add(snapshots.tx, "ramp", now_ms, now_ms, body, tank=tank, subject="decision", by=by)
        return WrittenAnswer(entry=entry)

    # -- decisions of people -----------------------------------------------------------------------------------------

    def put(self, tank: str, body: Any) -> RampEntered:
        """Set a ramp, or change how the one under way is set: with another start it begins anew."""
        self._context.need("tank", tank)
        checked = parse(requests.RampRequest, body)

        def make(snapshots: Snapshots) -> WrittenAnswer:
            # Stamped within the transaction: what is decided last must also have the newest time.
            now_ms, before = self._context.stamp_ms(), snapshots.of(tank)
            road = road_of(before)
            goes_on = road is not None and not road.ended and road.ramp.start_g == checked.start_g
            last = _last_ration(before)
            _check(checked, last, goes_on)
            fields = {name: getattr(checked, name) for name in SET}
            fields["began_ms"] = road.ramp.set_ms if goes_on and road is not None else now_ms
            if not goes_on and checked.start_g != last.daily_g:
                fields["ration"] = write_ration(snapshots, tank, scaled(last, checked.start_g, now_ms), checked.by)
            entry = ledger.add(snapshots.tx, "ramp", now_ms, now_ms, fields, tank=tank, subject="set", by=checked.by)
            return WrittenAnswer(entry=entry)

        return self._enter(tank, request_identity(checked, "ramp", tank), make)

    def decide(self, tank: str, body: Any) -> RampEntered:
        """A person accepts the step that is asked, vetoes steps for one dwell, or stops the ramp."""
        self._context.need("tank", tank)
        checked = parse(requests.RampDecisionRequest, body)

        def make(snapshots: Snapshots) -> WrittenAnswer:
            road = road_of(snapshots.of(tank))
            if road is None:
                raise FieldError("tank", f"no ramp has been set for {tank!r}", 404)
            if road.ended:
                raise FieldError("decision", f"this ramp has ended: {road.state}", 409)
            if checked.decision == "accept":
                return self._accept(snapshots, tank, road, checked)
            if checked.decision == "veto":
                return self._veto(snapshots, tank, road, checked)
            reason = f"a person stopped it{f': {checked.note}' if checked.note else ''}"
            return self._put(snapshots, tank, road, Decision("stopped", reasons=(reason,)), None, checked.by)

        return self._enter(tank, request_identity(checked, "ramp decision", tank), make)

    def _enter(self, tank: str, identity: RequestIdentity, make: Callable[[Snapshots], WrittenAnswer]) -> RampEntered:
        """Enter what a person decided, take the next step, and show the result."""
        entry = self._transactions.enter(make, WrittenAnswer, "ramp", tank, identity)
        self.step(tank)
        return RampEntered(**dict(self.view(tank)), entry=entry.entry)

    def _accept(
        self, snapshots: Snapshots, tank: str, road: RampHistory, checked: requests.RampDecisionRequest
    ) -> WrittenAnswer:
        if road.state != "ready for a step":
            raise FieldError("decision", f"nothing is asked: the ramp {road.state or 'has only been set'}", 409)
        proposal = self._propose(snapshots.of(tank), road, road.decided[-1].body["next_g"])
        decision, knowledge = proposal.decision, proposal.knowledge
        if decision.state != "steps up":
            why = "; ".join(decision.waits_for or decision.reasons)
            raise FieldError("decision", f"no step any more: the ramp {decision.state}: {why}", 409)
        noted = replace(decision, reasons=(*decision.reasons, checked.note)) if checked.note else decision
        return self._put(snapshots, tank, road, noted, knowledge, checked.by)

    def _veto(
        self, snapshots: Snapshots, tank: str, road: RampHistory, checked: requests.RampDecisionRequest
    ) -> WrittenAnswer:
        """Veto steps for one dwell. A step that is not in force before the coming midnight is taken back."""
        now_ms = self._context.stamp_ms()
        until_ms = now_ms + int(road.ramp.dwell_days * DAY_MS)
        body: Row = {"decision": "veto", "until_ms": until_ms, "note": checked.note}
        # Decisions that only wait may have been entered since the step.
        stepped = next((one for one in reversed(road.decided) if one.body["daily_g"] is not None), None)
        begins_ms = in_force_since_ms(road.rations, self._context.zone(tank))
        coming = begins_ms is not None and begins_ms > now_ms and len(road.rations) > 1
        if coming and stepped is not None and stepped.body["daily_g"] == road.rations[-1].daily_g:
            before = road.rations[-2]
            body["ration"] = write_ration(snapshots, tank, replace(before, decided_ms=now_ms), checked.by)
        entry = ledger.add(snapshots.tx, "ramp", now_ms, now_ms, body, tank=tank, subject="veto", by=checked.by)
        return WrittenAnswer(entry=entry)

    # -- the present state -------------------------------------------------------------------------------------------

    def _state_of(self, tank: TankSnapshot, road: RampHistory) -> TankState:
        begun_ms, now_ms = in_force_since_ms(road.rations, tank.zone), tank.now_ms
        assert begun_ms is not None
        veto, back = road.last("veto"), road.last("decision", "steps back")
        back_ms = back.at_ms if back is not None else None
        rising = self._sources.rising(tank.id)
        return TankState(
            ration_g=road.rations[-1].daily_g,
            ration_since_ms=begun_ms,
            zone=tank.zone,
            unfed_ms=_held_ms(tank.holds, begun_ms, now_ms),
            held=tank.holds.held or tank.holds.reduce_to < 1,
            away=tank.away is not None,
            open_findings=self._sources.findings(tank.id),
            readings={analyte: NewestReading(r.at_ms, clear(r)) for analyte, r in tank.readings.items()},
            crossed=_crossed(tank, max(back_ms or 0, road.ramp.set_ms)),
            rising=None if rising is None else tuple(rising),
            vetoed_until_ms=veto.body["until_ms"] if veto is not None else None,
            back_ms=back_ms,
        )

    def view(self, tank: str) -> RampAnswer:
        """The ramp as it is set, where it stands, what it waits for, and the road so far; 404 where none was set."""
        zone = self._context.zone(tank)
        with self._context.store.read() as tx:
            now = Snapshots(tx, self._context, self._samples).of(tank)
        road = road_of(now)
        if road is None:
            raise FieldError("tank", f"no ramp has been set for {tank!r}", 404)
        if road.ended:
            shown, known = _decided(road.decided[-1])
        else:
            proposal = self._propose(now, road)
            shown, known = proposal.decision, None if proposal.knowledge is None else knowledge_view(proposal.knowledge)
        veto = road.last("veto")
        begun_ms = in_force_since_ms(road.rations, zone)
        return RampAnswer(
            **{name: getattr(road.ramp, name) for name in SET},
            began_at=rfc3339(road.ramp.set_ms, zone),
            state=shown.state,
            ended=road.ended,
            ration_g_per_day=road.rations[-1].daily_g,
            ration_since=None if begun_ms is None else rfc3339(begun_ms, zone),
            next_g_per_day=shown.next_g,
            keep_g_per_day=shown.keep_g,
            reasons=list(shown.reasons),
            waits_for=list(shown.waits_for),
            vetoed_until=None if veto is None else rfc3339(veto.body["until_ms"], zone),
            knowledge=known,
            road=[_entry_view(entry, zone) for entry in road.entries],
        )


def road_of(tank: TankSnapshot) -> RampHistory | None:
    """The newest ramp of a tank; None where none was ever set."""
    return _road(tank.ramp, tank.decided)


def read_road(tx: Connection, tank: str) -> RampHistory | None:
    """The same, read from the ledger by itself."""
    newest = ledger.newest(tx, "ramp", tank=tank, subject="set")
    if not newest:
        return None
    entries = ledger.standing(tx, tank, (), ["ramp"], newest[0].body["began_ms"])
    return _road(entries, [repository.ration(entry) for entry in ledger.standing(tx, tank, (), ["ration"])])


def _road(entries: Sequence[Entry], rations: Sequence[Ration]) -> RampHistory | None:
    """The ramp that a tank's entries of this kind tell of, by time, since it began."""
    set_by = [e for e in entries if e.subject == "set"]
    if not set_by:
        return None
    newest = max(set_by, key=lambda e: (e.at_ms, e.id))
    body = newest.body
    ramp = Ramp(**{name: body[name] for name in SET}, entry=newest.id, set_ms=body["began_ms"])
    first = next(e.id for e in set_by if e.body["began_ms"] == ramp.set_ms)
    return RampHistory(ramp, tuple(e for e in entries if e.id >= first), tuple(rations))


def _crossed(tank: TankSnapshot, since_ms: int) -> tuple[str, ...]:
    """What lines say of the water now, and what they said when they held or reduced feeding since an instant."""
    now = {
        crossing.line.analyte: crossing.text
        for crossing in tank.water.found
        if crossing.line.above and crossing.line.analyte in OF_THE_LOAD and not crossing.known.assumed
    }
    for reason in tank.holds.reasons:
        if reason.kind == "line" and reason.analyte in OF_THE_LOAD and reason.above and reason.since_ms >= since_ms:
            now.setdefault(str(reason.analyte), reason.text)
    return tuple(now.values())


def clear(reading: Reading) -> bool:
    """Whether a reading lies at or below what kits can just detect; always true for other analytes."""
    return not reading.may_cross or reading.value <= TRACE_MG_N_PER_L.get(reading.analyte, math.inf) * (1 + 1e-9)


def knowledge_view(knowledge: LoadKnowledge) -> KnowledgeAnswer:
    """What was known, as it is kept with a decision and shown; probabilities by ration in grams a day."""
    return KnowledgeAnswer(**{**asdict(knowledge), "p_under": {f"{g:g}": p for g, p in knowledge.p_under.items()}})


def _decided(entry: Entry) -> tuple[Decision, KnowledgeAnswer | None]:
    """A decision as it was entered, and what was known then."""
    body = entry.body
    known = body["knowledge"]
    decision = Decision(
        body["state"],
        body["daily_g"],
        body["next_g"],
        body["keep_g"],
        tuple(body["reasons"]),
        tuple(body["waits_for"]),
    )
    return decision, None if known is None else KnowledgeAnswer.model_validate(known)


def _last_ration(tank: TankSnapshot) -> Ration:
    last = tank.last_ration
    if last is None or not last.meals or last.daily_g <= 0:
        raise FieldError("", "expected a ration above nothing, with its meals, before a ramp", 409)
    return last


def _check(checked: requests.RampRequest, last: Ration, goes_on: bool) -> None:
    """Refuse a ramp that would jump. Raises FieldError."""
    if goes_on and checked.ceiling_g < last.daily_g:
        raise FieldError(
            "ceiling_g", f"expected at least the present ration ({last.daily_g:g}); found {checked.ceiling_g}"
        )
    if not goes_on and not checked.confirm and checked.start_g > CONFIRM_ABOVE * last.daily_g * (1 + 1e-9):
        expected = f"expected true: {checked.start_g:g} g a day is over 1.5 times the last ration ({last.daily_g:g} g)"
        raise FieldError("confirm", expected, 409)


def _held_ms(state: HoldState, start_ms: int, now_ms: int) -> int:
    """For how long of [start, now] feeding was held."""
    spans = joined_spans([Span(p.from_ms, p.to_ms) for p in state.periods if p.reason.do == "hold"])
    return sum(span.overlap_ms(start_ms, max(start_ms, now_ms), now_ms) for span in spans)


def _entry_view(entry: Entry, zone: str) -> RampEntry:
    """One entry of the road."""
    body = {
        ("until" if name == "until_ms" else name): value for name, value in entry.body.items() if name != "began_ms"
    }
    if "until" in body:
        body["until"] = rfc3339(body["until"], zone)
    told = {"entry": entry.id, "at": rfc3339(entry.at_ms, zone), "by": entry.by, "what": entry.subject, **body}
    return RampEntry.model_validate(told)
