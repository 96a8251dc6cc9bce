"""Everything a device sends ends where it belongs (contract: the table of topics)."""

import json
from typing import Any

from device import Device, now_ms

from conftest import Household


def device_row(house: Household, name: str) -> dict[str, Any]:
    row: dict[str, Any] = next(d for d in house.get("/devices") if d["device"] == name)
    return row


def test_status_hello_and_applied_are_what_the_devices_page_says(common: Household) -> None:
    device = common.device()
    device.wait(lambda: device.plan and device.hold, "plan and hold")
    row = common.until(lambda: (r := device_row(common, common.feeder))["hold_confirmed"] and r["plan_confirmed"] and r)
    assert row["online"] is True
    assert row["firmware"] == "test"
    assert row["boot"] == device.boot
    assert row["board"] == device.board
    assert row["clock"] == "set"
    assert device.plan is not None
    assert row["plan_version"] == device.plan["version"]


def test_last_will_makes_a_device_offline(common: Household) -> None:
    device = common.device()
    common.until(lambda: device_row(common, common.feeder)["online"] is True)
    device.vanish()
    row = common.until(lambda: (r := device_row(common, common.feeder))["online"] is False and r)
    assert row["silent_since"] is not None


def test_a_dose_is_in_the_ledger_as_it_was_sent_and_received(common: Household) -> None:
    device = common.device()
    sent = device.dose(meal="2024-05-01/08:00", cause="plan")
    device.wait_received(1)
    entry = common.doses()[0]
    for field in ("seq", "journal", "meal", "cause", "target_g", "steps", "before_g", "after_g", "sd_g", "outcome"):
        assert entry[field] == sent[field], field
    assert entry["feeder"] == common.feeder
    whole = common.get(f"/ledger/{entry['entry']}")
    assert whole["mass_g"] == sent["before_g"] - sent["after_g"]
    assert json.loads(whole["message"]) == sent


def test_an_entry_names_the_whole_topic_that_its_message_came_on(common: Household) -> None:
    device = common.device()
    device.dose()
    device.wait_received(1)
    whole = common.get(f"/ledger/{common.doses()[0]['entry']}")
    assert whole["topic"] == f"tareline/{common.feeder}/up/dose"


def test_dose_without_a_weight_is_unweighed_and_not_zero(common: Household) -> None:
    device = common.device()
    device.dose(before_g=None, after_g=None, sd_g=None)
    device.wait_received(1)
    today = common.get(f"/tanks/{common.tank}/days")[0]
    assert today["dispensed_g"] is None
    assert "unweighed" in today["flags"]


def test_weight_becomes_a_series_and_what_is_left_in_the_hopper(common: Household) -> None:
    device = common.device()
    at_ms = now_ms()
    body = {"boot": device.boot, "at_ms": at_ms, "uptime_ms": 5, "mass_g": 41.25, "sd_g": 0.02, "temperature_c": 22.0}
    device.send("weight", body)
    query = {"metric": "hopper", "start": "2020-01-01T00:00:00Z", "end": "2099-01-01T00:00:00Z"}
    common.until(lambda: common.api.get(f"/tanks/{common.tank}/series", params=query).status_code == 200)
    found = common.get(f"/tanks/{common.tank}/series", **query)
    assert found["unit"] == "g"
    assert [p["value"] for p in found["points"]] == [41.25]
    # The same again, as a broker may deliver it, is the same sample.
    device.send("weight", body)
    device.dose()
    device.wait_received()
    assert [p["n"] for p in common.get(f"/tanks/{common.tank}/series", **query)["points"]] == [1]


def test_samples_with_and_without_a_clock(common: Household) -> None:
    probe = f"probe-{common.number}"
    common.post("/probes", id=probe, tank=common.tank)
    device = common.device(probe, kind="probe")
    at_s = now_ms() // 1000 - 60
    pack = [
        {"bn": f"{probe}:", "bt": at_s, "n": "temperature", "u": "Cel", "v": 24.5},
        {"n": "conductivity", "u": "S/m", "v": 0.05},
        {"n": "voltage", "u": "V", "v": 3.3},
    ]
    device.send("samples", pack)
    relative = [
        {
            "bn": f"{probe}:",
            "boot": device.boot,
            "uptime_ms": 900_000,
            "n": "temperature",
            "u": "Cel",
            "v": 25,
            "t": -30,
        }
    ]
    device.send("samples", relative)

    def series(metric: str) -> Any:
        start, end = "2020-01-01T00:00:00Z", "2099-01-01T00:00:00Z"
        query: dict[str, str | int] = {"metric": metric, "start": start, "end": end, "points": 10_000}
        return common.api.get(f"/tanks/{common.tank}/series", params=query).json().get("points", [])

    common.until(lambda: sum(p["n"] for p in series("temperature")) == 2)
    assert [p["value"] for p in series("conductivity")] == [0.05]
    assert [p["value"] for p in series("voltage")] == [3.3]
    assert common.rejects(probe) == []


