"""The feeder's own rules, one by one: what it must do alone, and above all what it must never do."""

import json

import pytest
from feeder_world import (
    DAY,
    HOUR,
    MIDNIGHT,
    MINUTE,
    PowerCutError,
    dosing,
    feeding,
    hold,
    meal,
    orders,
    plan,
    running,
)
from hypothesis import given
from hypothesis import strategies as st

EIGHT = MIDNIGHT + 9 * HOUR  # 08:00 local on the day whose clocks went back at 03:00
GRACE = feeding.GRACE_MS


# Meals


def test_a_meal_is_fed_at_its_time_and_weighed() -> None:
    desk = running(plan(meals=(meal("2026-10-25/morning", EIGHT),))).run(2 * HOUR)
    (dose,) = desk.doses().values()
    assert dose["at_ms"] == EIGHT
    assert (dose["meal"], dose["cause"], dose["outcome"]) == ("2026-10-25/morning", "plan", "ok")
    assert (dose["target_g"], dose["steps"]) == (0.05, 50)
    assert dose["before_g"] - dose["after_g"] == pytest.approx(0.05)
    # Independent deviations add in quadrature (GUM, JCGM 100:2008, 5.1.2): 500 ug twice.
    assert dose["sd_g"] == pytest.approx(0.0005 * 2**0.5, abs=1e-6)
    assert desk.steps() == 50


def test_a_meal_is_fed_once_over_restarts_new_plans_repeats_and_a_clock_that_goes_back() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),))).run(2 * HOUR + MINUTE)
    desk.boot().connect().run(MINUTE)
    desk.say("plan", plan(version=10, meals=(meal("m", EIGHT),)))
    desk.say("plan", plan(version=11, meals=(meal("m", desk.true_ms + 5 * MINUTE),))).run(HOUR)
    desk.clock_error_ms = -70 * MINUTE
    desk.run(2 * HOUR)
    assert desk.steps() == 50
    assert "clock_jump" in desk.faults()


def test_a_meal_within_the_grace_is_fed_and_a_later_one_is_missed() -> None:
    meals = (meal("early", EIGHT), meal("late", EIGHT + 20 * MINUTE))
    desk = running(plan(meals=meals))
    desk.off(EIGHT + 20 * MINUTE + GRACE - desk.true_ms).boot().connect().run(MINUTE)
    by_meal = {dose["meal"]: dose for dose in desk.doses().values()}
    assert by_meal["late"]["outcome"] == "ok"
    assert by_meal["early"]["outcome"] == "missed"
    assert by_meal["early"]["steps"] == 0
    assert by_meal["early"]["at_ms"] == EIGHT
    assert desk.steps() == 50


def test_a_meal_that_was_over_before_its_plan_came_is_not_this_feeders_to_miss() -> None:
    desk = running(plan(meals=(meal("yesterday", MIDNIGHT - 5 * HOUR),))).run(MINUTE)
    desk.boot().connect().run(MINUTE)
    assert desk.doses() == {}


def test_a_new_plan_that_no_longer_lists_a_meal_that_is_due_does_not_lose_it() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),)))
    desk.pass_ms(EIGHT + MINUTE - desk.true_ms)
    desk.say("plan", plan(version=11)).run(MINUTE)
    assert [dose["meal"] for dose in desk.doses().values()] == ["m"]


def test_a_feeder_without_a_plan_feeds_nothing() -> None:
    desk = running()
    assert desk.command("c", "dispense", target_g=0.1)["ok"] is False
    desk.feeder.press()
    desk.run(30 * HOUR)
    assert desk.moves == []
    assert [dose["outcome"] for dose in desk.doses().values()] == ["capped", "capped"]


def test_a_damaged_plan_is_no_plan() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),)))
    spoilt = bytearray(desk.files["plan.bin"])
    spoilt[20] ^= 1
    desk.files["plan.bin"] = bytes(spoilt)
    desk.boot().connect().run(3 * HOUR)
    assert desk.moves == []
    assert "plan_damaged" in desk.faults()


# The day's cap


