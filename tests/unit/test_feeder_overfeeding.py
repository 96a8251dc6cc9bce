"""What no feeder may do, whatever auger, hopper and cell do: feed more than a day's cap and what nobody could see."""

import itertools
import json

import pytest
from feeder_world import DAY, HOUR, MIDNIGHT, MINUTE, World, hold, meal, plan, running

CAP_G = 0.36


def meals(days: int = 7, target_g: float = 0.036) -> tuple[dict[str, object], ...]:
    """Ten meals a day, at the even hours from 2 to 20."""
    starts = [MIDNIGHT] + [MIDNIGHT + DAY + HOUR + i * DAY for i in range(8)]
    return tuple(
        meal(f"day{i}/{hour:02d}:00", start + hour * HOUR, target_g)
        for i, start in enumerate(starts[:days])
        for hour in range(2, 21, 2)
    )


def left_g(desk: World) -> float:
    return (60_000_000 - desk.hopper_ug) / 1_000_000


def released(desk: World, version: int, installation: str = "A") -> World:
    """A person holds and lets go."""
    desk.say("hold", hold(True, version, installation=installation))
    return desk.say("hold", hold(False, version + 1, installation=installation))


def test_an_auger_that_gives_four_times_too_much_stops_itself_within_two_doses() -> None:
    desk = World(now_ms=MIDNIGHT + HOUR).boot().connect().say("plan", plan(meals=meals(), cap_g=CAP_G))
    desk.share = 4.0
    desk.run(3 * DAY)
    moved = [dose for dose in desk.doses().values() if dose["steps"]]
    assert [dose["outcome"] for dose in moved] == ["over", "over"]
    assert left_g(desk) <= CAP_G
    assert "stopped_over" in desk.faults()
    assert desk.doses()[3]["outcome"] == "held"


def test_the_day_counts_what_the_scale_saw() -> None:
    desk = running(plan(cap_g=CAP_G))
    desk.share = 4.0
    desk.command("one", "dispense", target_g=0.08)  # gives 0.32 g
    desk.share = 1.0
    desk.command("two", "dispense", target_g=0.2)
    desk.boot().connect()
    desk.command("three", "dispense", target_g=0.2)
    desk.run(1)
    assert left_g(desk) <= CAP_G + 0.002  # four standard deviations of a dose's weight, which may be noise
    assert desk.doses()[2]["outcome"] == "capped"


@pytest.mark.parametrize("over_a_restart", [False, True])
def test_a_stop_outlives_power_and_ends_with_the_release_of_a_new_hold(over_a_restart: bool) -> None:
    desk = running(plan(cap_g=5)).say("hold", hold(False, 5))
    desk.share = 4.0
    for i in range(3):
        desk.command(f"c{i}", "dispense", target_g=0.05)
    desk.run(1)
    assert [dose["outcome"] for dose in desk.doses().values()] == ["over", "over", "held"]
    if over_a_restart:
        desk.boot().connect().run(1)
        assert desk.faults().count("stopped_over") == 2  # told again, in case the first word was lost
    desk.say("hold", hold(True, 4)).say("hold", hold(False, 5))  # of before the stop: nobody has decided anything
    assert desk.feeder.held()
    desk.share = 1.0
    released(desk, 20)
    assert not desk.feeder.held()
    assert desk.command("after", "dispense", target_g=0.05)["result"]["outcome"] == "ok"


def test_a_long_press_on_and_off_ends_a_stop_and_so_does_a_calibration() -> None:
    desk = running(plan(cap_g=5)).run(MINUTE)
    for end in (lambda: (desk.feeder.long_press(), desk.feeder.long_press()), lambda: desk.command("t", "tare")):
        desk.hopper_ug -= 1_000_000
        desk.run(2 * HOUR)
        assert desk.feeder.held()
        end()
        desk.run(2 * HOUR)
        assert not desk.feeder.held()


def test_a_power_cut_between_the_second_dose_and_the_stop_loses_nothing() -> None:
    desk = running(plan(cap_g=5))
    desk.share = 4.0
    desk.command("one", "dispense", target_g=0.05)
    desk.feeder.memory.set_stop = lambda stop: None  # power goes before this write
    desk.command("two", "dispense", target_g=0.05)
    desk.boot().connect().run(1)
    assert desk.feeder.held()
    assert "stopped_over" in desk.faults()


def test_food_that_leaves_without_a_step_counts_and_stops() -> None:
    desk = World(now_ms=MIDNIGHT + HOUR).boot().connect().say("plan", plan(meals=meals(), cap_g=CAP_G))
    desk.run(70 * MINUTE)
    first_g = left_g(desk)
    desk.hopper_ug -= 250_000
    desk.run(2 * DAY)
    assert "stopped_loss" in desk.faults()
    assert left_g(desk) - first_g == pytest.approx(0.25)
    assert desk.feeder.memory.counter.used_ug >= 200_000


