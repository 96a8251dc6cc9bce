"""A hold from a reading over HTTP to the feeder, through the real broker (contract: lines, hold, release)."""

from pathlib import Path
from typing import Any

import httpx
from device import Device
from servers import Service

from conftest import Household


def release(house: Household) -> httpx.Response:
    return house.api.post(f"/tanks/{house.tank}/release", json={"note": "looked at the water", "by": "the keeper"})


def connected(house: Household) -> Device:
    """The feeder, having confirmed what is in force."""
    device = house.device()
    device.wait(lambda: device.plan and device.hold, "plan and hold")
    house.until(lambda: house.hold()["message"] == "feeding")
    return device


def test_a_reading_over_the_line_holds_the_feeder_until_it_confirms(common: Household) -> None:
    device = connected(common)
    device.applies = False
    answer = common.reading("ammonia", 2.5)
    assert answer["hold"]["held"] is True
    hold = device.wait_hold(True)
    assert "total ammonia" in hold["reason"]
    assert common.hold()["message"] == "held: sent to the feeder, not confirmed yet"
    device.say_applied(boot="a-former-boot")
    device.say_applied(hold_version=hold["version"] - 1)
    device.dose(outcome="held", steps=0, before_g=None, after_g=None, sd_g=None)
    device.wait_received()  # so what was said before is known too
    assert common.hold()["confirmed_by_feeders"] == {common.feeder: False}
    device.say_applied()
    common.until(lambda: common.hold()["message"] == "held")


def test_release_over_http_needs_a_newer_reading_below_the_line(common: Household) -> None:
    device = connected(common)
    held_at = common.reading("ammonia", 2.5)["at"]
    held = device.wait_hold(True)
    answer = release(common)
    assert answer.status_code == 409
    assert answer.headers["content-type"] == "application/problem+json"
    assert "newer than the hold" in answer.json()["detail"]
    common.reading("ammonia", 0.1, at=held_at)
    assert release(common).status_code == 409
    common.reading("ammonia", 0.1)
    assert common.hold()["held"] is True
    answer = release(common)
    assert answer.is_success, answer.text
    assert answer.json()["held"] is False
    assert device.wait_hold(False)["version"] > held["version"]
    common.until(lambda: common.hold()["message"] == "feeding")


def test_a_hold_is_kept_for_a_feeder_that_is_away(common: Household) -> None:
    device = connected(common)
    device.vanish()
    common.reading("ammonia", 2.5)
    device.connect()
    device.wait_hold(True)
    common.until(lambda: common.hold()["message"] == "held")


def test_a_hold_survives_a_sigkill_right_after_the_answer(household: Household) -> None:
    """What was answered with 201 is on disk; whether the message was out or not, the feeder is held."""
    device = connected(household)
    household.reading("ammonia", 2.5)
    household.service.kill()
    household.service.start()
    hold = household.hold()
    assert hold["held"] is True
    assert {r["do"] for r in hold["reasons"]} == {"hold", "reduce"}
    device.wait_hold(True)
    household.until(lambda: household.hold()["message"] == "held")
    assert release(household).status_code == 409


def test_a_hold_entered_while_the_broker_is_gone_reaches_the_feeder_when_it_is_back(household: Household) -> None:
    device = connected(household)
    household.broker.kill()
    household.until(lambda: not household.service.healthy())
    household.reading("ammonia", 2.5)
    assert "not confirmed" in household.hold()["message"]
    household.broker.start()
    device.wait_hold(True)
    household.until(lambda: household.hold()["message"] == "held")


def test_two_boards_under_one_name_are_held_until_a_person_releases(common: Household) -> None:
    device = connected(common)
    device.say_hello(board="a-second-board", boot="another-boot")
    device.wait_hold(True)
    assert [r["kind"] for r in common.hold()["reasons"]] == ["board"]
    device.say_hello()
    device.say_applied()
    common.until(lambda: common.hold()["message"] == "held")
    assert len(common.hold()["reasons"]) == 1
    assert release(common).is_success
    device.wait_hold(False)


def test_two_installations_under_one_root_hold_and_one_that_is_gone_does_not(
    household: Household, tmp_path: Path
) -> None:
    """The second finds its predecessor's plan kept by the broker, which is no reason to hold; the predecessor coming
    back and sending plans is."""
    device = connected(household)
    assert device.plan is not None
    first = device.plan["installation"]
    household.service.kill()
    folder = tmp_path / "second"
    folder.mkdir()
    second = Service(folder, household.broker.url)
    second.start()
    try:
        other = Household(household.broker, second)
        other.tank, other.food, other.feeder = household.tank, household.food, household.feeder
        other.furnish()
        plan = device.wait(
            lambda: device.plan if device.plan and device.plan["installation"] != first else None, "the second's plan"
        )
        device.dose()
        device.wait_received()  # everything kept by the broker has come by now
        assert other.hold()["held"] is False
        household.service.start()
        reasons: list[dict[str, Any]] = other.until(lambda: other.hold()["reasons"])
        assert [r["kind"] for r in reasons] == ["installation"]
        other.ration(0.5, 2.0, [("08:00", 1.0)])  # a live plan of the second's, for the first to hear
        reasons = household.until(lambda: household.hold()["reasons"])
        assert [r["kind"] for r in reasons] == ["installation"]
        assert plan["installation"] in reasons[0]["text"]
        device.wait_hold(True)
        other.close()
    finally:
        second.close()