def test_the_cap_counts_every_cause_and_survives_restarts() -> None:
    desk = running(plan(meals=(meal("m", EIGHT, 0.1),), cap_g=0.25)).run(2 * HOUR + MINUTE)
    assert desk.command("c1", "dispense", target_g=0.1)["ok"]
    desk.boot().connect()
    desk.feeder.press()
    desk.run(MINUTE)
    desk.feeder.press()
    desk.run(MINUTE)
    doses = list(desk.doses().values())
    assert [dose["cause"] for dose in doses] == ["plan", "command", "button", "button"]
    assert [dose["outcome"] for dose in doses] == ["ok", "ok", "capped", "capped"]
    assert [dose["steps"] for dose in doses] == [100, 100, 50, 0]
    assert desk.steps() == 250


def test_the_cap_counts_the_larger_of_what_was_asked_and_what_the_steps_should_give() -> None:
    # 3 mg per step: 10 mg is 3 steps, 9 mg; counted as asked. 11 mg is 4 steps, 12 mg; counted as the steps give.
    assert dosing.counted_ug(10_000, dosing.steps_for(10_000, 3_000_000), 3_000_000) == 10_000
    assert dosing.counted_ug(11_000, dosing.steps_for(11_000, 3_000_000), 3_000_000) == 12_000


@given(target=st.integers(0, 1_000_000), left=st.integers(-100_000, 1_000_000), gain=st.integers(10_000, 20_000_000))
def test_what_is_allowed_never_counts_for_more_than_what_is_left(target: int, left: int, gain: int) -> None:
    allowed, steps, capped = dosing.within(target, left, gain)
    assert 0 <= allowed <= target
    if steps:
        assert dosing.counted_ug(allowed, steps, gain) <= left
        assert capped or allowed == target


def test_an_intent_without_an_end_counts_in_full_and_becomes_an_interrupted_dose() -> None:
    desk = running(plan(meals=(meal("m", EIGHT, 0.2),), cap_g=0.25))
    desk.run(EIGHT - desk.true_ms - 1)

    def cut() -> None:
        raise PowerCutError

    desk.on_step = cut  # power goes after the first chunk of steps
    desk.pass_ms(1)
    with pytest.raises(PowerCutError):
        desk.feeder.tick()
    desk.on_step = None
    given_steps = desk.steps()
    desk.off(MINUTE).boot().connect().run(MINUTE)
    (dose,) = desk.doses().values()
    assert (dose["outcome"], dose["meal"], dose["steps"]) == ("interrupted", "m", 200)
    assert dose["before_g"] is dose["after_g"] is dose["sd_g"] is None
    assert desk.command("c", "dispense", target_g=0.2)["result"]["steps"] == 50
    assert desk.steps() == given_steps + 50


def test_a_day_of_25_hours_has_one_cap() -> None:
    desk = running(plan(cap_g=0.1), now_ms=MIDNIGHT + HOUR)
    assert desk.command("c1", "dispense", target_g=0.1)["ok"]
    desk.run(23 * HOUR + 59 * MINUTE)  # 24:59 after the day began
    assert desk.command("c2", "dispense", target_g=0.1)["result"]["steps"] == 0
    desk.run(MINUTE)
    assert desk.command("c3", "dispense", target_g=0.1)["result"]["steps"] == 100


def test_a_lower_cap_in_a_new_plan_holds_at_once() -> None:
    desk = running(plan(cap_g=0.5))
    assert desk.command("c1", "dispense", target_g=0.2)["ok"]
    desk.say("plan", plan(version=11, cap_g=0.1))
    assert desk.command("c2", "dispense", target_g=0.05)["result"]["steps"] == 0


def test_a_clock_that_leaps_does_not_reset_the_counter_twice_within_20_hours() -> None:
    desk = running(plan(cap_g=0.1), now_ms=MIDNIGHT + 20 * HOUR)
    fed = []
    for i in range(40):  # an hour of true time each, and each time the clock leaps a day ahead or back
        desk.clock_error_ms = DAY * (i % 5)
        desk.run(HOUR)
        desk.command(f"c{i}", "dispense", expires=desk.true_ms + 30 * DAY, target_g=0.1)
        fed.append((desk.true_ms, desk.steps()))
    for at_ms, steps in fed:
        before = max((s for t, s in fed if t <= at_ms - 20 * HOUR), default=0)
        assert steps - before <= 200  # what is left of one counter, and one reset


