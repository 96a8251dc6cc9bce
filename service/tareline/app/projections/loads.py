"""The load of each tank and its limit: results of the model, kept ready.

Pages and calls never wait for a posterior. A thread of the service gathers a tank's record when the ledger has changed
and has it calculated by a process of its own; forecasts are asked of a second one, so that neither waits for the other.
The same record gives the same answer, so nothing of this is stored on disk.
"""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.app.projections.load_record import GatheredRecord, LoadRecords, RecordBasis
from tareline.app.projections.projection import Projection
from tareline.compute.answers import ForecastTold, LoadTold
from tareline.compute.process import Process, ProcessError
from tareline.core.load.forecast import Scenario
from tareline.core.load.guess import Guess, OtherTank
from tareline.core.load.limit import DWELL_D, SAFE_FRACTION
from tareline.core.safety.ramp import LoadKnowledge
from tareline.errors import FieldError
from tareline.store import ledger
from tareline.store.engine import StoreError

log = logging.getLogger(__name__)

MODULE = "tareline.compute.load"
WITHIN_S = 300.0  # a tank-year takes a second or two here; a small board may need twenty times as long
FORECAST_WITHIN_S = 20.0
AGAIN_S, SELDOM_S = 5.0, 600.0  # what could not be calculated is tried again that soon, then four times later each time
ANSWERS_KEPT = 32  # forecasts that pages ask for again and again
GRACE_S = 60.0  # an answer that is on its way is waited for

Terms = tuple[float, float]  # a ramp's dwell in days, and the share of the limit that is kept


@dataclass(frozen=True, slots=True)
class LoadAnswer:
    """The result for a tank: its record, the terms, the answer, and the posterior as bytes."""

    gathered: GatheredRecord
    terms: Terms
    told: LoadTold
    kept: bytes


@dataclass(frozen=True, slots=True)
class LoadState:
    """A tank's newest answer, None before the first and for an empty tank; and whether it includes everything that was
    entered."""

    answer: LoadAnswer | None
    fresh: bool


@dataclass(frozen=True, slots=True)
class LoadFailure:
    """Why a tank's load could not be calculated, since when, and how often in a row."""

    why: str
    since_ms: int
    times: int
    tried_s: float

    @property
    def pause_s(self) -> float:
        return float(min(SELDOM_S, AGAIN_S * 4 ** (self.times - 1)))


