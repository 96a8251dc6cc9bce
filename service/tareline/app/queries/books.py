"""The books of days and weeks: what was fed, by whom, what was allowed, and what does not add up."""

import math
from collections.abc import Mapping, Sequence
from datetime import date

from sqlalchemy import Connection

from tareline.app.answers.base import Answer, LocalDay
from tareline.app.answers.days import (
    DayAnswer,
    DoseAnswer,
    DriftAnswer,
    FedAnswer,
    FedTodayAnswer,
    FindingAnswer,
    HandFeedAnswer,
    HoldPeriod,
    RevisedDay,
    RevisionAnswer,
    WeekTotalsAnswer,
)
from tareline.app.answers.things import TankAnswer
from tareline.app.answers.water import ProbeSeriesAnswer, ReadingAnswer
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts, DispensedSpans
from tareline.app.projections.samples import Samples
from tareline.app.queries.common import check_period, finding_view, tank_view, within_calendar
from tareline.app.queries.water import WaterQueries
from tareline.app.snapshot import Snapshots, TankSnapshot
from tareline.core.calendar import day_end_ms, day_of, day_start_ms, days_between, rfc3339, week_of
from tareline.core.feeding.books import DayBook, Span, day_book, joined_spans, unknown_dose_g, week_totals
from tareline.core.feeding.doses import Dose
from tareline.core.feeding.ration import ration_on
from tareline.core.weighing.estimate import DoseEstimate
from tareline.core.weighing.gain import drift
from tareline.store import ledger


class WeekAnswer(Answer):
    """An ISO week of a tank: days, totals, readings, probes, holds, and a sentence that sums it up."""

    tank: TankAnswer
    start: LocalDay
    end: LocalDay
    days: list[DayAnswer]
    totals: WeekTotalsAnswer
    findings: list[FindingAnswer]
    revisions: list[RevisionAnswer]
    readings: list[ReadingAnswer]
    probes: list[ProbeSeriesAnswer]
    holds: list[HoldPeriod]
    sentence: str


