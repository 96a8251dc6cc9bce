"""Tanks whose food is led up for a year: by the ramp on its posterior, and by the book, in the same water.

The book, common practice without a source: a fixed step every four weeks until nitrate is first seen, then no more.
Everybody begins without nitrate to be seen and with 0.01 g a day for 20 l, steps by 0.015 g, as keepers do (0.01 to
0.02 g a month, common practice, no source), and measures ammonia, nitrite and nitrate once a week on invented charts,
nitrate twice where the ramp asks for it. A hold by the default lines on ammonia is kept until a reading is clear. The
ramp dwells for two weeks. Nobody changes water, but for the half that a hostile tank's keeper changes once and does not
write down.
"""

import math
import multiprocessing
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from tanks import CHARTS, FULL, Keeper, Tanks, draw
from week_by_week import later

from tareline.core.load.limit import LEAST_EFFECTIVE, Limits, Load, limits, load
from tareline.core.load.posterior import Posterior, posterior
from tareline.core.load.record import Record, RecordedReading
from tareline.core.safety.lines import Line, default_lines
from tareline.core.safety.ramp import (
    ENDED,
    Decision,
    LoadKnowledge,
    NewestReading,
    Ramp,
    TankState,
    decide,
    rations_to_judge,
    readings_due,
)
from tareline.core.trends import trend
from tareline.core.trends.slopes import Observation
from tareline.core.units import DAY_MS

Floats = NDArray[np.float64]
Policy = Literal["ramp", "book"]
WEEKS = 52
DWELL_DAYS = 14
BOOK_WEEKS = 4
START_G_PER_L = 0.01 / 20
STEP_G_PER_L = 0.015 / 20
DRAWS = 600
MIDWEEK = 4
PART = 25
NOON_MS = 1_749_988_800_000  # 2025-06-15T12:00:00Z
WITHIN = 0.2
TRACE = {name: steps[1] for name, steps in CHARTS.items()} | {"nitrate": np.inf}
CEILING_MG_PER_L = 40.0
LINES = [line for line in default_lines(CEILING_MG_PER_L) if line.above and line.analyte in CHARTS]
LIMITS = {name: [line.canonical for line in LINES if line.analyte == name] for name in CHARTS}


@dataclass
class Life:
    """What became of one tank. Rations and limits in grams a day; ended_week: when the policy stopped going up.

    limit_g: the true one when the road ended, else after the year. middle_g: the posterior's middle then; told: whether
    it was told as a limit that is found, with interval_g, 90 %.
    """

    step_g: float
    reach_g: float
    limit_g: float = 0.0
    middle_g: float | None = None
    told: bool = False
    interval_g: tuple[float, float] | None = None
    ended_week: int | None = None
    over_weeks: int = 0
    led_over_weeks: int = 0  # of these, at a ration above the one it began with
    worst_ammonia: float = 0.0  # mg N/L, true
    holds: int = 0
    steps: int = 0
    backs: int = 0
    rations: list[float] = field(default_factory=list)

    @property
    def within_reach(self) -> bool:
        return 0 < self.limit_g <= self.reach_g

    def over_limit(self, ration_g: float) -> float:
        """A ration over the true limit, which is nothing where bacteria cannot keep nitrite under detection."""
        return ration_g / self.limit_g if self.limit_g > 0 else math.inf

    @property
    def close(self) -> bool:
        """Whether what is believed in the middle lies within a fifth of the true limit."""
        return self.middle_g is not None and abs(self.middle_g - self.limit_g) <= WITHIN * self.limit_g

    @property
    def found(self) -> bool:
        """Whether a limit was told, and within a fifth of the true one."""
        return self.told and self.close


class NoteTaker(Protocol):
    """Who has written down what was seen of each of some tanks."""

    @property
    def seen(self) -> list[list[RecordedReading]]: ...

    def record(self, i: int) -> Record: ...


