"""From ledger and accounts to the record of a tank that the load's model takes. Reads only.

What was fed comes from the feeders' accounts, dose by dose with its deviation, summed by local day; food given by hand
is added. Days of closed periods are kept in memory, since their accounts do not change until somebody enters something
about them.
"""

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.context import Context
from tareline.app.projections.accounts import BY_PEOPLE, Accounts
from tareline.app.projections.projection import Projection
from tareline.app.projections.weekly_solids import WeeklySolids
from tareline.core.calendar import day_end_ms, day_of, day_start_ms
from tareline.core.feeding.doses import Dose
from tareline.core.load.record import LOOK_BACK_DAYS, Change, DailyFeed, Food, Harvest, Record, RecordedReading
from tareline.core.units import to_canonical
from tareline.core.water.readings import Reading
from tareline.core.weighing.estimate import DoseEstimate
from tareline.store import ledger
from tareline.store.ledger import Entry, Stay

OF_THE_TANK = ("reading", "handfeed", "water-change", "top-up", "note")
WITNESSES = ("ammonia", "nitrite", "nitrate", "tds")
UPSETTING = ("plants", "filter", "medication")  # notes after which an earlier proven ration is no longer valid
UPSETTING_FIELDS = ("volume_l", "planted_area_cm2", "light_h_per_day")  # of a tank, which do the same when they change
# Dry foods state 30 to 55 % of crude protein (common practice, no source).
UNKNOWN_FOOD = Food("food of unknown protein", 42.0, 0.25)
HANDFED_SD = 0.2  # of a hand feed's mass where nobody stated its deviation (judgement: a pinch is no balance)
CHUNK_DAYS = 28
DETECTS = Record(volume_l=1.0, now=0.0).detects  # where no kit of the tank states a limit
QUARTER_DAYS = 90  # steps in which the model drops data older than two years

Key = tuple[int, str | None]  # a day since the record's start, and a food
Sum = tuple[float, float]  # grams and variance


@dataclass(frozen=True, slots=True)
class GatheredRecord:
    """A record, the index of the food to which grams refer, the local date of its day 0, and the instant of its
    `now`."""

    record: Record
    food: int
    day_0: date
    zone: str
    at_ms: int

    def date_of(self, day: float) -> date:
        """The local date in which a day of the record lies."""
        return self.day_0 + timedelta(days=math.floor(day))


@dataclass(frozen=True, slots=True)
class RecordBasis:
    """The data from which a record follows: while it is equal, the record is the same.

    told: for each feeder, the newest entry by people, the newest dose before today, and whether its account includes
    both. sampled: the number of samples that probes have sent for the last complete weeks.
    """

    register: object
    today: date
    newest: int
    told: tuple[tuple[str, int, int, bool], ...]
    sampled: int

    @property
    def complete(self) -> bool:
        """Whether the accounts include everything in the ledger."""
        return all(caught_up for *_, caught_up in self.told)


