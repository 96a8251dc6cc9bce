"""A whole feeder and a whole probe on the core, their link over its serial line to a real broker."""

import json
import time
from typing import Any

import pytest
from core_device import FIRST_MS, GAIN_NG, HOPPER_UG, STEPS, Device
from desk import Ear
from emulated import LARGEST, STARTS
from hearing import HEAPS, LARGEST_PIECE_BYTES, Make, asked, told
from plans import LARGEST_BYTES, TARGET_G, plan
from servers import Broker
from waiting import until

HOUR_MS = 3_600_000


def feeder(make: Make, ear: Ear, broker: Broker, heap_bytes: int) -> Device:
    """A feeder that has taken a plan of the largest size, whose first meal is due in a second or two."""
    made = make("feeder", heap_bytes, ceiling_g_per_day=30)
    now_ms = int(time.time() * 1000)
    made.set_clock(now_ms)
    ear.say(made.name, "plan", plan(now_ms + 1500 - 10 * HOUR_MS, now_ms, 1, cap_g=20.0), retain=True)
    made.start(broker.port)
    told(made, ear, "hello")
    made[LARGEST] = 0
    told(made, ear, "applied", plan_version=1)
    return made


@pytest.mark.parametrize("heap_bytes", HEAPS)
def test_a_feeder_follows_plan_command_and_hold(device: Make, ear: Ear, broker: Broker, heap_bytes: int) -> None:
    core = feeder(device, ear, broker, heap_bytes)
    meal = told(core, ear, "dose", cause="plan")
    assert (meal["outcome"], meal["steps"], meal["target_g"]) == ("ok", 20, TARGET_G)

    before_ug = core[HOPPER_UG]
    reply = asked(core, ear, "c1", "dispense", target_g=0.3)
    assert (reply["ok"], reply["result"]["steps"]) == (True, 300)
    dose = told(core, ear, "dose", seq=reply["result"]["seq"])
    out_g = (before_ug - core[HOPPER_UG]) / 1e6
    assert out_g == pytest.approx(300 * GAIN_NG / 1e9)
    assert abs(dose["before_g"] - dose["after_g"] - out_g) <= 4 * dose["sd_g"]

    moved = core[STEPS]
    ear.command(core.name, "c2", "dispense", target_g=2.0)
    until(lambda: core[STEPS] > moved + 100, what="the auger to turn")
    ear.say(core.name, "hold", hold(1, True), retain=True)
    reply = told(core, ear, "reply", id="c2")
    stopped = core[STEPS]
    assert reply["result"]["outcome"] == "interrupted"
    assert 100 < reply["result"]["steps"] == stopped - moved < 2000
    told(core, ear, "applied", hold_version=1)
    assert asked(core, ear, "c3", "dispense", target_g=0.1)["result"]["outcome"] == "held"
    assert core[STEPS] == stopped
    ear.say(core.name, "hold", hold(2, False), retain=True)
    told(core, ear, "applied", hold_version=2)
    assert asked(core, ear, "c4", "dispense", target_g=0.1)["result"]["outcome"] == "ok"
    assert core[STEPS] == stopped + 100

    last = told(core, ear, "dose", seq=max(dose["seq"] for dose in ear.of(core.name, "dose")))
    held = {"from": 1, "to": last["seq"]}
    assert asked(core, ear, "c5", "resend", **held)["result"]["held"] == last["seq"]
    ear.say(core.name, "received", {"journal": last["journal"], "seq": last["seq"]}, retain=True)
    assert asked(core, ear, "c6", "resend", **held)["result"]["held"] == 0

    assert core[STARTS] == 1
    # Last, so that one number does not hide what else works.
    assert core[LARGEST] <= LARGEST_PIECE_BYTES


def hold(version: int, held: bool) -> dict[str, Any]:
    return {"installation": "window-sill", "version": version, "held": held, "reduce_to": None, "reason": "cleaning"}


POISON = {
    "brackets": b"[" * 4000,
    "brackets to the limit": b"[" * LARGEST_BYTES,
    "objects in objects": b'{"a":' * (LARGEST_BYTES // 5),
    "many small lists": b"[" + b"[]," * 2729 + b"[]]",
    "many small objects": b"[" + b"{}," * 2729 + b"{}]",
    "many numbers": b"[" + b"1," * 4094 + b"1]",
    "one long text": b'{"do": "' + b"x" * (LARGEST_BYTES - 10) + b'"}',
    "one long name": b'{"' + b"y" * (LARGEST_BYTES - 6) + b'":1}',
    "a long number": b"9" * LARGEST_BYTES,
    "no JSON": bytes(range(256)) * (LARGEST_BYTES // 256),
}


@pytest.mark.parametrize("heap_bytes", HEAPS)
def test_no_message_silences_a_feeder(device: Make, ear: Ear, broker: Broker, heap_bytes: int) -> None:
    """After each message of up to 8 KiB that cannot be taken it answers, has not been restarted, and feeds."""
    core = feeder(device, ear, broker, heap_bytes)
    for name, payload in POISON.items():
        assert len(payload) <= LARGEST_BYTES
        for tail in ("plan", "hold", "received", "command"):
            ear.say(core.name, tail, payload)
        reply = asked(core, ear, f"after {name}", "resend", **{"from": 1, "to": 1})
        assert core[STARTS] == 1, name
        assert "journal_to" in reply["result"], name
    told(core, ear, "fault", code="message_refused")
    # A hold that could not be read may well count as one; somebody lets feeding go on.
    ear.say(core.name, "hold", hold(int(time.time() * 1000), False), retain=True)
    assert asked(core, ear, "food", "dispense", target_g=0.1)["result"]["outcome"] == "ok"
    # Forgotten: none of it comes again after a power cut.
    largest = core[LARGEST]
    core.power_cut()
    known = len(ear.of(core.name, "fault"))
    core.start(broker.port)
    assert asked(core, ear, "anew", "dispense", target_g=0.1)["result"]["outcome"] == "ok"
    assert core[STARTS] == 2
    assert "message_refused" not in [fault["code"] for fault in ear.of(core.name, "fault")[known:]]
    assert largest <= LARGEST_PIECE_BYTES


@pytest.mark.parametrize("heap_bytes", HEAPS)
def test_a_probe_sends_what_it_measures(device: Make, ear: Ear, broker: Broker, heap_bytes: int) -> None:
    core = device("probe", heap_bytes, sample_s=5)
    core.set_clock(FIRST_MS)
    core.start(broker.port)
    assert told(core, ear, "hello")["kind"] == "probe"
    pack = until(lambda: ear.of(core.name, "samples"), 30, lambda: core.log)[0]
    values = {record["n"]: record["v"] for record in pack}
    assert values["temperature"] == 24.5
    # 420 uS in a cell of 100 per metre are 0.042 S/m; the converter's steps are a thousandth of its voltage.
    assert values["conductivity"] == pytest.approx(0.042, rel=0.003)
    core[LARGEST] = 0
    for name, payload in POISON.items():
        for tail in ("received", "command"):
            ear.say(core.name, tail, payload)
        ear.say(core.name, "command", json.dumps({"id": name, "do": "no such thing"}).encode())
        told(core, ear, "reply", id=name)
    until(lambda: len(ear.of(core.name, "samples")) >= 2, 30, lambda: core.log)
    assert core[STARTS] == 1
    assert core[LARGEST] <= LARGEST_PIECE_BYTES
