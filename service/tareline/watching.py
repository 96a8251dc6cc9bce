"""Looking after the tanks: what is not as it should be becomes an alert, and samples beyond their lines hold feeding.

The watcher's thread asks every part that knows something and lets the guard word it. What it finds follows from ledger,
series and clock alone, so that a service that was killed before it told anybody finds the same again.
"""

from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

from sqlalchemy import Connection

from tareline import facts, guarding, telling
from tareline.context import Context
from tareline.dues import Dues
from tareline.feeding.days import ONE_DAY, day_of
from tareline.feeding.hopper import hopper
from tareline.guard import concerns, troubles
from tareline.guard.alerts import Concern
from tareline.guard.concerns import DAY_MS, Place
from tareline.guard.lines import Known, crossings
from tareline.hoppers import daily_g
from tareline.notify.alerts import Alerts
from tareline.reconciling import Reconciling, finding_id
from tareline.sampling import Sampling
from tareline.store import devices as device_store
from tareline.store import ledger
from tareline.store.devices import Device, Issued
from tareline.trending import Trending
from tareline.units import CANONICAL

CONFIRM_MS = 60_000  # a hold that no feeder has confirmed by then is told
ANSWER_MS = 30 * 60_000  # a planned meal of which an online feeder has said nothing for so long is told (judgement)
LOOK_BACK_DAYS = 3


