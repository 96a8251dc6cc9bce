"""The report of one feeder over one period: every dose like a balance's ticket, and whether the weights add up.

Page, CSV, terminal and API all show what `Reports.report` gives.
"""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.answers.entries import EntryAnswer
from tareline.app.answers.report import (
    AccountPosition,
    CalibrationAnswer,
    CheckPoint,
    GainAnswer,
    InstrumentAnswer,
    LimitPartAnswer,
    PeriodAnswer,
    ReconciliationAnswer,
    ReportAnswer,
    ReportDay,
    ReportDrift,
    ReportTotals,
    TicketAnswer,
)
from tareline.app.answers.things import FoodAnswer, NamedTank
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.app.queries.common import check_period, finding_view, within_calendar
from tareline.app.queries.hopper import hopper_view
from tareline.core.calendar import day_end_ms, day_of, day_start_ms, days_between, rfc3339
from tareline.core.feeding.books import Dispensed
from tareline.core.feeding.doses import Dose
from tareline.core.feeding.ration import ration_on
from tareline.core.weighing import calibration
from tareline.core.weighing.estimate import DoseEstimate
from tareline.core.weighing.gain import Drift, drift
from tareline.core.weighing.reconciliation import Balance, balances
from tareline.store import devices as device_store
from tareline.store import ledger
from tareline.store.devices import Device
from tareline.store.ledger import Entry

DEFAULT_DAYS = 7
KINDS = ("dose", "gap", "weighin", "refill", "loss", "hopper", "gain")

Row = Mapping[str, Any]


