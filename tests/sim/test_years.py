"""A year by the ramp in the aquariums of tests/worlds, which were written without knowledge of the estimates.

Two of each world in the check, 100 with TARELINE_FULL=1, or as many as TARELINE_SIZE says, from the seed TARELINE_SEED
on; `-s` prints the figures, of the book in the same water too where there are more than two. What is told is still too
sure in these worlds (README.md has the figures); what must hold whatever is told is asserted here.
"""

import pytest
from sizes import first_seed, size
from tanks import FULL
from years import WORLDS, Year, figures, years

YEARS = size(100 if FULL else 2)
PROCESSES = 2 if YEARS > 2 else 1
pytestmark = pytest.mark.timeout(7200 if YEARS > 2 else 900)


@pytest.fixture(scope="module", params=WORLDS)
def led(request: pytest.FixtureRequest) -> list[Year]:
    found = years(request.param, YEARS, first_seed(1), "ramp", PROCESSES)
    print(f"\n{request.param}, ramp: {figures(found)}")
    if YEARS > 2:
        print(f"{request.param}, book: {figures(years(request.param, YEARS, first_seed(1), 'book', PROCESSES))}")
    return found


def test_every_week_was_lived_and_told(led: list[Year]) -> None:
    """What is measured has happened: a year of weeks with food, a limit, and something told or refused in each."""
    for year in led:
        assert len(year.weeks) == 52
        assert all(week.limit_g > 0 for week in year.weeks[-4:])
        assert any(week.p5_g is not None for week in year.weeks)
        assert max(week.ration_g for week in year.weeks) > year.weeks[0].ration_g


def test_animals_are_never_poisoned_on_the_way(led: list[Year]) -> None:
    """Total ammonia stays under the default line that holds feeding, 2 mg N/L (contract), whatever is believed."""
    assert figures(led).worst_ammonia < 2.0


def test_what_is_recommended_at_the_end_is_under_the_limit(led: list[Year]) -> None:
    assert all(year.weeks[-1].recommended_g <= year.weeks[-1].limit_g for year in led)
