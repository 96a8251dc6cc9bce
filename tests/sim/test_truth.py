"""The rules of true grams by themselves: what truth.py holds to be known, and to be stopped."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from network import Packet
from sim_board import ROOT
from truth import MINUTE, Gone, Truth
from world import World

ASKED_UG, GAVE_UG = 90_000, 700_000
A_WEIGHT = (50_000_000, 500)


def dosed() -> tuple[Truth, Gone]:
    """A dose that gave far too much, and was weighed before and after."""
    truth = Truth()
    truth.started(0)
    truth.looked(0, A_WEIGHT, True)
    dose = Gone(MINUTE, 0, ASKED_UG, 0)
    truth.gone.append(dose)
    truth.moved(dose, ASKED_UG, GAVE_UG)
    truth.looked(MINUTE, A_WEIGHT, True)
    return truth, dose


def test_what_a_dose_gave_too_much_is_remembered_once_flash_has_it() -> None:
    truth, dose = dosed()
    truth.turn_over(False)
    truth.power_gone(MINUTE)
    assert 600_000 < dose.counted_ug < GAVE_UG
    assert truth.row == 1


@pytest.mark.parametrize("refused", [True, None])
def test_what_a_weight_showed_is_gone_with_power_that_goes_before_flash_has_it(refused: bool | None) -> None:
    """None: power goes within the turn."""
    truth, dose = dosed()
    if refused is not None:
        truth.turn_over(refused)
    truth.power_gone(MINUTE)
    assert (dose.counted_ug, dose.unseen_ug, truth.row) == (ASKED_UG, GAVE_UG - ASKED_UG, 0)


def test_a_loss_that_flash_does_not_have_is_gone_with_the_power_as_well() -> None:
    truth = Truth()
    truth.started(0)
    truth.looked(0, A_WEIGHT, True)
    truth.leaked(1, GAVE_UG)
    truth.looked(MINUTE, A_WEIGHT, True)
    assert list(truth.stops) == ["loss"]
    truth.power_gone(MINUTE)
    [loss] = truth.gone
    assert (loss.counted_ug, loss.unseen_ug, loss.clear, truth.stops) == (0, GAVE_UG, False, {})


def two_take_turns(truth: Truth) -> None:
    for version, name in enumerate(("one", "other", "one"), 1):
        truth.plan_came(name, version, version)
    assert list(truth.stops) == ["installations"]


@pytest.mark.parametrize(("held", "stopped"), [(True, []), (False, ["installations"])])
def test_who_held_a_feeder_that_stood_still_already_has_answered_the_stop(held: bool, stopped: list[str]) -> None:
    """The feeder was more careful than it had to be: it stopped before the third of these plans."""
    truth = Truth()
    truth.hold_came(10, True)
    truth.hold_came(11, False)
    truth.told("two_installations", 0)
    if held:
        truth.hold_came(12, True)
    two_take_turns(truth)
    truth.hold_came(13, False)
    assert list(truth.stops) == stopped


def test_a_hold_of_before_answers_no_stop_of_a_feeder_that_did_not_stand_still() -> None:
    truth = Truth()
    truth.hold_came(12, True)
    two_take_turns(truth)
    truth.hold_came(13, False)
    assert list(truth.stops) == ["installations"]


def test_messages_that_waited_and_come_in_one_turn_may_stop_a_feeder_and_answer_it() -> None:
    """With the firmware itself: the old plan of the one that was left stops it; a hold and a release answer that; and
    only then the next plan shows the model that two installations took turns."""
    world = World(1, 1)
    try:
        board = world.boards[0]
        board.power_on()
        plan = {"days": [{"start_ms": world.now_ms, "cap_g": 0.5}], "meals": [], "gain_g_per_step": None}
        hold = {"reduce_to": None, "installation": "one"}
        waiting: tuple[tuple[str, dict[str, object]], ...] = (
            ("plan", {**plan, "installation": "one", "version": 1}),
            ("plan", {**plan, "installation": "other", "version": 1}),
            ("plan", {**plan, "installation": "one", "version": 1}),
            ("hold", {**hold, "held": True, "version": 2}),
            ("hold", {**hold, "held": False, "version": 3}),
            ("plan", {**plan, "installation": "one", "version": 4}),
        )
        stopped: list[str | None] = []
        for number, (tail, fields) in enumerate(waiting):
            topic = f"{ROOT}{board.name}/down/{tail}"
            board.link.inbox.append(Packet(number, topic, json.dumps(fields).encode(), False, 1))
        board.feeder.memory.set_stop = _noting(board.feeder.memory.set_stop, stopped)
        board.wake()
        assert stopped == ["two_installations", "two_installations", None], "it stopped, was held, and was released"
        assert board.model.truth.stops == {}
    finally:
        world.shell.remove()


def _noting(act: Any, stopped: list[str | None]) -> Callable[[Any], None]:
    def set_stop(stop: Any) -> None:
        stopped.append(stop.code)
        act(stop)

    return set_stop
