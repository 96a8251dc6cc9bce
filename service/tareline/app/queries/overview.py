"""What is shown: pages and the HTTP API ask the same functions, which read the ledger and let the core compute."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.commands.entries import stated
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts, Told
from tareline.app.projections.samples import Samples
from tareline.app.queries.absence import absence_view
from tareline.app.queries.answers import (
    check_period,
    corrected_view,
    device_view,
    drift_view,
    finding_view,
    hold_message,
    nothing_moves,
    sentence,
    stop_view,
    within_calendar,
)
from tareline.app.queries.due_list import DueList, due_view
from tareline.app.queries.hopper import WEIGHS, Weighed, advice_view, hopper_view, last_weighed
from tareline.app.queries.water import WaterQueries
from tareline.app.snapshot import FeederSnapshot, Snapshots, TankSnapshot
from tareline.core.calendar import day_end_ms, day_of, day_start_ms, days_between, week_of
from tareline.core.feeding.books import DayBook, Span, day_book, joined_spans, week_totals
from tareline.core.feeding.doses import Dose
from tareline.core.feeding.plan import largest_meal_g
from tareline.core.feeding.ration import ration_on
from tareline.core.safety.hold import CONFIRM_MS
from tareline.core.weighing.estimate import DoseEstimate
from tareline.errors import FieldError
from tareline.mqtt.journals import Track
from tareline.store import devices as device_store
from tareline.store import ledger, series
from tareline.store.devices import Device
from tareline.store.ledger import Asked, Entry

PAGE = 1000


class Views:
    """Everything that can be looked at. Each call is one snapshot of the store."""

    def __init__(
        self,
        context: Context,
        root: str,
        accounts: Accounts,
        samples: Samples,
        waters: WaterQueries,
        due_list: DueList,
    ) -> None:
        self._context = context
        self._root = root
        self._accounts = accounts
        self._samples = samples
        self._waters = waters
        self._due_list = due_list

    # -- tanks -------------------------------------------------------------------------------------------------------

    def tanks(self) -> list[dict[str, Any]]:
        """Every tank, in the order they were told of."""
        return [self._tank(tank) for tank in self._context.register.refs("tank")]

    def _tank(self, tank: str) -> dict[str, Any]:
        body = self._context.need("tank", tank)
        since = self._context.register.history("tank", tank)[0].at_ms
        return {**body, "id": tank, "since": stated(since, str(body["timezone"]))}

    def overview(self) -> list[dict[str, Any]]:
        """Every tank with what matters today."""
        with self._context.store.read() as tx:
            snapshots = self._snapshots(tx)
            tanks = [snapshots.of(tank) for tank in self._context.register.refs("tank")]
            weighed = self._weighed(tx, [feeder.name for tank in tanks for feeder in tank.feeders])
        return [self._shown(tank, weighed) for tank in tanks]

    def _shown(self, tank: TankSnapshot, weighed: Mapping[str, Weighed]) -> dict[str, Any]:
        (book,), told = self.books(tank, tank.today, tank.today)
        return {
            "tank": self._tank(tank.id),
            "hold": self._hold(tank),
            "today": self._day(tank.id, book, told),
            "water": self._waters.newest(tank),
            "hoppers": [self._hopper(tank, feeder, weighed[feeder.name]) for feeder in tank.feeders],
            "next_meal": _next_meal(tank),
            "due": self._due(tank),
            "absence": absence_view(tank),
        }

    def _snapshots(self, tx: Connection) -> Snapshots:
        return Snapshots(tx, self._context, self._samples)

    def due(self, tank: str) -> list[dict[str, Any]]:
        """What is due of a tank, the most pressing first."""
        with self._context.store.read() as tx:
            return self._due(self._snapshots(tx).of(tank))

    def _due(self, tank: TankSnapshot) -> list[dict[str, Any]]:
        return [due_view(one, tank.zone, tank.now_ms) for one in self._due_list.of(tank)]

    # -- days and weeks ----------------------------------------------------------------------------------------------

    def days(self, tank: str, start: date, end: date) -> list[dict[str, Any]]:
        """The books of some local days, both ends included."""
        self._context.need("tank", tank)
        check_period(start, end)
        with self._context.store.read() as tx:
            snapshot = self._snapshots(tx).of(tank, start, end)
        books, told = self.books(snapshot, start, end)
        return [self._day(tank, book, told) for book in books]

    def week(self, tank: str, day: date | None) -> dict[str, Any]:
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
            books, told = self.books(snapshot, first, last)
            state = snapshot.holds
            totals = week_totals(books, told.sums.joined(), now_ms)
            revised = self._revisions(tx, tank, start_ms, end_ms)
            readings = self._waters.readings(tx, tank, start_ms, end_ms)
            probes = self._waters.probes(tx, tank, start_ms, min(end_ms, now_ms))
        return {
            "tank": self._tank(tank),
            "start": first.isoformat(),
            "end": last.isoformat(),
            "days": [self._day(tank, book, told) for book in books],
            "totals": {
                "budget_g": totals.budget_g,
                "dispensed_g": totals.dispensed_g,
                "dispensed_sd_g": totals.dispensed_sd_g,
                "handfed_g": totals.handfed_g,
                "provisional": totals.provisional,
            },
            "findings": [finding_view(feeder, finding, zone) for feeder, finding in told.findings],
            "revisions": revised,
            "readings": readings,
            "probes": probes,
            "holds": [
                {
                    "from": stated(p.from_ms, zone),
                    "to": None if p.to_ms is None else stated(p.to_ms, zone),
                    "kind": p.reason.do,
                    "reduce_to": p.reason.reduce_to,
                    "text": p.reason.text,
                }
                for p in state.periods
                if p.from_ms < end_ms and (p.to_ms is None or p.to_ms > start_ms)
            ],
            "sentence": sentence(books, totals.budget_g, totals.dispensed_g, totals.dispensed_sd_g, now_ms),
        }

    def books(self, tank: TankSnapshot, first: date, last: date) -> tuple[list[DayBook], Told]:
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
            unknown_g = largest_meal_g(ration_on(day, zone, rations))
            carried_g = tank.carried_g(day)
            lost_g = sum(grams for at_ms, _, grams in fed.losses if start_ms <= at_ms < end_ms)
            books.append(
                day_book(day, zone, rations, fed.doses, fed.handfeeds, held, unknown_g, one, carried_g, now_ms, lost_g)
            )
        return books, told

    def _day(self, tank: str, book: DayBook, told: Told) -> dict[str, Any]:
        zone = self._context.zone(tank)
        return {
            "date": book.day.isoformat(),
            "start": stated(book.start_ms, zone),
            "end": stated(book.end_ms, zone),
            "budget_g": book.budget_g,
            "dispensed_g": book.dispensed_g,
            "dispensed_sd_g": book.dispensed_sd_g,
            "provisional": book.provisional,
            "handfed_g": book.handfed_g,
            "handfed_sd_g": book.handfed_sd_g,
            "remaining_g": book.remaining_g,
            "held_s": book.held_s,
            "flags": list(book.flags),
            "drift": drift_view(book.doses, told.doses),
            "doses": [self._dose(dose, zone, told.doses.get(dose.entry)) for dose in book.doses],
            "handfeeds": [
                {
                    "entry": h.entry,
                    "at": stated(h.at_ms, zone),
                    "mass_g": h.mass_g,
                    "sd_g": h.sd_g,
                    "by": h.by,
                    "food": h.food,
                }
                for h in book.handfeeds
            ],
        }

    def _revisions(self, tx: Connection, tank: str, start_ms: int, end_ms: int) -> list[dict[str, Any]]:
        """What later entries have changed in the days of [start, end), newest first."""
        zone = self._context.zone(tank)
        found = []
        for feeder in sorted({stay[0] for stay in self._context.register.stays("feeder", tank)}):
            for entry in ledger.newest(tx, "revision", device=feeder, limit=50):
                days = [day for day in entry.body["days"] if start_ms <= day["from_ms"] < end_ms]
                if days:
                    shown = [{**d, "date": day_of(d["from_ms"], zone).isoformat()} for d in days]
                    when = stated(entry.at_ms, zone)
                    found.append({"at": when, "feeder": feeder, "entries": entry.body["entries"], "days": shown})
        return sorted(found, key=lambda one: str(one["at"]), reverse=True)

    def _dose(self, dose: Dose, zone: str, found: DoseEstimate | None = None) -> dict[str, Any]:
        feeder = self._context.register.at("feeder", dose.feeder, dose.at_ms) or {}
        return {
            "entry": dose.entry,
            "at": stated(dose.at_ms, zone),
            "at_low": None if dose.at_low_ms is None else stated(dose.at_low_ms, zone),
            "at_high": None if dose.at_high_ms is None else stated(dose.at_high_ms, zone),
            "feeder": dose.feeder,
            "food": feeder.get("food"),
            "cause": dose.cause,
            "meal": dose.meal,
            "target_g": dose.target_g,
            "steps": dose.steps,
            "before_g": dose.before_g,
            "after_g": dose.after_g,
            "mass_g": dose.mass_g,
            "sd_g": dose.sd_g,
            "estimate_g": None if found is None else found.mass_g,
            "estimate_sd_g": None if found is None else found.sd_g,
            "temperature_c": dose.temperature_c,
            "outcome": dose.outcome,
            "journal": dose.journal,
            "seq": dose.seq,
            "count": dose.count,
        }

    def fed_today(self, tank: str) -> dict[str, Any]:
        """What was fed today, and by whom: to be seen before somebody feeds by hand."""
        self._context.need("tank", tank)
        zone = self._context.zone(tank)
        now_ms = self._context.stamp_ms()
        today = day_of(now_ms, zone)
        with self._context.store.read() as tx:
            snapshot = self._snapshots(tx).of(tank)
        (book,), _ = self.books(snapshot, today, today)
        fed = [
            {"at_ms": d.at_ms, "what": d.feeder, "mass_g": d.mass_g, "by": None, "cause": d.cause}
            for d in book.doses
            if d.moved
        ] + [{"at_ms": h.at_ms, "what": "hand", "mass_g": h.mass_g, "by": h.by, "cause": None} for h in book.handfeeds]
        fed.sort(key=lambda one: one["at_ms"])  # type: ignore[arg-type, return-value]
        return {
            "date": today.isoformat(),
            "budget_g": book.budget_g,
            "dispensed_g": book.dispensed_g,
            "handfed_g": book.handfed_g,
            "remaining_g": book.remaining_g,
            "by": [{"at": stated(one.pop("at_ms"), zone), **one} for one in fed],  # type: ignore[arg-type]
        }

    # -- hold --------------------------------------------------------------------------------------------------------

    def hold(self, tank: str) -> dict[str, Any]:
        """Whether feeding is paused or reduced, why, and whether the feeders have said so."""
        self._context.need("tank", tank)
        with self._context.store.read() as tx:
            snapshot = self._snapshots(tx).of(tank)
        return self._hold(snapshot)

    def _hold(self, tank: TankSnapshot) -> dict[str, Any]:
        zone, state = tank.zone, tank.holds
        feeders = []
        for feeder in tank.feeders:
            asked = feeder.hold
            confirmed = feeder.told is not None and feeder.told.confirmed
            overdue = asked is not None and not confirmed and self._context.waiting_ms(asked.issued_ms) >= CONFIRM_MS
            feeders.append(
                {
                    "feeder": feeder.name,
                    "online": bool(feeder.device.online),
                    "confirmed": confirmed,
                    "asked_at": None if asked is None else stated(asked.issued_ms, zone),
                    "overdue": overdue,
                    "hung": feeder.off_since_ms is None,
                    "stopped": stop_view(feeder.stop, state.held, asked, zone),
                }
            )
        return {
            "held": state.held,
            "nothing_moves": nothing_moves(state, feeders),
            "reduce_to": state.reduce_to,
            "since": None if state.since_ms is None else stated(state.since_ms, zone),
            "reasons": [
                {
                    "kind": r.kind,
                    "do": r.do,
                    "text": r.text,
                    "since": stated(r.since_ms, zone),
                    "needs": tank.needs(r),
                    "entry": r.entry,
                }
                for r in state.reasons
            ],
            # One that has stopped itself and is not known to go on confirms nothing but a hold.
            "confirmed_by_feeders": {
                str(f["feeder"]): bool(f["confirmed"]) and (state.held or f["stopped"] is None) for f in feeders
            },
            "feeders": feeders,
            "message": hold_message(state, feeders),
        }

    # -- hoppers and devices -----------------------------------------------------------------------------------------

    def _hopper(self, tank: TankSnapshot, feeder: FeederSnapshot, weighed: Weighed) -> dict[str, Any]:
        plan = None if feeder.plan is None else feeder.plan.body
        shown = hopper_view(self._accounts.account(feeder.name), plan, tank.zone)
        as_of_ms: int | None = tank.now_ms
        by: str | None = "account"
        if shown["content_g"] is None:
            shown["content_g"], shown["content_sd_g"] = weighed.content_g, weighed.sd_g
            as_of_ms, by = weighed.at_ms, weighed.by
        last = weighed.last_weighin
        return {
            "feeder": feeder.name,
            "food": (self._context.register.now("feeder", feeder.name) or {}).get("food"),
            "as_of": None if as_of_ms is None else stated(as_of_ms, tank.zone),
            "by": by,
            "online": feeder.device.online,
            "last_weighin": None
            if last is None
            else {"at": stated(last.at_ms, tank.zone), "mass_g": last.body["mass_g"], "sd_g": last.body["sd_g"]},
            **shown,
        }

    def _weighed(self, tx: Connection, feeders: Sequence[str]) -> dict[str, Weighed]:
        """What was weighed last in some feeders' hoppers."""
        asked = {(f, kind): Asked(kind, device=f, limit=n) for f in feeders for kind, n in WEIGHS.items()}
        newest = ledger.newest_of(tx, list(asked.values()))
        cells = series.newest_of(tx, feeders, ("hopper", "hopper_sd"))
        return {
            feeder: last_weighed(
                {kind: newest[asked[feeder, kind]] for kind in WEIGHS},
                cells.get((feeder, "hopper")),
                cells.get((feeder, "hopper_sd")),
            )
            for feeder in feeders
        }

    def _content_g(self, feeder: str, weighed: Weighed, zone: str) -> float | None:
        """What is in a hopper by its account; before there is one, by what was weighed last."""
        content_g: float | None = hopper_view(self._accounts.account(feeder), None, zone)["content_g"]
        return content_g if content_g is not None else weighed.content_g

    def devices(self) -> list[dict[str, Any]]:
        """Every registered device and what it last said."""
        register = self._context.register
        found = []
        with self._context.store.read() as tx:
            snapshots = self._snapshots(tx)
            known, told = snapshots.devices, snapshots.issued
            received = device_store.load_journals(tx)
            weighed = self._weighed(tx, register.refs("feeder"))
            for kind in ("feeder", "probe"):
                for name in register.refs(kind):
                    tank = (register.now(kind, name) or {}).get("tank")
                    zone = self._context.zone(tank) if tank is not None else "UTC"
                    device = known.get(name, Device(name))
                    hello = device.hello or {}
                    track = Track(
                        received.get((name, str(hello.get("journal"))), 0), set(), hello.get("journal_to") or 0
                    )
                    if hello.get("journal") is not None:
                        track.above = ledger.seqs_above(tx, name, hello["journal"], track.received)
                    stop = snapshots.feeder(name).stop if kind == "feeder" else None
                    held = tank is None or snapshots.of(tank).holds.held
                    stopped = stop_view(stop, held, told.get((name, "hold")), zone)
                    advice = None
                    if kind == "feeder" and tank is not None:
                        plan = told.get((name, "plan"))
                        body = None if plan is None else plan.body
                        content_g = self._content_g(name, weighed[name], zone)
                        advice = advice_view(self._context, name, snapshots.of(tank), content_g, body)
                    found.append(
                        {
                            **device_view(name, kind, tank, device, told, track, zone),
                            "stopped": stopped,
                            "hopper_advice": advice,
                        }
                    )
        return found

    # -- ledger and rejects ------------------------------------------------------------------------------------------

    def ledger(
        self, tank: str, start_ms: int | None, end_ms: int | None, kind: str | None, after: int | None
    ) -> list[dict[str, Any]]:
        """Entries as they were written, in order of time, each with what corrected it; at most 1000 at a time."""
        self._context.need("tank", tank)
        zone = self._context.zone(tank)
        with self._context.store.read() as tx:
            cursor = None
            if after is not None:
                last = ledger.get(tx, after)
                if last is None:
                    raise FieldError("after", f"expected an entry's number; there is no entry {after}")
                cursor = (last.at_ms, last.id)
            stays = self._context.register.stays("feeder", tank)
            entries = ledger.page(tx, tank, stays, kind, start_ms, end_ms, cursor, PAGE)
            corrections = ledger.corrections_of(tx, [e.root for e in entries])
        return [corrected_view(e, corrections.get(e.root, []), zone) for e in entries]

    def entry(self, entry: int) -> dict[str, Any]:
        """One entry, with its corrections; a dose also with the message as it came."""
        with self._context.store.read() as tx:
            found = ledger.get(tx, entry)
            if found is None:
                raise FieldError("entry", f"there is no entry {entry}", 404)
            corrections = ledger.corrections_of(tx, [found.root]).get(found.root, [])
            hello = device_store.load(tx).get(found.device or "", Device("")).hello
        tank = found.tank or self._context.tank_of(found.device or "", found.at_ms)
        zone = self._context.zone(tank) if tank is not None else "UTC"
        view = {
            **corrected_view(found, corrections, zone),
            "tank": tank,
            "message": None,
            "topic": None,
            "device": hello,
        }
        if found.kind in ("dose", "gap"):
            view.update(self._dose(repository.dose(found), zone, self._estimate(found)))
        if found.kind == "dose" and found.body.get("outcome") != "unknown":
            view.update(message=found.raw, topic=f"{self._root}/{found.device}/up/dose")
        return view

    def _estimate(self, dose: Entry) -> DoseEstimate | None:
        """What a dose gave by its feeder's account."""
        account = self._accounts.account(dose.device or "")
        parts = [] if account is None else self._accounts.parts(account, dose.at_ms, dose.at_ms + 1)
        return next((found for part in parts for found in part.doses if found.entry == dose.id), None)

    def rejects(self) -> list[dict[str, Any]]:
        """The newest messages that were not understood; at most 1000."""
        with self._context.store.read() as tx:
            rows = device_store.rejects(tx, PAGE)
        return [
            {
                "id": row.id,
                "first_at": stated(row.first_ms, "UTC"),
                "last_at": stated(row.last_ms, "UTC"),
                "count": row.count,
                "device": row.device,
                "topic": row.topic,
                "reason": row.reason,
                "payload": row.payload[:2000].decode("utf-8", "backslashreplace"),
                "size": row.size,
            }
            for row in rows
        ]


def _next_meal(tank: TankSnapshot) -> dict[str, Any] | None:
    """The next meal that any feeder of a tank is told of."""
    plans = [(feeder.name, feeder.plan.body["meals"]) for feeder in tank.feeders if feeder.plan is not None]
    coming = [(m["at_ms"], name, m["target_g"]) for name, meals in plans for m in meals if m["at_ms"] > tank.now_ms]
    if not coming:
        return None
    at_ms, feeder, target_g = min(coming)
    return {"at": stated(at_ms, tank.zone), "feeder": feeder, "target_g": target_g}
