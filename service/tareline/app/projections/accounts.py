"""How much was really fed, feeder by feeder: the estimator over the ledger, kept ready.

Pages and calls never wait for an estimate. A thread of the service calculates it after the ledger has changed; doses
that have come since count as the cell weighed them. Closed periods are stored, and calculated again only when somebody
looks at them.
"""

import operator
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.context import Context
from tareline.app.projections.projection import Projection
from tareline.core.feeding.books import Dispensed
from tareline.core.feeding.doses import Dose, total
from tareline.core.weighing.estimate import DoseEstimate, Estimate, Sums, estimate
from tareline.core.weighing.gain import NextGain, next_gain
from tareline.core.weighing.gross_errors import Finding
from tareline.core.weighing.history import Handling, History, Refill, WeighIn
from tareline.core.weighing.periods import ClosedPeriod, next_closing_ms, still_closed
from tareline.core.weighing.revision import Revision, changed_entries, revisions
from tareline.store import ledger, settled
from tareline.store.ledger import Entry, Stay

SPEAK = ("dose", "gap", "refill", "weighin", "loss", "hopper", "finding")
BY_PEOPLE = ("refill", "weighin", "loss", "hopper", "finding")
GAIN_G_PER_STEP = 0.001  # where no dose has stated the feeder's gain
PERIODS_KEPT = 16  # closed periods in memory that somebody has looked at
PERIODS_PASSED = 4  # of which only the doses are kept, for a caller that reads them once

Span = tuple[int, int]
Key = tuple[str, int, int]  # of a finding: kind, and the entries around it


@dataclass(frozen=True)
class Account:
    """One feeder's account as of a position of the ledger.

    closed: its closed periods, oldest first. found: the estimate of what came after them, None where nothing came.
    """

    feeder: str
    position: int
    closed: tuple[ClosedPeriod, ...]
    found: Estimate | None
    estimates: Mapping[int, DoseEstimate]

    @property
    def open_ms(self) -> int | None:
        """When the open period begins; None where everything is open."""
        return self.closed[-1].settled.at_ms if self.closed else None


@dataclass(frozen=True, slots=True)
class DispensedSpans:
    """The dispensed mass of K spans of a tank: sums with their joint covariance, every dose, and the findings.

    dosed: (K,) whether a span has doses. known: (K,) whether their mass is known. provisional: (K,) whether it may
    still change.
    """

    sums: Sums
    dosed: Sequence[bool]
    known: Sequence[bool]
    provisional: Sequence[bool]
    doses: Mapping[int, DoseEstimate]
    findings: Sequence[tuple[str, Finding]]

    def each(self, spans: Sequence[Span]) -> list[Dispensed]:
        """The dispensed mass of each single span, for the record of a day."""
        sds = self.sums.sd_g.tolist()
        return [
            Dispensed(
                mass_g if known else None if has_doses else 0.0,
                sd_g if known else None if has_doses else 0.0,
                provisional,
                any(finding.touches(*span) for _, finding in self.findings),
            )
            for span, mass_g, sd_g, known, has_doses, provisional in zip(
                spans, self.sums.mass_g.tolist(), sds, self.known, self.dosed, self.provisional, strict=True
            )
        ]


def finding_id(feeder: str, finding: Finding) -> str:
    """A finding's name in HTTP: feeder, kind and place."""
    kind, after, before = finding.key
    return f"{feeder}.{kind.replace(' ', '-')}.{after}.{before}"


