"""A year of the ramp in tanks that do not exist, against practice by the book in the same water.

50 friendly and 50 hostile tanks, 500 each with TARELINE_FULL=1, or as many as TARELINE_SIZE says, from the seed
TARELINE_SEED on; `-s` prints the figures. The posterior is the service's own. What is aimed at: under 1 % of tank-weeks
above the true limit in friendly tanks, no more than the book in hostile ones, and the limit told within a fifth in 80 %
of the tanks whose limit lies within a year's reach, failures counted.
"""

from itertools import pairwise

import pytest
from ramps import DWELL_DAYS, Life, Summary, lives, summary
from sizes import first_seed, size
from tanks import FULL

TANKS = size(500 if FULL else 50)
pytestmark = pytest.mark.timeout(7200 if TANKS > 50 else 900)


@pytest.fixture(scope="module", params=[False, True], ids=["friendly", "hostile"])
def both(request: pytest.FixtureRequest) -> tuple[bool, list[Life], list[Life]]:
    """Whether the tanks are hostile, and what became of them by the ramp and by the book."""
    hostile: bool = request.param
    ramp, book = (lives(TANKS, hostile, policy, first_seed(1)) for policy in ("ramp", "book"))
    for name, found in (("ramp", ramp), ("book", book)):
        print(f"\n{'hostile' if hostile else 'friendly'}, {name}: {summary(found)}")
    return hostile, ramp, book


def of(both: tuple[bool, list[Life], list[Life]]) -> tuple[bool, Summary, Summary]:
    hostile, ramp, book = both
    return hostile, summary(ramp), summary(book)


def test_the_ramp_hardly_ever_leads_over(both: tuple[bool, list[Life], list[Life]]) -> None:
    """No more than the book, whose keeper begins alike in the same water; in friendly tanks, under 1 % of tank-weeks.

    A new tank may be over its limit with what it begins with, and few tanks say nothing of how many are.
    """
    hostile, ramp, book = of(both)
    assert ramp.over <= book.over
    assert ramp.led_over <= book.led_over
    if FULL and not hostile:
        assert ramp.over <= 0.01


def test_it_leads_further_up_than_the_book(both: tuple[bool, list[Life], list[Life]]) -> None:
    _, ramp, book = of(both)
    assert ramp.highest_over_limit[1] > book.highest_over_limit[1]


def test_what_it_tells_is_about_right(both: tuple[bool, list[Life], list[Life]]) -> None:
    """Short of the aim (tests/sim/README.md has the figures); these are the shares it must not fall below."""
    hostile, ramp, _ = of(both)
    told = sum(life.interval_g is not None for life in both[1])
    assert ramp.found >= less_chance(0.4 if hostile else 0.65, ramp.within_reach)
    assert ramp.covered is None or ramp.covered >= less_chance(0.8 if hostile else 0.88, told)


def less_chance(share: float, n: int) -> float:
    """A share, less two deviations of its count in n."""
    return share - 2 * (share * (1 - share) / n) ** 0.5


def test_animals_are_never_poisoned_on_the_way(both: tuple[bool, list[Life], list[Life]]) -> None:
    """Total ammonia stays under the default line that holds feeding, 2 mg N/L (contract)."""
    _, ramp, _ = of(both)
    assert ramp.worst_ammonia[1] < 2.0


def test_no_step_is_larger_than_the_keepers_and_none_comes_within_the_dwell(
    both: tuple[bool, list[Life], list[Life]],
) -> None:
    for life in both[1]:
        ups = [(week, after - before) for week, (before, after) in enumerate(pairwise(life.rations)) if after > before]
        assert all(up <= life.step_g + 1e-6 for _, up in ups)
        assert all(later - sooner >= DWELL_DAYS / 7 for (sooner, _), (later, _) in pairwise(ups))