class Reports:
    """Reports of feeders. Each call is one snapshot of the store and the newest account of the feeder."""

    def __init__(self, context: Context, accounts: Accounts) -> None:
        self._context = context
        self._accounts = accounts

    def report(self, feeder: str, start: date | None = None, end: date | None = None) -> ReportAnswer:
        """Everything about a feeder in some local days, both ends included; the last seven by default.

        Masses in grams, each with its standard deviation where it has one; times as RFC 3339. What only an account can
        tell is None before there is one. Raises FieldError: an unknown feeder, days out of order, more than 400.
        """
        self._context.need("feeder", feeder)
        tank, zone = self._place(feeder)
        now_ms = self._context.stamp_ms()
        start, end = _period(start, end, day_of(now_ms, zone))
        days = list(days_between(start, end))
        spans = [(day_start_ms(day, zone), day_end_ms(day, zone)) for day in days]
        start_ms, end_ms = spans[0][0], spans[-1][1]
        with self._context.store.read() as tx:
            entries = ledger.standing(tx, "", [(feeder, start_ms, None)], KINDS, start_ms, end_ms)
            pair_ms = _weighed_around_ms(tx, feeder, start_ms, end_ms)
            calibrations = ledger.standing(tx, "", [(feeder, 0, None)], ["calibration"], None, end_ms)
            device = device_store.load(tx).get(feeder, Device(feeder))
            issued = device_store.issued(tx).get((feeder, "plan"))
            budgets = self._budgets(tx, tank, feeder, days, zone)
        plan = issued.body if issued is not None else None
        hello = device.hello or {}
        doses = [repository.dose(entry) for entry in entries if entry.kind in ("dose", "gap")]
        told = self._accounts.told([(feeder, 0, None)], spans, doses, now_ms)
        each = told.each(spans)
        account = self._accounts.account(feeder)
        parts = self._accounts.parts(account, *pair_ms) if account is not None else []
        kept = [b for b in balances(*parts) if b.opening.at_ms < end_ms and b.closing.at_ms >= start_ms]
        found = drift([d for d in doses if not d.moved or d.entry in told.doses], told.doses)
        return ReportAnswer(
            feeder=feeder,
            tank=None if tank is None else NamedTank(id=tank, name=self._context.need("tank", tank)["name"]),
            food=self._food(feeder, end_ms - 1),
            instrument=InstrumentAnswer(
                board=hello.get("board"), calibration=hello.get("calibration"), firmware=hello.get("firmware")
            ),
            period=PeriodAnswer(
                start=start.isoformat(),
                end=end.isoformat(),
                from_=rfc3339(start_ms, zone),
                to=rfc3339(end_ms, zone),
                timezone=zone,
            ),
            made_at=rfc3339(now_ms, zone),
            account=None if account is None else AccountPosition(entry=account.position),
            totals=_totals(budgets, doses, each, told.sums.joined()),
            drift=None if account is None else _drift(found),
            days=[
                ReportDay(
                    date=day.isoformat(),
                    budget_g=budget,
                    dispensed_g=one.mass_g,
                    dispensed_sd_g=one.sd_g,
                    provisional=one.provisional,
                    finding=one.doubtful,
                )
                for day, budget, one in zip(days, budgets, each, strict=True)
            ],
            doses=[self._ticket(dose, zone, hello, told.doses.get(dose.entry)) for dose in doses],
            weighins=[EntryAnswer.of(entry, zone) for entry in entries if entry.kind == "weighin"],
            refills=[_refill(entry, zone) for entry in entries if entry.kind == "refill"],
            losses=[EntryAnswer.of(entry, zone) for entry in entries if entry.kind == "loss"],
            hopper_moves=[EntryAnswer.of(entry, zone) for entry in entries if entry.kind == "hopper"],
            reconciliation=None if account is None else [_balance(one, zone) for one in kept],
            findings=[finding_view(name, finding, zone) for name, finding in told.findings],
            calibration=_calibration(calibrations, zone),
            gain=GainAnswer(
                announced_g_per_step=hello.get("gain_g_per_step"),
                planned_g_per_step=(plan or {}).get("gain_g_per_step"),
                decided=[EntryAnswer.of(entry, zone) for entry in entries if entry.kind == "gain"],
            ),
            hopper=hopper_view(account, plan, zone),
        )

    def _place(self, feeder: str) -> tuple[str | None, str]:
        """The tank that a feeder is on, or was on last, and the zone its days are counted in."""
        versions = self._context.register.history("feeder", feeder)
        tanks = [str(v.body["tank"]) for v in versions if v.body.get("tank") is not None]
        return (tanks[-1], self._context.zone(tanks[-1])) if tanks else (None, "UTC")

    def _food(self, feeder: str, at_ms: int) -> FoodAnswer | None:
        food = (self._context.register.at("feeder", feeder, at_ms) or {}).get("food")
        if food is None:
            return None
        return FoodAnswer.model_validate({"id": food, **(self._context.register.now("food", food) or {})})

    def _budgets(
        self, tx: Connection, tank: str | None, feeder: str, days: Sequence[date], zone: str
    ) -> list[float | None]:
        """What the ration of its tank gave to this feeder, day by day; None before the first ration."""
        if tank is None:
            return [None] * len(days)
        rations = repository.rations(tx, tank, zone, day_start_ms(days[0], zone))
        owners = {feeder, None} if self._context.register.devices_of("feeder", tank)[:1] == [feeder] else {feeder}
        found: list[float | None] = []
        for day in days:
            ration = ration_on(day, zone, rations)
            own = [meal.share for meal in ration.meals if meal.feeder in owners] if ration is not None else []
            found.append(None if ration is None else ration.daily_g * sum(own))
        return found

    def _ticket(self, dose: Dose, zone: str, hello: Row, found: DoseEstimate | None) -> TicketAnswer:
        """A dose as a balance prints it; the instrument as it announced itself last."""
        return TicketAnswer(
            entry=dose.entry,
            at=rfc3339(dose.at_ms, zone),
            at_low=None if dose.at_low_ms is None else rfc3339(dose.at_low_ms, zone),
            at_high=None if dose.at_high_ms is None else rfc3339(dose.at_high_ms, zone),
            feeder=dose.feeder,
            board=hello.get("board"),
            calibration=hello.get("calibration"),
            food=(self._context.register.at("feeder", dose.feeder, dose.at_ms) or {}).get("food"),
            before_g=dose.before_g,
            after_g=dose.after_g,
            net_g=dose.mass_g,
            sd_g=dose.sd_g,
            temperature_c=dose.temperature_c,
            cause=dose.cause,
            meal=dose.meal,
            outcome=dose.outcome,
            target_g=dose.target_g,
            steps=dose.steps,
            estimate_g=None if found is None else found.mass_g,
            estimate_sd_g=None if found is None else found.sd_g,
            journal=dose.journal,
            seq=dose.seq,
            count=dose.count,
        )