def test_a_late_first_dose_does_not_cost_the_next_morning_its_food() -> None:
    """The counter starts anew where the day did, not where its first dose came: 20 hours later is the next night."""
    desk = running(plan(cap_g=0.1))
    assert desk.command("evening", "dispense", target_g=0.1)["result"]["steps"] == 100
    desk.run(MIDNIGHT + 25 * HOUR + 14 * HOUR - desk.true_ms)  # the next day, in the afternoon
    assert desk.command("afternoon", "dispense", target_g=0.1)["result"]["steps"] == 100
    desk.run(15 * HOUR)  # five in the morning
    assert desk.command("morning", "dispense", target_g=0.1)["result"]["steps"] == 100


def test_time_switched_off_ends_a_days_counter() -> None:
    desk = running(plan(cap_g=0.1), now_ms=MIDNIGHT + 8 * HOUR)
    for day in range(4):
        assert desk.command(f"c{day}", "dispense", target_g=0.1)["result"]["steps"] == 100
        desk.run(12 * MINUTE).off(DAY).boot().connect().run(1)
    assert desk.steps() == 400


def test_a_clock_that_goes_and_comes_back_does_not_end_a_day() -> None:
    desk = running(plan(cap_g=0.1, fallback_g=0.1), now_ms=MIDNIGHT + MINUTE)
    assert desk.command("c1", "dispense", target_g=0.05)["ok"]
    desk.has_clock = False
    desk.run(12 * HOUR)
    desk.feeder.press()
    desk.run(9 * HOUR)
    desk.has_clock = True
    desk.command("c2", "dispense", target_g=0.1)
    assert desk.steps() <= 100


def test_what_was_fed_without_a_clock_counts_for_the_day_it_may_belong_to() -> None:
    meals = (meal("m", EIGHT, 0.06),)
    desk = running(plan(cap_g=0.1, meals=meals), now_ms=MIDNIGHT + MINUTE, has_clock=False)
    desk.feeder.press()
    desk.run(HOUR)
    desk.feeder.press()
    desk.run(20 * HOUR)
    desk.has_clock = True
    assert desk.command("c", "dispense", target_g=0.1)["result"]["steps"] == 0
    desk.run(5 * HOUR)
    assert desk.command("next day", "dispense", target_g=0.1)["result"]["steps"] == 100


def test_two_meals_of_one_id_are_one_meal() -> None:
    desk = running(plan(meals=(meal("m", EIGHT), meal("m", EIGHT + HOUR)))).run(4 * HOUR)
    assert desk.steps() == 50


def test_meals_that_come_in_any_order_keep_their_ids_and_are_fed_in_order_of_time() -> None:
    names = {name: EIGHT + number * HOUR for number, name in enumerate("abcdefgh")}
    desk = running(plan(meals=tuple(meal(name, names[name]) for name in "hbgdcafe")))
    desk.run(3 * HOUR).boot().connect().run(9 * HOUR)
    assert [(dose["meal"], dose["at_ms"] // HOUR) for dose in desk.doses().values() if dose["outcome"] == "ok"] == [
        (name, at_ms // HOUR) for name, at_ms in names.items()
    ]


def test_a_new_plan_without_meals_has_none_of_the_one_before() -> None:
    desk = running(plan(meals=tuple(meal(name, EIGHT + HOUR) for name in "abcdefgh"), cap_g=1.0))
    desk.say("plan", plan(version=11)).boot().connect().run(3 * HOUR)
    assert desk.of("applied")[-1]["plan_version"] == 11
    assert desk.doses() == {}


def test_a_plan_with_two_lists_of_meals_is_refused() -> None:
    one = json.dumps(plan(meals=(meal("m", EIGHT),)))
    for other in ("[]", json.dumps([meal("n", EIGHT)])):
        with pytest.raises(ValueError, match="meals: expected one list"):
            orders.decode((one[:-1] + f', "meals": {other}}}').encode())


def test_a_message_makes_room_as_it_is_read() -> None:
    whole = json.dumps(plan(meals=(meal("m", EIGHT),))).encode()
    pieces = [whole[at : at + 50] for at in range(0, len(whole), 50)]
    assert orders.decode(pieces)["meals"].times == [0]
    assert pieces == []


def test_beyond_the_plans_days_each_further_day_keeps_the_last_cap() -> None:
    parsed = orders.Plan(orders.decode(json.dumps(plan(cap_g=0.3)).encode()), None)
    last = parsed.days[-1][0]
    assert parsed.day(last + DAY - 1) == (last, 300_000)
    assert parsed.day(last + 3 * DAY + 5) == (last + 3 * DAY, 300_000)


# Holds


def test_a_hold_is_confirmed_at_once_and_nothing_moves_from_any_cause() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),), fallback_g=0.1))
    desk.say("hold", hold(True, 20))
    assert desk.of("applied")[-1] == {"boot": desk.feeder.boot, "plan_version": 10, "hold_version": 20}
    desk.boot().connect()
    reply = desk.command("c", "dispense", target_g=0.1)
    assert (reply["ok"], reply["result"]["outcome"]) == (False, "held")
    desk.feeder.press()
    desk.run(3 * DAY)
    assert desk.moves == []
    outcomes = [(dose["cause"], dose["meal"], dose["outcome"]) for dose in desk.doses().values()]
    assert outcomes[:3] == [("command", None, "held"), ("button", None, "held"), ("plan", "m", "held")]
    assert {outcome for cause, _, outcome in outcomes[3:] if cause == "fallback"} == {"held"}
    meals = [name for _, name, _ in outcomes if name]
    assert len(meals) == len(set(meals))


