"""Looking after the tanks: what is not as it should be becomes an alert, and samples beyond their lines hold feeding.

The watcher's thread asks every part that knows something and lets the guard word it. What it finds follows from ledger,
series and clock alone, so that a service that was killed before it told anybody finds the same again.
"""

import logging
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Connection

from tareline.app import dispatch, holds, repository
from tareline.app.alerts import Alerts
from tareline.app.answers.days import DayAnswer
from tareline.app.commands.ramp import Ramps, read_road
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts, finding_id
from tareline.app.projections.loads import Loads
from tareline.app.projections.samples import Samples
from tareline.app.projections.trends import Trends
from tareline.app.queries.due_list import DueList, due_view
from tareline.app.queries.hopper import daily_g
from tareline.core.alerts import concerns, device_concerns, ramp_concerns
from tareline.core.alerts.alert import Concern
from tareline.core.alerts.concerns import Place, upper_first
from tareline.core.calendar import day_of
from tareline.core.safety.faults import UNWEIGHED
from tareline.core.safety.hold import CONFIRM_MS, HoldState
from tareline.core.units import DAY_MS
from tareline.core.weighing.hopper import hopper
from tareline.store import devices as device_store
from tareline.store import ledger, series
from tareline.store.devices import Device, Issued
from tareline.store.engine import StoreError

log = logging.getLogger(__name__)

ANSWER_MS = 30 * 60_000  # a planned meal of which an online feeder has said nothing for so long is told (judgement)
LOOK_BACK_DAYS = 3


