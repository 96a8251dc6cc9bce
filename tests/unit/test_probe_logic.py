"""The probe's own rules: what it sends, what it keeps while the network is away, and that it invents no time."""

import json
from typing import Any

import portable_probe
import pytest
from hypothesis import given
from hypothesis import strategies as st
from probe_world import (
    DAY,
    FIRST_UV,
    HOUR,
    MINUTE,
    SECOND,
    START,
    PowerCutError,
    Received,
    World,
    backlog,
    probe,
)

from present import present
from tareline.mqtt.messages import Fault, Hello
from tareline.mqtt.senml import parse, resolve


@pytest.fixture
def small_flash(monkeypatch: pytest.MonkeyPatch) -> None:
    """A backlog that a few hours fill, so that a day thins it several times."""
    monkeypatch.setattr(backlog, "LIMIT", 4096)


def away(hours: float, **world) -> tuple[World, Received]:
    """A probe whose network has been away for so long since its start."""
    desk = World(**world).boot()
    received = Received(desk)
    return desk.run(int(hours * HOUR)), received


# What it sends


def test_a_sample_a_minute_goes_out_at_once_and_flash_is_left_alone() -> None:
    desk = World().boot()
    received = Received(desk)
    desk.connect().run(DAY)
    assert len(received.samples) == 1440
    assert received.gaps_s(START, START + DAY - MINUTE)[0] <= 60
    assert (received.repeats, desk.writes, desk.faults()) == (0, 0, [])


def test_the_pause_between_samples_is_a_setting() -> None:
    desk = World(settings={"sample_s": 300}).boot()
    received = Received(desk)
    desk.connect().run(DAY)
    assert len(received.samples) == 288
    with pytest.raises(ValueError, match="whole number"):
        World(settings={"sample_s": 4}).boot()


def test_hello_says_what_it_is_as_the_service_reads_it() -> None:
    desk = World().boot().connect()
    hello = Hello.model_validate_json(json.dumps(desk.of("hello")[-1]))
    assert (hello.kind, hello.clock, hello.calibration) == ("probe", "set", "none")
    assert desk.of("status") == [{"online": True}]


def test_conductivity_is_sent_once_calibrated_and_uncompensated() -> None:
    desk = World().boot()
    packs: list[bytes] = []
    desk.on_pack = packs.append
    desk.connect().run(SECOND)
    assert {r.name for r in resolve(parse(packs[-1]))} == {"temperature", "voltage"}
    desk.temperature = 2500
    desk.converter = [725_186] * 8  # 1408.23 uS behind 200 ohm at 3.3 V: Ohm's law for the divider
    reply = desk.command("c1", "calibrate", conductivity_s_per_m=0.140823)
    assert reply["ok"], reply
    assert reply["result"]["cell_constant_per_m"] == pytest.approx(100, rel=1e-5)
    for temperature in (1500, 2500, 3000):
        desk.temperature = temperature
        desk.run(MINUTE)
        found = {r.name: r.value for r in resolve(parse(packs[-1]))}
        assert found == {
            "temperature": temperature / 100,
            "conductivity": pytest.approx(0.140823, rel=1e-5),
            "voltage": 0.725186,
        }
    assert desk.of("hello")[-1]["calibration"].startswith("1 points, cell ")
    again = desk.boot().probe.calibration
    assert again.cell_per_km() == pytest.approx(100_000, rel=1e-5)