def test_a_clock_that_is_known_late_hides_no_loss_since_the_start() -> None:
    """The four days without power lay before the start: the weight of after it is minutes old, and no more in doubt."""
    desk = running(plan(cap_g=5)).run(HOUR)
    desk.off(4 * DAY)
    desk.has_clock = False
    desk.boot().connect().run(5 * MINUTE)
    assert [body["at_ms"] for tail, body in desk.sent if tail == "weight"][-1] is None
    desk.has_clock = True
    desk.run(MINUTE)
    desk.hopper_ug -= 150_000
    desk.run(HOUR)
    assert "stopped_loss" in desk.faults()


def test_a_stop_is_told_also_after_days_of_other_faults_without_a_network() -> None:
    desk = running(plan(cap_g=5)).run(MINUTE)
    desk.feeder.on_disconnect()
    desk.hopper_ug -= 1_000_000
    desk.run(2 * HOUR)
    desk.cell = "dead"
    desk.run(3 * DAY)  # each hour one more fault
    assert desk.faults() == []
    desk.connect().run(1)
    assert "stopped_loss" in desk.faults()
    assert 1 < desk.faults().count("cell_dead") < 72


def test_a_stop_that_there_was_no_memory_to_tell_is_told_later() -> None:
    desk = running(plan(cap_g=5)).run(MINUTE)
    desk.no_memory_for = ("fault",)
    desk.hopper_ug -= 1_000_000
    desk.run(2 * HOUR)
    assert desk.feeder.held()
    assert desk.faults() == []
    desk.no_memory_for = ()
    desk.run(1)
    assert desk.faults() == ["mass_lost", "stopped_loss"]


def test_a_trickle_too_small_for_one_look_is_seen_within_a_day() -> None:
    desk = running(plan(cap_g=5)).run(MINUTE)
    for _ in range(24):
        desk.hopper_ug -= 15_000
        desk.run(HOUR)
    assert "stopped_loss" in desk.faults()


def test_a_wandering_zero_and_a_refill_stop_nothing() -> None:
    desk = running(plan(meals=meals(), cap_g=CAP_G))
    for i in range(6 * 24):
        desk.hopper_ug += (-1) ** i * 2_000
        desk.run(HOUR)
    desk.hopper_ug += 20_000_000
    desk.run(2 * HOUR)
    assert not desk.feeder.held()


@pytest.mark.parametrize("how", ["button", "service"])
def test_a_person_at_the_hopper_loses_nothing(how: str) -> None:
    desk = running(plan(cap_g=5)).run(MINUTE)
    if how == "button":
        desk.feeder.long_press()
    else:
        desk.say("hold", {**hold(True, 30), "hopper_off": True})
    whole_ug = desk.hopper_ug
    desk.hopper_ug = 0
    desk.run(3 * HOUR)
    desk.hopper_ug = whole_ug - 3_000_000
    desk.run(2 * HOUR)
    if how == "button":
        desk.feeder.long_press()
    else:
        desk.say("hold", hold(False, 31))
    desk.run(2 * HOUR)
    assert not desk.feeder.held()
    assert "mass_lost" not in desk.faults()


def test_a_gain_lies_no_lower_than_what_was_weighed_whatever_a_plan_says() -> None:
    desk = running(plan(cap_g=50))
    desk.share = 1.4
    for i in range(8):
        desk.command(f"c{i}", "dispense", target_g=0.2)
    before = left_g(desk)
    desk.command("last", "dispense", target_g=0.2)
    assert left_g(desk) - before <= 0.2 * 1.12  # a tenth is left for scatter


def test_a_device_has_a_ceiling_of_its_own() -> None:
    desk = running(plan(cap_g=1000))
    desk.command("c", "dispense", target_g=900)
    assert left_g(desk) <= 5
    small = World()
    small.ceiling_ug = 100_000  # type: ignore[attr-defined]
    small.boot().connect().say("plan", plan(cap_g=1000))
    small.command("c", "dispense", target_g=900)
    assert left_g(small) <= 0.1


def test_a_dead_cell_feeds_for_a_week_and_no_longer_and_goes_on_by_itself() -> None:
    desk = World(now_ms=MIDNIGHT + HOUR).boot().connect().say("plan", plan(meals=meals(), cap_g=CAP_G))
    desk.run(DAY)
    desk.cell = "dead"
    for i in range(9):
        desk.run(DAY)
        desk.say(
            "plan", plan(version=20 + i, meals=(meal(f"late{i}", desk.true_ms + HOUR, 0.05),), start_ms=desk.true_ms)
        )
    desk.run(MINUTE)
    assert "stopped_unweighed" in desk.faults()
    last = max(dose["at_ms"] for dose in desk.doses().values() if dose["steps"])
    assert last <= MIDNIGHT + 9 * DAY
    desk.cell = "good"
    desk.held = (
        False  # no hold is in force: what has stopped the feeder ends with a weight, at the next dose at the latest
    )
    desk.run(2 * HOUR)
    assert not desk.feeder.held()


def test_a_long_press_during_a_dose_stops_it() -> None:
    desk = running(plan(cap_g=5))
    desk.on_step = lambda: desk.feeder.long_press() if len(desk.moves) == 3 else None
    desk.command("c", "dispense", target_g=1.0)
    assert desk.steps() == 60
    assert desk.feeder.held()


