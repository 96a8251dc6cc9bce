"""How large a dose was that nobody weighed is said once: by the day's sum, the account, the load's record and balances.

Of a dose of which only its number is known, anything from nothing to the largest meal of its day may have come out: a
rectangular distribution, with half of that as its mean and its width over root twelve as its deviation (GUM, JCGM
100:2008, 4.3.7). Only the budget counts it as the largest meal, since there a mistake feeds.
"""

import math
from datetime import UTC, datetime
from typing import Any

import pytest
from house import DAY_MS, FEEDER, HOUR_MS, TANK, House

from present import present
from tareline.app.answers.balances import NitrogenBalance
from tareline.app.projections.load_record import LoadRecords
from tareline.core.feeding.doses import Dose

MEAL_G = 0.1  # the larger meal of the ration below
RATION: dict[str, Any] = {
    "daily_g": 0.16,
    "cap_g": 0.4,
    "meals": [{"at": "08:00", "share": 5 / 8}, {"at": "18:00", "share": 3 / 8}],
}


@pytest.fixture
def house(house: House) -> House:
    house.service.feeding.put_ration(TANK, {**RATION, "confirm": True})
    house.clock.advance(3 * DAY_MS)
    return house


def lose(house: House, count: int) -> None:
    """Doses 2 to 1 + count never came: the feeder's journal begins behind them."""
    house.hear(house.hello(), house.online())
    house.hear(house.dose(1, before_g=50, after_g=49.9, target_g=MEAL_G))
    house.clock.advance(HOUR_MS)
    house.hear(house.hello(journal_from=2 + count, journal_to=1 + count))


def recorded(house: House) -> tuple[float, float]:
    """What the record of the tank's load has of today: grams and deviation, scaled to a whole day there."""
    with house.service.context.store.read() as tx:
        found = LoadRecords(house.service.context, house.service.accounts).gather(tx, TANK)
    assert found is not None
    (today,) = [one for one in found.record.fed if one.day == math.floor(found.record.now)]
    part = found.record.now - math.floor(found.record.now)
    return today.mass_g * part, today.sd_g * part


def balanced_g(house: House) -> float:
    """What the nitrogen balance has as fed between two readings."""
    found = house.service.waters.water(TANK).balances.nitrogen
    assert isinstance(found, NitrogenBalance)
    tank, food = house.service.context.need("tank", TANK), house.service.context.need("food", "flakes")
    nitrogen_mg = present(found.food_per_day) * tank["volume_l"] * (20 + 2 / 24)
    return float(nitrogen_mg / 1000 * 6.25 / (food["protein_percent"] / 100))


@pytest.mark.parametrize("count", [1, 3])
def test_a_lost_dose_has_one_size_everywhere(house: House, count: int) -> None:
    begun = datetime.fromtimestamp((house.clock.now_ms() - 20 * DAY_MS) / 1000, UTC).isoformat()
    house.reading("nitrate", 2, at=begun)
    lose(house, count)
    house.clock.advance(HOUR_MS)
    house.reading("nitrate", 4)
    expected_g, sd_g = MEAL_G + count * MEAL_G / 2, math.sqrt(count / 12) * MEAL_G

    before = house.today()
    assert before.dispensed_g == pytest.approx(expected_g)
    assert before.dispensed_sd_g == pytest.approx(math.hypot(sd_g, 0.02))
    assert recorded(house) == pytest.approx((expected_g, math.hypot(sd_g, 0.02)))

    house.service.update_accounts()
    after = house.today()
    # The account knows besides how well its scale weighs and that the steps were as usual, which moves some milligrams.
    assert after.dispensed_g == pytest.approx(expected_g, abs=0.01)
    assert after.dispensed_sd_g == pytest.approx(sd_g, abs=0.01)
    assert recorded(house)[0] == pytest.approx(after.dispensed_g, abs=1e-6)
    assert balanced_g(house) == pytest.approx(after.dispensed_g, abs=1e-6)

    assert after.remaining_g == pytest.approx(max(0.0, RATION["daily_g"] - MEAL_G - count * MEAL_G))


def test_a_dose_that_was_carried_out_and_not_weighed_is_about_what_was_asked() -> None:
    dose = Dose(1, 0, FEEDER, "ok", target_g=0.2, steps=200)
    assert dose.expected() == (0.2, 0.1)


def test_a_dose_that_gave_too_much_and_was_not_weighed_counts_as_what_is_expected_of_it() -> None:
    dose = Dose(1, 0, FEEDER, "over", target_g=0.2, steps=200)
    assert dose.expected()[0] == pytest.approx(0.8)  # half of eight times what was asked (judgement)
    assert dose.counted_g(0.5) == pytest.approx(0.8)


def test_a_dose_that_was_weighed_is_what_the_cell_says_and_one_that_did_not_move_is_nothing() -> None:
    assert Dose(1, 0, FEEDER, "jam", 0.2, 50, 10.0, 9.95, 0.01).expected() == (pytest.approx(0.05), 0.01)
    assert Dose(1, 0, FEEDER, "held", 0.2, 0).expected() == (0.0, 0.0)
