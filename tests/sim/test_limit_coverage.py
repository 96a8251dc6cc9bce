"""Limits and forecasts over tanks that do not exist (tanks.py), friendly and hostile, against the truth.

A year of weekly chart readings each; then eight more weeks at the last ration, which the forecast has not seen. 40
tanks of each kind in the check, 500 with TARELINE_FULL=1, or as many as TARELINE_SIZE says, drawn from the seed
TARELINE_SEED. `-s` prints shares and widths. The aims hold for the full size; the check allows two deviations of chance
beyond.
"""

import math
from dataclasses import dataclass, field

import numpy as np
import pytest
from sizes import first_seed, size
from tanks import CEILING, DETECTS, FULL, draw, live

from tareline.core.load.forecast import Content, Scenario, forecast
from tareline.core.load.limit import Load, load
from tareline.core.load.posterior import posterior

TANKS = size(500 if FULL else 40)
pytestmark = pytest.mark.timeout(3600 if TANKS > 40 else 300)
WEEKS_AHEAD = (2, 4, 8)
UNSEEN: tuple[Content, ...] = ("ammonia", "nitrite")


@dataclass
class Score:
    """What became of some tanks."""

    held: list[bool] = field(default_factory=list)  # the 90 % interval, where a limit is found
    width: list[float] = field(default_factory=list)
    near: list[bool] = field(default_factory=list)  # the median within 20 %
    least: list[bool] = field(default_factory=list)  # p5 under the limit, where none is found
    least_part: list[float] = field(default_factory=list)
    proven_over: list[bool] = field(default_factory=list)
    recommended_over: list[bool] = field(default_factory=list)
    silent: int = 0
    ahead: dict[tuple[int, int], list[bool]] = field(default_factory=dict)  # (weeks, percent)
    unseen: list[bool] = field(default_factory=list)  # ammonia and nitrite under the upper band
    surprise: list[bool] = field(default_factory=list)  # above it, and above what a kit detects

    def __str__(self) -> str:
        bands = ", ".join(f"{w} weeks {p} %: {np.mean(of):.3f}" for (w, p), of in self.ahead.items())
        return (
            f"found {len(self.held)}: held {np.mean(self.held):.3f}, p95 / p5 {np.median(self.width):.2f} (nine tenths"
            f" below {np.quantile(self.width, 0.9):.2f}), median within 20 % {np.mean(self.near):.2f}; not found"
            f" {len(self.least)}: p5 under the limit {np.mean(self.least):.3f}, at {np.median(self.least_part):.2f} of"
            f" it; silent {self.silent}; proven over the limit {np.mean(self.proven_over):.3f} of"
            f" {len(self.proven_over)}, recommended {np.mean(self.recommended_over):.3f};\n  nitrate ahead: {bands};"
            f" ammonia and nitrite under their 95 %: {np.mean(self.unseen):.3f}, above it and detection:"
            f" {np.mean(self.surprise):.3f}"
        )


def judge(score: Score, answer: Load, true: float) -> None:
    if not answer.diagnostics.speaks:
        score.silent += 1
        return
    p5 = answer.p5_g
    assert p5 is not None
    if answer.found:
        assert answer.p95_g is not None
        assert answer.p50_g is not None
        score.held.append(p5 <= true <= answer.p95_g)
        score.width.append(answer.p95_g / p5)
        score.near.append(abs(answer.p50_g / true - 1) <= 0.2 if true > 0 else False)
    else:
        score.least.append(p5 <= true)
        score.least_part.append(p5 / true if true > 0 else 1.0)
    if answer.proven.daily_g > 0:
        score.proven_over.append(answer.proven.daily_g > true)
        score.recommended_over.append(answer.recommended_g > true)


def run(hostile: bool) -> Score:
    tanks = draw(TANKS, first_seed(1), hostile)
    keeper = live(tanks, first_seed(1), hostile=hostile)
    true = tanks.true_limit_g()
    score = Score(ahead={(weeks, percent): [] for weeks in WEEKS_AHEAD for percent in (50, 90)})
    told = []
    ration = np.array([np.mean([one.mass_g for one in fed[-7:]]) for fed in keeper.fed])
    for i in range(TANKS):
        known = posterior(keeper.record(i))
        answer = load(known)
        judge(score, answer, float(true[i]))
        told.append(
            forecast(known, Scenario(7 * WEEKS_AHEAD[-1], float(ration[i]))) if answer.diagnostics.speaks else None
        )
    since = 0
    for weeks in WEEKS_AHEAD:
        keeper.feed(7 * (weeks - since), ration)
        since = weeks
        day = 7 * weeks - 1
        for i, bands in enumerate(told):
            if bands is None:
                continue
            low, lower, _, upper, high = bands.bands["nitrate"][day]
            score.ahead[weeks, 90].append(bool(low <= tanks.nitrate[i] <= high))
            score.ahead[weeks, 50].append(bool(lower <= tanks.nitrate[i] <= upper))
            for name, detect in zip(UNSEEN, DETECTS, strict=True):
                content = getattr(tanks, name)[i]
                score.unseen.append(bool(content <= bands.bands[name][day, 4]))
                score.surprise.append(not score.unseen[-1] and bool(content > detect))
    print(f"\n{'hostile' if hostile else 'friendly'}, {TANKS} tanks: {score}")
    return score