def test_more_than_can_be_looked_through_stops_the_motor() -> None:
    desk = running(plan(cap_g=5))
    desk.pump = lambda: len(desk.moves) < 2  # type: ignore[method-assign, assignment]
    desk.command("c", "dispense", target_g=1.0)
    assert desk.steps() == 40
    desk.run(1)
    assert desk.doses()[1]["outcome"] == "interrupted"


@pytest.mark.parametrize("order", ["the first", "the second"])
def test_a_conflict_of_installations_outlives_a_restart_and_ends_with_a_persons_word(order: str) -> None:
    desk = running(plan(version=10))
    desk.say("plan", plan(version=3, installation="B")).say("plan", plan(version=11))
    desk.boot().connect()
    assert desk.feeder.held()
    winner, version = ("A", 11) if order == "the first" else ("B", 3)
    released(desk, 50, winner)
    desk.run(1)
    desk.say("plan", plan(version=version + 1, installation=winner, cap_g=1))
    assert desk.feeder.plan.installation == winner
    assert not desk.feeder.held()
    assert desk.command("c", "dispense", target_g=0.05)["result"]["outcome"] == "ok"


def test_an_old_release_ends_no_newer_hold_however_many_installations_there_were() -> None:
    desk = running(plan()).say("hold", hold(True, 1000))
    for i in range(20):
        desk.say("hold", hold(True, 10 + i, installation=f"N{i}"))
    desk.say("hold", hold(False, 999))
    assert desk.feeder.held()


@pytest.mark.parametrize(
    "payload",
    [
        b"[" * 4000,
        b'{"a":' * 1600,
        b'{"meals":' + b"[" * 4000,
        b'{"x":[' + b"[]," * 2690 + b"[]]}",
        b'{"meals":[' + b"{}," * 2690 + b"{}]}",
        b'{"fallback":' + b'{"daily_g":' * 700 + b"1" + b"}" * 701,
        b'{"installation":"' + b"x" * 8000 + b'"}',
        b'{"version":' + b"9" * 8000 + b"}",
    ],
)
def test_poison_is_told_and_forgotten(payload: bytes) -> None:
    desk = running(plan(version=10))
    for tail in ("plan", "hold", "received", "time", "command"):
        assert desk.feeder.on_message(tail, payload)
    desk.run(MINUTE)
    assert "message_refused" in desk.faults()
    assert desk.feeder.plan.version == 10
    assert desk.command("c", "dispense", target_g=0.05)["ok"]


def test_whatever_a_message_raises_it_is_told_and_done_with(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = running(plan(version=10))
    message = json.dumps(hold(True, 99)).encode()
    with monkeypatch.context() as patch:
        patch.setitem(type(desk.feeder).on_message.__globals__, "decode", _no_memory)
        assert desk.feeder.on_message("plan", message)
        assert desk.feeder.on_message("hold", message)
    desk.run(MINUTE)
    assert "message_refused" in desk.faults()
    assert desk.feeder.held()  # it may have been one


def test_a_refusal_that_there_was_no_memory_to_tell_is_told_at_the_next_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = running(plan(version=10)).run(MINUTE)
    asked = itertools.count()

    def now_ms() -> int:  # of the hardware: when the message comes, and again for the fault's own time
        if next(asked):
            raise MemoryError
        return desk.true_ms

    with monkeypatch.context() as patch:
        patch.setattr(desk, "now_ms", now_ms)
        assert desk.feeder.on_message("received", b"null")
    assert next(asked) == 2
    assert desk.faults() == []
    desk.run(1)
    assert desk.faults() == ["message_refused"]


def _no_memory(_: object) -> None:
    raise MemoryError


def test_a_dose_that_breaks_off_in_an_error_is_recorded_in_full() -> None:
    desk = running(plan(cap_g=0.3))

    def fail() -> None:
        if len(desk.moves) == 2:
            raise MemoryError

    desk.on_step = fail
    desk.command("c", "dispense", target_g=0.2)
    desk.on_step = None
    desk.command("d", "dispense", target_g=0.2)
    desk.run(1)
    doses = desk.doses()
    assert doses[1]["outcome"] == "interrupted"
    assert doses[2]["outcome"] == "capped"
    assert left_g(desk) <= 0.3


@pytest.mark.parametrize("rewritten", [False, True])
def test_unweighed_doses_before_a_start_are_no_loss_after_it(rewritten: bool) -> None:
    desk = running(plan(cap_g=5)).run(MINUTE)
    desk.command("weighed", "dispense", target_g=0.2)
    desk.cell = "dead"
    for i in range(3):
        desk.command(f"c{i}", "dispense", target_g=0.2)
    if rewritten:
        desk.feeder.memory.rewrite(desk.true_ms)
    desk.command("last", "dispense", target_g=0.2)
    desk.cell = "good"
    desk.boot().connect().run(2 * HOUR)
    assert "mass_lost" not in desk.faults()
    desk.hopper_ug -= 300_000
    desk.run(2 * HOUR)
    assert "mass_lost" in desk.faults()