def test_a_meal_held_when_due_is_not_fed_after_the_release() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),))).say("hold", hold(True, 20))
    desk.run(2 * HOUR + MINUTE).say("hold", hold(False, 21)).run(HOUR)
    assert [dose["outcome"] for dose in desk.doses().values()] == ["held"]
    assert desk.moves == []


def test_a_hold_that_arrives_while_the_motor_turns_stops_it() -> None:
    desk = running(plan(meals=(meal("m", EIGHT, 0.2),)))
    desk.on_step = lambda: desk.waiting.append(("hold", json.dumps(hold(True, 20)).encode()))
    desk.run(2 * HOUR + MINUTE)
    (dose,) = desk.doses().values()
    assert (dose["outcome"], dose["steps"]) == ("interrupted", dosing.CHUNK_STEPS)
    assert dose["before_g"] - dose["after_g"] == pytest.approx(0.001 * dosing.CHUNK_STEPS)
    assert desk.steps() == dosing.CHUNK_STEPS


def test_a_hold_that_waits_when_a_dose_begins_lets_nothing_move() -> None:
    desk = running(plan(meals=(meal("m", EIGHT, 0.2),)))
    desk.waiting.append(("hold", json.dumps(hold(True, 20)).encode()))
    desk.run(2 * HOUR + MINUTE)
    assert [dose["outcome"] for dose in desk.doses().values()] == ["held"]
    assert desk.moves == []


def test_other_messages_wait_while_a_dose_is_under_way() -> None:
    desk = running(plan(meals=(meal("m", EIGHT, 0.2),)))
    taken: list[bool] = []
    desk.on_step = lambda: taken.append(desk.feeder.on_message("plan", json.dumps(plan(version=11)).encode()))
    desk.run(2 * HOUR + MINUTE)
    assert taken
    assert not any(taken)
    assert desk.feeder.plan.version == 10


def test_held_true_is_obeyed_whatever_its_version_and_only_a_newer_message_releases() -> None:
    desk = running(plan()).say("hold", hold(False, 20)).say("hold", hold(True, 5))
    assert desk.feeder.held()
    assert desk.of("applied")[-1]["hold_version"] == 5
    desk.say("hold", hold(False, 19))
    assert desk.feeder.held()
    desk.boot().connect().say("hold", hold(False, 20))
    assert not desk.feeder.held()


def test_an_older_release_does_not_end_a_newer_hold() -> None:
    desk = running(plan()).say("hold", hold(True, 20)).say("hold", hold(False, 19))
    assert desk.feeder.held()
    desk.say("hold", hold(True, 18)).say("hold", hold(False, 19))
    assert desk.feeder.held()


def test_a_hold_that_is_half_rubbish_is_obeyed_and_a_rubbish_release_is_not() -> None:
    desk = running(plan()).say("hold", {"held": True, "version": "x"})
    assert desk.feeder.held()
    desk.say("hold", {"held": False, "installation": "A"}).say("hold", {"held": 0}).run(MINUTE)
    assert desk.feeder.held()
    assert "message_refused" in desk.faults()


def test_a_hold_is_obeyed_even_when_flash_refuses_it() -> None:
    desk = running(plan())
    desk.refuse_writes = True
    desk.say("hold", hold(True, 20))
    assert desk.feeder.held()


