"""Holding feeding and letting it go again, from a reading to what the feeder is told (contract: lines, hold, release).

Ammonia is stated as N. The default lines are the contract's: reduce to half at 1.0 mg/L, hold at 2.0 mg/L.
"""

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from house import DAY_MS, FEEDER, FOOD, HOUR_MS, MINUTE_MS, NOON_MS, TANK, House

from present import present
from tareline.app import dispatch
from tareline.app.answers.entries import HoldNow
from tareline.app.answers.feeding import HoldAnswer
from tareline.app.context import ChangeNotice
from tareline.errors import FieldError
from tareline.mqtt.messages import Message

WIRE_BYTES = 8 * 1024
UNPLUG = "not confirmed, unplug the feeder"


def stated(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat()


def release(house: House, tank: str = TANK) -> HoldAnswer:
    return house.service.release(tank, {"note": "looked at the water", "by": "the keeper"})


def refused(house: House, tank: str = TANK) -> str:
    """A person's release that is answered with 409; the reason given."""
    with pytest.raises(FieldError) as caught:
        release(house, tank)
    assert caught.value.status == 409
    assert house.hold(tank).held
    return caught.value.message


def told_hold(house: House, feeder: str = FEEDER) -> dict[str, Any]:
    told = house.last("hold", feeder)
    assert told is not None, f"{feeder} was never told of a hold"
    return told


def later(house: House, ms: int = MINUTE_MS) -> None:
    house.pass_time(ms, ms)


def put(house: House, kind: str, ref: str, **body: Any) -> None:
    house.service.things.put(kind, ref, body)


def stage(house: House, stage: str) -> None:
    put(house, "tank", TANK, name="reading room", volume_l=60, timezone="UTC", stage=stage)


def lines(house: House, *limits: dict[str, Any]) -> None:
    house.service.feeding.put_lines(TANK, {"lines": list(limits), "confirm": True})


def line(analyte: str, do: str, reduce_to: float | None = None, **side: float) -> dict[str, Any]:
    unit, basis = ("1", None) if analyte == "ph" else ("mg/L", "N")
    return {"analyte": analyte, "unit": unit, "basis": basis, "do": do, "reduce_to": reduce_to, **side}


def second_tank(house: House, tank: str = "sill", feeder: str | None = None) -> None:
    house.add("tank", id=tank, name="window sill", volume_l=30, timezone="UTC")
    if feeder is not None:
        house.add("feeder", id=feeder, tank=tank, food=FOOD)


# -- from a reading to the feeder --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "held", "reduce_to"),
    [
        (0.49, False, 1.0),
        (0.5, False, 1.0),
        (0.99, False, 1.0),
        (1.0, False, 0.5),
        (1.99, False, 0.5),
        (2.0, True, 0.5),
    ],
)
def test_a_reading_does_what_the_default_lines_say(house: House, value: float, held: bool, reduce_to: float) -> None:
    """Total ammonia as N: notify 0.5, reduce to half 1.0, hold 2.0 mg/L; a value on the line crosses it."""
    answer = house.reading("ammonia", value)
    assert {c.do for c in present(answer.crossed) if c.analyte == "ammonia"} == (
        set() if value < 0.5 else {"notify"} | ({"reduce"} if value >= 1 else set()) | ({"hold"} if held else set())
    )
    assert (house.hold().held, house.hold().reduce_to) == (held, reduce_to)
    assert told_hold(house)["held"] is held
    assert told_hold(house)["reduce_to"] == (None if reduce_to == 1 else reduce_to)


def test_a_hold_names_the_reading_that_called_for_it_and_the_feeder_is_told_why(house: House) -> None:
    answer = house.reading("ammonia", 2.5)
    entry = next(e for e in house.ledger("hold") if e.do == "hold")
    assert entry.reading == answer.entry
    assert isinstance(answer.made, list)
    assert entry.entry in answer.made
    assert answer.hold == HoldNow(held=True, reduce_to=0.5)
    assert "total ammonia" in told_hold(house)["reason"]
    assert [m.retain for m in house.sent if m.topic == f"{FEEDER}/down/hold"][-1] is True
    assert [m.qos for m in house.sent if m.topic == f"{FEEDER}/down/hold"][-1] == 1