def test_fault_is_in_the_books_once(common: Household) -> None:
    device = common.device()
    fault = {"boot": device.boot, "at_ms": now_ms(), "uptime_ms": 77, "code": "cell", "detail": "no answer"}
    device.send("fault", fault)
    device.send("fault", fault)
    device.dose()
    device.wait_received()
    entries = common.ledger("fault")
    assert [(e["code"], e["detail"], e["feeder"]) for e in entries] == [("cell", "no answer", common.feeder)]


def test_unknown_fields_are_ignored_and_nullable_ones_may_be_absent(common: Household) -> None:
    device = common.device()
    body = device.dose_body(colour="blue", nested={"a": [1]})
    for nullable in ("meal", "temperature_c", "before_g", "after_g", "sd_g"):
        del body[nullable]
    device.send("dose", body)
    device.wait_received(1)
    assert common.rejects() == []


def test_a_device_without_a_clock_is_told_the_time_with_the_echo_of_its_hello(common: Household) -> None:
    device = common.device(clock=False)
    told = device.wait(lambda: device.heard("time"), "time")[0]
    assert told["boot"] == device.boot
    assert 0 <= told["uptime_ms"] <= device.uptime_ms
    assert abs(told["now_ms"] - now_ms()) < 60_000


def test_a_device_with_a_clock_is_not_told_the_time(common: Household) -> None:
    device = common.device()
    device.dose()
    device.wait_received()
    assert device.heard("time") == []


def test_hello_and_applied_kept_by_the_broker_confirm_after_a_restart_of_the_service(household: Household) -> None:
    device = household.device()
    device.wait(lambda: device.hold, "hold")
    household.until(lambda: device_row(household, household.feeder)["hold_confirmed"])
    household.service.terminate()
    household.service.ended()
    household.service.start()
    row = household.until(lambda: (r := device_row(household, household.feeder))["online"] and r)
    assert row["hold_confirmed"] is True
    assert row["boot"] == device.boot


def test_applied_of_a_former_boot_confirms_nothing(common: Household) -> None:
    device = common.device()
    device.wait(lambda: device.hold, "hold")
    common.until(lambda: device_row(common, common.feeder)["hold_confirmed"])
    # A restart: the new boot says hello, while what the broker keeps of applied is still the old boot's.
    device.say_hello(boot="another-boot")
    common.until(lambda: device_row(common, common.feeder)["boot"] == "another-boot")
    assert device_row(common, common.feeder)["hold_confirmed"] is False

    def confirmed() -> bool:
        device.say_applied(boot="another-boot")  # the test device's own answer to a plan may still name the old boot
        return bool(device_row(common, common.feeder)["hold_confirmed"])

    common.until(confirmed)


def unknown_device(house: Household) -> Device:
    """A device whose three doses were refused, since nobody had registered it."""
    house.add_tank(house.tank)
    house.post("/foods", id=house.food, name="flakes", protein_percent=40)
    device = house.device()
    for _ in range(3):
        device.dose()
    house.until(lambda: len([r for r in house.rejects() if r["topic"].endswith("/dose")]) == 3)
    assert all("unknown device" in r["reason"] for r in house.rejects())
    return device


def test_a_device_registered_later_is_known_by_the_hello_that_the_broker_kept(bare: Household) -> None:
    device = unknown_device(bare)
    bare.add_feeder(bare.feeder)
    row = bare.until(lambda: (r := device_row(bare, bare.feeder))["boot"] == device.boot and r)
    assert row["online"] is True
    device.wait(lambda: device.plan and device.hold, "plan and hold")


def test_doses_of_an_unknown_device_are_taken_once_it_is_registered_and_doses_again(bare: Household) -> None:
    device = unknown_device(bare)
    bare.add_feeder(bare.feeder)
    device.wait(lambda: device.heard("received"), "received")
    device.dose()
    device.wait_received(4)
    assert sorted(e["seq"] for e in bare.doses()) == [1, 2, 3, 4]


def test_doses_of_an_unknown_device_are_asked_for_again_when_it_is_registered(bare: Household) -> None:
    """Also where the device has nothing new to say: its hello was said before these doses."""
    device = unknown_device(bare)
    bare.add_feeder(bare.feeder)
    device.wait_received(3)
    assert sorted(e["seq"] for e in bare.doses()) == [1, 2, 3]
