"""Alarms of rising water on simulated households: how often for nothing, and how soon for something.

6 tank-years without a trend, and 4 tanks with rises; 300 and 60 with TARELINE_FULL=1. A rise is fast, middle or slow:
its level reaches the first line 14, 45 or 150 days after its onset. In the same run, two naive rules: "two readings in
a row worse than the one before", and the fixed line. `-s` prints the figures.

An alarm is counted each time that it begins, however short it is. Counts are held against their budgets with the
slack that chance gives few tank-years, two and a half deviations of a Poisson count; at full size with none.
"""

import math
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest
from feeders import FULL
from households import BEFORE_D, START_MS, Floats, Water, daily, over_line, readings, tank, two_higher

from tareline.core.trends.slopes import Observation
from tareline.core.trends.trend import of_probe, of_readings
from tareline.core.units import DAY_MS

pytestmark = pytest.mark.timeout(3600 if FULL > 1 else 300)

YEARS = 300 if FULL > 1 else 6
TANKS = 60 if FULL > 1 else 4
DAYS_TO_LINE = {"fast": 14, "middle": 45, "slow": 150}
RULES = ("trend", "two in a row", "line", "trend or line")
BUDGET_EACH, BUDGET_ALL = 0.25, 1.0  # a tank-year

Key = tuple[str, str]


@dataclass
class Watched:
    """One water as it was seen: the day of each observation, and each rule's alarm at it."""

    at: Floats
    alarm: Callable[[int], bool]
    two: list[bool]
    line: list[bool]

    def false(self, alarms: list[bool]) -> int:
        """How many alarms began in the year that is watched."""
        told = [on and at >= BEFORE_D for on, at in zip(alarms, self.at, strict=True)]
        return sum(now and not before for before, now in zip([False, *told], told, strict=False))

    def first(self, alarm: Callable[[int], bool], onset: int) -> float:
        """Days from an onset to the first alarm; infinite if there is none."""
        places = (i for i in range(len(self.at)) if self.at[i] >= onset and alarm(i))
        i = next(places, None)
        return math.inf if i is None else float(self.at[i]) - onset