class Watching:
    """Finds what a person should know. `watch` is called by one thread at a time.

    days: the books of a tank between two dates, as pages show them. stages: what there is, for the sense of it.
    """

    def __init__(
        self,
        context: Context,
        reconciling: Reconciling,
        trending: Trending,
        sampling: Sampling,
        dues: Dues,
        alerts: Alerts,
        days: Callable[[str, date, date], list[dict[str, Any]]],
    ) -> None:
        self._context = context
        self._reconciling = reconciling
        self._trending = trending
        self._sampling = sampling
        self._dues = dues
        self._alerts = alerts
        self._days = days
        self._started_ms = context.stamp_ms()

    def watch(self) -> list[Issued]:
        """Look at everything once: enter what samples hold or restore, then the alerts; returns messages for feeders."""
        now_ms = self._context.stamp_ms()
        found: list[Concern] = []
        sent: list[Issued] = []
        for tank in self._context.register.refs("tank"):
            sent += self._judge_samples(tank, now_ms)
            found += self._of_tank(tank, now_ms)
        found += self._of_devices_elsewhere(now_ms)
        with self._context.write() as tx:
            self._alerts.record(tx, found, now_ms)
        return sent

    def _judge_samples(self, tank: str, now_ms: int) -> list[Issued]:
        """Enter what samples call for: a hold, a reduction, or the end of one."""
        sampled = self._sampling.compute(tank, now_ms)
        with self._context.in_order, self._context.write() as tx:
            _, made = guarding.judge(tx, self._context, tank, sampled)
            if not made:
                return []
            return telling.tell(tx, self._context, self._context.register.devices_of("feeder", tank))

    # -- one tank ----------------------------------------------------------------------------------------------------

    def _of_tank(self, tank: str, now_ms: int) -> list[Concern]:
        body = self._context.need("tank", tank)
        place = Place(tank, str(body["name"]), str(body["timezone"]))
        trends = self._trending.compute(tank, now_ms)
        found = [c for a, trend in trends.items() if (c := concerns.of_trend(place, a, trend)) is not None]
        with self._context.store.read() as tx:
            found += self._of_water(tx, place, tank, now_ms)
            late = concerns.of_due(place, self._dues.of(tx, tank, now_ms), now_ms)
            found += [late] if late is not None else []
            devices = device_store.load(tx)
            for feeder in self._context.register.devices_of("feeder", tank):
                known = devices.get(feeder, Device(feeder))
                found += self._of_device(tx, place, known, "feeder", now_ms)
                found += self._of_feeder(tx, place, known, now_ms)
            for probe in self._context.register.devices_of("probe", tank):
                found += self._of_device(tx, place, devices.get(probe, Device(probe)), "probe", now_ms)
        found += [troubles.of_ailment(place, probe, ailment) for probe, ailment in self._sampling.ailments(tank)]
        found += troubles.of_budget(place, self._fed(tank, place.zone, now_ms))
        return found

    def _of_water(self, tx: Connection, place: Place, tank: str, now_ms: int) -> list[Concern]:
        state = facts.hold_state(tx, tank)
        sampled = self._sampling.of(tank)
        known = facts.water(tx, self._context, tank, now_ms)
        found = facts.crossed(tx, self._context, tank, known, sampled)
        between = {a: text for a, k in known.items() if (text := _between(a, k)) is not None}
        return [
            *concerns.of_hold(place, state, known, self._unconfirmed(tx, tank), now_ms),
            *concerns.of_lines(place, found, between),
        ]

    def _unconfirmed(self, tx: Connection, tank: str) -> list[str]:
        """Feeders that were asked to hold over a minute ago and have not said that they do."""
        told, devices = device_store.issued(tx), device_store.load(tx)
        late = []
        for feeder in self._context.register.devices_of("feeder", tank):
            asked = told.get((feeder, "hold"))
            if asked is None or not asked.body["held"]:
                continue
            waited_ms = self._context.waiting_ms(max(asked.issued_ms, self._started_ms))
            if waited_ms >= CONFIRM_MS and not devices.get(feeder, Device(feeder)).confirms("hold", asked.version):
                late.append(feeder)
        return late

    def _fed(self, tank: str, zone: str, now_ms: int) -> list[troubles.Fed]:
        today = day_of(now_ms, zone)
        return [
            troubles.Fed(
                day=date.fromisoformat(day["date"]),
                budget_g=day["budget_g"],
                dispensed_g=day["dispensed_g"],
                sd_g=day["dispensed_sd_g"] or 0.0,
                handfed_g=day["handfed_g"],
                held_s=day["held_s"],
                complete="today" not in day["flags"],
            )
            for day in self._days(tank, today - timedelta(days=LOOK_BACK_DAYS), today)
        ]

    # -- devices -----------------------------------------------------------------------------------------------------

    def _of_feeder(self, tx: Connection, place: Place, known: Device, now_ms: int) -> list[Concern]:
        """What a feeder's doses, its hopper and its books say."""
        feeder = known.device
        since_ms = now_ms - LOOK_BACK_DAYS * DAY_MS
        entries = ledger.standing(tx, "", [(feeder, since_ms, None)], ["dose", "gap"], since_ms)
        doses = [facts.dose(entry) for entry in entries]
        plan = device_store.issued(tx).get((feeder, "plan"))
        unanswered = self._unanswered(doses, plan, known, now_ms) if plan is not None else []
        found = troubles.of_feeder(place, feeder, doses, unanswered, now_ms)
        account = self._reconciling.account(feeder)
        if account is not None and account.found is not None:
            left = hopper(account.found, daily_g(None if plan is None else plan.body))
            soon = troubles.of_hopper(place, feeder, left.days, left.days_low, left.content_g, now_ms)
            found += [soon] if soon is not None else []
            found += [troubles.of_finding(place, feeder, finding_id(feeder, f), f) for f in account.found.findings]
        return found

    def _unanswered(
        self, doses: Sequence[Any], plan: Issued, known: Device, now_ms: int
    ) -> list[tuple[str, int]]:
        """Meals of the newest plan that are past, of which a feeder that is online has sent no dose."""
        if not known.online or known.status_ms is None:
            return []
        came = {dose.meal for dose in doses}
        since_ms = max(plan.issued_ms, known.status_ms)
        return [
            (meal["id"], meal["at_ms"])
            for meal in plan.body["meals"]
            if since_ms < meal["at_ms"] < now_ms - ANSWER_MS and meal["id"] not in came
        ]

    def _of_device(self, tx: Connection, place: Place, known: Device, kind: str, now_ms: int) -> list[Concern]:
        """Silence, another board, faults and messages that were not understood."""
        device, found = known.device, []
        if known.silence_noted and known.status_ms is not None:
            found.append(troubles.of_silence(place, device, kind, known.status_ms, now_ms))
        boards = [e for e in ledger.newest(tx, "device", device=device, limit=20) if e.body["event"] == "board"]
        if boards and now_ms - boards[0].at_ms < DAY_MS:
            text = f"board {boards[0].body['board']} after {boards[0].body['before']}"
            found.append(troubles.of_boards(place, device, boards[0].at_ms, text))
        reported = [
            (str(e.body["code"]), e.at_ms, str(e.body.get("detail") or ""))
            for e in ledger.newest(tx, "fault", device=device, limit=100)
            if now_ms - e.at_ms < DAY_MS
        ]
        found += troubles.of_faults(place, device, reported, now_ms)
        rejects = [row for row in device_store.rejects_of(tx, device, now_ms - DAY_MS)]
        if rejects:
            count, first_ms = sum(row.count for row in rejects), min(row.first_ms for row in rejects)
            found.append(troubles.of_rejects(place, device, count, first_ms, str(rejects[0].reason)))
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


def _between(analyte: str, known: Known) -> str | None:
    """In words, between which values the water lies, in the canonical unit; None where a value stands for itself."""
    if known.low is None or known.low == known.high:
        return None
    scale = CANONICAL[analyte]
    unit = "" if scale.unit == "1" else f" {scale.unit}{f' as {scale.basis}' if scale.basis else ''}"
    if known.high is None:
        return f"the kit can only say that it holds at least {known.low:.2g}{unit}"
    return f"by this kit it lies between {known.low:.2g} and {known.high:.2g}{unit}"