@pytest.fixture(scope="module")
def friendly() -> Score:
    return run(False)


@pytest.fixture(scope="module")
def hostile() -> Score:
    return run(True)


def at_least(held: list[bool], aim: float) -> bool:
    """Whether a share reaches its aim, as far as the number can tell in the check; for certain in full."""
    assert len(held) >= 10
    slack = 0.0 if FULL else 2 * math.sqrt(aim * (1 - aim) / len(held))
    return float(np.mean(held)) >= aim - slack


@pytest.mark.parametrize("hostile", [False, True])
def test_the_truth_is_one(hostile: bool) -> None:
    """Of grown tanks without a season: fed a little less than their true limit for four years they stay under ceiling
    and detection, fed a little more they do not."""
    for part, inside in ((0.97, True), (1.03, False)):
        tanks = draw(40, 2, hostile)
        tanks.maturity[:], tanks.season[:] = 1.0, 0.0
        tanks.one[:], tanks.two[:] = 0.2, 0.2
        true = tanks.true_limit_g()
        tanks.advance(1500, part * true)
        under = (tanks.nitrate <= CEILING) & (tanks.ammonia <= DETECTS[0]) & (tanks.nitrite <= DETECTS[1])
        lives_by_it = true > 0.005
        assert lives_by_it.sum() > 30
        assert np.all(under[lives_by_it] == inside)


def test_found_limits_hold_in_friendly_tanks(friendly: Score) -> None:
    assert at_least(friendly.held, 0.88)


def test_found_limits_hold_in_hostile_tanks(hostile: Score) -> None:
    assert at_least(hostile.held, 0.80)


def test_where_no_limit_is_found_it_is_at_least_what_is_said(friendly: Score, hostile: Score) -> None:
    """The aim is 0.95 (tests/sim/README.md has the figures of both); this is the share that it must not fall below."""
    assert at_least(friendly.least + hostile.least, 0.93)


def test_intervals_of_found_limits_say_something(friendly: Score, hostile: Score) -> None:
    """Wide enough to hold is easy: they are found in most tanks, and half of them within a factor of 2.5."""
    for score in (friendly, hostile):
        assert len(score.held) > TANKS / 2
        assert np.median(score.width) <= 2.5
        assert np.mean(score.near) > 0.5


def test_refusals_are_rare(friendly: Score, hostile: Score) -> None:
    assert friendly.silent <= 0.05 * TANKS
    assert hostile.silent <= 0.10 * TANKS


def test_what_is_proven_is_seldom_over_the_limit_and_what_is_recommended_hardly_ever(
    friendly: Score, hostile: Score
) -> None:
    """In balance means nine chances in ten."""
    assert at_least([not over for over in friendly.proven_over], 0.90)
    assert at_least([not over for over in hostile.proven_over], 0.90)
    assert at_least([not over for over in friendly.recommended_over + hostile.recommended_over], 0.95)


@pytest.mark.parametrize("weeks", WEEKS_AHEAD)
def test_forecast_bands_hold_what_they_say(friendly: Score, hostile: Score, weeks: int) -> None:
    assert at_least(friendly.ahead[weeks, 90], 0.90)
    assert at_least(friendly.ahead[weeks, 50], 0.50)
    assert at_least(hostile.ahead[weeks, 90], 0.80)
    assert at_least(hostile.ahead[weeks, 50], 0.40)  # a chart read 20 % off shifts them all


def test_nobody_is_surprised_by_what_should_not_be_there(friendly: Score, hostile: Score) -> None:
    """Ammonia and nitrite that a kit would show, above what was forecast; hundredths of a mg/l below that are not."""
    assert at_least([not one for one in friendly.surprise + hostile.surprise], 0.95)
    assert at_least(friendly.unseen, 0.90)