@pytest.mark.parametrize(
    ("bend", "code", "sent"),
    [
        ({"temperature": None}, "thermometer_dead", {"voltage", "conductivity"}),
        ({"temperature": 9000}, "thermometer_implausible", {"voltage", "conductivity"}),
        ({"converter": ()}, "converter_dead", {"temperature"}),
        ({"converter": [100] * 8}, "probe_dry", {"temperature", "voltage"}),
        ({"converter": [3_290_000] * 8}, "probe_shorted", {"temperature", "voltage"}),
        ({"converter": [3_200_000] * 8}, "converter_saturated", {"temperature", "voltage"}),
        ({"converter": [300_000, 600_000] * 4}, "converter_noisy", {"temperature", "voltage"}),
    ],
)
def test_a_sensor_out_of_order_is_told_once_a_day_and_what_it_says_is_not_sent(bend, code, sent) -> None:
    desk = World().boot()
    desk.probe.calibration = probe.Calibration([(140_823, 1_408_230)])
    names: list[set[str]] = []
    desk.on_pack = lambda payload: names.append({r.name for r in resolve(parse(payload))})
    desk.connect()
    for field, value in bend.items():
        setattr(desk, field, value)
    desk.run(2 * MINUTE)
    assert desk.faults() == []  # twice may be a bad contact
    desk.run(MINUTE)
    assert desk.faults() == [code]
    assert names == [sent] * 3
    desk.run(DAY + MINUTE)
    assert desk.faults() == [code, code]
    for fault in desk.of("fault"):
        assert Fault.model_validate_json(json.dumps(fault)).detail == probe.PROBE_FAULTS[code]


def test_a_sensor_that_recovers_is_told_anew_when_it_fails_again() -> None:
    desk = World().boot().connect()
    for _ in range(2):
        desk.temperature = None
        desk.run(5 * MINUTE)
        desk.temperature = 2450
        desk.run(5 * MINUTE)
    assert desk.faults() == ["thermometer_dead"] * 2


# Commands


def test_a_calibration_that_makes_no_sense_is_refused_and_the_old_one_stays() -> None:
    desk = World().boot().connect()
    desk.temperature = 2500
    desk.converter = [725_186] * 8
    assert desk.command("a", "calibrate", conductivity_s_per_m=0.140823)["ok"]
    kept = desk.files["sensor.bin"]
    cases: list[tuple[dict[str, Any], dict[str, Any], str]] = [
        ({}, {}, "conductivity_s_per_m: expected"),
        ({}, {"conductivity_s_per_m": "0.14"}, "conductivity_s_per_m: expected"),
        ({}, {"conductivity_s_per_m": True}, "conductivity_s_per_m: expected"),
        ({}, {"conductivity_s_per_m": 1.28246}, "did not conduct better"),
        ({"temperature": None}, {"conductivity_s_per_m": 0.140823}, "thermometer"),
        ({"temperature": 500}, {"conductivity_s_per_m": 0.140823}, "10 to 35"),
        ({"converter": [0] * 8}, {"conductivity_s_per_m": 0.140823}, "out of the water"),
    ]
    for number, (bend, argument, why) in enumerate(cases):
        desk.temperature, desk.converter = 2500, [725_186] * 8
        for field, value in bend.items():
            setattr(desk, field, value)
        reply = desk.command(f"b{number}", "calibrate", **argument)
        assert not reply["ok"]
        assert why in reply["detail"]
    assert desk.files["sensor.bin"] == kept


def test_a_command_acts_once_over_restarts_and_never_after_it_expires() -> None:
    desk = World().boot().connect()
    assert desk.command("r", "restart")["ok"]
    assert desk.restarts == 1
    desk.boot().connect()
    assert "already" in desk.command("r", "restart")["detail"]
    assert desk.command("late", "restart", expires=desk.true_ms)["detail"] == "expired"
    assert not desk.command("x", "dispense", target_g=1)["ok"]
    desk.has_clock = False
    desk.boot().connect()
    assert "no clock" in desk.command("blind", "restart")["detail"]
    assert desk.restarts == 1
    assert desk.command("endless", "restart", expires=None)["ok"]


def test_command_ids_are_kept_until_they_expire_and_no_more_are_taken_than_can_be_kept() -> None:
    desk = World().boot().connect()
    replies = [desk.command(f"n{i}", "restart") for i in range(probe.MOST_COMMANDS + 1)]
    assert [reply["ok"] for reply in replies] == [True] * probe.MOST_COMMANDS + [False]
    desk.run(HOUR + MINUTE)
    assert desk.command("later", "restart")["ok"]
    assert len(desk.probe.commands) <= probe.MOST_COMMANDS


