"""Gathers what the due list of a tank follows from, and shows it by local days."""

from tareline.app.answers.feeding import DueAnswer
from tareline.app.commands.ramp import Proposal, Ramps
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.app.projections.trends import Trends
from tareline.app.queries.hopper import daily_g
from tareline.app.snapshot import FeederSnapshot, TankSnapshot
from tareline.core.calendar import day_end_ms, day_of, day_start_ms, rfc3339
from tareline.core.safety import due_list as guard
from tareline.core.safety.due_list import Due, HopperState, Situation
from tareline.core.water.freshness import SAMPLED_MS
from tareline.core.weighing.hopper import hopper


class DueList:
    """What is due of every tank."""

    def __init__(self, context: Context, accounts: Accounts, trends: Trends, ramps: Ramps) -> None:
        self._accounts = accounts
        self._trends = trends
        self._started_ms = context.stamp_ms()
        self._ramps = ramps

    def of(self, tank: TankSnapshot) -> list[Due]:
        """What is due of a tank, the most pressing first; of an empty one nothing."""
        return self.with_ramp(tank, self._ramps.proposed(tank))

    def with_ramp(self, tank: TankSnapshot, proposed: Proposal | None) -> list[Due]:
        """The same where it is known already what the ramp would decide."""
        if tank.stage == "empty":
            return []
        away = tank.coming_absences
        zone = tank.zone
        situation = Situation(
            tank=tank.id,
            stage=tank.stage,
            since_ms=tank.since_ms,
            measured_ms={analyte: reading.at_ms for analyte, reading in tank.readings.items()},
            sampled=["temperature"] if self._is_sampled(tank) else [],
            lined=_lined(tank),
            trends={analyte: trend.direction for analyte, trend in self._trends.of(tank.id).items()},
            reasons=[(reason, tank.needs(reason)) for reason in tank.holds.reasons],
            hoppers=[_hopper(self._accounts, feeder) for feeder in tank.feeders],
            needs=[
                Due("calibrate", probe, issue.since_ms, issue.text)
                for probe, issue in tank.sampled.issues
                if issue.kind == "calibration due"
            ]
            + list(proposed.needs if proposed is not None else ()),
            away_ms=(day_start_ms(away[-1].start, zone), day_end_ms(away[-1].end, zone)) if away else None,
        )
        return guard.due(situation, tank.now_ms)

    def _is_sampled(self, tank: TankSnapshot) -> bool:
        """Whether a believed probe monitors the temperature. Samples that it stored while the service was down arrive
        later."""
        newest = tank.sampled.newest.get("temperature")
        return newest is not None and tank.now_ms - max(newest[1], self._started_ms) < SAMPLED_MS


def _lined(tank: TankSnapshot) -> set[str]:
    """The analytes that lines need. A default line that only notifies needs none that was never measured."""
    return {
        line.analyte
        for line in tank.lines
        if tank.own_lines or line.do != "notify" or line.analyte in (*tank.readings, *guard.ALWAYS)
    }


def _hopper(accounts: Accounts, feeder: FeederSnapshot) -> HopperState:
    """A feeder's hopper by its account, if the plan in force continues; nothing is due before there is one."""
    account = accounts.account(feeder.name)
    if account is None or account.found is None:
        return HopperState(feeder.name, off_since_ms=feeder.off_since_ms)
    found = hopper(account.found, daily_g(None if feeder.plan is None else feeder.plan.body))
    return HopperState(feeder.name, found.refill_by_ms, found.weigh_by_ms, feeder.off_since_ms)


def due_view(one: Due, zone: str, now_ms: int) -> DueAnswer:
    """One thing that is due, as pages, the API and messages show it."""
    day = day_of(one.by_ms, zone)
    return DueAnswer(
        what=one.what,
        subject=one.subject,
        by=rfc3339(one.by_ms, zone),
        day=day.isoformat(),
        overdue=day < day_of(now_ms, zone),
        do=guard.in_words(one),
        why=one.why,
    )