def _period(start: date | None, end: date | None, today: date) -> tuple[date, date]:
    for field, day in (("start", start), ("end", end)):
        if day is not None:
            within_calendar(field, day)
    if end is None:
        end = today if start is None else max(start, today)
    if start is None:
        start = end - timedelta(days=DEFAULT_DAYS - 1)
    check_period(start, end)
    return start, end


def _weighed_around_ms(tx: Connection, feeder: str, start_ms: int, end_ms: int) -> tuple[int, int]:
    """The last weigh-in before a period and the first after it, between which it can be reconciled."""
    before = ledger.newest(tx, "weighin", device=feeder, before_ms=start_ms)
    after = ledger.standing(tx, "", [(feeder, end_ms, None)], ["weighin"], end_ms)
    return (before[0].at_ms if before else start_ms), (after[0].at_ms + 1 if after else end_ms)


def _totals(
    budgets: Sequence[float | None], doses: Sequence[Dose], each: Sequence[Dispensed], joined: tuple[float, float]
) -> ReportTotals:
    """Grams of the whole period with the deviation of the sum; None where doses moved food and nothing is known."""
    known = any(one.mass_g is not None for one in each)
    return ReportTotals(
        budget_g=None if all(b is None for b in budgets) else sum(b for b in budgets if b is not None),
        asked_g=sum(d.target_g for d in doses if d.target_g is not None),
        dispensed_g=joined[0] if known else None,
        dispensed_sd_g=joined[1] if known else None,
        provisional=any(one.provisional for one in each),
        doses=sum(d.count for d in doses),
        unweighed=sum(d.count for d in doses if d.moved and d.mass_g is None),
    )


def _drift(found: Drift) -> ReportDrift:
    return ReportDrift(drift_g=found.drift_g, cause=found.cause, by_cause=dict(found.by_cause))


def _refill(entry: Entry, zone: str) -> EntryAnswer:
    body = entry.body
    if body.get("added_g") is not None:
        return EntryAnswer.of(entry, zone)
    return EntryAnswer.of(entry, zone, added_g=body["after_g"] - body["before_g"])


def _balance(one: Balance, zone: str) -> ReconciliationAnswer:
    """A reconciliation with its limit, and where each part of that comes from."""
    return ReconciliationAnswer(
        from_=rfc3339(one.opening.at_ms, zone),
        to=rfc3339(one.closing.at_ms, zone),
        opening_entry=one.opening.entry,
        closing_entry=one.closing.entry,
        opening_g=one.opening.mass_g,
        added_g=one.added_g,
        closing_g=one.closing.mass_g,
        by_scale_g=one.by_scale_g,
        by_cell_g=one.by_cell_g,
        doses=one.doses,
        unweighed=one.unweighed,
        difference_g=one.difference_g,
        limit_g=one.limit_g,
        within=one.within,
        limit_parts=[LimitPartAnswer(source=part.source, sd_g=part.sd_g) for part in one.parts],
    )


def _calibration(entries: Sequence[Entry], zone: str) -> CalibrationAnswer | None:
    """The last calibration by check masses up to the period's end, and what it says beside the one before."""
    if not entries:
        return None
    found = calibration.record([_check_masses(entry) for entry in entries])
    last = found.last
    points = zip(last.masses_g, last.shown_g, found.residuals_g, strict=True)
    return CalibrationAnswer(
        entry=last.entry,
        at=rfc3339(last.at_ms, zone),
        count=len(entries),
        points=[CheckPoint(mass_g=mass, shown_g=shown, residual_g=residual) for mass, shown, residual in points],
        slope=found.slope,
        slope_u=found.slope_u,
        drift=found.drift,
        drift_sure=found.sure,
        repeat_by=rfc3339(found.repeat_by_ms, zone),
    )


def _check_masses(entry: Entry) -> calibration.Calibration:
    points = entry.body["points"]
    masses, shown = tuple(p["mass_g"] for p in points), tuple(p["shown_g"] for p in points)
    return calibration.Calibration(entry.id, entry.at_ms, masses, shown)