def test_rubbish_is_told_and_changes_nothing() -> None:
    desk = World().boot().connect()
    for payload in (b"", b"[]", b"\xff", b'{"id":5}', b"{" * 9000, b'{"id":"a","expires_at_ms":"x"}'):
        desk.say("command", payload).say("time", payload)
    desk.say("plan", b"not for a probe")
    desk.run(MINUTE)
    assert set(desk.faults()) == {"message_refused"}
    assert desk.restarts == 0


def test_a_damaged_calibration_means_no_conductivity_and_not_a_guess() -> None:
    desk = World().boot().connect()
    desk.temperature, desk.converter = 2500, [725_186] * 8
    desk.command("a", "calibrate", conductivity_s_per_m=0.140823)
    data = desk.files["sensor.bin"]
    desk.files["sensor.bin"] = data[:-3] + b"9" + data[-2:]
    names: list[set[str]] = []
    desk.on_pack = lambda payload: names.append({r.name for r in resolve(parse(payload))})
    desk.boot().connect().run(MINUTE)
    assert names == [{"temperature", "voltage"}]
    assert desk.faults() == ["sensor_calibration_damaged"]
    assert desk.command("b", "calibrate", conductivity_s_per_m=0.140823)["ok"]


# While the network is away


def test_an_outage_is_sent_in_order_and_whole_when_the_network_is_back() -> None:
    desk, received = away(30)
    assert desk.writes <= 30 * 12 + 1  # the arithmetic of wear: one append in five minutes
    desk.connect().run(5 * MINUTE)
    assert len(received.samples) == 30 * 60 + 5
    assert received.repeats == 0
    assert desk.faults() == []
    assert desk.files["backlog.bin"] == b""


def test_an_outage_of_seconds_touches_no_flash() -> None:
    desk = World().boot()
    received = Received(desk)
    desk.connect().run(HOUR).cut().run(3 * MINUTE).connect().run(HOUR)
    assert desk.writes == 0
    assert received.gaps_s(START, desk.true_ms - MINUTE)[0] <= 60


def test_a_lost_acknowledgement_repeats_the_pack_and_no_sample_changes() -> None:
    desk = World().boot()
    received = Received(desk)
    desk.acknowledges = False
    desk.connect().run(SECOND).cut().run(2 * HOUR)
    desk.acknowledges = True
    desk.connect().run(5 * MINUTE)
    assert len(received.samples) == 2 * 60 + 6
    assert received.repeats >= 1
    assert received.gaps_s(START, desk.true_ms - MINUTE)[0] <= 60


@pytest.mark.usefixtures("small_flash")
def test_a_full_backlog_is_thinned_evenly_and_not_cut_at_an_end() -> None:
    desk, received = away(48)
    most = max(len(desk.files["backlog.bin"]), 1)
    assert most <= 4096
    end = desk.true_ms
    stride = present(desk.probe).backlog.stride
    assert stride >= 16
    desk.connect().run(5 * MINUTE)
    # From the first sample to the last, no pause is longer than two of the thinned spacing and what memory holds.
    assert received.gaps_s(START, end)[0] <= 2 * stride * 60
    assert desk.faults() == ["backlog_thinned"]
    assert f"one sample in {stride}" in desk.of("fault")[0]["detail"]
    # After that every sample counts again.
    before = len(received.samples)
    desk.cut().run(HOUR).connect().run(MINUTE)
    assert len(received.samples) == before + 61