class Loads:
    """The loads of every tank. `compute` is called by one thread at a time; the rest by any."""

    def __init__(self, context: Context, accounts: Accounts) -> None:
        self._context = context
        self._load_records = LoadRecords(context, accounts)
        self._worker, self._asked = Process(MODULE), Process(MODULE)
        self._cache = Projection[str, tuple[RecordBasis, Terms], LoadAnswer | None]()
        self._trouble: dict[str, LoadFailure] = {}
        self._stale_s: dict[str, float] = {}
        self._answers: dict[tuple[str, str], tuple[LoadAnswer, ForecastTold]] = {}
        self._guesses: dict[tuple[float, float | None, tuple[OtherTank, ...]], list[Guess]] = {}

    def close(self) -> None:
        """End the processes, also amid a computation."""
        self._worker.close()
        self._asked.close()

    @property
    def pids(self) -> list[int]:
        """The processes that run now."""
        return [pid for worker in (self._worker, self._asked) if (pid := worker.pid) is not None]

    # -- calculating -------------------------------------------------------------------------------------------------

    def work(self) -> Mapping[str, Exception]:
        """Calculate the load of every tank that has new data. Returns unexpected failures."""
        failed: dict[str, Exception] = {}
        for tank in self._context.register.refs("tank"):
            try:
                news = self.compute(tank)
            except StoreError:
                raise
            except Exception as error:  # there is no forecast and no step of a ramp; feeding and holding continue
                log.exception("the load of %s could not be calculated", tank)
                failed[tank] = error
                continue
            if news:
                self._context.announce("load", tank)
        return failed

    def compute(self, tank: str) -> bool:
        """Calculate a tank's load where its data have changed; returns whether there is a new answer."""
        with self._context.store.read() as tx:
            mark, terms = self._load_records.mark(tx, tank), _terms(tx, tank)
            if not self._cache.is_stale(tank, (mark, terms)) and tank not in self._trouble:
                return False
            gathered = self._load_records.gather(tx, tank)
        before = self.known(tank)
        same = before is not None and (before.gathered, before.terms) == (gathered, terms)
        found: LoadAnswer | None = before if same else None
        if gathered is not None and not same:
            trouble = self._trouble.get(tank)
            now_s = self._context.clock.monotonic_s()
            if trouble is not None and now_s - trouble.tried_s < trouble.pause_s:
                return False
            try:
                told, kept = self._worker.ask("load", gathered.record, gathered.food, *terms, within_s=WITHIN_S)
            except ProcessError as error:
                self._note_trouble(tank, str(error), now_s)
                return False
            found = LoadAnswer(gathered, terms, told, kept)
        self._cache.put(tank, (mark, terms), found)
        self._trouble.pop(tank, None)
        return not same

    def _note_trouble(self, tank: str, why: str, now_s: float) -> None:
        log.error("the load of %s could not be calculated (%s); it is tried again in another process", tank, why)
        before = self._trouble.get(tank)
        since_ms = before.since_ms if before is not None else self._context.stamp_ms()
        self._trouble[tank] = LoadFailure(why, since_ms, (before.times if before is not None else 0) + 1, now_s)

    # -- results -----------------------------------------------------------------------------------------------------

    def known(self, tank: str) -> LoadAnswer | None:
        """The newest answer; None before the first, and of an empty tank."""
        return self._cache.value(tank)

    def trouble(self, tank: str) -> LoadFailure | None:
        """The present failure of a tank's load, if any."""
        return self._trouble.get(tank)

    def state(self, tank: str) -> LoadState:
        """The newest answer and whether that one is fresh, of the same moment: another may be kept at any time."""
        kept = self._cache.cached(tank)
        with self._context.store.read() as tx:
            mark = (self._load_records.mark(tx, tank), _terms(tx, tank))
        fresh = mark[0].complete and kept is not None and kept.basis == mark and tank not in self._trouble
        return LoadState(None if kept is None else kept.value, fresh)

    def on_its_way(self, tank: str, fresh: bool) -> bool:
        """Whether a newer answer may be expected within the minute. fresh: whether the newest one is."""
        if fresh:
            self._stale_s.pop(tank, None)
            return False
        now_s = self._context.clock.monotonic_s()
        return self.trouble(tank) is None and now_s - self._stale_s.setdefault(tank, now_s) < GRACE_S

    def knowledge(self, tank: str, rations: Sequence[float]) -> LoadKnowledge | None:
        """What a ramp must know about the rations to which it may lead."""
        state = self.state(tank)
        if state.answer is None:
            return None
        told, load = state.answer.told, state.answer.told.load
        speaks = load.diagnostics.speaks
        return LoadKnowledge(
            fresh=state.fresh,
            refuses=None if speaks else load.diagnostics.why,
            found=load.found,
            p5=load.p5_g,
            p50=load.p50_g,
            p95=load.p95_g,
            proven_g=load.proven.daily_g or None,
            in_balance=told.p_under(rations[0]) if speaks else 0.0,
            p_under={ration_g: told.p_under(ration_g) for ration_g in rations} if speaks else {},
        )

    def proven_g(self, tank: str) -> float | None:
        """The highest ration that is proven; None where none is."""
        known = self.known(tank)
        return (known.told.load.proven.daily_g or None) if known is not None else None

    def ahead(self, tank: str, known: LoadAnswer, what: Scenario) -> ForecastTold:
        """A forecast that begins from an answer of a tank. Raises FieldError where nothing can be said."""
        diagnostics = known.told.load.diagnostics
        if not diagnostics.speaks:
            raise FieldError("tank", f"nothing is forecast: {diagnostics.why}", 409)
        kept = self._answers.get((tank, repr(what)))
        if kept is not None and kept[0] is known:
            return kept[1]
        try:
            found: ForecastTold = self._asked.ask("ahead", known.kept, what, within_s=FORECAST_WITHIN_S)
        except ProcessError as error:
            log.error("a forecast of %s could not be calculated: %s", tank, error)
            raise FieldError("", f"the forecast could not be calculated ({error}); ask again", 503) from error
        if len(self._answers) >= ANSWERS_KEPT:
            self._answers.clear()
        self._answers[tank, repr(what)] = (known, found)
        return found

    def guesses(self, tank: str) -> list[Guess]:
        """First guesses of a limit that is not found, from the tanks whose limits are; always labelled as such."""
        others: list[OtherTank] = []
        for other in self._context.register.refs("tank"):
            known = self.known(other)
            if other != tank and known is not None and known.told.load.found:
                load, planted_cm2 = known.told.load, self._context.need("tank", other).get("planted_area_cm2")
                # All three are known where a limit is found.
                assert load.p5_g is not None
                assert load.p50_g is not None
                assert load.p95_g is not None
                others.append(OtherTank(known.gathered.record.volume_l, planted_cm2, load.p5_g, load.p50_g, load.p95_g))
        if not others:
            return []
        body = self._context.need("tank", tank)
        key = (float(body["volume_l"]), body.get("planted_area_cm2"), tuple(others))
        if key not in self._guesses:
            try:
                self._guesses = {key: self._asked.ask("guesses", *key[:2], others, within_s=FORECAST_WITHIN_S)}
            except ProcessError as error:
                log.error("a first guess for %s could not be calculated: %s", tank, error)
                return []
        return self._guesses.get(key, [])


def _terms(tx: Connection, tank: str) -> Terms:
    """Dwell and share as the newest ramp was set; the usual ones without one."""
    newest = ledger.newest(tx, "ramp", tank=tank, subject="set")
    if not newest:
        return DWELL_D, SAFE_FRACTION
    return float(newest[0].body["dwell_days"]), float(newest[0].body["fraction"])
