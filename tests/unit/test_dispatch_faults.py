"""A tank whose books cannot be worked out: the other tanks' feeders are told all the same, and people hear of it."""

import json
from typing import Any

import pytest
from house import FEEDER, MINUTE_MS, TANK, House

from tareline.mqtt.messages import Message
from tareline.store import ledger
from tareline.web.api.health import health

SILL, SECOND = "sill", "second"
WHAT = f"window sill: Tareline cannot tell {SECOND} what to do now"


@pytest.fixture
def house(house: House) -> House:
    house.add("tank", id=SILL, name="window sill", volume_l=20, timezone="UTC")
    house.add("feeder", id=SECOND, tank=SILL)
    house.ration(1.0, 2.0, [("08:00", 0.5), ("18:00", 0.5)], tank=SILL)
    house.hear(*(message for name in (FEEDER, SECOND) for message in (house.online(name), house.hello(name))))
    return house


def write_ration(house: House, meals: list[dict[str, Any]] | None) -> None:
    """A ration of the sill as no call would enter it, as a fault of ours or of a disk might leave it."""
    body = {"daily_g": 1.0, "cap_g": 2.0, **({} if meals is None else {"meals": meals})}
    house.clock.advance(1000)
    with house.service.context.write() as tx:
        now_ms = house.service.context.stamp_ms()
        ledger.add(tx, "ration", now_ms, now_ms, body, tank=SILL)


def without_a_plan(house: House) -> None:
    """Its meals are at an hour that no day has, so that its plan cannot be worked out; its holds can."""
    write_ration(house, [{"at": "33:00", "share": 1.0, "feeder": None, "slot": "33:00"}])


def without_a_tank(house: House) -> None:
    """It lacks its meals, so that nothing of the tank can be worked out."""
    write_ration(house, None)


def whats(house: House) -> list[str]:
    return [alert.what for alert in house.watch()]


@pytest.mark.parametrize("fault", [without_a_plan, without_a_tank])
def test_the_fault_of_one_tank_keeps_nothing_from_the_feeders_of_another(house: House, fault: Any) -> None:
    fault(house)
    cap_g = house.last("plan")["days"][0]["cap_g"]  # type: ignore[index]
    house.sent.clear()
    house.hear(house.dose(1, SECOND), house.dose(1))
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.5})
    assert house.last("plan")["days"][0]["cap_g"] == cap_g - 0.5  # type: ignore[index]
    house.service.hold(TANK, {"reason": "medication"})
    assert house.last("hold")["held"] is True  # type: ignore[index]
    house.connect()
    assert house.told("plan", SECOND), "what it was told last is sent again with every connection"


def test_a_hold_reaches_a_feeder_whose_plan_cannot_be_worked_out(house: House) -> None:
    without_a_plan(house)
    house.sent.clear()
    house.service.hold(SILL, {"reason": "medication"})
    assert house.last("hold", SECOND)["held"] is True  # type: ignore[index]
    assert house.told("plan", SECOND) == []


@pytest.mark.parametrize("fault", [without_a_plan, without_a_tank])
def test_people_are_told_until_the_feeder_can_be_told_again(house: House, fault: Any) -> None:
    fault(house)
    assert health(house.service).dispatch_faults == {}
    house.hear(house.dose(1, SECOND))
    house.pass_time(2 * MINUTE_MS, 10_000)
    told = health(house.service)
    assert told.status == "failing"
    assert told.dispatch_faults[SECOND].for_s == 120
    assert told.dispatch_faults[SECOND].error.startswith(("KeyError: 'meals'", "ValueError: "))
    (alert,) = house.watch()
    assert (alert.what, alert.tank, alert.urgent) == (WHAT, SILL, True)
    assert "a hold included" in alert.text
    with house.service.context.write() as tx:
        (broken,) = ledger.newest(tx, "ration", tank=SILL)
        meals = [{"at": "08:00", "share": 1.0, "feeder": None, "slot": "08:00"}]
        body = json.dumps({"daily_g": 1.0, "cap_g": 2.0, "meals": meals})
        ledger.correct(tx, broken, house.service.context.stamp_ms(), body=body)
    house.sent.clear()
    house.pass_time(2 * MINUTE_MS, 10_000)
    told = health(house.service)
    assert (told.dispatch_faults, told.status) == ({}, "ok")
    house.watch()
    house.clock.advance(11 * MINUTE_MS)
    assert WHAT not in whats(house)


def test_the_plans_of_another_installation_hold_the_tanks_that_can_be_held(house: House) -> None:
    without_a_tank(house)
    plan = b'{"installation":"another"}'
    house.hear(Message(f"tareline/{FEEDER}/down/plan", plan, house.clock.now_ms(), False))
    assert house.hold().held
    assert house.last("hold")["held"] is True  # type: ignore[index]