@pytest.mark.usefixtures("small_flash")
def test_a_late_acknowledgement_frees_nothing_in_a_file_that_was_rewritten_since() -> None:
    desk, received = away(3)
    desk.acknowledges = False
    desk.connect().run(SECOND).cut()
    assert desk.kept
    desk.run(12 * HOUR)
    desk.acknowledges = True
    end = desk.true_ms
    stride = present(desk.probe).backlog.stride
    assert stride > 1
    desk.connect().run(5 * MINUTE)
    assert received.gaps_s(START, end)[0] <= 2 * stride * 60


def test_power_lost_while_an_outage_is_delivered_repeats_little_of_it() -> None:
    desk, received = away(30)
    while desk.packs < 60:
        if not desk.up:
            desk.connect()
        desk.run(50)
    desk.boot().connect().run(5 * MINUTE)
    assert received.gaps_s(START, START + 30 * HOUR)[0] <= 360
    assert received.repeats <= backlog.MARK_EVERY * 20


def test_samples_with_and_without_a_time_go_in_packs_of_their_own() -> None:
    desk, received = away(1.25)  # 75 samples: no whole number of packs
    desk.has_clock = False
    began = desk.off(HOUR).boot().true_ms
    desk.run(HOUR).connect().run(15 * MINUTE)
    assert received.gaps_s(START, START + 75 * MINUTE)[0] <= 60
    assert received.gaps_s(began, desk.true_ms - MINUTE)[0] <= 60
    assert desk.faults() == []


def test_a_write_that_power_cut_short_is_no_damage() -> None:
    desk, received = away(2)
    desk.cut_at, desk.cut_how = 1, "torn"
    with pytest.raises(PowerCutError):
        desk.run(HOUR)
    desk.cut_at = None
    for _ in range(2):
        desk.off(MINUTE).boot().run(HOUR)
    desk.connect().run(5 * MINUTE)
    assert desk.faults() == []
    assert received.gaps_s(START, desk.true_ms - MINUTE)[0] <= 8 * 60


def test_flash_that_refuses_costs_samples_and_not_the_outage() -> None:
    desk = World().boot()
    received = Received(desk)
    desk.refuse_writes = True
    desk.run(10 * HOUR)
    assert len(desk.probe.fresh) <= probe.MOST_IN_MEMORY
    end = desk.true_ms
    desk.refuse_writes = False
    desk.connect().run(5 * MINUTE)
    assert "flash_failed" in desk.faults()
    assert received.gaps_s(START + 5 * HOUR, end)[0] < 5 * HOUR
    assert len(received.samples) >= probe.MOST_IN_MEMORY // 2


def test_a_restart_by_command_loses_no_sample() -> None:
    desk, received = away(0.05)
    desk.connect()
    desk.acknowledges = False
    desk.run(3 * MINUTE)
    desk.command("r", "restart")
    desk.acknowledges = True
    desk.boot().connect().run(MINUTE)
    assert received.gaps_s(START, desk.true_ms - MINUTE)[0] <= 60


# Time


def test_without_a_clock_samples_are_relative_to_sending_with_boot_and_uptime() -> None:
    desk, received = away(5, has_clock=False)
    packs: list[bytes] = []

    def take(payload: bytes) -> None:
        packs.append(payload)
        received.take(payload)

    desk.on_pack = take
    desk.connect().run(15 * MINUTE)
    assert len(received.samples) == 5 * 60 + 15
    assert all("boot" in json.loads(payload)[0] and "bt" not in json.loads(payload)[0] for payload in packs)


def test_a_probe_without_a_clock_waits_for_the_services_answer_and_then_places_what_it_has() -> None:
    desk, received = away(5, has_clock=False)
    desk.answers_time = True
    packs: list[bytes] = []

    def take(payload: bytes) -> None:
        packs.append(payload)
        received.take(payload)

    desk.on_pack = take
    desk.connect().run(15 * MINUTE)
    assert len(received.samples) == 5 * 60 + 15
    assert all("bt" in json.loads(payload)[0] for payload in packs)
    assert desk.of("hello")[-1]["clock"] == "set"