class LoadRecords:
    """The records of tanks. `gather` is called by one thread at a time; `mark` by any."""

    def __init__(self, context: Context, accounts: Accounts) -> None:
        self._context = context
        self._accounts = accounts
        self._probed = WeeklySolids(context)
        self._cache = Projection[tuple[str, int], object, dict[Key, Sum]]()

    def mark(self, tx: Connection, tank: str) -> RecordBasis:
        """The data from which a tank's record follows now.

        Doses of the current day are left out: their effect on the water shows by tomorrow.
        """
        register = self._context.register
        zone = self._context.zone(tank)
        today = day_of(self._context.stamp_ms(), zone)
        midnight_ms = day_start_ms(today, zone)
        told = []
        for feeder in sorted({stay[0] for stay in register.stays("feeder", tank)}):
            account = self._accounts.account(feeder)
            by_people = ledger.newest_id_of_device(tx, feeder, BY_PEOPLE)
            dosed = ledger.newest_id_of_device(tx, feeder, ("dose", "gap"), midnight_ms)
            position = account.position if account is not None else 0
            told.append((feeder, by_people, dosed, position >= max(by_people, dosed)))
        newest = ledger.newest_id(tx, tank, OF_THE_TANK)
        return RecordBasis(register, today, newest, tuple(told), self._probed.count(tx, tank))

    def gather(self, tx: Connection, tank: str) -> GatheredRecord | None:
        """The record of a tank as it is known now; None for an empty tank."""
        body = self._context.need("tank", tank)
        if body["stage"] == "empty":
            return None
        zone, now_ms = self._context.zone(tank), self._context.stamp_ms()
        today = day_of(now_ms, zone)
        reach_ms = day_start_ms(today - timedelta(days=int(LOOK_BACK_DAYS) + QUARTER_DAYS), zone)
        entries = [e for e in ledger.standing(tx, tank, (), OF_THE_TANK, reach_ms) if e.at_ms <= now_ms]
        begun_ms, new = self._begun(tx, tank, entries)
        days = Days(day_of(begun_ms, zone), zone)
        entries = [e for e in entries if e.at_ms >= day_start_ms(days.day_0, zone)]
        readings = self._readings(tank, entries)
        changes = self._changes(tank, entries, days)
        notes = [(days.at(e.at_ms), e.body) for e in entries if e.kind == "note"]
        harvests = tuple(Harvest(day, note.get("share")) for day, note in notes if note["kind"] == "harvest")
        upset = [day for day, note in notes if note["kind"] in UPSETTING] + self._refitted(tank, days)
        measured = tuple(_recorded(r, days) for r in readings if r.analyte in WITNESSES)
        last_ms = max([day_start_ms(today, zone), *(e.at_ms for e in entries if e.kind != "handfeed")])
        first = max(0, (days.of(today) - int(LOOK_BACK_DAYS)) // QUARTER_DAYS * QUARTER_DAYS)
        measured += self._by_probes(tx, tank, days, first, entries, readings)
        fed = self._fed(tx, tank, days, first, last_ms)
        for entry in entries:
            if entry.kind == "handfeed" and entry.at_ms <= last_ms:
                _add(fed, days.of(day_of(entry.at_ms, zone)), *self._by_hand(tank, entry))
        now = days.at(last_ms)
        _stretch_last(fed, now)
        foods, food, listed = self._foods(tank, fed)
        record = Record(
            volume_l=float(body["volume_l"]),
            now=now,
            new=new,
            ceiling_mg_per_l=float(body["nitrate_ceiling_mg_per_l"]),
            foods=foods,
            fed=listed,
            readings=measured,
            changes=changes,
            harvests=harvests,
            upset=tuple(sorted(upset)),
            detects=(_detects(readings, "ammonia", 0), _detects(readings, "nitrite", 1)),
        )
        return GatheredRecord(record, food, days.day_0, zone, last_ms)

    # -- when it began -----------------------------------------------------------------------------------------------

    def _begun(self, tx: Connection, tank: str, entries: Sequence[Entry]) -> tuple[int, bool]:
        """When the record begins, and whether the tank was filled then.

        A tank that was empty is new when it is filled; one that was entered without animals was new then. The age of a
        tank that had animals when it was entered is not known: its record begins with its first food, since what was
        fed before is not in the books.
        """
        versions = self._context.register.history("tank", tank)
        for before, after in reversed(list(pairwise(versions))):
            if before.body["stage"] == "empty":
                return after.at_ms, True
        new = versions[0].body["stage"] != "stocked"
        fed = [e.at_ms for e in entries if e.kind == "handfeed"]
        for feeder, since_ms, until_ms in self._context.register.stays("feeder", tank):
            doses = [since_ms] if since_ms else [dose.at_ms for dose in ledger.first_doses(tx, feeder)[:1]]
            fed += [at_ms for at_ms in doses if until_ms is None or at_ms < until_ms]
        if new:
            return min([versions[0].at_ms, *fed, *(e.at_ms for e in entries)]), True
        return min(fed or [e.at_ms for e in entries] or [versions[0].at_ms]), False

    def _refitted(self, tank: str, days: "Days") -> list[float]:
        """When volume, planted area or light changed; stating one of them for the first time is not a change."""
        versions = self._context.register.history("tank", tank)
        changed = set()
        for name in UPSETTING_FIELDS:
            told = [(v.at_ms, v.body[name]) for v in versions if v.body.get(name) is not None]
            changed |= {at_ms for (_, before), (at_ms, after) in pairwise(told) if after != before}
        return [day for day in map(days.at, changed) if day > 0]

    # -- the water ---------------------------------------------------------------------------------------------------

    def _readings(self, tank: str, entries: Iterable[Entry]) -> list[Reading]:
        factor = repository.tds_factor(self._context, tank)
        return [repository.reading(entry, factor) for entry in entries if entry.kind == "reading"]

    def _changes(self, tank: str, entries: Iterable[Entry], days: "Days") -> tuple[Change, ...]:
        """Water changes and top-ups with what their source water holds; a top-up of unknown volume is left out."""
        volume_l = float(self._context.need("tank", tank)["volume_l"])
        found = []
        for entry in entries:
            if entry.kind not in ("water-change", "top-up") or entry.body.get("volume_l") is None:
                continue
            source = self._context.register.at("water", entry.body.get("water") or "", entry.at_ms) or {}
            found.append(
                Change(
                    day=days.at(entry.at_ms),
                    volume_l=min(float(entry.body["volume_l"]), volume_l),
                    kind="change" if entry.kind == "water-change" else "topup",
                    **content(source),
                )
            )
        return tuple(found)

    def _by_probes(
        self, tx: Connection, tank: str, days: "Days", first: int, entries: Sequence[Entry], readings: list[Reading]
    ) -> tuple[RecordedReading, ...]:
        """The dissolved solids of each week by each probe, as values without a step.

        Of the last quarter and the part of the one before: older values of a cell show its drift since then rather than
        the water.
        """
        pens = [(r.at_ms, r.value) for r in readings if r.analyte == "tds" and not r.chart]
        topups, changes = ([e.at_ms for e in entries if e.kind == kind] for kind in ("top-up", "water-change"))
        today = days.of(day_of(self._context.stamp_ms(), days.zone))
        first = max(first, (today - QUARTER_DAYS) // QUARTER_DAYS * QUARTER_DAYS)
        weeks = self._probed.weeks(tx, tank, days.day_0 + timedelta(days=first), pens, topups, changes)
        return tuple(RecordedReading(days.at(at_ms), "tds", value, value, value, probe=True) for at_ms, value in weeks)

    # -- the food ----------------------------------------------------------------------------------------------------

    def _fed(self, tx: Connection, tank: str, days: "Days", first: int, last_ms: int) -> dict[Key, Sum]:
        """What feeders gave from day `first` up to an instant, by day and food."""
        stays = self._stays(tank)
        by_day: dict[Key, Sum] = {}
        last = days.of(day_of(last_ms, days.zone))
        for begin in range(first - first % CHUNK_DAYS, last + 1, CHUNK_DAYS):
            spans = [days.span(day) for day in range(begin, min(begin + CHUNK_DAYS, last + 1))]
            spans = [(start_ms, min(end_ms, last_ms)) for start_ms, end_ms in spans]
            settled = self._settled(stays, spans[0][0], spans[-1][1]) if len(spans) == CHUNK_DAYS else None
            if settled is None:
                by_day |= self._told(tx, tank, stays, begin, spans)
                continue
            if self._cache.is_stale((tank, begin), (days, settled)):
                self._cache.put((tank, begin), (days, settled), self._told(tx, tank, stays, begin, spans))
            by_day |= self._cache.value((tank, begin)) or {}
        return {key: value for key, value in by_day.items() if key[0] >= first}

    def _stays(self, tank: str) -> dict[str | None, list[Stay]]:
        """By food, which feeder was on the tank with it, and when."""
        found: dict[str | None, list[Stay]] = {}
        for feeder in self._context.register.refs("feeder"):
            versions = self._context.register.history("feeder", feeder)
            for i, version in enumerate(versions):
                if version.body.get("tank") == tank:
                    until_ms = versions[i + 1].at_ms if i + 1 < len(versions) else None
                    stay = (feeder, version.at_ms if i else 0, until_ms)
                    found.setdefault(version.body.get("food"), []).append(stay)
        return found

    def _settled(self, stays: dict[str | None, list[Stay]], start_ms: int, end_ms: int) -> object | None:
        """What the sums of a stretch follow from, where all of it lies in closed periods; None where some is open."""
        found = []
        for feeder in sorted({stay[0] for some in stays.values() for stay in some}):
            account = self._accounts.account(feeder)
            if account is None or account.open_ms is None or end_ms > account.open_ms:
                return None
            found += [(feeder, c.settled.at_ms, c.position) for c in account.closed if c.settled.at_ms >= start_ms]
        return (tuple(found), tuple((food, tuple(some)) for food, some in stays.items()))

    def _told(
        self, tx: Connection, tank: str, stays: dict[str | None, list[Stay]], begin: int, spans: list[tuple[int, int]]
    ) -> dict[Key, Sum]:
        """What was fed on some days, dose by dose as the accounts tell them, by food.

        Deviations of doses add in quadrature: what they have in common is far less than what a label leaves open.
        """
        start_ms, end_ms = spans[0][0], spans[-1][1]
        doses, _ = repository.fed(tx, self._context, tank, start_ms, end_ms)
        known: dict[int, DoseEstimate] = {}
        for feeder in sorted({dose.feeder for dose in doses}):
            account = self._accounts.account(feeder)
            told = self._accounts.doses(account, start_ms, end_ms) if account is not None else ()
            known |= {one.entry: one for one in told}
        starts = [span[0] for span in spans]
        found: dict[Key, Sum] = {}
        for food, some in stays.items():
            for dose in doses:
                if dose.moved and any(_within(dose, stay) for stay in some):
                    _add(found, begin + bisect_right(starts, dose.at_ms) - 1, food, *_mass(dose, known.get(dose.entry)))
        return {key: value for key, value in found.items() if value[0] > 0}

    def _by_hand(self, tank: str, entry: Entry) -> tuple[str | None, float, float]:
        """A hand feed's food, grams and variance; without a food of its own, it is the feeder's."""
        feed = repository.handfeed(entry)
        food = feed.food
        if food is None:
            feeders = self._context.register.devices_of("feeder", tank)
            food = (self._context.register.at("feeder", feeders[0], entry.at_ms) or {}).get("food") if feeders else None
        sd_g = feed.sd_g if feed.sd_g is not None else HANDFED_SD * feed.mass_g
        return food, feed.mass_g, sd_g**2

    def _foods(self, tank: str, fed: dict[Key, Sum]) -> tuple[tuple[Food, ...], int, tuple[DailyFeed, ...]]:
        """The foods in the order they were first fed, the index of the one that grams are of, and what was fed."""
        order = list(dict.fromkeys(food for _, food in sorted(fed, key=lambda key: (key[0], key[1] or ""))))
        feeders = self._context.register.devices_of("feeder", tank)
        present = {(self._context.register.now("feeder", feeder) or {}).get("food") for feeder in feeders} - {None}
        if present and not present & set(order):
            order.append(min(present, key=str))
        order = order or [None]
        listed = tuple(
            DailyFeed(day, mass_g, math.sqrt(variance), order.index(food))
            for (day, food), (mass_g, variance) in sorted(fed.items(), key=lambda one: (one[0][0], one[0][1] or ""))
        )
        usual = [i for i, food in enumerate(order) if food in present]
        last = max(listed, key=lambda one: one.day).food if listed else 0
        foods = tuple(food_of(self._context, food) for food in order)
        return foods, last if last in usual or not usual else usual[0], listed


@dataclass(frozen=True, slots=True)
class Days:
    """Local days counted from a date: day 0 is that date."""

    day_0: date
    zone: str

    def of(self, day: date) -> int:
        return (day - self.day_0).days

    def span(self, day: int) -> tuple[int, int]:
        local = self.day_0 + timedelta(days=day)
        return day_start_ms(local, self.zone), day_end_ms(local, self.zone)

    def at(self, at_ms: int) -> float:
        """An instant as whole days and the share of its own, which may have 23 or 25 hours."""
        day = self.of(day_of(at_ms, self.zone))
        start_ms, end_ms = self.span(day)
        return day + (at_ms - start_ms) / (end_ms - start_ms)


def food_of(context: Context, food: str | None) -> Food:
    """A food as the model takes it, by its id."""
    body: dict[str, Any] = (context.register.now("food", food) or {}) if food is not None else {}
    if body.get("protein_percent") is None:
        return UNKNOWN_FOOD
    return Food(str(body["name"]), float(body["protein_percent"]))


def content(source: dict[str, Any]) -> dict[str, Any]:
    """What a source water contains, as the model's water changes take it; what is not stated is left out."""
    found: dict[str, Any] = {}
    if source.get("nitrate_mg_per_l") is not None:
        found["nitrate_mg_n_per_l"] = to_canonical("nitrate", source["nitrate_mg_per_l"], "mg/L", "ion")
    if source.get("ammonia_mg_per_l") is not None:
        found["ammonia_mg_n_per_l"] = to_canonical("ammonia", source["ammonia_mg_per_l"], "mg/L", "ion")
    if source.get("tds_mg_per_l") is not None:
        found["tds_mg_per_l"] = float(source["tds_mg_per_l"])
    return found


def _recorded(r: Reading, days: Days) -> RecordedReading:
    return RecordedReading(days.at(r.at_ms), r.analyte, r.low, r.high, r.value, r.may_cross and r.detected)  # type: ignore[arg-type]


def _detects(readings: Sequence[Reading], analyte: str, which: int) -> float:
    """The least that a tank's kit shows, by the newest reading that saw nothing; the model's default where none did."""
    for r in sorted((r for r in readings if r.analyte == analyte), key=lambda r: -r.at_ms):
        if r.chart and not r.may_cross and r.above is not None:
            return r.above
        if not r.detected:
            return r.value
    return DETECTS[which]


def _within(dose: Dose, stay: Stay) -> bool:
    feeder, since_ms, until_ms = stay
    return dose.feeder == feeder and since_ms <= dose.at_ms and (until_ms is None or dose.at_ms < until_ms)


def _mass(dose: Dose, known: DoseEstimate | None) -> Sum:
    """A dose's grams and variance: as its account says, else what it tells by itself."""
    mass_g, sd_g = (known.mass_g, known.sd_g) if known is not None else dose.expected()
    return max(mass_g, 0.0), sd_g**2


def _add(fed: dict[Key, Sum], day: int, food: str | None, mass_g: float, variance: float) -> None:
    before_g, before = fed.get((day, food), (0.0, 0.0))
    fed[day, food] = (before_g + mass_g, before + variance)


def _stretch_last(fed: dict[Key, Sum], now: float) -> None:
    """Scale the food of an unfinished day to a whole day, because the model spreads a day's food evenly."""
    last, part = math.floor(now), now - math.floor(now)
    for key in [key for key in fed if key[0] == last]:
        mass_g, variance = fed.pop(key)
        if part > 0:
            fed[key] = (mass_g / part, variance / part**2)