@dataclass
class Driver:
    """Leads one tank by the ramp, as the service does: the posterior goes on with each week's readings."""

    ramp: Ramp
    ration_g: float
    since_ms: int = NOON_MS
    known: Posterior | None = None
    back_ms: int | None = None
    unfed_ms: int = 0
    held: bool = False
    last: Decision | None = None
    load: Load | None = None
    told: LoadKnowledge | None = None
    asks: bool = False  # for nitrate before the coming week is over

    @property
    def ended(self) -> bool:
        return self.last is not None and self.last.state in ENDED

    def look(self, keeper: NoteTaker, i: int, now_ms: int, crossed: tuple[str, ...]) -> Decision:
        record = keeper.record(i)
        self.known = posterior(record, DRAWS, seed=i) if self.known is None else later(self.known, record, seed=i)
        if (
            self.known.particle_set.effective < LEAST_EFFECTIVE
        ):  # anew from the whole record, as the service always does
            self.known = posterior(record, seed=i)
        may = limits(self.known)
        self.load = load(self.known, self.ramp.dwell_days)
        self.told = knowledge(may, self.load, rations_to_judge(self.ramp, self.ration_g))
        standing = TankState(
            ration_g=self.ration_g,
            ration_since_ms=self.since_ms,
            zone="UTC",
            unfed_ms=self.unfed_ms,
            held=self.held,
            readings=newest(keeper.seen[i]),
            crossed=crossed,
            rising=rising(keeper.seen[i], now_ms),
            back_ms=self.back_ms,
        )
        decision = decide(self.ramp, self.told, standing, now_ms)
        self.asks = False
        if decision.state == "steps back":
            self.back_ms = now_ms
        if decision.daily_g is not None:
            self.ration_g, self.since_ms, self.unfed_ms = decision.daily_g, now_ms, 0
        else:
            due = readings_due(self.ramp, self.told, standing, now_ms)
            self.asks = any(one.subject == "nitrate" and one.by_ms <= now_ms + MIDWEEK * DAY_MS for one in due)
        self.last = decision
        return decision


def knowledge(may: Limits, told: Load, rations: Sequence[float]) -> LoadKnowledge:
    """What the posterior says now, as the ramp takes it."""
    return LoadKnowledge(
        fresh=True,
        refuses=None if told.diagnostics.speaks else told.diagnostics.why,
        found=told.found,
        p5=told.p5_g,
        p50=told.p50_g,
        p95=told.p95_g,
        proven_g=told.proven.daily_g if told.proven.daily_g > 0 else None,
        in_balance=may.at_least(told.fed_now_g),
        p_under={ration_g: may.at_least(ration_g) for ration_g in rations},
    )


def newest(seen: list[RecordedReading]) -> dict[str, NewestReading]:
    """The newest reading of each analyte, as the ramp takes it."""
    return {
        one.analyte: NewestReading(NOON_MS + int(one.day * DAY_MS), one.value <= TRACE[one.analyte]) for one in seen
    }


def counted(seen: Sequence[RecordedReading]) -> dict[str, float]:
    """What the newest readings count as against lines: the midpoint to the upper neighbour (contract)."""
    return {one.analyte: (one.value + (one.high or one.value)) / 2 if one.detected else 0.0 for one in seen}


def rising(seen: Sequence[RecordedReading], now_ms: int) -> tuple[str, ...]:
    """The analytes whose trend is worth an alarm, by the service's own trends."""
    found = []
    for name, limits_mg in LIMITS.items():
        told = [
            Observation(NOON_MS + int(one.day * DAY_MS), one.low, one.high, one.value)
            for one in seen
            if one.analyte == name
        ]
        if trend.of_readings(told, now_ms, limits_mg, True).alarm:
            found.append(name)
    return tuple(found)


