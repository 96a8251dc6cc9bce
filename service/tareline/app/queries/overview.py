"""What is shown: pages and the HTTP API ask the same functions, which read the ledger and let the core compute."""

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
from tareline.app.queries.hopper import advice_view, hopper_view
from tareline.app.queries.water import WaterQueries
from tareline.core.calendar import day_end_ms, day_of, day_start_ms, days_between, week_of
from tareline.core.feeding.books import DayBook, Span, day_book, joined_spans, week_totals
from tareline.core.feeding.doses import Dose
from tareline.core.feeding.plan import largest_meal_g
from tareline.core.feeding.ration import ration_on
from tareline.core.safety.hold import CONFIRM_MS
from tareline.core.safety.lines import with_samples
from tareline.core.weighing.estimate import DoseEstimate
from tareline.errors import FieldError
from tareline.mqtt.journals import Track
from tareline.store import devices as device_store
from tareline.store import ledger, series
from tareline.store.devices import Device
from tareline.store.ledger import Entry

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
        now_ms = self._context.stamp_ms()
        found = []
        with self._context.store.read() as tx:
            for tank in self._context.register.refs("tank"):
                today = day_of(now_ms, self._context.zone(tank))
                (book,), told = self._books(tx, tank, today, today, now_ms)
                found.append(
                    {
                        "tank": self._tank(tank),
                        "hold": self._hold(tx, tank, now_ms),
                        "today": self._day(tank, book, told),
                        "water": self._waters.newest(tx, tank, now_ms),
                        "hoppers": self._hoppers(tx, tank),
                        "next_meal": self._next_meal(tx, tank, now_ms),
                        "due": self._due(tx, tank, now_ms),
                        "absence": absence_view(tx, self._context, tank),
                    }
                )
        return found

    def due(self, tank: str) -> list[dict[str, Any]]:
        """What is due of a tank, the most pressing first."""
        self._context.need("tank", tank)
        with self._context.store.read() as tx:
            return self._due(tx, tank, self._context.stamp_ms())

    def _due(self, tx: Connection, tank: str, now_ms: int) -> list[dict[str, Any]]:
        return [due_view(one, self._context.zone(tank), now_ms) for one in self._due_list.of(tx, tank)]

    def _next_meal(self, tx: Connection, tank: str, now_ms: int) -> dict[str, Any] | None:
        told = device_store.issued(tx)
        coming = []
        for feeder in self._context.register.devices_of("feeder", tank):
            plan = told.get((feeder, "plan"))
            meals = plan.body["meals"] if plan is not None else []
            coming += [(meal["at_ms"], feeder, meal["target_g"]) for meal in meals if meal["at_ms"] > now_ms]
        if not coming:
            return None
        at_ms, feeder, target_g = min(coming)
        return {"at": stated(at_ms, self._context.zone(tank)), "feeder": feeder, "target_g": target_g}

    # -- days and weeks ----------------------------------------------------------------------------------------------

    def days(self, tank: str, start: date, end: date) -> list[dict[str, Any]]:
        """The books of some local days, both ends included."""
        self._context.need("tank", tank)
        check_period(start, end)
        with self._context.store.read() as tx:
            books, told = self._books(tx, tank, start, end, self._context.stamp_ms())
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
            books, told = self._books(tx, tank, first, last, now_ms)
            state = repository.hold_state(tx, tank, start_ms)
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

    def _books(self, tx: Connection, tank: str, first: date, last: date, now_ms: int) -> tuple[list[DayBook], Told]:
        """The books of some days, and what is told of each of them together."""
        zone = self._context.zone(tank)
        days = list(days_between(first, last))
        spans = [(day_start_ms(day, zone), day_end_ms(day, zone)) for day in days]
        rations = repository.rations(tx, tank, zone, spans[0][0])
        doses, handfeeds = repository.fed(tx, self._context, tank, spans[0][0], spans[-1][1])
        losses = repository.losses(tx, self._context, tank, spans[0][0], spans[-1][1])
        state = repository.hold_state(tx, tank, spans[0][0])
        held = joined_spans([Span(p.from_ms, p.to_ms) for p in state.periods if p.reason.do == "hold"])
        told = self._accounts.told(self._context.register.stays("feeder", tank), spans, doses, now_ms)
        books = []
        for day, one in zip(days, told.each(spans), strict=True):
            ration = ration_on(day, zone, rations)
            carries = ration is not None and ration.carry_over > 0
            carried_g = repository.carried_over_g(tx, self._context, tank, zone, day) if carries else 0.0
            unknown_g = largest_meal_g(ration)
            start_ms, end_ms = day_start_ms(day, zone), day_end_ms(day, zone)
            lost_g = sum(grams for at_ms, _, grams in losses if start_ms <= at_ms < end_ms)
            books.append(
                day_book(day, zone, rations, doses, handfeeds, held, unknown_g, one, carried_g, now_ms, lost_g)
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
            (book,), _ = self._books(tx, tank, today, today, now_ms)
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
            return self._hold(tx, tank, self._context.stamp_ms())

    def _hold(self, tx: Connection, tank: str, now_ms: int) -> dict[str, Any]:
        zone = self._context.zone(tank)
        state = repository.hold_state(tx, tank)
        known = with_samples(repository.water(tx, self._context, tank, now_ms), self._samples.of(tank).recent)
        told, devices = device_store.issued(tx), device_store.load(tx)
        feeders = []
        for feeder in self._context.register.devices_of("feeder", tank):
            asked, device = told.get((feeder, "hold")), devices.get(feeder, Device(feeder))
            confirmed = asked is not None and device.confirms("hold", asked.version)
            overdue = asked is not None and not confirmed and self._context.waiting_ms(asked.issued_ms) >= CONFIRM_MS
            stopped = stop_view(repository.open_stop(tx, feeder), state.held, asked, zone)
            feeders.append(
                {
                    "feeder": feeder,
                    "online": bool(device.online),
                    "confirmed": confirmed,
                    "asked_at": None if asked is None else stated(asked.issued_ms, zone),
                    "overdue": overdue,
                    "hung": repository.is_hung(tx, feeder),
                    "stopped": stopped,
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
                    "needs": r.needs(known.get(r.analyte or "")),
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

    def _hoppers(self, tx: Connection, tank: str) -> list[dict[str, Any]]:
        zone = self._context.zone(tank)
        devices, told = device_store.load(tx), device_store.issued(tx)
        found = []
        for feeder in self._context.register.devices_of("feeder", tank):
            plan = told.get((feeder, "plan"))
            weighed = ledger.newest(tx, "weighin", device=feeder)
            shown = hopper_view(self._accounts.account(feeder), None if plan is None else plan.body, zone)
            as_of_ms: int | None = self._context.stamp_ms()
            by: str | None = "account"
            if shown["content_g"] is None:
                shown["content_g"], shown["content_sd_g"], as_of_ms, by = self._weighed(tx, feeder)
            online = devices[feeder].online if feeder in devices else None
            last = weighed[0] if weighed else None
            found.append(
                {
                    "feeder": feeder,
                    "food": (self._context.register.now("feeder", feeder) or {}).get("food"),
                    "as_of": None if as_of_ms is None else stated(as_of_ms, zone),
                    "by": by,
                    "online": online,
                    "last_weighin": None
                    if last is None
                    else {"at": stated(last.at_ms, zone), "mass_g": last.body["mass_g"], "sd_g": last.body["sd_g"]},
                    **shown,
                }
            )
        return found

    def _weighed(self, tx: Connection, feeder: str) -> tuple[float | None, float | None, int | None, str | None]:
        """What is in the hopper by the newest of: the cell, a weigh-in, a refill's own weight."""
        found: list[tuple[int, float, float | None, str]] = []
        for entry in ledger.newest(tx, "dose", device=feeder, limit=20):
            body = entry.body
            if body.get("after_g") is not None:
                found.append((entry.at_ms, body["after_g"], body.get("sd_g"), "cell"))
                break
        cell = series.newest(tx, feeder, "hopper")
        if cell is not None:
            sd = series.newest(tx, feeder, "hopper_sd")
            found.append((cell[1], cell[0], None if sd is None else sd[0], "cell"))
        for entry in ledger.newest(tx, "weighin", device=feeder):
            found.append((entry.at_ms, entry.body["mass_g"], entry.body["sd_g"], "weigh-in"))
        for entry in ledger.newest(tx, "refill", device=feeder):
            if entry.body.get("after_g") is not None:
                found.append((entry.at_ms, entry.body["after_g"], None, "refill"))
        if not found:
            return None, None, None, None
        at_ms, content_g, sd_g, by = max(found, key=lambda one: one[0])
        return content_g, sd_g, at_ms, by

    def _content_g(self, tx: Connection, feeder: str, zone: str) -> float | None:
        """What is in a hopper by its account; before there is one, by what was weighed last."""
        content_g: float | None = hopper_view(self._accounts.account(feeder), None, zone)["content_g"]
        return content_g if content_g is not None else self._weighed(tx, feeder)[0]

    def devices(self) -> list[dict[str, Any]]:
        """Every registered device and what it last said."""
        register = self._context.register
        found = []
        with self._context.store.read() as tx:
            known, told = device_store.load(tx), device_store.issued(tx)
            received = device_store.load_journals(tx)
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
                    stop = repository.open_stop(tx, name) if kind == "feeder" else None
                    held = tank is None or repository.hold_state(tx, tank).held
                    stopped = stop_view(stop, held, told.get((name, "hold")), zone)
                    advice = None
                    if kind == "feeder" and tank is not None:
                        plan = told.get((name, "plan"))
                        body = None if plan is None else plan.body
                        advice = advice_view(tx, self._context, name, tank, self._content_g(tx, name, zone), body)
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
