"""Gathers what the due list of a tank follows from, and shows it by local days."""

from collections.abc import Collection

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.answers.feeding import DueAnswer
from tareline.app.commands.entries import stated
from tareline.app.commands.ramp import Ramps
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.app.projections.samples import Samples
from tareline.app.projections.trends import Trends
from tareline.app.queries.hopper import daily_g
from tareline.core.calendar import day_end_ms, day_of, day_start_ms
from tareline.core.safety import due_list as guard
from tareline.core.safety.due_list import Due, HopperState, Situation
from tareline.core.safety.lines import with_samples
from tareline.core.water.freshness import SAMPLED_MS
from tareline.core.weighing.hopper import hopper
from tareline.store import devices as device_store
from tareline.store import ledger


class DueList:
    """What is due of every tank."""

    def __init__(self, context: Context, accounts: Accounts, trends: Trends, samples: Samples, ramps: Ramps) -> None:
        self._context = context
        self._accounts = accounts
        self._trends = trends
        self._samples = samples
        self._started_ms = context.stamp_ms()
        self._ramps = ramps

    def of(self, tx: Connection, tank: str) -> list[Due]:
        """What is due of a tank, the most pressing first; of an empty one nothing."""
        context = self._context
        stage = str(context.need("tank", tank)["stage"])
        if stage == "empty":
            return []
        zone, now_ms = context.zone(tank), context.stamp_ms()
        latest = repository.latest_readings(tx, context, tank)
        known = with_samples(repository.water(tx, context, tank, now_ms), self._samples.of(tank).recent)
        away = repository.absences(tx, tank, zone, day_of(now_ms, zone))
        situation = Situation(
            tank=tank,
            stage=stage,
            since_ms=context.register.history("tank", tank)[0].at_ms,
            measured_ms={analyte: reading.at_ms for analyte, (reading, _) in latest.items()},
            sampled=["temperature"] if self._is_sampled(tank, now_ms) else [],
            lined=_lined(context, tank, latest),
            trends={analyte: trend.direction for analyte, trend in self._trends.of(tank).items()},
            reasons=[(r, r.needs(known.get(r.analyte or ""))) for r in repository.hold_state(tx, tank).reasons],
            hoppers=[_hopper(tx, self._accounts, f) for f in context.register.devices_of("feeder", tank)],
            needs=[
                Due("calibrate", probe, ailment.since_ms, ailment.text)
                for probe, ailment in self._samples.of(tank).ailments
                if ailment.kind == "calibration due"
            ]
            + self._ramps.needs(tx, tank),
            away_ms=(day_start_ms(away[-1].start, zone), day_end_ms(away[-1].end, zone)) if away else None,
        )
        return guard.due(situation, now_ms)

    def _is_sampled(self, tank: str, now_ms: int) -> bool:
        """Whether a probe that is believed watches the temperature; what it kept while we were down comes later."""
        newest = self._context.samples.get(tank, {}).get("temperature")
        return newest is not None and now_ms - max(newest[1], self._started_ms) < SAMPLED_MS


def _lined(context: Context, tank: str, measured: Collection[str]) -> set[str]:
    """What lines rest on. A default line that only notifies asks nobody for a kit that nobody has used."""
    own = context.register.now("lines", tank) is not None
    return {
        line.analyte
        for line in repository.lines(context, tank)
        if own or line.do != "notify" or line.analyte in (*measured, *guard.ALWAYS)
    }


def _hopper(tx: Connection, accounts: Accounts, feeder: str) -> HopperState:
    """A feeder's hopper by its account, if the plan in force goes on; nothing is due before there is one."""
    off = None if repository.is_hung(tx, feeder) else ledger.newest(tx, "hopper", device=feeder)[0].at_ms
    account, plan = accounts.account(feeder), device_store.issued(tx).get((feeder, "plan"))
    if account is None or account.found is None:
        return HopperState(feeder, off_since_ms=off)
    found = hopper(account.found, daily_g(None if plan is None else plan.body))
    return HopperState(feeder, found.refill_by_ms, found.weigh_by_ms, off)


def due_view(one: Due, zone: str, now_ms: int) -> DueAnswer:
    """One thing that is due, as pages, the API and messages show it."""
    day = day_of(one.by_ms, zone)
    return DueAnswer(
        what=one.what,
        subject=one.subject,
        by=stated(one.by_ms, zone),
        day=day.isoformat(),
        overdue=day < day_of(now_ms, zone),
        do=guard.in_words(one),
        why=one.why,
    )