def test_a_probe_that_loses_its_clock_asks_for_the_time_again() -> None:
    desk = World().boot().connect().run(10 * MINUTE)
    desk.has_clock, desk.answers_time = False, True
    desk.run(6 * MINUTE)
    assert [hello["clock"] for hello in desk.of("hello")] == ["set", "unset", "set"]
    desk.probe.tick()
    assert desk.probe.now() == desk.true_ms


def test_an_answer_to_an_old_hello_or_to_another_boot_is_not_taken() -> None:
    desk = World(has_clock=False).boot().connect()
    hello = desk.of("hello")[-1]
    desk.say("time", {"now_ms": START, "boot": "other", "uptime_ms": hello["uptime_ms"]})
    desk.run(MINUTE)
    desk.say("time", {"now_ms": START, "boot": hello["boot"], "uptime_ms": hello["uptime_ms"]})
    assert desk.probe.now() is None


def test_samples_of_an_earlier_start_without_a_clock_are_counted_and_no_time_is_invented() -> None:
    desk, received = away(3, has_clock=False)
    desk.off(HOUR)
    desk.has_clock = True
    desk.boot().connect().run(10 * MINUTE)
    assert min(received.samples) * SECOND >= START + 4 * HOUR - SECOND
    assert desk.faults() == ["samples_lost"]
    # 180 samples were taken; those that were still in memory went with the power.
    assert desk.of("fault")[0]["detail"].startswith("180 samples")


def test_a_clock_that_comes_later_in_the_same_start_places_what_came_before_it_over_a_power_cut() -> None:
    desk, received = away(3, has_clock=False)
    desk.has_clock = True
    desk.run(20 * MINUTE).off(HOUR).boot().connect().run(10 * MINUTE)
    assert received.gaps_s(START, START + 3 * HOUR)[0] <= 60
    assert desk.faults() == []


@given(st.lists(st.sampled_from([-2 * HOUR, -7 * MINUTE, 37 * MINUTE, 20 * DAY, 80 * 365 * DAY]), max_size=4))
def test_whatever_the_clock_does_each_sample_goes_out_once_with_the_time_it_showed(errors) -> None:
    desk = World().boot()
    shown: dict[int, int] = {}
    told: list[int] = []

    def take(payload: bytes) -> None:
        for record in resolve(parse(payload)):
            if record.name == "voltage":
                assert isinstance(record.value, float)
                second = round(record.value * 1e6) - FIRST_UV
                told.append(second)
                assert abs(round(record.time_s * 1000) - shown[second]) <= 1000

    desk.on_pack = take
    measure = desk.converter_uv
    known = 0

    def converter() -> list[int]:
        # Beyond 2100 the clock is no clock: then the time goes on from when it last was one.
        nonlocal known
        if desk.now_ms() < 4_102_444_800_000:
            known = desk.clock_error_ms
        values = measure()
        shown[values[0] - FIRST_UV] = desk.true_ms + known
        return values

    desk.converter_uv = converter
    desk.connect().run(10 * MINUTE).cut()
    for error in errors:
        desk.clock_error_ms = error
        desk.run(2 * HOUR)
    desk.connect().run(10 * MINUTE)
    assert sorted(set(told)) == sorted(shown)
    assert len(told) == len(shown)
    if errors and errors[0] < 365 * DAY:
        assert "clock_jump" in desk.faults()


def test_a_month_wraps_the_tick_counter_and_nothing_is_lost() -> None:
    desk = World().boot()
    count = 0

    def take(payload: bytes) -> None:
        nonlocal count
        count += sum(record.name == "voltage" for record in resolve(parse(payload)))

    desk.on_pack = take
    for _ in range(3):
        desk.connect().run(10 * DAY).cut().run(HOUR)
    desk.connect().run(5 * MINUTE)
    assert desk.ticks > 3 * desk.ticks_period
    assert count == (30 * DAY + 3 * HOUR + 5 * MINUTE) // MINUTE


# Power