def test_reading_hold_and_message_are_one_transaction(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """The hold is published within the same transaction's consequence: either all of it is on disk, or none."""

    def fails(*_: Any) -> Any:
        raise ZeroDivisionError("invented for this test")

    house.sent.clear()
    with monkeypatch.context() as broken:
        broken.setattr(dispatch, "tell", fails)
        with pytest.raises(ZeroDivisionError):
            house.reading("ammonia", 2.5)
    assert house.ledger("reading") == []
    assert house.ledger("hold") == []
    assert house.sent == []
    assert not house.hold().held


def test_the_same_reading_again_adds_no_second_hold(house: House) -> None:
    house.reading("ammonia", 2.5)
    told = len(house.told("hold"))
    later(house)
    house.reading("ammonia", 2.6)
    assert [e.do for e in house.ledger("hold")] == ["reduce", "hold"]
    assert len(house.told("hold")) == told


def test_a_correction_to_a_value_over_the_line_holds(house: House) -> None:
    """A correction is one more entry, and the line looks at what is true now."""
    entry = house.reading("ammonia", 0.25).entry
    house.service.entries.correct(entry, {"value": 2.5, "note": "a slip of the pen"})
    assert house.hold().held
    assert told_hold(house)["held"]


def test_lines_lowered_below_the_newest_reading_hold(house: House) -> None:
    house.reading("ammonia", 0.75)
    assert not house.hold().held
    lines(house, line("ammonia", "hold", above=0.7))
    assert house.hold().held
    assert told_hold(house)["held"]


def test_a_line_below_which_feeding_is_held(house: House) -> None:
    """A line may lie on either side: acid water is held on, and released once it is above the line."""
    lines(house, line("ph", "hold", below=6.0))
    house.reading("ph", 6.0)
    assert house.hold().held
    later(house)
    house.reading("ph", 5.5)
    assert "above 6" in refused(house)
    later(house)
    house.reading("ph", 6.8)
    assert not release(house).held


# -- charts, stages and assumptions ------------------------------------------------------------------------------------


def chart(house: House, *steps: float) -> None:
    house.add("kit", id="drops", name="colour drops", analyte="ammonia", unit="mg/L", basis="N", steps=list(steps))


def test_a_chart_reading_counts_as_the_midpoint_to_its_upper_neighbour(house: House) -> None:
    """Contract: the step 1 with a neighbour at 3 counts as 2, which holds; with one at 2 as 1.5, which does not."""
    chart(house, 0, 1, 2, 4)
    house.reading("ammonia", 1, kit="drops")
    assert (house.hold().held, house.hold().reduce_to) == (False, 0.5)
    put(house, "kit", "drops", name="colour drops", analyte="ammonia", unit="mg/L", basis="N", steps=[0, 1, 3])
    later(house)
    house.reading("ammonia", 1, kit="drops")
    assert house.hold().held


def test_the_lowest_step_of_a_chart_never_crosses_a_line(house: House) -> None:
    """Whatever its midpoint: it means that nothing was seen."""
    chart(house, 3, 5, 9)
    assert house.reading("ammonia", 3, kit="drops").crossed == []
    assert house.hold().reduce_to == 1.0


def test_a_step_that_still_counts_as_over_the_line_allows_no_release_and_the_lowest_step_does(house: House) -> None:
    chart(house, 0, 1, 3)
    house.reading("ammonia", 3, kit="drops")
    later(house)
    house.reading("ammonia", 1, kit="drops")  # counts as 2
    refused(house)
    later(house)
    house.reading("ammonia", 0, kit="drops")
    assert not release(house).held


@pytest.mark.parametrize("without", ["no animals", "empty"])
def test_a_tank_without_animals_is_only_notified_and_held_when_it_becomes_stocked(house: House, without: str) -> None:
    stage(house, without)
    answer = house.reading("ammonia", 4.0)
    assert {c.do for c in present(answer.crossed)} == {"notify"}
    assert not house.hold().held
    assert not told_hold(house)["held"]
    stage(house, "stocked")
    assert house.hold().held
    assert told_hold(house)["held"]


def test_an_assumed_ph_notifies_and_a_measured_one_holds(house: House) -> None:
    """Un-ionised ammonia: hold at 0.05 mg/L as N. At pH 8.0 and 25 degC 5.4 % of the total is un-ionised, so 0.97 mg/L
    crosses; while pH 8.0 is assumed it only notifies (contract)."""
    house.reading("temperature", 25.0)
    answer = house.reading("ammonia", 0.97)
    free = [c for c in present(answer.crossed) if c.analyte == "free_ammonia"]
    assert [c.do for c in free] == ["notify", "notify"]
    assert all("pH assumed" in c.text for c in free)
    assert not house.hold().held
    answer = house.reading("ph", 8.2)
    assert "hold" in {c.do for c in present(answer.crossed)}
    assert house.hold().held
    assert "un-ionised" in told_hold(house)["reason"]


def test_a_ph_measured_over_fourteen_days_ago_is_assumed(house: House) -> None:
    house.reading("temperature", 25.0)
    house.reading("ph", 8.4, at=stated(NOON_MS - 14 * DAY_MS - MINUTE_MS))
    house.reading("ammonia", 0.97)
    assert not house.hold().held
    house.reading("ph", 8.4, at=stated(NOON_MS - 14 * DAY_MS + MINUTE_MS))
    assert house.hold().held


# -- asked, confirmed, overdue -----------------------------------------------------------------------------------------


def test_a_hold_is_asked_and_not_confirmed_until_the_feeder_says_that_it_is_in_force(house: House) -> None:
    house.hear(house.online(), house.hello())
    house.confirm()
    assert house.hold().message == "feeding"
    house.reading("ammonia", 2.5)
    assert house.hold().message == "held: sent to the feeder, not confirmed yet"
    assert house.hold().confirmed_by_feeders == {FEEDER: False}
    house.confirm()
    assert house.hold().message == "held"
    assert house.hold().confirmed_by_feeders == {FEEDER: True}


@pytest.mark.parametrize(("boot", "lower", "confirms"), [("boot", 0, True), ("boot", 1, False), ("former", 0, False)])
def test_only_the_current_boot_confirms_and_only_with_that_version_or_a_later_one(
    house: House, boot: str, lower: int, confirms: bool
) -> None:
    house.hear(house.online(), house.hello())
    house.reading("ammonia", 2.5)
    applied = {"boot": boot, "plan_version": 0, "hold_version": told_hold(house)["version"] - lower}
    house.hear(house.message("applied", applied))
    assert house.hold().confirmed_by_feeders == {FEEDER: confirms}


def test_a_board_that_starts_anew_has_confirmed_nothing(house: House) -> None:
    house.hear(house.online(), house.hello())
    house.reading("ammonia", 2.5)
    house.confirm()
    house.hear(house.hello(boot="next"))
    assert house.hold().confirmed_by_feeders == {FEEDER: False}
    house.confirm(boot="next")
    assert house.hold().confirmed_by_feeders == {FEEDER: True}


def test_one_feeder_of_two_does_not_confirm_for_the_other(house: House) -> None:
    house.add("feeder", id="second", tank=TANK, food=FOOD)
    house.hear(house.online(), house.hello(), house.online("second"), house.hello("second", board="b2"))
    house.reading("ammonia", 2.5)
    assert told_hold(house, "second")["held"]
    house.confirm()
    assert house.hold().confirmed_by_feeders == {FEEDER: True, "second": False}
    assert house.hold().message == "held: sent to the feeder, not confirmed yet"
    later(house, 2 * MINUTE_MS)
    assert UNPLUG in house.hold().message
    assert "(second)" in house.hold().message


def test_a_hold_unconfirmed_for_a_minute_says_unplug_the_feeder_and_pages_are_told(house: House) -> None:
    changes: list[ChangeNotice] = []
    house.hear(house.online(), house.hello())
    house.confirm()
    house.reading("ammonia", 2.5)
    house.service.context.listen(changes.append)
    house.pass_time(59_000)
    assert house.hold().message == "held: sent to the feeder, not confirmed yet"
    assert [c for c in changes if c.what == "hold"] == []
    house.pass_time(2000)
    assert UNPLUG in house.hold().message
    assert changes.count(ChangeNotice("hold", TANK)) == 1
    house.pass_time(2 * MINUTE_MS)
    assert changes.count(ChangeNotice("hold", TANK)) == 1
    house.confirm()
    assert house.hold().message == "held"


def test_a_hold_unconfirmed_for_a_minute_says_unplug_the_feeder_also_while_the_clock_is_behind(house: House) -> None:
    """After a power cut a small computer's clock may be hours behind; a minute is a minute all the same."""
    house.hear(house.online(), house.hello())
    house.confirm()
    house.clock.set(NOON_MS - DAY_MS)
    house.reading("ammonia", 2.5)
    assert house.hold().message == "held: sent to the feeder, not confirmed yet"
    house.pass_time(90_000)
    assert UNPLUG in house.hold().message


def test_a_hold_still_unconfirmed_after_a_restart_with_the_clock_behind_says_unplug_the_feeder(house: House) -> None:
    house.hear(house.online(), house.hello())
    house.reading("ammonia", 2.5)
    house.clock.set(NOON_MS - DAY_MS)
    house.restart()
    house.pass_time(90_000)
    assert UNPLUG in house.hold().message


# -- lasting -----------------------------------------------------------------------------------------------------------


def test_a_hold_survives_a_restart_and_is_told_again_with_its_version(house: House) -> None:
    house.reading("ammonia", 2.5)
    version = told_hold(house)["version"]
    house.restart()
    assert house.hold().held
    greeted = [json.loads(m.payload) for m in house.service.greeting() if m.topic == f"{FEEDER}/down/hold"]
    assert [(m["held"], m["version"]) for m in greeted] == [(True, version)]


def test_a_confirmation_survives_a_restart(house: House) -> None:
    house.hear(house.online(), house.hello())
    house.reading("ammonia", 2.5)
    house.confirm()
    house.restart()
    assert house.hold().message == "held"


def test_a_later_low_reading_alone_does_not_release(house: House) -> None:
    house.reading("ammonia", 2.5)
    later(house)
    house.reading("ammonia", 0.1)
    assert house.hold().held
    assert told_hold(house)["held"]
    house.restart()
    assert house.hold().held


def test_reductions_and_holds_last_over_months_of_other_entries(house: House) -> None:
    """Nothing that is entered between makes a hold forgotten."""
    house.reading("ammonia", 2.5)
    for _ in range(60):
        later(house, DAY_MS)
        house.reading("nitrate", 10.0)
    assert house.hold().held


# -- a person's release ------------------------------------------------------------------------------------------------


def test_a_release_needs_a_reading_newer_than_the_hold_below_the_line(house: House) -> None:
    house.reading("ammonia", 2.5)
    held_version = told_hold(house)["version"]
    assert "newer than the hold" in refused(house)
    later(house)
    house.reading("ammonia", 2.1)
    assert "2.1" in refused(house)
    later(house)
    house.reading("ammonia", 0.25)
    assert house.hold().reasons[-1].needs is None
    later(house)
    assert not release(house).held
    told = told_hold(house)
    assert (told["held"], told["reduce_to"]) == (False, None)
    assert told["version"] > held_version
    ended = house.ledger("release")[-1]
    assert (ended.note, ended.by) == ("looked at the water", "the keeper")
    assert ended.releases == [e.entry for e in house.ledger("hold") if e.do == "hold"]


def test_a_value_on_the_line_is_not_below_it(house: House) -> None:
    house.reading("ammonia", 2.5)
    later(house)
    house.reading("ammonia", 2.0)
    refused(house)
    later(house)
    house.reading("ammonia", 1.99)
    assert not release(house).held


def test_an_older_reading_typed_in_late_does_not_allow_a_release(house: House) -> None:
    """`at` may lie in the past (a notebook typed in later): that is not news about the water."""
    house.reading("ammonia", 2.5)
    later(house, HOUR_MS)
    house.reading("ammonia", 0.1, at=stated(NOON_MS - HOUR_MS))
    assert "none has been taken since" in refused(house)


def test_a_reading_of_another_analyte_does_not_allow_a_release(house: House) -> None:
    house.reading("ammonia", 2.5)
    later(house)
    house.reading("nitrite", 0.0)
    refused(house)


def test_taking_back_the_reading_that_held_is_no_newer_reading(house: House) -> None:
    """Nor is its correction: a person measures again."""
    entry = house.reading("ammonia", 2.5).entry
    later(house)
    house.service.entries.correct(entry, {"value": 0.25, "note": "read the wrong column"})
    refused(house)
    house.service.entries.correct(entry, {"void": True})
    refused(house)


def test_a_release_is_refused_while_the_newest_reading_is_over_a_line_lowered_since(house: House) -> None:
    """Held at 2.5 under a line at 2.0; the keeper lowers the line to 1.0; 1.5 is then not below its line."""
    house.reading("ammonia", 2.5)
    later(house)
    lines(house, line("ammonia", "hold", above=1.0))
    later(house)
    house.reading("ammonia", 1.5)
    refused(house)
    later(house)
    house.reading("ammonia", 0.9)
    assert not release(house).held


def test_crossing_again_after_a_release_holds_again(house: House) -> None:
    house.reading("ammonia", 2.5)
    later(house)
    house.reading("ammonia", 0.25)
    later(house)
    release(house)
    later(house)
    house.reading("ammonia", 2.2)
    assert house.hold().held
    assert told_hold(house)["held"]
    refused(house)


def test_what_is_not_held_cannot_be_released(house: House) -> None:
    with pytest.raises(FieldError) as caught:
        release(house)
    assert caught.value.status == 409


def test_a_release_with_the_clock_stepped_back_since_the_low_reading(house: House) -> None:
    house.reading("ammonia", 2.5)
    later(house, 10 * MINUTE_MS)
    house.reading("ammonia", 0.25)
    house.clock.set(NOON_MS - HOUR_MS)
    assert not release(house).held
    later(house)
    assert not house.hold().held
    assert not told_hold(house)["held"]


@pytest.mark.parametrize("back_ms", [30_000, HOUR_MS])
def test_a_reading_entered_after_the_hold_is_newer_also_where_the_clock_stepped_back(
    house: House, back_ms: int
) -> None:
    """The time that is written down never falls; so whatever is entered later must also count as later."""
    house.reading("ammonia", 2.5)
    house.clock.set(NOON_MS - back_ms)
    house.pass_time(10_000)
    house.reading("ammonia", 0.25)
    assert not release(house).held


# -- reductions --------------------------------------------------------------------------------------------------------


def test_a_reduction_is_restored_by_rule_with_the_first_newer_reading_clear_of_its_line(house: House) -> None:
    house.reading("ammonia", 1.2)
    assert (told_hold(house)["held"], told_hold(house)["reduce_to"]) == (False, 0.5)
    later(house)
    house.reading("ammonia", 1.0)
    assert house.hold().reduce_to == 0.5
    house.reading("ammonia", 0.2, at=stated(NOON_MS - HOUR_MS))
    assert house.hold().reduce_to == 0.5
    later(house)
    house.reading("ammonia", 0.9)
    assert house.hold().reduce_to == 1.0
    assert told_hold(house)["reduce_to"] is None
    assert [(e.by, "by rule" in e.note) for e in house.ledger("release")] == [(None, True)]


def test_a_reduction_is_the_devices_alone_and_never_in_the_plan(house: House) -> None:
    """Contract: targets in a plan are never reduced by it."""
    plan = house.last("plan")
    assert plan is not None
    house.reading("ammonia", 1.2)
    assert house.told("plan")[-1] == plan


def test_a_hold_leaves_the_plan_as_it_is(house: House) -> None:
    plans = len(house.told("plan"))
    house.reading("ammonia", 2.5)
    assert len(house.told("plan")) == plans


def test_a_released_hold_leaves_the_reduction_that_the_water_still_asks_for(house: House) -> None:
    house.reading("ammonia", 2.5)
    assert (house.hold().held, house.hold().reduce_to) == (True, 0.5)
    later(house)
    house.reading("ammonia", 1.5)
    assert not release(house).held
    assert (told_hold(house)["held"], told_hold(house)["reduce_to"]) == (False, 0.5)
    later(house)
    house.reading("ammonia", 0.3)
    assert (told_hold(house)["held"], told_hold(house)["reduce_to"]) == (False, None)


def test_of_two_reductions_the_stronger_one_counts(house: House) -> None:
    lines(house, line("ammonia", "reduce", 0.6, above=1.0), line("nitrite", "reduce", 0.25, above=0.5))
    house.reading("ammonia", 1.2)
    house.reading("nitrite", 0.6)
    assert told_hold(house)["reduce_to"] == 0.25
    later(house)
    house.reading("nitrite", 0.1)
    assert told_hold(house)["reduce_to"] == 0.6


# -- a person's hold ---------------------------------------------------------------------------------------------------


def test_a_persons_hold_needs_only_a_person_to_end(house: House) -> None:
    house.service.hold(TANK, {"reason": "glass is being cleaned", "by": "the keeper"})
    assert told_hold(house)["held"]
    assert told_hold(house)["reason"] == "glass is being cleaned"
    assert [(r.kind, r.needs) for r in house.hold().reasons] == [("person", None)]
    assert not release(house).held


def test_a_person_cannot_release_past_a_line_by_holding_first(house: House) -> None:
    house.service.hold(TANK, {"reason": "glass is being cleaned"})
    house.reading("ammonia", 2.5)
    refused(house)
    assert {r.kind for r in house.hold().reasons if r.do == "hold"} == {"person", "line"}


def test_the_reason_fits_the_wire_whatever_is_written_in_it(house: House) -> None:
    """At most 8 KiB down: a feeder's buffers are sized from that, and a hold it cannot read is no hold."""
    for _ in range(6):
        house.service.hold(TANK, {"reason": "\N{TROPICAL FISH}" * 200})
    sizes = [len(m.payload) for m in house.sent if m.topic == f"{FEEDER}/down/hold"]
    assert max(sizes) <= WIRE_BYTES
    assert told_hold(house)["held"]


# -- feeders that come, go and move ------------------------------------------------------------------------------------


def test_a_tank_without_feeders_is_held_and_the_feeder_that_comes_is_told(house: House) -> None:
    second_tank(house)
    house.reading("ammonia", 2.5, tank="sill")
    assert house.hold("sill").held
    assert "no feeder on this tank" in house.hold("sill").message
    house.add("feeder", id="second", tank="sill", food=FOOD)
    assert told_hold(house, "second")["held"]
    assert not told_hold(house)["held"]


def test_a_feeder_moved_to_another_tank_takes_over_that_tanks_hold(house: House) -> None:
    second_tank(house)
    house.reading("ammonia", 2.5, tank="sill")
    assert not told_hold(house)["held"]
    later(house)
    put(house, "feeder", FEEDER, tank="sill", food=FOOD)
    assert told_hold(house)["held"]
    assert house.hold("sill").confirmed_by_feeders == {FEEDER: False}
    later(house)
    put(house, "feeder", FEEDER, tank=TANK, food=FOOD)
    assert not told_hold(house)["held"]


def test_a_retired_feeder_is_held_and_its_plan_feeds_nothing(house: House) -> None:
    put(house, "feeder", FEEDER, tank=None)
    assert told_hold(house)["held"]
    plan = house.last("plan")
    assert plan is not None
    assert plan["meals"] == []
    assert {day["cap_g"] for day in plan["days"]} == {0.0}
    assert (plan["fallback"]["daily_g"], plan["fallback"]["blind_days"]) == (0.0, 0)
    later(house, DAY_MS)
    assert told_hold(house)["held"]


def test_a_reading_holds_only_its_own_tank(house: House) -> None:
    second_tank(house, feeder="second")
    house.reading("ammonia", 2.5)
    assert not house.hold("sill").held
    assert not told_hold(house, "second")["held"]


# -- two boards, two installations -------------------------------------------------------------------------------------


def foreign_plan(house: House, payload: bytes, retained: bool = False) -> None:
    house.hear(Message(f"tareline/{FEEDER}/down/plan", payload, house.clock.now_ms(), retained))


def test_two_boards_under_one_name_hold_over_restarts_and_a_person_ends_it(house: House) -> None:
    """Two boards under one device name are recognised, told, and the feeder is held."""
    house.hear(house.online(), house.hello())
    house.hear(house.hello(board="second", boot="other"))
    house.restart()
    for board, boot in (("board", "boot"), ("second", "other"), ("board", "boot")):
        later(house)
        house.hear(house.hello(board=board, boot=boot))
    assert [r.kind for r in house.hold().reasons] == ["board"]
    assert told_hold(house)["held"]
    assert not release(house).held
    house.hear(house.hello(boot="next"))
    assert not house.hold().held


def test_a_plan_kept_from_an_older_installation_holds_nothing_and_a_live_one_holds(house: House) -> None:
    """A database begun anew finds its predecessor's plan at the broker: that is no second installation."""
    plan = json.dumps({**(house.last("plan") or {}), "installation": "another"}).encode()
    foreign_plan(house, plan, retained=True)
    assert not house.hold().held
    foreign_plan(house, plan)
    assert [r.kind for r in house.hold().reasons] == ["installation"]
    assert told_hold(house)["held"]


def test_two_installations_hold_over_a_restart_and_a_person_ends_it(house: House) -> None:
    foreign_plan(house, b'{"installation": "another"}')
    house.restart()
    assert house.hold().held
    assert not release(house).held


@pytest.mark.parametrize("name", [b'"\\ud800"', b'"' + b"x" * 9000 + b'"', b"7", b'["a"]'])
def test_whatever_an_installation_calls_itself_the_hold_can_be_shown_and_sent(house: House, name: bytes) -> None:
    """Pages and HTTP speak UTF-8, in which half of a surrogate pair cannot be written."""
    foreign_plan(house, b'{"installation":' + name + b"}")
    assert house.hold().model_dump_json()
    assert all(entry.model_dump_json() for entry in house.ledger())
    assert all(len(m.payload) <= WIRE_BYTES for m in house.sent)
