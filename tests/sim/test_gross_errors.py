"""Missed refills and slipped decimals put into feeders drawn from wide ranges: found, and placed right.

What is put in lies above five deviations: of the shift that the same feeder's clean month would allow at that place,
as its own estimate states it. 60 feeder-months of each kind, or as many as TARELINE_SIZE says; 20 times as many with
TARELINE_FULL=1. As in `test_estimates`, a share of few cases is compared with two deviations of their number to spare.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pytest
from feeders import FULL, Life, fuller, lives
from sizes import size

from tareline.core.weighing.estimate import Estimate, estimate
from tareline.core.weighing.gross_errors import Finding
from tareline.core.weighing.history import History
from tareline.core.weighing.hypotheses import ShiftEstimate, single_shifts
from tareline.core.weighing.model import Shift

FEEDERS, WEEKS = size(60), 4
LEAST = 5.0  # deviations
LARGEST_G = 40.0


@dataclass(frozen=True)
class Case:
    """One error put in: how many deviations it is worth, what was found, and whether it was placed and named right."""

    deviations: float
    findings: int
    placed: bool
    named: bool


def clean_suspects(found: Estimate) -> dict[Shift, ShiftEstimate]:
    return {one.shift: one for one in single_shifts(found.chain, found.learned.mean)}


def missed_refill(life: Life, found: Estimate, random: np.random.Generator) -> Case:
    """A refill before one of the doses, from five deviations to a bagful, that nobody recorded."""
    number = int(random.integers(3, len(life.doses) - 2))
    dose, before = life.doses[number], life.doses[number - 1]
    event = int(found.chain.doses[number])
    sd_g = clean_suspects(found)[Shift("content", event - 1)].sd
    size_g = math.exp(random.uniform(math.log(LEAST * sd_g), math.log(max(LARGEST_G, 2 * LEAST * sd_g))))
    findings = estimate(fuller(life.history, dose.at_ms, size_g), life.end_ms).findings
    right = [f for f in findings if _between(f, life, before.at_ms, dose.at_ms) and f.size_g > 0]
    return Case(size_g / sd_g, len(findings), bool(right), _named(right, "refill not recorded"))


def _between(finding: Finding, life: Life, before_ms: int, after_ms: int) -> bool:
    """Whether it lies between these two doses, or between the next ones that were weighed."""
    first = max((d.at_ms for d in life.doses if d.at_ms <= before_ms and d.mass_g is not None), default=0)
    last = min((d.at_ms for d in life.doses if d.at_ms >= after_ms and d.mass_g is not None), default=life.end_ms)
    return first <= finding.from_ms and finding.to_ms <= last


def slipped_decimal(life: Life, found: Estimate, random: np.random.Generator) -> Case:
    """A weigh-in ten times too large or too small."""
    number = int(random.integers(0, len(life.weighins)))
    true = life.weighins[number]
    wrong = replace(true, mass_g=round(true.mass_g * 10.0 ** int(random.choice([-1, 1])), 2))
    sd_g = clean_suspects(found)[Shift("weigh-in", number)].sd
    weighins = [wrong if w.entry == true.entry else w for w in life.weighins]
    history: History = replace(life.history, weighins=weighins)
    findings = estimate(history, life.end_ms).findings
    right = [f for f in findings if f.kind == "weigh-in" and f.after_entry == true.entry]
    deviations = abs(wrong.mass_g - true.mass_g) / sd_g
    return Case(deviations, len(findings), bool(right), _named(right, "weigh-in with a slipped decimal"))


def _named(findings: list[Finding], cause: str) -> bool:
    return any(finding.causes[0].name == cause for finding in findings)


def put_in(seed: int) -> Iterator[tuple[Case, Case]]:
    for life in lives(seed, FEEDERS * FULL, WEEKS):
        random = np.random.default_rng(len(life.doses))
        found = estimate(life.history, life.end_ms)
        if len(life.weighins) and not found.findings:
            yield missed_refill(life, found, random), slipped_decimal(life, found, random)


@pytest.fixture(scope="module")
def cases() -> tuple[list[Case], list[Case]]:
    refills, decimals = zip(*put_in(5), strict=True)
    return list(refills), [case for case in decimals if case.deviations > LEAST]


def at_least(share: float, wanted: float, count: int) -> bool:
    slack = 0.0 if count >= 900 else 2 * math.sqrt(wanted * (1 - wanted) / count)
    return share >= wanted - slack


def shares(name: str, found: list[Case]) -> tuple[float, float]:
    placed = float(np.mean([case.placed for case in found]))
    named = float(np.mean([case.named for case in found]))
    near = [case.placed for case in found if case.deviations < 8]
    others = sum(case.findings - case.placed for case in found)
    print(
        f"\n{name}: {len(found)} above five deviations, {placed:.3f} found at the right place, {named:.3f} named first;"
        f" of {len(near)} between 5 and 8 deviations {sum(near)}; {others} other findings"
    )
    return placed, named


def test_missed_refills_are_found_between_the_right_two_doses(cases: tuple[list[Case], list[Case]]) -> None:
    placed, named = shares("missed refills", cases[0])
    assert len(cases[0]) >= 55 * FULL
    assert at_least(placed, 0.95, len(cases[0]))
    # A small jump may as well be a knock; from a gram on it is a refill.
    assert named >= 0.5


def test_slipped_decimals_are_found_and_named(cases: tuple[list[Case], list[Case]]) -> None:
    placed, named = shares("slipped decimals", cases[1])
    assert len(cases[1]) >= 50 * FULL
    assert at_least(placed, 0.95, len(cases[1]))
    assert at_least(named, 0.95, len(cases[1]))


def test_an_error_brings_no_other_findings_along(cases: tuple[list[Case], list[Case]]) -> None:
    both = [*cases[0], *cases[1]]
    assert sum(case.findings - case.placed for case in both) <= 0.1 * len(both)