class BookQueries:
    """The books of every tank. Each call is one snapshot of the store."""

    def __init__(self, context: Context, accounts: Accounts, samples: Samples, waters: WaterQueries) -> None:
        self._context = context
        self._accounts = accounts
        self._samples = samples
        self._waters = waters

    def _snapshots(self, tx: Connection) -> Snapshots:
        return Snapshots(tx, self._context, self._samples)

    def days(self, tank: str, start: date, end: date) -> list[DayAnswer]:
        """The books of some local days, both ends included."""
        self._context.need("tank", tank)
        check_period(start, end)
        with self._context.store.read() as tx:
            snapshot = self._snapshots(tx).of(tank, start, end)
        books, told = self.of(snapshot, start, end)
        return [self.day_view(tank, book, told) for book in books]

    def week(self, tank: str, day: date | None) -> WeekAnswer:
        """The ISO week that holds a date (default: today): days, totals, readings, probes, holds, and a sentence."""
        self._context.need("tank", tank)
        zone = self._context.zone(tank)
        now_ms = self._context.stamp_ms()
        day = day if day is not None else day_of(now_ms, zone)
        within_calendar("start", day)
        first, last = week_of(day)
        start_ms, end_ms = day_start_ms(first, zone), day_end_ms(last, zone)
        with self._context.store.read() as tx:
            snapshot = self._snapshots(tx).of(tank, first, last)
            books, told = self.of(snapshot, first, last)
            state = snapshot.holds
            totals = week_totals(books, told.sums.joined(), now_ms)
            revised = self._revisions(tx, tank, start_ms, end_ms)
            readings = self._waters.readings(tx, tank, start_ms, end_ms)
            probes = self._waters.probes(tx, tank, start_ms, min(end_ms, now_ms))
        return WeekAnswer(
            tank=tank_view(self._context, tank),
            start=first.isoformat(),
            end=last.isoformat(),
            days=[self.day_view(tank, book, told) for book in books],
            totals=WeekTotalsAnswer(
                budget_g=totals.budget_g,
                dispensed_g=totals.dispensed_g,
                dispensed_sd_g=totals.dispensed_sd_g,
                handfed_g=totals.handfed_g,
                provisional=totals.provisional,
            ),
            findings=[finding_view(feeder, finding, zone) for feeder, finding in told.findings],
            revisions=revised,
            readings=readings,
            probes=probes,
            holds=[
                HoldPeriod(
                    from_=rfc3339(p.from_ms, zone),
                    to=None if p.to_ms is None else rfc3339(p.to_ms, zone),
                    kind=p.reason.do,
                    reduce_to=p.reason.reduce_to,
                    text=p.reason.text,
                )
                for p in state.periods
                if p.from_ms < end_ms and (p.to_ms is None or p.to_ms > start_ms)
            ],
            sentence=sentence(books, totals.budget_g, totals.dispensed_g, totals.dispensed_sd_g, now_ms),
        )

    def of(self, tank: TankSnapshot, first: date, last: date) -> tuple[list[DayBook], DispensedSpans]:
        """The books of some days that the snapshot was read for, and what is told of each of them together."""
        zone, now_ms = tank.zone, tank.now_ms
        days = list(days_between(first, last))
        spans = [(day_start_ms(day, zone), day_end_ms(day, zone)) for day in days]
        rations = tank.rations(first)
        fed = tank.fed.within(spans[0][0], spans[-1][1])
        held = joined_spans([Span(p.from_ms, p.to_ms) for p in tank.holds.periods if p.reason.do == "hold"])
        told = self._accounts.told(self._context.register.stays("feeder", tank.id), spans, fed.doses, now_ms)
        books = []
        for day, (start_ms, end_ms), one in zip(days, spans, told.each(spans), strict=True):
            unknown_g = unknown_dose_g(ration_on(day, zone, rations))
            carried_g = tank.carried_g(day)
            lost_g = sum(grams for at_ms, _, grams in fed.losses if start_ms <= at_ms < end_ms)
            books.append(
                day_book(day, zone, rations, fed.doses, fed.handfeeds, held, unknown_g, one, carried_g, now_ms, lost_g)
            )
        return books, told

    def day_view(self, tank: str, book: DayBook, told: DispensedSpans) -> DayAnswer:
        zone = self._context.zone(tank)
        return DayAnswer(
            date=book.day.isoformat(),
            start=rfc3339(book.start_ms, zone),
            end=rfc3339(book.end_ms, zone),
            budget_g=book.budget_g,
            dispensed_g=book.dispensed_g,
            dispensed_sd_g=book.dispensed_sd_g,
            provisional=book.provisional,
            handfed_g=book.handfed_g,
            handfed_sd_g=book.handfed_sd_g,
            remaining_g=book.remaining_g,
            held_s=book.held_s,
            flags=list(book.flags),
            drift=drift_view(book.doses, told.doses),
            doses=[dose_view(self._context, dose, zone, told.doses.get(dose.entry)) for dose in book.doses],
            handfeeds=[
                HandFeedAnswer(
                    entry=h.entry,
                    at=rfc3339(h.at_ms, zone),
                    mass_g=h.mass_g,
                    sd_g=h.sd_g,
                    by=h.by,
                    food=h.food,
                )
                for h in book.handfeeds
            ],
        )

    def _revisions(self, tx: Connection, tank: str, start_ms: int, end_ms: int) -> list[RevisionAnswer]:
        """What later entries have changed in the days of [start, end), newest first."""
        zone = self._context.zone(tank)
        found = []
        for feeder in sorted({stay[0] for stay in self._context.register.stays("feeder", tank)}):
            for entry in ledger.newest(tx, "revision", device=feeder, limit=50):
                days = [day for day in entry.body["days"] if start_ms <= day["from_ms"] < end_ms]
                if days:
                    found.append(
                        RevisionAnswer(
                            at=rfc3339(entry.at_ms, zone),
                            feeder=feeder,
                            entries=entry.body["entries"],
                            days=[RevisedDay(**d, date=day_of(d["from_ms"], zone).isoformat()) for d in days],
                        )
                    )
        return sorted(found, key=lambda one: one.at, reverse=True)

    def fed_today(self, tank: str) -> FedTodayAnswer:
        """What was fed today, and by whom: to be seen before somebody feeds by hand."""
        self._context.need("tank", tank)
        zone = self._context.zone(tank)
        now_ms = self._context.stamp_ms()
        today = day_of(now_ms, zone)
        with self._context.store.read() as tx:
            snapshot = self._snapshots(tx).of(tank)
        (book,), _ = self.of(snapshot, today, today)
        fed: list[tuple[int, str, float | None, str | None, str | None]]
        fed = [(d.at_ms, d.feeder, d.mass_g, None, d.cause) for d in book.doses if d.moved]
        fed += [(h.at_ms, "hand", h.mass_g, h.by, None) for h in book.handfeeds]
        return FedTodayAnswer(
            date=today.isoformat(),
            budget_g=book.budget_g,
            dispensed_g=book.dispensed_g,
            handfed_g=book.handfed_g,
            remaining_g=book.remaining_g,
            by=[
                FedAnswer(at=rfc3339(at_ms, zone), what=what, mass_g=mass_g, by=by, cause=cause)
                for at_ms, what, mass_g, by, cause in sorted(fed, key=lambda one: one[0])
            ],
        )


