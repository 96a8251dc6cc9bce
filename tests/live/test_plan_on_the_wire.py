"""Plans on their way to the feeder, through the real broker (contract: down/plan, retained messages)."""

from typing import Any

from device import Device

from conftest import Household


def slots(plan: dict[str, Any] | None) -> dict[str, float]:
    """The meals of a plan's last day, by slot."""
    found = plan["meals"] if plan else []
    last = found[-1]["id"].partition("/")[0] if found else ""
    return {m["id"].partition("/")[2]: m["target_g"] for m in found if m["id"].startswith(last)}


def with_meals(device: Device) -> dict[str, Any]:
    """The first plan made with the ration and with what the device's hello says: no other follows by itself."""
    plan: dict[str, Any] = device.wait(
        lambda: device.plan if slots(device.plan) and device.plan["gain_g_per_step"] else None,  # type: ignore[index]
        "a plan with meals",
    )
    return plan


def test_a_change_of_ration_reaches_a_connected_feeder_and_is_confirmed(common: Household) -> None:
    device = common.device()
    first = with_meals(device)
    assert common.ration(0.5, 1.0, [("08:00", 0.2), ("19:30", 0.8)]).status_code == 200
    device.wait(lambda: slots(device.plan) == {"08:00": 0.1, "19:30": 0.4}, "the new plan")
    assert device.plan is not None
    assert device.plan["version"] > first["version"]
    common.until(lambda: any(d["device"] == common.feeder and d["plan_confirmed"] for d in common.get("/devices")))


def test_a_plan_is_kept_for_a_feeder_that_connects_later(common: Household) -> None:
    common.ration(0.5, 1.0, [("08:00", 0.2), ("19:30", 0.8)])
    device = common.device()
    device.wait(lambda: slots(device.plan) == {"08:00": 0.1, "19:30": 0.4}, "the plan of the last ration")


def test_a_hand_feed_lowers_the_cap_of_its_day(common: Household) -> None:
    device = common.device()
    assert {day["cap_g"] for day in with_meals(device)["days"]} == {2.0}
    common.post(f"/tanks/{common.tank}/handfeeds", mass_g=0.75, food=common.food)
    device.wait(lambda: device.plan and {day["cap_g"] for day in device.plan["days"]} == {1.25, 2.0}, "the lower cap")


def test_a_restart_of_the_service_tells_the_same_plan_again(household: Household) -> None:
    """Unless a day has begun meanwhile, nothing has changed: not even the version."""
    device = household.device()
    before = with_meals(device)
    heard = len(device.heard("plan"))
    household.service.terminate()
    assert household.service.ended() == 0
    household.service.start()
    device.wait(lambda: len(device.heard("plan")) > heard, "the plan again")
    device.dose(steps=0, target_g=0.0, after_g=50.0)  # what it feeds would come off the meals still to come today
    device.wait_received()
    again = device.heard("plan")[heard:]
    assert [p for p in again if p["days"][0] == before["days"][0] and p != before] == []


def wait_for_all(device: Device, kept: bool) -> dict[str, dict[str, Any]]:
    """Wait for plan, hold and received, and for their being told as kept by the broker where that is asked for."""
    tails = ("plan", "hold", "received")

    def look() -> dict[str, dict[str, Any]] | None:
        found = {tail: body for tail, body, retained in device.got if tail in tails and (retained or not kept)}
        return found if len(found) == len(tails) else None

    return device.wait(look, f"all of {tails}; kept: {kept}; got {device.got}")


def test_a_broker_that_forgot_everything_is_told_everything_again(household: Household) -> None:
    """Devices say hello at every connect, and the service publishes plan, hold and received again at every connect,
    since a broker that loses power may lose what it had acknowledged."""
    device = household.device()
    device.dose()
    device.dose()
    device.wait_received(2)
    household.reading("ammonia", 2.5)
    device.wait_hold(True)
    before = (device.plan, device.hold)
    household.broker.kill()
    household.broker.forget()
    with device.changed:
        device.got.clear()
    household.broker.start()
    told = wait_for_all(device, kept=False)
    assert (told["plan"], told["hold"]) == before
    assert told["received"] == {"journal": device.journal, "seq": 2}
    household.until(household.service.healthy, timeout=60)
    # They are kept again too: a feeder that connects now is told at once.
    device.vanish()
    with device.changed:
        device.got.clear()
    device.connect()
    assert wait_for_all(device, kept=True) == told
    device.dose()
    device.wait_received(3)
    assert [e["seq"] for e in household.doses()] == [1, 2, 3]
    household.until(lambda: household.hold()["message"] == "held")