class Accounts:
    """The accounts of every feeder. `compute` is called by one thread at a time; the rest by any."""

    def __init__(self, context: Context) -> None:
        self._context = context
        # An account is stale where its feeder's newest entry lies behind the position that it was calculated from.
        self._cache = Projection[str, int, Account](stale=operator.lt)
        self._position = 0
        self._newest: dict[str, int] = {}
        self._period = lru_cache(maxsize=PERIODS_KEPT)(self._estimate_period)
        self._doses = lru_cache(maxsize=PERIODS_PASSED)(self._period_doses)

    def account(self, feeder: str) -> Account | None:
        """The newest account there is; None before the first."""
        return self._cache.value(feeder)

    # -- calculating -------------------------------------------------------------------------------------------------

    def behind(self) -> list[str]:
        """Feeders with entries in the ledger that are newer than their account."""
        with self._context.store.read() as tx:
            for entry, device, _, _ in ledger.moved(tx, self._position, SPEAK):
                self._newest[str(device)] = max(entry, self._newest.get(str(device), 0))
            self._position = ledger.position(tx)
        feeders = sorted(self._context.register.refs("feeder"))
        return [feeder for feeder in feeders if self._cache.is_stale(feeder, self._newest.get(feeder, 0))]

    def compute(self, feeder: str) -> list[Revision]:
        """Calculate a feeder's account; returns what that changed in the past because of what people entered."""
        now_ms = self._context.stamp_ms()
        before = self.account(feeder)
        with self._context.store.read() as tx:
            kept = settled.load(tx, feeder)
            closed = self._standing(tx, feeder, kept)
            position = ledger.position(tx)
            history, dismissed = self._history(tx, feeder, closed[-1].settled.at_ms if closed else None)
        first_ms = min((event.at_ms for event in _events(history)), default=None)
        while first_ms is not None:
            begin_ms = closed[-1].settled.at_ms if closed else first_ms
            end_ms = next_closing_ms(begin_ms, now_ms, history.weighins)
            if end_ms is None or not _events(history.between(None, end_ms)):
                break
            state = closed[-1].settled if closed else None
            closed.append(ClosedPeriod(estimate(history, end_ms, state, dismissed).settle(), position))
            history = history.between(end_ms)
        if [(c.settled.at_ms, c.position) for c in closed] != [(c.settled.at_ms, c.position) for c in kept]:
            with self._context.write() as tx:
                settled.replace(tx, feeder, closed)
            self._period.cache_clear()
            self._doses.cache_clear()
        account = self._open(feeder, position, closed, history, dismissed, now_ms)
        self._cache.put(feeder, position, account)
        return [] if before is None else self._revised(before, account)

    def _standing(self, tx: Connection, feeder: str, kept: Sequence[ClosedPeriod]) -> list[ClosedPeriod]:
        """The closed periods about which no later entry says anything."""
        if not kept:
            return []
        moved = ledger.moved(tx, min(c.position for c in kept), SPEAK)
        own = [(entry, at_ms) for entry, device, _, at_ms in moved if device == feeder]
        found: list[ClosedPeriod] = []
        for closed in kept:
            since = [at_ms for entry, at_ms in own if entry > closed.position]
            if len(still_closed([closed], since)) == 0:
                break
            found.append(closed)
        return found

    def _open(
        self,
        feeder: str,
        position: int,
        closed: Sequence[ClosedPeriod],
        history: History,
        dismissed: set[Key],
        now_ms: int,
    ) -> Account:
        found = None
        if _events(history):
            found = estimate(history, now_ms, closed[-1].settled if closed else None, dismissed)
        doses = {dose.entry: dose for dose in found.doses} if found is not None else {}
        return Account(feeder, position, tuple(closed), found, doses)

    def _history(
        self, tx: Connection, feeder: str, after_ms: int | None, until_ms: int | None = None
    ) -> tuple[History, set[Key]]:
        """A feeder's events in (after, until], and the keys of the findings that were dismissed."""
        start_ms = None if after_ms is None else after_ms + 1
        end_ms = None if until_ms is None else until_ms + 1
        entries = ledger.standing(tx, "", [(feeder, start_ms or 0, None)], SPEAK, start_ms, end_ms)
        doses = repository.sized(tx, self._context, [repository.dose(e) for e in entries if e.kind in ("dose", "gap")])
        weighins = [
            WeighIn(e.id, e.at_ms, e.body["mass_g"], e.body.get("sd_g")) for e in entries if e.kind == "weighin"
        ]
        dismissals = ledger.standing(tx, "", [(feeder, 0, None)], ["finding"])
        dismissed = {_key(e) for e in dismissals if e.body["decision"] == "dismiss"}
        food = self._food(feeder)
        history = History(
            gain_g_per_step=self._first_gain(tx, feeder),
            doses=doses,
            weighins=weighins,
            refills=self._refills(feeder, entries),
            handlings=[Handling(e.id, e.at_ms) for e in entries if e.kind == "hopper"],
            particle_g=food["particle_mg"] / 1000 if food.get("particle_mg") else None,
            elsewhere={w.entry: self._elsewhere(feeder, w.at_ms) for w in weighins},
        )
        return history, dismissed

    def _refills(self, feeder: str, entries: Sequence[Entry]) -> list[Refill]:
        """Refills, and losses as negative ones."""
        found = []
        for e in entries:
            body = e.body
            if e.kind == "loss":
                found.append(Refill(e.id, e.at_ms, -body["mass_g"], body.get("sd_g")))
            elif e.kind == "refill":
                added = body["added_g"] if body.get("added_g") is not None else body["after_g"] - body["before_g"]
                before = self._context.register.at("feeder", feeder, e.at_ms - 1) or {}
                other = body.get("food") is not None and body["food"] != before.get("food")
                found.append(Refill(e.id, e.at_ms, added, body.get("sd_g"), other))
        return found

    def _food(self, feeder: str) -> dict[str, Any]:
        food = (self._context.register.now("feeder", feeder) or {}).get("food")
        return self._context.register.now("food", food) or {} if food is not None else {}

    def _first_gain(self, tx: Connection, feeder: str) -> float:
        """The gain with which a feeder's first doses were calculated: it stays, whatever the feeder is told later."""
        for entry in ledger.first_doses(tx, feeder):
            body = entry.body
            if body.get("outcome") == "ok" and body.get("steps") and body.get("target_g"):
                return float(body["target_g"]) / int(body["steps"])
        return GAIN_G_PER_STEP

    def _elsewhere(self, feeder: str, at_ms: int) -> list[tuple[str, float, float]]:
        """What the hoppers of other feeders held at an instant, where that lies in their open periods."""
        others = [account for name, account in self._cache.values().items() if name != feeder]
        return [
            (account.feeder, *account.found.content_at(at_ms))
            for account in others
            if account.found is not None and at_ms > (account.open_ms or 0)
        ]

    def _estimate_period(self, feeder: str, number: int, end_ms: int, position: int) -> Estimate | None:
        """The estimate of a closed period, calculated again for somebody who looks at it."""
        with self._context.store.read() as tx:
            kept = settled.load(tx, feeder)
            if len(kept) <= number or (kept[number].settled.at_ms, kept[number].position) != (end_ms, position):
                return None
            state = kept[number - 1].settled if number else None
            history, dismissed = self._history(tx, feeder, state.at_ms if state else None, end_ms)
        return estimate(history, end_ms, state, dismissed)

    # -- results -----------------------------------------------------------------------------------------------------

    def parts(self, account: Account, start_ms: int, end_ms: int) -> list[Estimate]:
        """The estimates that cover [start, end) of a feeder's time."""
        found = []
        began_ms = -(2**62)
        for number, closed in enumerate(account.closed):
            if began_ms < end_ms and closed.settled.at_ms >= start_ms:
                part = self._period(account.feeder, number, closed.settled.at_ms, closed.position)
                if part is not None:
                    found.append(part)
            began_ms = closed.settled.at_ms
        if account.found is not None and began_ms < end_ms:
            found.append(account.found)
        return found

    def doses(self, account: Account, start_ms: int, end_ms: int) -> list[DoseEstimate]:
        """What is told of the doses in the periods that reach into [start, end), one period after the other."""
        found: list[DoseEstimate] = []
        began_ms = -(2**62)
        for number, closed in enumerate(account.closed):
            if began_ms < end_ms and closed.settled.at_ms >= start_ms:
                found += self._doses(account.feeder, number, closed.settled.at_ms, closed.position)
            began_ms = closed.settled.at_ms
        if account.found is not None and began_ms < end_ms:
            found += account.found.doses
        return found

    def _period_doses(self, feeder: str, number: int, end_ms: int, position: int) -> tuple[DoseEstimate, ...]:
        part = self._estimate_period(feeder, number, end_ms, position)
        return part.doses if part is not None else ()

    def told(self, stays: Sequence[Stay], spans: Sequence[Span], doses: Sequence[Dose], now_ms: int) -> DispensedSpans:
        """What left the hoppers of a tank in some spans; stays: which feeder was there when.

        Feeders are independent of each other. doses: of the tank, in those spans.
        """
        size = len(spans)
        mass, cov = np.zeros(size), np.zeros((size, size))
        dosed, known, provisional = [False] * size, [False] * size, [end_ms > now_ms for _, end_ms in spans]
        estimates: dict[int, DoseEstimate] = {}
        findings: list[tuple[str, Finding]] = []
        start_ms, end_ms = (spans[0][0], spans[-1][1]) if spans else (0, 0)
        for feeder in sorted({stay[0] for stay in stays}):
            account = self.account(feeder)
            for part in self.parts(account, start_ms, end_ms) if account is not None else []:
                estimates |= {dose.entry: dose for dose in part.doses}
                findings += [(feeder, one) for one in part.findings if one.touches(start_ms, end_ms)]
                for _, since_ms, until_ms in [stay for stay in stays if stay[0] == feeder]:
                    until = 2**62 if until_ms is None else until_ms
                    clipped = [(max(a, since_ms), max(a, since_ms, min(b, until))) for a, b in spans]
                    sums = part.sums(clipped)
                    mass, cov = mass + sums.mass_g, cov + sums.cov
                for k, (a, b) in enumerate(spans):
                    has = any(a <= dose.at_ms < b for dose in part.doses)
                    known[k] = known[k] or has
                    provisional[k] = provisional[k] or (has and part.provisional(a, min(b, now_ms)))
        for k, (a, b) in enumerate(spans):
            own = [dose for dose in doses if a <= dose.at_ms < b and dose.moved]
            newer = total(dose for dose in own if dose.entry not in estimates)
            dosed[k] = bool(own)
            known[k] = known[k] or newer.weighed > 0
            provisional[k] = provisional[k] or newer.weighed + newer.unweighed > 0
            mass[k] += newer.mass_g
            cov[k, k] += newer.sd_g**2
        return DispensedSpans(Sums(mass, cov), dosed, known, provisional, estimates, _strongest_first(findings))

    def find(self, name: str) -> tuple[str, Finding] | None:
        """A finding by its name, with its feeder; None where there is none (any more)."""
        feeder, _, place = name.partition(".")
        account = self.account(feeder)
        number = place.rpartition(".")[2]
        if account is None or not number.isdecimal():
            return None
        with self._context.store.read() as tx:
            near = ledger.get(tx, int(number))
        parts = [account.found] if near is None else self.parts(account, near.at_ms, near.at_ms + 1)
        for part in parts:
            for finding in part.findings if part is not None else ():
                if finding_id(feeder, finding) == name:
                    return feeder, finding
        return None

    def open_findings(self, tank: str) -> int:
        """The number of findings on which nobody has decided, in the open periods of the feeders on a tank."""
        accounts = [self.account(feeder) for feeder in self._context.register.devices_of("feeder", tank)]
        return sum(len(account.found.findings) for account in accounts if account is not None and account.found)

    def gain(self, feeder: str, in_force_g_per_step: float) -> NextGain | None:
        """The gain that the next plan should use where the present one has held for a day; None without an account."""
        account = self.account(feeder)
        if account is None or account.found is None:
            return None
        calibrated = account.found.chain.history.gain_g_per_step
        return next_gain(account.found, in_force_g_per_step, in_force_g_per_step, calibrated)

    def _revised(self, before: Account, after: Account) -> list[Revision]:
        """Past days that entries of people have changed."""
        if before.found is None or after.found is None or before.open_ms != after.open_ms:
            return []
        changed = changed_entries(before.found.chain.history, after.found.chain.history)
        with self._context.store.read() as tx:
            entries = [ledger.get(tx, number) for number in changed]
        by_people = tuple(e.id for e in entries if e is not None and e.kind in BY_PEOPLE)
        if not by_people:
            return []
        tank = self._context.tank_of(after.feeder, self._context.stamp_ms())
        spans = repository.local_days(self._context, tank, *(int(before.found.chain.at_ms[i]) for i in (0, -1)))
        return revisions(spans, before.found.sums(spans), after.found.sums(spans), by_people)


def _events(history: History) -> list[Any]:
    moved = [dose for dose in history.doses if dose.moved and dose.count > 0]
    return [*moved, *history.weighins]


def _key(entry: Entry) -> Key:
    kind, after, before = entry.body["key"]
    return str(kind), int(after), int(before)


def _strongest_first(findings: Sequence[tuple[str, Finding]]) -> list[tuple[str, Finding]]:
    return sorted(findings, key=lambda one: -(one[1].deviations or 0.0))
