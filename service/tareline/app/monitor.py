"""The monitor watches all tanks: problems become alerts, and samples that cross a line hold feeding.

Its thread collects the data of every part, and the core formulates the concerns. They follow from the ledger, the
series and the clock alone, so that a service that was killed before it sent a message finds the same concerns again.
"""

import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from sqlalchemy import Connection

from tareline.app import holds, repository
from tareline.app.alerts import Alerts
from tareline.app.commands.ramp import Proposal, Ramps, road_of
from tareline.app.commands.transactions import Transactions
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts, finding_id
from tareline.app.projections.loads import Loads
from tareline.app.projections.samples import Samples
from tareline.app.projections.trends import Trends
from tareline.app.queries.books import BookQueries
from tareline.app.queries.due_list import DueList, due_view
from tareline.app.queries.hopper import daily_g
from tareline.app.snapshot import FeederSnapshot, Snapshots, TankSnapshot
from tareline.core.alerts import concerns, device_concerns, dispatch_concerns, ramp_concerns
from tareline.core.alerts.alert import Concern
from tareline.core.alerts.concerns import Location, upper_first
from tareline.core.calendar import day_of
from tareline.core.safety.faults import UNWEIGHED
from tareline.core.safety.hold import CONFIRM_MS
from tareline.core.trends.trend import Trend
from tareline.core.units import DAY_MS
from tareline.core.weighing.hopper import hopper
from tareline.store import devices as device_store
from tareline.store import ledger, series
from tareline.store.devices import Device, Issued
from tareline.store.engine import StoreError
from tareline.store.ledger import Entry

log = logging.getLogger(__name__)

ANSWER_MS = (
    30 * 60_000
)  # people are told of a planned meal that an online feeder has not reported for so long (judgement)
LOOK_BACK_DAYS = 3
REPORTED = 100  # of a device's faults, the newest
NOWHERE = Location(None, "No tank", "UTC")


