"""A feeder that does not confirm its plan goes on by an older one: people are told."""

import pytest
from house import FEEDER, HOUR_MS, MINUTE_MS, TANK, House

WHAT = f"reading room: {FEEDER} has not confirmed its new plan"


@pytest.fixture
def house(house: House) -> House:
    house.hear(house.online(), house.hello())
    house.confirm()
    return house


def told(house: House) -> bool:
    return WHAT in [alert.what for alert in house.watch()]


def less(house: House, daily_g: float = 0.5) -> None:
    house.ration(daily_g, 1.0, [("08:00", 0.5), ("18:00", 0.5)])


def test_a_confirmed_plan_is_no_concern(house: House) -> None:
    less(house)
    house.confirm()
    house.clock.advance(HOUR_MS)
    assert not told(house)


def test_one_that_is_not_confirmed_for_ten_minutes_is_told_until_it_is(house: House) -> None:
    less(house)
    house.clock.advance(10 * MINUTE_MS - 1)
    assert not told(house)
    house.clock.advance(1)
    assert told(house)
    (alert,) = [one for one in house.watch() if one.what == WHAT]
    assert (alert.kind, alert.tank, alert.urgent) == ("feeder", TANK, False)
    assert "The plan was issued" in alert.text
    assert "a ration that was changed since then is not in force" in alert.text
    house.confirm()
    house.watch()
    house.clock.advance(10 * MINUTE_MS)
    assert not told(house)


def test_one_that_is_replaced_gives_the_feeder_its_time_anew(house: House) -> None:
    less(house)
    house.clock.advance(9 * MINUTE_MS)
    less(house, 0.25)
    house.clock.advance(9 * MINUTE_MS)
    assert not told(house)
    house.clock.advance(MINUTE_MS)
    assert told(house)


def test_only_time_on_the_network_counts(house: House) -> None:
    house.hear(house.online(online=False))
    less(house)
    house.clock.advance(HOUR_MS)
    assert not told(house), "its silence is told instead"
    house.hear(house.online())
    house.clock.advance(10 * MINUTE_MS - 1)
    assert not told(house)
    house.clock.advance(1)
    assert told(house)


def test_what_an_earlier_boot_confirmed_does_not_count(house: House) -> None:
    """It has said nothing of what it follows since it restarted."""
    house.hear(house.hello(boot="later"))
    house.clock.advance(10 * MINUTE_MS)
    assert told(house)


def test_a_feeder_on_no_tank_is_told_of_too(house: House) -> None:
    """It may go on feeding the tank from which it was taken in the books."""
    house.service.things.put("feeder", FEEDER, {"tank": None})
    house.clock.advance(10 * MINUTE_MS)
    assert f"No tank: {FEEDER} has not confirmed its new plan" in [alert.what for alert in house.watch()]