def test_a_hold_that_flash_refused_is_kept_as_soon_as_it_takes_it() -> None:
    desk = running(plan())
    desk.refuse_writes = True
    desk.say("hold", hold(True))
    desk.feeder.long_press()
    desk.refuse_writes = False
    desk.run(MINUTE)
    desk.boot()  # and no network: nobody says it again
    assert desk.feeder.hold.held
    assert desk.feeder.button_held


def test_a_damaged_hold_holds() -> None:
    desk = running(plan()).say("hold", hold(False, 20))
    desk.files["hold.bin"] = desk.files["hold.bin"][:-3]
    desk.boot().connect().run(MINUTE)
    assert desk.feeder.held()
    assert "hold_damaged" in desk.faults()


def test_an_old_release_does_not_end_a_hold_that_was_damaged_on_flash() -> None:
    desk = running(plan()).say("hold", hold(False, 10)).say("hold", hold(True, 20))
    desk.files["hold.bin"] = desk.files["hold.bin"][:-3]
    desk.boot().connect()
    desk.say("hold", hold(False, 10)).run(MINUTE)
    assert desk.feeder.held()
    desk.say("hold", hold(False, 21)).run(MINUTE)
    assert not desk.feeder.held()


def test_another_installation_s_release_of_before_a_hold_does_not_end_it() -> None:
    desk = running(plan()).say("hold", hold(False, 10))
    desk.say("hold", hold(False, 30, installation="B"))
    desk.say("hold", hold(True, 20))
    desk.say("plan", plan(version=3, installation="B"))
    assert desk.feeder.held()
    desk.say("hold", hold(False, 30, installation="B"))
    assert not desk.feeder.held()


def test_another_installation_s_release_counts_for_what_may_release_later() -> None:
    """What a broker hands over once more after a start ends no hold that it has seen the end of."""
    desk = running(plan(installation="B")).say("hold", hold(True, 5, installation="B"))
    desk.say("hold", hold(False, 30))
    desk.say("hold", hold(True, 10)).say("hold", hold(False, 11))
    assert desk.feeder.held()
    desk.say("hold", hold(False, 30))
    assert not desk.feeder.held()


def test_a_damaged_hold_by_the_button_holds_and_is_told() -> None:
    desk = running(plan())
    desk.feeder.long_press()
    desk.feeder.long_press()
    desk.files["button.bin"] = desk.files["button.bin"][:-3]
    desk.boot().connect().run(MINUTE)
    assert desk.feeder.held()
    assert "button_hold" in desk.faults()
    desk.feeder.long_press()
    assert not desk.feeder.held()


def test_reduce_to_shrinks_meals_fallback_and_commands() -> None:
    desk = running(plan(meals=(meal("m", EIGHT, 0.1),), fallback_g=0.08)).say("hold", hold(False, 20, 0.5))
    desk.command("c", "dispense", target_g=0.06)
    desk.run(2 * DAY)
    targets = [(dose["cause"], dose["target_g"], dose["steps"]) for dose in desk.doses().values()]
    assert targets[0] == ("command", 0.03, 30)
    assert targets[1] == ("plan", 0.05, 50)
    assert targets[2] == ("fallback", 0.04, 40)


def test_reduced_to_nothing_is_held() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),))).say("hold", hold(False, 20, 0.0)).run(3 * HOUR)
    assert [dose["outcome"] for dose in desk.doses().values()] == ["held"]


# Versions and installations


def test_a_lower_version_of_the_same_installation_is_ignored() -> None:
    desk = running(plan(version=10, cap_g=0.1)).say("plan", plan(version=9, cap_g=5.0)).say("plan", plan(version=10))
    assert desk.feeder.plan.version == 10
    assert desk.feeder.plan.days[0][1] == 100_000


def test_another_installation_may_hold_but_releases_only_once_its_plan_is_in_force() -> None:
    desk = running(plan()).say("hold", hold(True, 20))
    desk.say("hold", hold(False, 99, installation="B"))
    assert desk.feeder.held()
    desk.say("plan", plan(version=3, installation="B")).run(MINUTE)
    assert not desk.feeder.held()
    assert "other_installation" in desk.faults()


