"""What remains of a day is gone by default; with carry-over the next day gets a share of it, under the cap."""

from datetime import UTC, date, datetime

import pytest
from house import House

from tareline.core.feeding.plan import FedToday, make_plan
from tareline.core.feeding.ration import Ration, carried_g, make_ration
from tareline.errors import FieldError

MEALS = [("08:00", 0.5, None), ("18:00", 0.5, None)]
DAY_MS = 86_400_000
DAWN_MS = int(datetime(2026, 5, 4, 5, tzinfo=UTC).timestamp() * 1000)


def ration(carry_over: float, cap_g: float = 1.5) -> Ration:
    return make_ration(1.0, cap_g, MEALS, ["front"], 0, carry_over)


def first_day(carried: float, fed: float = 0.0) -> list[float]:
    plan = make_plan("front", True, "UTC", [ration(1.0)], FedToday(fed, 0.0, carried), DAWN_MS)
    return [meal.target_g for meal in plan.meals if meal.id.startswith(date(2026, 5, 4).isoformat())]


def test_by_default_nothing_is_carried_over() -> None:
    assert carried_g(make_ration(1.0, 1.5, MEALS, ["front"], 0), 0.4) == 0.0


def test_a_share_of_what_remained_is_carried_over_under_the_cap() -> None:
    assert carried_g(ration(0.5), 0.4) == pytest.approx(0.2)
    assert carried_g(ration(1.0), 0.8) == pytest.approx(0.5)
    assert carried_g(ration(1.0, cap_g=1.0), 0.8) == 0.0


def test_the_days_meals_grow_by_what_is_carried_over_and_only_todays() -> None:
    assert first_day(0.0) == [0.5, 0.5]
    assert first_day(0.2) == [0.6, 0.6]
    plan = make_plan("front", True, "UTC", [ration(1.0)], FedToday(0.0, 0.0, 0.2), DAWN_MS)
    assert {meal.target_g for meal in plan.meals[2:]} == {0.5}


def test_what_was_fed_today_is_taken_off_the_whole() -> None:
    assert sum(first_day(0.2, fed=0.9)) == pytest.approx(0.3, abs=2e-6)


@pytest.mark.parametrize("share", [-0.1, 1.1])
def test_a_share_that_is_none_is_refused(share: float) -> None:
    with pytest.raises(FieldError, match="carry_over"):
        ration(share)


def test_the_feeder_is_told_and_the_books_say_so(house: House) -> None:
    house.ration(1.0, 1.5, [("08:00", 0.5), ("18:00", 0.5)], carry_over=1.0)
    house.pass_time(DAY_MS, 60_000)  # a day on which nothing was fed
    plan = house.last("plan")
    assert plan is not None
    tomorrow = [meal for meal in plan["meals"] if meal["at_ms"] < house.clock.now_ms() + DAY_MS]
    assert max(meal["target_g"] for meal in tomorrow) == pytest.approx(0.75)
    assert house.today().budget_g == pytest.approx(1.5)