LEGS = ((7 * HOUR, False), (8 * HOUR, True), (16 * HOUR, False), (17 * HOUR, True), (DAY, False))


def day_of_outages(desk: World) -> None:
    """Hours away, an hour on line, hours away again, until a day is over; at last on line. Power is cut once in it."""
    while desk.true_ms < START + DAY + 10 * MINUTE:
        try:
            if desk.probe is None:
                desk.boot()
            for until, on_line in (*LEGS, (DAY + 10 * MINUTE, True)):
                left = START + until - desk.true_ms
                if left > 0 and on_line:
                    desk.connect().run(left).cut()
                elif left > 0:
                    desk.run(left)
        except PowerCutError:
            desk.cut_at = None
            desk.probe = None
            desk.off(90 * SECOND)


@pytest.mark.usefixtures("small_flash")
@pytest.mark.parametrize("how", ["before", "torn", "after"])
def test_power_cut_at_every_write_of_a_day_of_outages(how: str) -> None:
    """Nothing is invented, no sample has two values, all are in order, and the outages are covered from end to end.

    The flash holds about three hours of samples, so there are appends, thinnings, marks and emptyings in it.
    """
    whole = World()
    received = Received(whole)
    day_of_outages(whole)
    assert whole.writes > 150
    assert "backlog_thinned" in whole.faults()
    longest = received.gaps_s(START, START + DAY)[0]
    for cut_at in range(1, whole.writes + 1):
        desk = World()
        received = Received(desk)
        desk.cut_at, desk.cut_how = cut_at, how
        day_of_outages(desk)
        assert desk.cut_at is None, "power was not cut"
        assert not desk.probe.backlog.waits()
        # The cut itself costs what was in memory, at the spacing of the moment, and the time switched off.
        assert received.gaps_s(START, START + DAY)[0] <= longest + probe.BATCH * 60 + 60 + 90


@pytest.mark.usefixtures("small_flash")
@pytest.mark.parametrize("how", ["before", "torn", "after"])
def test_power_cut_at_every_write_of_a_clock_that_comes_late(how: str) -> None:
    """Samples without a time, the clock, more of them: whatever is sent has the time at which it was measured."""

    def story(desk: World) -> None:
        desk.boot().run(2 * HOUR)
        desk.has_clock = True
        desk.run(HOUR)

    whole = World(has_clock=False)
    story(whole)
    assert whole.writes >= 30
    for cut_at in range(1, whole.writes + 1):
        desk = World(has_clock=False)
        received = Received(desk)
        desk.cut_at, desk.cut_how = cut_at, how
        with pytest.raises(PowerCutError):
            story(desk)
        desk.cut_at = None
        desk.has_clock = True
        cut_ms = desk.true_ms
        desk.off(HOUR).boot().connect().run(10 * MINUTE)
        if cut_ms > START + 2 * HOUR + 10 * MINUTE:
            assert received.gaps_s(START, cut_ms)[0] <= 7 * MINUTE // SECOND
            assert desk.faults() == []


def test_damage_on_flash_costs_the_damaged_samples_and_is_told() -> None:
    desk, received = away(5)
    data = bytearray(desk.files["backlog.bin"])
    data[len(data) // 2] ^= 0x40
    desk.files["backlog.bin"] = bytes(data)
    desk.boot().connect().run(5 * MINUTE)
    assert desk.faults() == ["backlog_damaged"]
    assert received.gaps_s(START, START + 5 * HOUR)[0] <= 6 * 60
    assert desk.files["backlog.bin"] == b""


@given(st.binary(max_size=3000))
def test_rubbish_on_flash_stops_no_probe(content: bytes) -> None:
    desk = World()
    desk.files["backlog.bin"] = content
    desk.boot()
    received = Received(desk)
    desk.run(HOUR).connect().run(5 * MINUTE)
    assert len(received.samples) == 65


def test_the_portable_part_runs_here() -> None:
    found = portable_probe.run()
    assert found == portable_probe.run()
    assert len(found) > 15