def test_two_installations_that_take_turns_hold_the_feeder() -> None:
    desk = running(plan(version=10))
    desk.say("plan", plan(version=3, installation="B")).say("plan", plan(version=11)).run(MINUTE)
    assert desk.feeder.held()
    assert "two_installations" in desk.faults()


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"\xff\xfe",
        b"[1]",
        b"{" * 9000,
        b"[" * 8000,
        b'{"installation": "A", "version": 1e308, "days": [], "meals": []}',
        b'{"installation": "A", "version": 11, "days": [{"start_ms": 1, "cap_g": NaN}], "meals": []}',
        b'{"installation": "A", "version": 11, "days": [{"start_ms": 1, "cap_g": -1}], "meals": []}',
        b'{"installation": "A", "version": 11, "days": [{"start_ms": 1.5, "cap_g": 1}], "meals": []}',
        b'{"installation": "A", "version": 11, "days": [3], "meals": {}}',
    ],
)
def test_rubbish_changes_nothing(payload: bytes) -> None:
    desk = running(plan(version=10))
    for tail in ("plan", "hold", "received", "time", "command"):
        desk.say(tail, payload)
    desk.run(MINUTE)
    assert desk.feeder.plan.version == 10
    assert "message_refused" in desk.faults()


# Commands


def test_a_command_acts_once_even_over_a_restart() -> None:
    desk = running(plan())
    assert desk.command("c", "dispense", target_g=0.05)["ok"]
    assert not desk.command("c", "dispense", target_g=0.05)["ok"]
    desk.boot().connect()
    assert desk.command("c", "dispense", target_g=0.05)["detail"] == "this command has acted already"
    assert desk.steps() == 50


def test_a_command_never_acts_after_it_expires_nor_without_a_clock() -> None:
    desk = running(plan())
    assert desk.command("late", "dispense", expires=desk.true_ms, target_g=0.05)["detail"] == "expired"
    desk.has_clock = False
    assert "no clock" in desk.command("blind", "dispense", target_g=0.05)["detail"]
    assert desk.moves == []


def test_a_restart_command_restarts_once() -> None:
    desk = running(plan())
    assert desk.command("r", "restart")["ok"]
    assert desk.feeder.held()  # nothing moves on the way down
    desk.boot().connect().command("r", "restart")
    assert desk.restarts == 1


def test_command_ids_are_remembered_until_they_expire() -> None:
    desk = running(plan())
    for i in range(60):
        desk.command(f"c{i}", "tare")
        desk.feeder.memory.rewrite(desk.true_ms)
    desk.boot().connect()
    assert desk.command("c0", "tare")["detail"] == "this command has acted already"
    for i in range(60, 70):
        reply = desk.command(f"c{i}", "tare")
    assert "no room" in reply["detail"]
    desk.run(2 * HOUR)
    assert desk.command("later", "tare")["ok"]


def test_commands_that_never_expire_are_remembered_for_ever() -> None:
    desk = running(plan())
    for i in range(256):
        assert desk.command(f"c{i}", "tare", expires=0)["ok"]
    desk.feeder.memory.rewrite(desk.true_ms)
    desk.boot().connect().run(DAY)
    assert desk.command("c0", "tare", expires=0)["detail"] == "this command has acted already"
    assert "no room" in desk.command("one more", "tare", expires=0)["detail"]
    assert desk.command("with an end", "tare")["ok"]
    # A resend moves nothing and needs no memory: it is obeyed as often as it comes.
    assert "held of those asked for" in desk.command("again", "resend", expires=0, **{"from": 1, "to": 2})["detail"]


def test_tare_and_calibrate_answer_what_the_cell_says() -> None:
    desk = running(plan())
    assert desk.command("t", "tare")["ok"]
    assert desk.command("k", "calibrate", mass_g=20)["ok"]
    assert not desk.command("z", "calibrate")["ok"]
    desk.cell = "dead"
    assert not desk.command("t2", "tare")["ok"]


# Time


def test_without_any_clock_the_fallback_comes_once_per_24_hours_of_uptime_for_blind_days() -> None:
    desk = running(plan(fallback_g=0.1, blind_days=3), has_clock=False)
    for _ in range(60):  # ten days, restarted every four hours
        desk.run(4 * HOUR).boot().connect()
    doses = list(desk.doses().values())
    assert [dose["cause"] for dose in doses] == ["fallback"] * 3
    assert all(dose["at_ms"] is None for dose in doses)
    assert len({dose["meal"] for dose in doses}) == 3
    # Up to one interval of counting is lost per restart: later than 24 hours, never earlier.
    days = [at_ms / DAY for at_ms in sorted({t for t, _ in desk.moves})]
    assert all(later - earlier >= 0.99 for earlier, later in zip(days[::5], days[5::5], strict=False))
    assert desk.steps() == 300