def dose_view(context: Context, dose: Dose, zone: str, found: DoseEstimate | None = None) -> DoseAnswer:
    """A dose, and what it gave by its feeder's account where there is one."""
    feeder = context.register.at("feeder", dose.feeder, dose.at_ms) or {}
    return DoseAnswer(
        entry=dose.entry,
        at=rfc3339(dose.at_ms, zone),
        at_low=None if dose.at_low_ms is None else rfc3339(dose.at_low_ms, zone),
        at_high=None if dose.at_high_ms is None else rfc3339(dose.at_high_ms, zone),
        feeder=dose.feeder,
        food=feeder.get("food"),
        cause=dose.cause,
        meal=dose.meal,
        target_g=dose.target_g,
        steps=dose.steps,
        before_g=dose.before_g,
        after_g=dose.after_g,
        mass_g=dose.mass_g,
        sd_g=dose.sd_g,
        estimate_g=None if found is None else found.mass_g,
        estimate_sd_g=None if found is None else found.sd_g,
        temperature_c=dose.temperature_c,
        outcome=dose.outcome,
        journal=dose.journal,
        seq=dose.seq,
        count=dose.count,
    )


def drift_view(doses: Sequence[Dose], estimates: Mapping[int, DoseEstimate]) -> DriftAnswer | None:
    """How far what came out lies from what was asked, and why; None before there is an account of these doses."""
    known = [dose for dose in doses if not dose.moved or dose.entry in estimates]
    if not known:
        return None
    found = drift(known, estimates)
    return DriftAnswer(asked_g=found.asked_g, given_g=found.given_g, drift_g=found.drift_g, cause=found.cause)


def sentence(
    books: Sequence[DayBook], budget_g: float | None, dispensed_g: float | None, sd_g: float | None, now_ms: int
) -> str:
    """One sentence that sums up a week."""
    past = [book for book in books if book.start_ms <= now_ms]
    doses = sum(1 for book in past for dose in book.doses if dose.moved)
    if dispensed_g is None:
        fed = "No dose was weighed"
    else:
        # As many digits as the deviation allows, and never one that would read as no deviation at all.
        places = 2 if not sd_g or sd_g >= 0.01 else min(5, 1 - math.floor(math.log10(sd_g)))
        fed = f"{dispensed_g:.{places}f} g (deviation {sd_g or 0:.{places}f} g) were dispensed in {doses} doses"
    parts = [fed if budget_g is None else f"{fed} of a budget of {budget_g:.2f} g"]
    by_hand = sum(book.handfed_g for book in past)
    if by_hand:
        parts.append(f"{by_hand:.2f} g were fed by hand")
    held_s = sum(book.held_s for book in past)
    if held_s:
        shown = f"{held_s / 3600:.1f} h" if held_s >= 3600 else f"{max(1, round(held_s / 60))} min"
        parts.append(f"feeding was held for {shown}")
    unweighed = sum(book.unweighed for book in past)
    if unweighed:
        parts.append(f"{unweighed} {'dose was' if unweighed == 1 else 'doses were'} not weighed")
    return "; ".join(parts) + "."