def lead(tanks: Tanks, seed: int, hostile: bool, policy: Policy, weeks: int = WEEKS) -> list[Life]:
    """A year of some tanks under one policy. The water and the keeper's slips follow from the seed."""
    tanks.nitrate *= 0.1  # none is to be seen at first
    keeper = Keeper(tanks, np.random.default_rng([seed, 11, int(hostile)]))
    forgotten = keeper.rng.integers(weeks // 4, weeks, len(tanks))
    ration_g, step_g = (np.round(per_l * tanks.volume, 6) for per_l in (START_G_PER_L, STEP_G_PER_L))
    pairs = [(float(a), float(g)) for a, g in zip(ration_g, step_g, strict=True)]
    lives = [Life(g, a + weeks // BOOK_WEEKS * g) for a, g in pairs]
    drivers = [Driver(Ramp(a, g, 100 * g, DWELL_DAYS, 1 / 3, "auto", 1, NOON_MS), a) for a, g in pairs]
    share = np.ones(len(tanks))  # of the ration that lines let through
    for week in range(1, weeks + 1):
        _feed_a_week(keeper, ration_g * share, lives, np.array([driver.asks for driver in drivers]))
        for analyte in CHARTS:
            keeper.read(analyte)
        if hostile:
            keeper.change(np.where(forgotten == week, 0.5, 0.0), noted=False)
        limit_g = tanks.true_limit_g()
        for i, (life, driver) in enumerate(zip(lives, drivers, strict=True)):
            over = bool(ration_g[i] > limit_g[i])
            life.over_weeks += over
            life.led_over_weeks += over and bool(ration_g[i] > pairs[i][0])
            life.rations.append(float(ration_g[i]))
            driver.unfed_ms += 7 * DAY_MS if share[i] == 0 else 0
            crossed = [line for line in LINES if line.crossed_by(counted(keeper.seen[i]).get(line.analyte, 0.0))]
            let_through = (
                0.0
                if any(line.do == "hold" for line in crossed)
                else min((line.reduce_to or 1.0 for line in crossed), default=1.0)
            )
            life.holds += bool(let_through < share[i])
            share[i], driver.held = let_through, let_through < 1
            if policy == "book":
                _by_the_book(life, keeper.seen[i], week, ration_g, i)
            elif not driver.ended:
                ration_g[i] = _by_the_ramp(life, driver, keeper, i, week, week == weeks, float(limit_g[i]), crossed)
        if policy == "book":
            for i, life in enumerate(lives):
                life.limit_g = float(limit_g[i])
    return lives


def _feed_a_week(keeper: Keeper, fed_g: Floats, lives: Sequence[Life], asked: NDArray[np.bool_]) -> None:
    """A week, with nitrate read once more in its middle where a ramp asks for that."""
    for day in range(7):
        keeper.feed(1, fed_g)
        if day + 1 == MIDWEEK:
            keeper.read("nitrate", asked)
        for life, ammonia in zip(lives, keeper.tanks.ammonia, strict=True):
            life.worst_ammonia = max(life.worst_ammonia, float(ammonia))


def _by_the_ramp(
    life: Life, driver: Driver, keeper: Keeper, i: int, week: int, last: bool, limit_g: float, crossed: Sequence[Line]
) -> float:
    """The ration that the ramp decides; what it knows in the end is noted."""
    names = tuple(line.analyte for line in crossed)
    decision = driver.look(keeper, i, NOON_MS + int(keeper.tanks.day * DAY_MS), names)
    life.steps += decision.state == "steps up"
    life.backs += decision.state == "steps back"
    life.ended_week = week if driver.ended else None
    if driver.ended or last:
        assert driver.known is not None
        low_g, life.middle_g, high_g = limits(driver.known).quantiles(0.05, 0.5, 0.95)
        life.limit_g = limit_g
        life.told = driver.told is not None and driver.told.found
        life.interval_g = (low_g, high_g) if life.told else None
    return driver.ration_g


def _by_the_book(life: Life, seen: Sequence[RecordedReading], week: int, ration_g: Floats, i: int) -> None:
    """A step every four weeks until nitrate is seen."""
    if life.ended_week is None and any(one.analyte == "nitrate" and one.detected for one in seen):
        life.ended_week = week
    if life.ended_week is None and week % BOOK_WEEKS == 0:
        ration_g[i] += life.step_g
        life.steps += 1


def _some(task: tuple[int, int, bool, Policy]) -> list[Life]:
    count, seed, hostile, policy = task
    return lead(draw(count, seed, hostile), seed, hostile, policy)


def lives(count: int, hostile: bool, policy: Policy, first_seed: int = 1) -> list[Life]:
    """The year of `count` tanks; in full, on two cores."""
    parts = [min(PART, count - done) for done in range(0, count, PART)]
    tasks = [(size, first_seed + k, hostile, policy) for k, size in enumerate(parts)]
    if not FULL:
        return [life for task in tasks for life in _some(task)]
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        return [life for part in pool.map(_some, tasks) for life in part]


@dataclass(frozen=True)
class Summary:
    """What a policy came to over some lives."""

    tanks: int
    within_reach: int
    found: float  # share of those within reach whose limit was told within a fifth; failures counted
    close: float  # the same whether or not it was told as found
    found_week: float | None  # median week in which the road of these ended
    over: float  # share of tank-weeks above the true limit
    led_over: float  # the same, without weeks at the ration that the tank began with
    worst_ammonia: tuple[float, float]  # median and highest of the tanks' highest, mg N/L
    holds: int
    backs: int
    highest_over_limit: tuple[float, float, float]  # quantiles 10, 50, 90 % of the last ration on the way up
    final_over_limit: tuple[float, float, float]  # the same of the ration at the year's end
    covered: float | None  # share of told intervals that hold the limit

    def __str__(self) -> str:
        def row(values: Sequence[float]) -> str:
            return ", ".join(f"{value:.2f}" for value in values)

        week = "none" if self.found_week is None else f"{self.found_week:.0f}"
        covered = "none told" if self.covered is None else f"{self.covered:.3f}"
        return (
            f"{self.tanks} tanks, {self.within_reach} within reach: limit told within a fifth in {self.found:.1%} of "
            f"these (middle within a fifth, told or not, {self.close:.1%}), median week {week}; over the limit "
            f"{self.over:.2%} of tank-weeks (led there {self.led_over:.2%}); highest ammonia "
            f"{self.worst_ammonia[0]:.2f} (median), {self.worst_ammonia[1]:.2f} mg N/L (worst tank); holds "
            f"{self.holds}, steps back {self.backs}; highest ration over limit {row(self.highest_over_limit)}, last "
            f"{row(self.final_over_limit)}; told 90 % intervals that hold {covered}"
        )


def summary(found: Sequence[Life]) -> Summary:
    reach = [one for one in found if one.within_reach]
    weeks = [one.ended_week for one in reach if one.found and one.ended_week is not None]
    worst = [one.worst_ammonia for one in found]
    spans = [(one.interval_g, one.limit_g) for one in found if one.interval_g is not None]

    def spread(ratios: list[float]) -> tuple[float, float, float]:
        low, middle, high = np.quantile(ratios, (0.1, 0.5, 0.9))
        return float(low), float(middle), float(high)

    return Summary(
        tanks=len(found),
        within_reach=len(reach),
        found=sum(one.found for one in reach) / max(1, len(reach)),
        close=sum(one.close for one in reach) / max(1, len(reach)),
        found_week=float(np.median(weeks)) if weeks else None,
        over=sum(one.over_weeks for one in found) / sum(len(one.rations) for one in found),
        led_over=sum(one.led_over_weeks for one in found) / sum(len(one.rations) for one in found),
        worst_ammonia=(float(np.median(worst)), max(worst)),
        holds=sum(one.holds for one in found),
        backs=sum(one.backs for one in found),
        highest_over_limit=spread([one.over_limit(max(one.rations)) for one in found]),
        final_over_limit=spread([one.over_limit(one.rations[-1]) for one in found]),
        covered=sum(a <= g <= b for (a, b), g in spans) / len(spans) if spans else None,
    )