def test_restarts_every_five_minutes_neither_multiply_nor_starve_blind_feeding() -> None:
    desk = running(plan(fallback_g=0.1, blind_days=3), has_clock=False)
    for _ in range(12 * 24 * 3):
        desk.run(5 * MINUTE).off(0).boot().connect()
    assert 100 <= desk.steps() <= 200


def test_down_time_sets_a_clock_that_is_unset_and_only_while_its_echo_is_fresh() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),)), has_clock=False)
    desk.run(10_000)
    desk.say("time", {"now_ms": desk.true_ms, "boot": "other", "uptime_ms": desk.feeder.uptime})
    desk.say("time", {"now_ms": desk.true_ms, "boot": desk.feeder.boot, "uptime_ms": desk.feeder.uptime - 5001})
    assert desk.feeder.now() is None
    desk.say("time", {"now_ms": desk.true_ms, "boot": desk.feeder.boot, "uptime_ms": desk.feeder.uptime - 100})
    assert desk.feeder.now() == desk.true_ms
    desk.run(3 * HOUR)
    assert [dose["at_ms"] for dose in desk.doses().values()] == [EIGHT]
    assert [hello["clock"] for hello in desk.of("hello")] == ["unset", "set"]


def test_the_tick_counter_may_wrap() -> None:
    desk = running(plan())
    before = desk.feeder.uptime
    desk.run(30 * DAY, at_most=HOUR)  # the counter wraps after 12.4 days
    assert desk.feeder.uptime - before == 30 * DAY


@pytest.mark.parametrize("error_ms", [-40 * 365 * DAY, 80 * 365 * DAY])
def test_a_clock_gone_astray_counts_as_none(error_ms: int) -> None:
    desk = running(plan())
    desk.clock_error_ms = error_ms
    desk.run(MINUTE)
    assert desk.feeder.now() is None


def test_a_feeder_that_loses_its_clock_asks_for_the_time_and_feeds_by_the_answer() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),))).run(10 * MINUTE)
    desk.has_clock = False
    desk.run(MINUTE)
    assert [said["clock"] for said in desk.of("hello")] == ["set", "unset"]
    desk.run(5 * MINUTE)
    assert [said["clock"] for said in desk.of("hello")] == ["set", "unset", "unset"]  # again, while nobody answers
    desk.say("time", {"now_ms": desk.true_ms, "boot": desk.feeder.boot, "uptime_ms": desk.feeder.uptime})
    desk.run(3 * HOUR)
    assert [said["clock"] for said in desk.of("hello")] == ["set", "unset", "unset", "set"]
    assert [(dose["cause"], dose["at_ms"]) for dose in desk.doses().values()] == [("plan", EIGHT)]


def test_a_clock_that_comes_and_goes_is_not_asked_for_at_every_turn() -> None:
    desk = running(plan())
    for _ in range(100):
        desk.has_clock = not desk.has_clock
        desk.run(1000)
    assert [hello["clock"] for hello in desk.of("hello")] == ["set"]


# Fallback


def test_the_fallback_begins_the_day_after_the_meals_run_out_and_ends_at_until() -> None:
    until = MIDNIGHT + 5 * DAY
    desk = running(plan(meals=(meal("m", EIGHT),), fallback_g=0.1, until_ms=until))
    desk.run(10 * DAY)
    times = [(dose["cause"], dose["at_ms"]) for dose in desk.doses().values()]
    # 06:00 UTC of each following day, until 2026-10-29T22:00Z.
    first = MIDNIGHT + DAY + 8 * HOUR
    assert times == [("plan", EIGHT)] + [("fallback", first + i * DAY) for i in range(4)]
    assert desk.steps() == 50 + 400


def test_a_day_of_fallback_is_shared_among_its_times_and_stays_under_the_cap() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),), cap_g=0.09, fallback_g=0.1, at_utc_s=(6 * 3600, 18 * 3600)))
    desk.run(3 * DAY)
    doses = [dose for dose in desk.doses().values() if dose["cause"] == "fallback"]
    assert [dose["steps"] for dose in doses[:4]] == [50, 40, 50, 40]