class Monitor:
    """Finds what a person should know. `watch` is called by one thread at a time.

    transactions: in which holds and restorations are entered that follow from samples. books: the books of days.
    """

    def __init__(
        self,
        context: Context,
        accounts: Accounts,
        trends: Trends,
        samples: Samples,
        loads: Loads,
        ramps: Ramps,
        due_list: DueList,
        alerts: Alerts,
        transactions: Transactions,
        books: BookQueries,
    ) -> None:
        self._context = context
        self._transactions = transactions
        self._books = books
        self._accounts = accounts
        self._trends = trends
        self._samples = samples
        self._loads = loads
        self._ramps = ramps
        self._due_list = due_list
        self._alerts = alerts
        self._started_ms = context.stamp_ms()
        self._last: dict[str, list[Concern]] = {}

    def watch(self) -> None:
        """Check everything once: enter what samples hold or restore, then the alerts."""
        now_ms = self._context.stamp_ms()
        results = _RoundResults()
        tanks = self._context.register.refs("tank")
        for tank in tanks:
            with self._guarded(results, tank):
                self._samples.compute(tank, now_ms)
                results.trends[tank] = self._trends.compute(tank, now_ms)
        self._read(results, tanks)
        entered = []
        for tank, seen in results.tanks.items():
            with self._guarded(results, tank):
                if self._enter(seen, results.proposed.get(tank)):  # another failure must not prevent a hold
                    entered.append(tank)
        if entered:
            self._read(results, entered)
        found: list[Concern] = []
        with self._context.store.read() as tx:
            for tank in tanks:
                with self._guarded(results, tank):
                    if tank not in results.failed:
                        self._last[tank] = self._of_tank(tx, results, results.tanks[tank])
                found += self._last.get(tank, [])
                found += [self._blind(tank, results.failed[tank], now_ms)] if tank in results.failed else []
            found += self._of_devices_elsewhere(tx, results, now_ms)
            found += self._of_dispatch_fault()
        away = {
            tank: seen.away.tell for tank, seen in results.tanks.items() if seen.away is not None and seen.away.tell
        }
        with self._context.write() as tx:
            step = self._alerts.record(tx, found, now_ms, away)
            mornings = self._alerts.mornings(tx, now_ms)
            told = {}
            for tank in mornings:
                with self._guarded(results, tank):
                    if tank in results.proposed:
                        told[tank] = self._morning(results, results.tanks[tank])
            self._alerts.due_message(tx, told, now_ms, away)
        if step.changed or mornings:
            self._context.announce("alert", None)

    @contextmanager
    def _guarded(self, results: "_RoundResults", name: str) -> Iterator[None]:
        """Whatever goes wrong with one tank, or one device on none, the others are looked after."""
        try:
            yield
        except StoreError:
            raise
        except Exception as error:
            log.exception("%s could not be looked after", name)
            results.failed[name] = error

    def _read(self, results: "_RoundResults", tanks: Sequence[str]) -> None:
        """Read some tanks, and the devices that are on no tank, in one transaction."""
        register = self._context.register
        with self._context.store.read() as tx:
            snapshots = Snapshots(tx, self._context, self._samples)
            for tank in tanks:
                with self._guarded(results, tank):
                    today = day_of(self._context.stamp_ms(), self._context.zone(tank))
                    seen = snapshots.of(tank, today - timedelta(days=LOOK_BACK_DAYS), today)
                    results.tanks[tank] = seen
                    results.proposed[tank] = self._ramps.proposed(seen)
            results.devices = snapshots.devices
            for name in register.refs("feeder"):
                if (register.now("feeder", name) or {}).get("tank") is None:
                    with self._guarded(results, _device(name)):
                        results.loose[name] = snapshots.feeder(name)

    def _enter(self, seen: TankSnapshot, proposed: Proposal | None) -> bool:
        """Enter what the water and a ramp call for, and tell the feeders; whether anything was entered."""
        entered = False
        if holds.changes_due(seen):
            entered = self._transactions.consider(
                lambda snapshots: bool(holds.apply_changes(snapshots, seen.id)), "hold", seen.id
            )
        if proposed is None or not (entered or proposed.is_news):
            return entered
        known = proposed.knowledge
        fresh = known.fresh if known is not None else self._loads.state(seen.id).fresh
        if self._loads.on_its_way(seen.id, fresh):
            return entered
        return self._ramps.step(seen.id) is not None or entered

    def _blind(self, tank: str, error: Exception, now_ms: int) -> Concern:
        name = str(self._context.need("tank", tank)["name"])
        return Concern(
            key=f"blind/{tank}",
            kind="device",
            tank=tank,
            since_ms=now_ms,
            what=f"{name}: Tareline cannot watch this tank",
            text=f"The records of this tank could not be evaluated ({type(error).__name__}); the log has the details. "
            "Feeding continues under its cap, and holds still work, but no new alert about this tank is sent. Watch it "
            "yourself, and tell the developers.",
            urgent=True,
        )

    def _unwatched_device(self, device: str, error: Exception, now_ms: int) -> Concern:
        return Concern(
            key=f"blind-device/{device}",
            kind="device",
            tank=None,
            since_ms=now_ms,
            what=f"{device}: Tareline cannot watch this device, which is on no tank",
            text=f"Its records could not be evaluated ({type(error).__name__}); the log has the details. No alert "
            "about it is sent. Tell the developers.",
        )

    def _morning(self, results: "_RoundResults", tank: TankSnapshot) -> str:
        """What is due of a tank by the end of today, a line each; empty where nothing is."""
        due = self._due_list.with_ramp(tank, results.proposed[tank.id])
        shown = [due_view(one, tank.zone, tank.now_ms) for one in due]
        today = tank.today.isoformat()
        lines = [f"{one.do}{' (overdue)' if one.overdue else ''}: {one.why}" for one in shown if one.day <= today]
        return "\n".join(upper_first(line) for line in lines)

    # -- one tank ----------------------------------------------------------------------------------------------------

    def _of_tank(self, tx: Connection, results: "_RoundResults", tank: TankSnapshot) -> list[Concern]:
        place = Location(tank.id, tank.name, tank.zone)
        state, now_ms = tank.holds, tank.now_ms
        found = self._of_load(place, tank)
        found += concerns.of_hold(place, state, tank.known, tank.readings, self._asked(tank), now_ms)
        found += concerns.of_lines(place, tank.water.found, tank.readings, state)
        trends = results.trends[tank.id].items()
        rising = (concerns.of_trend(place, analyte, trend, tank.lines_now, state) for analyte, trend in trends)
        found += [one for one in rising if one is not None]
        due = self._due_list.with_ramp(tank, results.proposed[tank.id])
        late = concerns.of_due(place, due, state, now_ms)
        found += [late] if late is not None else []
        for feeder in tank.feeders:
            reported = ledger.newest(tx, "fault", device=feeder.name, limit=REPORTED)
            found += self._of_device(tx, place, feeder.device, "feeder", reported, now_ms)
            found += self._of_stop(place, feeder)
            found += self._of_plan(place, feeder)
            found += self._of_feeder(tx, place, feeder, reported, now_ms)
        for probe in tank.probes:
            reported = ledger.newest(tx, "fault", device=probe, limit=REPORTED)
            known = results.devices.get(probe, Device(probe))
            found += self._of_device(tx, place, known, "probe", reported, now_ms)
        issues = tank.sampled.issues
        for probe in dict.fromkeys(probe for probe, _ in issues):
            found += device_concerns.of_probe_issues(place, probe, [issue for name, issue in issues if name == probe])
        if tank.stage != "empty":  # an empty tank keeps its ration, which is not fed
            found += device_concerns.of_budget(place, self._fed(tank))
        return found

    def _of_load(self, place: Location, tank: TankSnapshot) -> list[Concern]:
        """Concerns of a ramp's last decision, and of a load that cannot be calculated."""
        found = []
        trouble = self._loads.trouble(tank.id)
        if trouble is not None:
            found.append(ramp_concerns.of_load_trouble(place, trouble.why, trouble.since_ms, trouble.times))
        road = road_of(tank)
        if road is not None and road.decided:
            last = road.decided[-1]
            body, state = last.body, last.body["state"]
            grams = {"ready for a step": body["next_g"], "limit found": body["keep_g"]}.get(state, body["daily_g"])
            found.append(ramp_concerns.of_ramp(place, state, last.at_ms, body["reasons"], grams, tank.now_ms))
        return [concern for concern in found if concern is not None]

    def _asked(self, tank: TankSnapshot) -> concerns.HoldConfirmations:
        """Which feeders that were asked to hold have confirmed it; each has a minute for that."""
        obeying: list[str] = []
        pending: list[str] = []
        late: list[str] = []
        for feeder in tank.feeders:
            if feeder.told is None or not feeder.told.held:
                pending.append(feeder.name)
            elif feeder.told.confirmed:
                obeying.append(feeder.name)
            else:
                (late if self._has_waited(feeder) else pending).append(feeder.name)
        return concerns.HoldConfirmations(obeying, pending, late)

    def _has_waited(self, feeder: FeederSnapshot) -> bool:
        """Whether a feeder has had its minute to confirm the hold message that it was sent last."""
        assert feeder.hold is not None
        return self._context.waiting_ms(max(feeder.hold.issued_ms, self._started_ms)) >= CONFIRM_MS

    def _fed(self, tank: TankSnapshot) -> list[device_concerns.FedDays]:
        books, _ = self._books.of(tank, tank.today - timedelta(days=LOOK_BACK_DAYS), tank.today)
        return [
            device_concerns.FedDays(
                day=book.day,
                budget_g=book.budget_g,
                dispensed_g=book.dispensed_g,
                sd_g=book.dispensed_sd_g or 0.0,
                handfed_g=book.handfed_g,
                held_s=book.held_s,
                complete="today" not in book.flags and not self._is_early(tank.now_ms),
            )
            for book in books
        ]

    # -- devices -----------------------------------------------------------------------------------------------------

    def _of_feeder(
        self, tx: Connection, place: Location, known: FeederSnapshot, reported: Sequence[Entry], now_ms: int
    ) -> list[Concern]:
        """Concerns of a feeder's doses, its hopper and its books. reported: its newest faults."""
        feeder, plan = known.name, known.plan
        since_ms = now_ms - LOOK_BACK_DAYS * DAY_MS
        entries = ledger.standing(tx, "", [(feeder, since_ms, None)], ["dose", "gap"], since_ms)
        doses = [repository.dose(entry) for entry in entries]
        unanswered = self._unanswered(doses, plan, known.device, now_ms) if plan is not None else []
        found = device_concerns.of_feeder(place, feeder, doses, unanswered, now_ms, known.stop_noted_ms)
        unweighed_ms = self._unweighed_ms(tx, feeder, reported)
        found += [device_concerns.of_unweighed(place, feeder, unweighed_ms)] if unweighed_ms is not None else []
        account = self._accounts.account(feeder)
        if account is not None and account.found is not None:
            left = hopper(account.found, daily_g(None if plan is None else plan.body))
            soon = device_concerns.of_hopper(place, feeder, left.days, left.days_low, left.content_g, now_ms)
            found += [soon] if soon is not None else []
            found += [
                device_concerns.of_finding(place, feeder, finding_id(feeder, f), f) for f in account.found.findings
            ]
        return found

    def _unweighed_ms(self, tx: Connection, feeder: str, reported: Sequence[Entry]) -> int | None:
        """Since when a feeder has stopped for want of a weight; None where it has not, or has weighed since."""
        told = [e for e in reported if e.body["code"] == UNWEIGHED]
        if not told:
            return None
        weight = series.newest(tx, feeder, "hopper")
        doses = ledger.newest(tx, "dose", device=feeder, limit=20)
        weighed = [e.at_ms for e in doses if e.body.get("after_g") is not None] + ([weight[1]] if weight else [])
        return told[0].at_ms if max(weighed, default=0) <= told[0].at_ms else None

    def _unanswered(self, doses: Sequence[Any], plan: Issued, known: Device, now_ms: int) -> list[tuple[str, int]]:
        """Meals of the newest plan that are past, of which a feeder that is online has sent no dose."""
        if not known.online or known.status_ms is None or self._is_early(now_ms):
            return []
        came = {dose.meal for dose in doses}
        since_ms = max(plan.issued_ms, known.status_ms)
        return [
            (meal["id"], meal["at_ms"])
            for meal in plan.body["meals"]
            if since_ms < meal["at_ms"] < now_ms - ANSWER_MS and meal["id"] not in came
        ]

    def _is_early(self, now_ms: int) -> bool:
        """Whether doses from the time that the service was down may still be on their way."""
        return now_ms - self._started_ms < ANSWER_MS

    def _of_stop(self, place: Location, feeder: FeederSnapshot) -> list[Concern]:
        """Concern of a feeder that has stopped itself, or does not continue; it has a minute to confirm its release."""
        if feeder.stop is None or feeder.told is None or not (feeder.told.held or self._has_waited(feeder)):
            return []
        return [device_concerns.of_stop(place, feeder.name, feeder.stop, feeder.told.held)]

    def _of_plan(self, place: Location, feeder: FeederSnapshot) -> list[Concern]:
        """Concern of a feeder that is online and has not confirmed the plan that it was sent last."""
        plan, known = feeder.plan, feeder.device
        if plan is None or not known.online or known.status_ms is None or known.confirms("plan", plan.version):
            return []
        waited_ms = self._context.waiting_ms(max(plan.issued_ms, known.status_ms, self._started_ms))
        found = dispatch_concerns.of_plan(place, feeder.name, plan.issued_ms, waited_ms)
        return [found] if found is not None else []

    def _of_device(
        self, tx: Connection, place: Location, known: Device, kind: str, reported: Sequence[Entry], now_ms: int
    ) -> list[Concern]:
        """Concerns of silence, another board, faults and messages that were not understood. reported: its newest
        faults."""
        device, found = known.device, []
        if known.silence_noted and known.status_ms is not None:
            found.append(device_concerns.of_silence(place, device, kind, known.status_ms, now_ms))
        boards = [e for e in ledger.newest(tx, "device", device=device, limit=20) if e.body["event"] == "board"]
        if boards and now_ms - boards[0].at_ms < DAY_MS:
            text = f"board {boards[0].body['board']} after {boards[0].body['before']}"
            found.append(device_concerns.of_boards(place, device, boards[0].at_ms, text))
        faults = [
            (str(e.body["code"]), e.at_ms, str(e.body.get("detail") or ""))
            for e in reported
            if now_ms - e.at_ms < DAY_MS
        ]
        found += device_concerns.of_faults(place, device, faults, now_ms)
        rejects = device_store.rejects_of(tx, device, now_ms - DAY_MS)
        if rejects:
            count, first_ms = sum(row.count for row in rejects), min(row.first_ms for row in rejects)
            found.append(device_concerns.of_rejects(place, device, count, first_ms, str(rejects[0].reason)))
        return found

    def _of_devices_elsewhere(self, tx: Connection, results: "_RoundResults", now_ms: int) -> list[Concern]:
        """Concerns of feeders and probes that are on no tank."""
        register = self._context.register
        found: list[Concern] = []
        place = NOWHERE
        for kind in ("feeder", "probe"):
            for name in register.refs(kind):
                if (register.now(kind, name) or {}).get("tank") is None and name in results.devices:
                    with self._guarded(results, _device(name)):
                        if name in results.loose:
                            found += self._of_stop(place, results.loose[name])
                            found += self._of_plan(place, results.loose[name])
                        reported = ledger.newest(tx, "fault", device=name, limit=REPORTED)
                        found += self._of_device(tx, place, results.devices[name], kind, reported, now_ms)
                    if _device(name) in results.failed:
                        found.append(self._unwatched_device(name, results.failed[_device(name)], now_ms))
        return found

    def _of_dispatch_fault(self) -> list[Concern]:
        """Concerns of feeders that cannot be told what is in force."""
        found = []
        for feeder, fault in self._context.dispatch_faults.faults().items():
            tank = (self._context.register.now("feeder", feeder) or {}).get("tank")
            place = NOWHERE
            if tank is not None:
                place = Location(tank, str(self._context.need("tank", tank)["name"]), self._context.zone(tank))
            found.append(dispatch_concerns.of_dispatch_fault(place, feeder, fault.since_ms, fault.error))
        return found


def _device(name: str) -> str:
    """What a device on no tank is called among what failed; no tank can be called so."""
    return f"device {name}"


@dataclass
class _RoundResults:
    """What one round of checks has found so far.

    proposed: what the ramp of each would decide. loose: feeders on no tank. failed: what went wrong, by tank, or
    by `_device` of one on none.
    """

    tanks: dict[str, TankSnapshot] = field(default_factory=dict)
    proposed: dict[str, Proposal | None] = field(default_factory=dict)
    trends: dict[str, Mapping[str, Trend]] = field(default_factory=dict)
    devices: Mapping[str, Device] = field(default_factory=dict)
    loose: dict[str, FeederSnapshot] = field(default_factory=dict)
    failed: dict[str, Exception] = field(default_factory=dict)