class Monitor:
    """Finds what a person should know. `watch` is called by one thread at a time.

    send: called with the messages for feeders after a commit. days: the books of a tank between two dates.
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
        days: Callable[[str, date, date], list[DayAnswer]],
        send: Callable[[Sequence[Issued]], None],
    ) -> None:
        self._context = context
        self._send = send
        self._accounts = accounts
        self._trends = trends
        self._samples = samples
        self._loads = loads
        self._ramps = ramps
        self._due_list = due_list
        self._alerts = alerts
        self._days = days
        self._started_ms = context.stamp_ms()
        self._last: dict[str, list[Concern]] = {}

    def watch(self) -> None:
        """Look at everything once: enter what samples hold or restore, then the alerts."""
        now_ms = self._context.stamp_ms()
        found: list[Concern] = []
        for tank in self._context.register.refs("tank"):
            try:
                self._judge_samples(tank, now_ms)
                self._last[tank] = self._of_tank(tank, now_ms)
                found += self._last[tank]
            except StoreError:
                raise
            except Exception as error:  # the others are looked after, and what was known of this one stays
                log.exception("%s could not be looked after", tank)
                found += [*self._last.get(tank, []), self._blind(tank, error, now_ms)]
        found += self._of_devices_elsewhere(now_ms)
        away = self._away(now_ms)
        with self._context.write() as tx:
            step = self._alerts.record(tx, found, now_ms, away)
            mornings = self._alerts.mornings(tx, now_ms)
            self._alerts.due_message(tx, {tank: self._morning(tx, tank) for tank in mornings}, now_ms, away)
        if step.changed or mornings:
            self._context.announce("alert", None)

    def _blind(self, tank: str, error: Exception, now_ms: int) -> Concern:
        name = str(self._context.need("tank", tank)["name"])
        return Concern(
            key=f"blind/{tank}",
            kind="device",
            tank=tank,
            since_ms=now_ms,
            what=f"{name}: Tareline cannot look after it",
            text=f"Something in the books of this tank could not be worked out ({type(error).__name__}); the log says "
            "where. Feeding goes on under its cap, and holds work; no new alert of this tank can come. Look after it "
            "yourself, and tell the developers.",
            urgent=True,
        )

    def _away(self, now_ms: int) -> dict[str, str]:
        """By tank, who is told instead of the usual ones during an absence that runs."""
        found = {}
        with self._context.store.read() as tx:
            for tank in self._context.register.refs("tank"):
                zone = self._context.zone(tank)
                today = day_of(now_ms, zone)
                for absence in repository.absences(tx, tank, zone, today):
                    if absence.covers(today) and absence.tell:
                        found[tank] = absence.tell
        return found

    def _morning(self, tx: Connection, tank: str) -> str:
        """What is due of a tank by the end of today, a line each; empty where nothing is."""
        zone, now_ms = self._context.zone(tank), self._context.stamp_ms()
        shown = [due_view(one, zone, now_ms) for one in self._due_list.of(tx, tank)]
        today = day_of(now_ms, zone).isoformat()
        lines = [f"{one.do}{' (overdue)' if one.overdue else ''}: {one.why}" for one in shown if one.day <= today]
        return "\n".join(upper_first(line) for line in lines)

    def _judge_samples(self, tank: str, now_ms: int) -> None:
        """Enter what samples call for, and tell the feeders: a hold, a reduction, or the end of one."""
        sampled = self._samples.compute(tank, now_ms)
        with self._context.in_order:
            with self._context.write() as tx:
                _, made = holds.judge(tx, self._context, tank, sampled)
                if not made:
                    return
                sent = dispatch.tell(tx, self._context, self._context.register.devices_of("feeder", tank))
            self._send(sent)
        self._context.announce("hold", tank)

    # -- one tank ----------------------------------------------------------------------------------------------------

    def _of_tank(self, tank: str, now_ms: int) -> list[Concern]:
        body = self._context.need("tank", tank)
        place = Place(tank, str(body["name"]), str(body["timezone"]))
        trends = self._trends.compute(tank, now_ms)
        if not self._loads.on_its_way(tank):
            self._ramps.step(tank)
        with self._context.store.read() as tx:
            state = repository.hold_state(tx, tank)
            found = self._of_load(tx, place, tank, now_ms)
            found += self._of_water(tx, place, tank, state, now_ms)
            lines = repository.lines_now(tx, self._context, tank, now_ms)
            rising = (concerns.of_trend(place, analyte, trend, lines, state) for analyte, trend in trends.items())
            found += [one for one in rising if one is not None]
            late = concerns.of_due(place, self._due_list.of(tx, tank), state, now_ms)
            found += [late] if late is not None else []
            devices = device_store.load(tx)
            for feeder in self._context.register.devices_of("feeder", tank):
                known = devices.get(feeder, Device(feeder))
                found += self._of_device(tx, place, known, "feeder", now_ms)
                found += self._of_feeder(tx, place, known, now_ms)
            for probe in self._context.register.devices_of("probe", tank):
                found += self._of_device(tx, place, devices.get(probe, Device(probe)), "probe", now_ms)
        ailments = self._samples.of(tank).ailments
        for probe in dict.fromkeys(probe for probe, _ in ailments):
            found += device_concerns.of_ailments(place, probe, [ailment for name, ailment in ailments if name == probe])
        if body["stage"] != "empty":  # whose ration is kept, and not fed
            found += device_concerns.of_budget(place, self._fed(tank, place.zone, now_ms))
        return found

    def _of_water(self, tx: Connection, place: Place, tank: str, state: HoldState, now_ms: int) -> list[Concern]:
        water = holds.look(tx, self._context, tank, self._samples.of(tank))
        readings = {a: r for a, (r, _) in repository.latest_readings(tx, self._context, tank).items()}
        return [
            *concerns.of_hold(place, state, water.known, readings, self._asked(tx, tank), now_ms),
            *concerns.of_lines(place, water.found, readings, state),
        ]

    def _of_load(self, tx: Connection, place: Place, tank: str, now_ms: int) -> list[Concern]:
        """What a ramp has decided last, and a load that cannot be worked out."""
        found = []
        trouble = self._loads.trouble(tank)
        if trouble is not None:
            found.append(ramp_concerns.of_load_trouble(place, trouble.why, trouble.since_ms, trouble.times))
        road = read_road(tx, tank)
        if road is not None and road.decided:
            last = road.decided[-1]
            body, state = last.body, last.body["state"]
            grams = {"ready for a step": body["next_g"], "limit found": body["keep_g"]}.get(state, body["daily_g"])
            found.append(ramp_concerns.of_ramp(place, state, last.at_ms, body["reasons"], grams, now_ms))
        return [concern for concern in found if concern is not None]

    def _asked(self, tx: Connection, tank: str) -> concerns.Asked:
        """Which feeders that were asked to hold have said that they do; a minute is given them."""
        told, devices = device_store.issued(tx), device_store.load(tx)
        obeying: list[str] = []
        pending: list[str] = []
        late: list[str] = []
        for feeder in self._context.register.devices_of("feeder", tank):
            asked = told.get((feeder, "hold"))
            if asked is None or not asked.body["held"]:
                pending.append(feeder)
            elif devices.get(feeder, Device(feeder)).confirms("hold", asked.version):
                obeying.append(feeder)
            else:
                waited_ms = self._context.waiting_ms(max(asked.issued_ms, self._started_ms))
                (late if waited_ms >= CONFIRM_MS else pending).append(feeder)
        return concerns.Asked(obeying, pending, late)

    def _fed(self, tank: str, zone: str, now_ms: int) -> list[device_concerns.FedDays]:
        today = day_of(now_ms, zone)
        return [
            device_concerns.FedDays(
                day=date.fromisoformat(day.date),
                budget_g=day.budget_g,
                dispensed_g=day.dispensed_g,
                sd_g=day.dispensed_sd_g or 0.0,
                handfed_g=day.handfed_g,
                held_s=day.held_s,
                complete="today" not in day.flags and not self._is_early(now_ms),
            )
            for day in self._days(tank, today - timedelta(days=LOOK_BACK_DAYS), today)
        ]

    # -- devices -----------------------------------------------------------------------------------------------------

    def _of_feeder(self, tx: Connection, place: Place, known: Device, now_ms: int) -> list[Concern]:
        """What a feeder's doses, its hopper and its books say."""
        feeder = known.device
        since_ms = now_ms - LOOK_BACK_DAYS * DAY_MS
        entries = ledger.standing(tx, "", [(feeder, since_ms, None)], ["dose", "gap"], since_ms)
        doses = [repository.dose(entry) for entry in entries]
        plan = device_store.issued(tx).get((feeder, "plan"))
        unanswered = self._unanswered(doses, plan, known, now_ms) if plan is not None else []
        stops = ledger.newest(tx, "stop", device=feeder)
        handled_ms = stops[0].at_ms if stops else 0
        found = device_concerns.of_feeder(place, feeder, doses, unanswered, now_ms, handled_ms)
        unweighed_ms = self._unweighed_ms(tx, feeder)
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

    def _unweighed_ms(self, tx: Connection, feeder: str) -> int | None:
        """Since when a feeder has stopped for want of a weight; None where it has not, or has weighed since."""
        told = [e for e in ledger.newest(tx, "fault", device=feeder, limit=100) if e.body["code"] == UNWEIGHED]
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

    def _of_device(self, tx: Connection, place: Place, known: Device, kind: str, now_ms: int) -> list[Concern]:
        """Silence, another board, faults and messages that were not understood."""
        device, found = known.device, []
        stop = repository.open_stop(tx, device) if kind == "feeder" else None
        asked = device_store.issued(tx).get((device, "hold"))
        if stop is not None and asked is not None:
            # A minute to confirm its release is given to a feeder, as for every hold.
            waited_ms = self._context.waiting_ms(max(asked.issued_ms, self._started_ms))
            if asked.body["held"] or waited_ms >= CONFIRM_MS:
                found.append(device_concerns.of_stop(place, device, stop, bool(asked.body["held"])))
        if known.silence_noted and known.status_ms is not None:
            found.append(device_concerns.of_silence(place, device, kind, known.status_ms, now_ms))
        boards = [e for e in ledger.newest(tx, "device", device=device, limit=20) if e.body["event"] == "board"]
        if boards and now_ms - boards[0].at_ms < DAY_MS:
            text = f"board {boards[0].body['board']} after {boards[0].body['before']}"
            found.append(device_concerns.of_boards(place, device, boards[0].at_ms, text))
        reported = [
            (str(e.body["code"]), e.at_ms, str(e.body.get("detail") or ""))
            for e in ledger.newest(tx, "fault", device=device, limit=100)
            if now_ms - e.at_ms < DAY_MS
        ]
        found += device_concerns.of_faults(place, device, reported, now_ms)
        rejects = device_store.rejects_of(tx, device, now_ms - DAY_MS)
        if rejects:
            count, first_ms = sum(row.count for row in rejects), min(row.first_ms for row in rejects)
            found.append(device_concerns.of_rejects(place, device, count, first_ms, str(rejects[0].reason)))
        return found

    def _of_devices_elsewhere(self, now_ms: int) -> list[Concern]:
        """Feeders and probes that are on no tank."""
        register = self._context.register
        found: list[Concern] = []
        with self._context.store.read() as tx:
            devices = device_store.load(tx)
            for kind in ("feeder", "probe"):
                for name in register.refs(kind):
                    if (register.now(kind, name) or {}).get("tank") is None and name in devices:
                        place = Place(None, "No tank", "UTC")
                        found += self._of_device(tx, place, devices[name], kind, now_ms)
        return found