def watch(rng: np.random.Generator, water: Water, shifts: Sequence[int] = ()) -> Watched:
    """shifts: days on which a change is declared, which are told to a probe."""
    if water.by == "probe":
        days, shifts_ms = daily(rng, water), [START_MS + day * DAY_MS for day in shifts]
        seen = [Observation(day.day_ms, day.mean, day.mean, day.mean) for day in days]

        def alarm(i: int) -> bool:
            now_ms = days[i].day_ms + DAY_MS
            return of_probe(days[max(0, i - 180) : i + 1], shifts_ms, now_ms, water.limits, water.rising_is_bad).alarm

    else:
        seen = readings(rng, water)

        def alarm(i: int) -> bool:
            return of_readings(seen[: i + 1], seen[i].at_ms, water.limits, water.rising_is_bad).alarm

    at = np.array([(one.at_ms - START_MS) // DAY_MS for one in seen], dtype=float)
    return Watched(at, alarm, two_higher([one.value for one in seen], water.worse), over_line(water, seen))


@dataclass
class FalseAlarms:
    """Alarms that began, by water and rule."""

    years: int
    counts: dict[Key, dict[str, int]] = field(default_factory=lambda: defaultdict(lambda: defaultdict(int)))

    def of(self, rule: str, analyte: str | None = None) -> int:
        return sum(n[rule] for key, n in self.counts.items() if analyte in (None, key[0]))

    def __str__(self) -> str:
        lines = [f"alarms that began in {self.years} tank-years without a trend, per tank-year:"]
        for key, n in self.counts.items():
            lines.append(
                f"  {' by '.join(key):24}" + "".join(f"  {rule} {n[rule] / self.years:6.2f}" for rule in RULES[:3])
            )
        return "\n".join(
            [*lines, "  all" + "".join(f"  {rule} {self.of(rule) / self.years:.2f}" for rule in RULES[:3])]
        )


@pytest.fixture(scope="module")
def false() -> FalseAlarms:
    found = FalseAlarms(YEARS)
    for year in range(YEARS):
        rng = np.random.default_rng([1, year])
        for water in tank(rng):
            seen = watch(rng, water)
            counts = found.counts[water.analyte, water.by]
            alarms = [bool(seen.at[i] >= BEFORE_D) and seen.alarm(i) for i in range(len(seen.at))]
            for rule, on in zip(RULES, (alarms, seen.two, seen.line), strict=False):
                counts[rule] += seen.false(on)
    print(f"\n{found}")
    return found


def slack(mean: float) -> float:
    """None at full size: there the figures themselves are held against the budget."""
    return 0.0 if FULL > 1 else 2.5 * math.sqrt(mean)


def test_false_alarms_stay_within_the_budget_of_each_analyte(false: FalseAlarms) -> None:
    for analyte in {key[0] for key in false.counts}:
        mean = BUDGET_EACH * false.years
        assert false.of("trend", analyte) <= mean + slack(mean), analyte


def test_false_alarms_stay_within_the_budget_of_all(false: FalseAlarms) -> None:
    mean = BUDGET_ALL * false.years
    assert false.of("trend") <= mean + slack(mean)


def test_two_readings_in_a_row_would_cry_wolf(false: FalseAlarms) -> None:
    assert false.of("two in a row") > 10 * max(1, false.of("trend"))


def solids(rng: np.random.Generator) -> Water:
    return next(one for one in tank(rng) if (one.analyte, one.by) == ("tds", "probe"))


def began_from(seen: Watched, day: int) -> int:
    return seen.false([bool(seen.at[i] >= day) and seen.alarm(i) for i in range(len(seen.at))])


def test_a_declared_shift_of_a_probe_alarms_nobody() -> None:
    """Solids that step up by a fifth on the day of another ration, watched for 60 days from then on. The same water
    that has kept at that level for long: nearer to its line than most, it alarms oftener, and a shift adds nothing.
    """
    began = {"declared": 0, "undeclared": 0, "stepped long before": 0}
    for year in range(YEARS):
        for name in began:
            rng = np.random.default_rng([3, year])
            water = solids(rng)
            step = BEFORE_D + int(rng.integers(0, 60))
            since = step - 120 if name == "stepped long before" else step
            stepped = water.stepped(since, 0.2 * water.level).until(step + 60)
            began[name] += began_from(watch(rng, stepped, [] if name == "undeclared" else [since]), step)
    print(f"\nalarms that began in {YEARS} times 60 days after a step: {began}")
    mean = BUDGET_EACH * YEARS * 60 / 365
    assert began["declared"] <= mean + slack(mean)
    assert began["declared"] < began["undeclared"]
    assert began["declared"] <= began["stepped long before"] + slack(mean)


def test_a_ramp_with_a_declared_shift_every_four_weeks_alarms_nobody() -> None:
    """Solids that step up by a twentieth with each of four shifts, watched for four weeks from each."""
    began = 0
    for year in range(YEARS):
        rng = np.random.default_rng([4, year])
        water = solids(rng)
        first = BEFORE_D + int(rng.integers(0, 60))
        shifts = [first + 28 * i for i in range(4)]
        for step in shifts:
            water = water.stepped(step, 0.05 * water.level)
        began += began_from(watch(rng, water.until(shifts[-1] + 28), shifts), shifts[0])
    print(f"\nalarms that began in {YEARS} ramps of 112 days: {began}")
    mean = BUDGET_EACH * YEARS * 112 / 365
    assert began <= mean + slack(mean)


Delays = dict[tuple[Key, str, str], list[float]]


@pytest.fixture(scope="module")
def delays() -> Delays:
    """Days from onset to alarm by water, speed and rule."""
    found: Delays = defaultdict(list)
    for number in range(TANKS):
        for speed, days in DAYS_TO_LINE.items():
            rng = np.random.default_rng([2, number])
            for water in tank(rng):
                onset = BEFORE_D + int(rng.integers(0, 60))
                seen = watch(rng, water.ramped(onset, days).until(onset + days + 30))
                first = [
                    seen.first(seen.alarm, onset),
                    seen.first(seen.two.__getitem__, onset),
                    seen.first(seen.line.__getitem__, onset),
                ]
                for rule, day in zip(RULES, [*first, min(first[0], first[2])], strict=True):
                    found[(water.analyte, water.by), speed, rule].append(day)
    print("\n" + "\n".join(_table(found)))
    return found


def _table(found: Delays) -> Iterator[str]:
    yield f"days from onset to alarm, median of {TANKS} (share that never alarmed):"
    for key, speed in dict.fromkeys((key, speed) for key, speed, _ in found):
        cells = (
            f"{rule} {np.median(days):5.1f} ({np.mean(np.isinf(days)):.2f})"
            for rule in RULES
            if (days := found[key, speed, rule])
        )
        yield f"  {' by '.join(key):24} {speed:7}" + "  ".join(cells)


@pytest.mark.parametrize("analyte", ["tds", "temperature"])
@pytest.mark.parametrize(("speed", "within_d"), [("fast", 11), ("middle", 27), ("slow", 110)])
def test_a_probes_rise_is_told_long_before_its_line(delays: Delays, analyte: str, speed: str, within_d: int) -> None:
    trend, line = (delays[(analyte, "probe"), speed, rule] for rule in ("trend", "line"))
    assert np.median(trend) <= within_d
    assert np.median(trend) < 0.75 * np.median(line)


def test_a_probes_rise_right_after_a_shift_is_told_before_its_line() -> None:
    """Declared on the day of the onset; and what little later it is told than without a shift."""
    for speed, days in DAYS_TO_LINE.items():
        for analyte in ("tds", "temperature"):
            found: dict[str, list[float]] = {"declared": [], "undeclared": []}
            for number in range(TANKS):
                for name, told in found.items():
                    rng = np.random.default_rng([5, number])
                    water = next(one for one in tank(rng) if (one.analyte, one.by) == (analyte, "probe"))
                    onset = BEFORE_D + int(rng.integers(0, 60))
                    ramped = water.ramped(onset, days).until(onset + days + 30)
                    seen = watch(rng, ramped, [onset] if name == "declared" else [])
                    told.append(seen.first(seen.alarm, onset))
            print(
                f"\n{analyte} {speed}: days from a shift and onset to alarm, median of {TANKS} (share before the line)"
            )
            print(
                {name: (float(np.median(told)), float(np.mean(np.array(told) < days))) for name, told in found.items()}
            )
            assert np.median(found["declared"]) <= 0.65 * days
            assert np.mean(np.array(found["declared"]) < days) >= 0.75


@pytest.mark.parametrize("key", [("kh", "drops"), ("ph", "chart"), ("tds", "pen")])
@pytest.mark.parametrize(("speed", "share"), [("middle", 1.0), ("slow", 0.8)])
def test_a_rise_seen_weekly_is_told_before_its_line(delays: Delays, key: Key, speed: str, share: float) -> None:
    """A chart's coarse steps leave little of a middle rise to be seen before its line."""
    assert np.median(delays[key, speed, "trend"]) < share * np.median(delays[key, speed, "line"])


def test_trend_and_line_together_miss_no_rise(delays: Delays) -> None:
    for (_, speed, rule), days in delays.items():
        if rule == "trend or line":
            assert max(days) <= DAYS_TO_LINE[speed] + 30
