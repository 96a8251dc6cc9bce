"""Entering: what people tell, what follows from it, and that nothing is ever overwritten (contract: HTTP)."""

from typing import Any

import pytest
from house import DAY_MS, FEEDER, FOOD, HOUR_MS, MINUTE_MS, TANK, House

from present import present
from tareline.app.answers.entries import HoldNow
from tareline.errors import FieldError


def held(house: House, feeder: str = FEEDER) -> bool:
    last = house.last("hold", feeder)
    return last is not None and bool(last["held"])


# -- holds by a reading ------------------------------------------------------------------------------------------------


def test_a_reading_over_the_line_holds_and_says_what_it_changed(house: House) -> None:
    made = house.reading("ammonia", 2.0)
    assert made.hold == HoldNow(held=True, reduce_to=0.5)
    assert [c.do for c in present(made.crossed) if c.analyte == "ammonia"] == ["notify", "reduce", "hold"]
    assert held(house)
    assert "total ammonia" in house.last("hold")["reason"]  # type: ignore[index]


@pytest.mark.parametrize(
    ("value", "hold", "reduce_to"), [(0.49, False, 1.0), (0.5, False, 1.0), (1.0, False, 0.5), (1.99, False, 0.5)]
)
def test_the_default_lines_of_total_ammonia(house: House, value: float, hold: bool, reduce_to: float) -> None:
    """Notify 0.5, reduce to half 1.0, hold 2.0 mg/L as N (contract)."""
    house.reading("ph", 6.5)
    house.reading("temperature", 24)
    assert house.reading("ammonia", value).hold == HoldNow(held=hold, reduce_to=reduce_to)


def test_a_reading_as_ion_is_the_same_water(house: House) -> None:
    """2.0 mg/L as N is 2.576 mg/L as ammonium ion (18.039 / 14.007, IUPAC masses)."""
    assert not present(house.reading("ammonia", 2.57, basis="ion").hold).held
    assert present(house.reading("ammonia", 2.58, basis="ion").hold).held


def test_a_chart_reading_counts_as_the_midpoint_to_its_upper_neighbour(house: House) -> None:
    assert not present(house.reading("ammonia", 1.5, below=1.0, above=2.4).hold).held
    assert present(house.reading("ammonia", 1.5, below=1.0, above=2.5).hold).held


def test_the_lowest_step_of_a_chart_never_crosses(house: House) -> None:
    house.add("kit", id="drops", name="drops", analyte="ammonia", unit="mg/L", basis="N", steps=[1.0, 9.0])
    made = house.service.entries.add("reading", TANK, {"analyte": "ammonia", "value": 1.0, "kit": "drops"})
    assert made.crossed == []
    assert not held(house)


def test_a_later_low_reading_alone_does_not_release(house: House) -> None:
    house.reading("ammonia", 2.5)
    house.clock.advance(HOUR_MS)
    made = house.reading("ammonia", 0.1)
    assert present(made.hold).held is True
    assert held(house)


def test_release_is_refused_until_a_newer_reading_is_below_the_line(house: House) -> None:
    house.reading("ammonia", 2.5)
    with pytest.raises(FieldError, match="none has been taken since") as refused:
        house.service.release(TANK, {"note": "surely fine"})
    assert refused.value.status == 409
    house.clock.advance(HOUR_MS)
    house.reading("ammonia", 2.2)
    with pytest.raises(FieldError, match=r"still counts as 2\.2"):
        house.service.release(TANK, {"note": "surely fine"})
    house.clock.advance(HOUR_MS)
    # Typed in late from a notebook: from before the hold, so it shows nothing of the water since.
    house.reading("ammonia", 0.1, at="2025-06-15T11:00:00Z")
    with pytest.raises(FieldError):
        house.service.release(TANK, {"note": "surely fine"})
    house.reading("ammonia", 0.4)
    house.service.release(TANK, {"note": "water changed twice", "by": "the keeper"})
    assert not held(house)
    assert house.hold().reasons == []
    with pytest.raises(FieldError, match="not held"):
        house.service.release(TANK, {"note": "again"})


def test_a_correction_of_the_reading_that_held_does_not_release(house: House) -> None:
    """Only a newer reading shows the water."""
    made = house.reading("ammonia", 2.5)
    house.clock.advance(MINUTE_MS)
    house.service.entries.correct(made.entry, {"value": 0.25, "note": "misread the chart"})
    assert held(house)
    with pytest.raises(FieldError):
        house.service.release(TANK, {"note": "misread"})


def test_a_reduction_is_restored_by_rule(house: House) -> None:
    house.reading("ammonia", 1.2)
    assert house.last("hold")["reduce_to"] == 0.5  # type: ignore[index]
    house.clock.advance(HOUR_MS)
    assert house.reading("ammonia", 0.4).hold == HoldNow(held=False, reduce_to=1.0)
    assert house.last("hold")["reduce_to"] is None  # type: ignore[index]
    assert "by rule" in house.standing("release")[0].note


def test_targets_of_a_plan_are_never_reduced(house: House) -> None:
    """`reduce_to` is applied by the device alone (contract)."""
    before = house.last("plan")
    house.reading("ammonia", 1.2)
    assert house.last("plan") == before


def test_a_persons_hold_needs_only_a_person(house: House) -> None:
    house.service.hold(TANK, {"reason": "medication", "by": "the keeper"})
    assert held(house)
    assert house.hold().reasons[0].text == "medication"
    house.service.release(TANK, {"note": "done"})
    assert not held(house)


def test_a_persons_hold_does_not_hide_what_the_line_needs(house: House) -> None:
    house.service.hold(TANK, {"reason": "away"})
    house.reading("ammonia", 2.5)
    with pytest.raises(FieldError):
        house.service.release(TANK, {"note": "back"})
    assert held(house)


def test_holds_survive_a_restart(house: House) -> None:
    house.reading("ammonia", 2.5)
    version = house.last("hold")["version"]  # type: ignore[index]
    house.restart()
    assert house.hold().held
    house.sent.clear()
    house.connect()
    assert (house.last("hold")["version"], held(house)) == (version, True)  # type: ignore[index]


def test_a_tank_without_animals_is_only_notified(house: House) -> None:
    house.add("tank", id="cycling", name="cycling", volume_l=20, timezone="UTC", stage="no animals")
    made = house.reading("ammonia", 4.0, tank="cycling")
    assert present(made.hold).held is False
    assert {c.do for c in present(made.crossed)} == {"notify"}
    # Once it is stocked, the same water holds.
    body = {"name": "cycling", "volume_l": 20, "timezone": "UTC", "stage": "stocked"}
    house.service.things.put("tank", "cycling", body)
    assert house.hold("cycling").held


def test_an_assumed_ph_notifies_and_never_holds(house: House) -> None:
    """Un-ionised ammonia at an assumed pH of 8.0 would be over its line; a measured pH holds."""
    house.reading("temperature", 25)
    made = house.reading("ammonia", 0.99)
    free = [c for c in present(made.crossed) if c.analyte == "free_ammonia"]
    assert {c.do for c in free} == {"notify"}
    assert "assumed" in free[-1].text
    assert present(made.hold).held is False
    assert present(house.service.waters.water(TANK).unionised_ammonia_mg_n_per_l).assumed == ["ph"]
    assert present(house.reading("ph", 8.0).hold).held is True


def test_a_ph_older_than_14_days_is_not_used(house: House) -> None:
    house.reading("ph", 8.2)
    house.reading("temperature", 25)
    house.clock.advance(15 * DAY_MS)
    house.reading("temperature", 25)
    assert present(house.reading("ammonia", 0.99).hold).held is False


def test_a_hold_nobody_confirmed_for_a_minute_says_to_unplug(house: House) -> None:
    house.hear(house.online(), house.hello())
    house.confirm()
    house.reading("ammonia", 2.5)
    assert house.hold().message == "held: sent to the feeder, not confirmed yet"
    assert house.hold().confirmed_by_feeders == {FEEDER: False}
    house.pass_time(59_000)
    assert house.hold().message == "held: sent to the feeder, not confirmed yet"
    house.pass_time(2000)
    assert "not confirmed, unplug the feeder" in house.hold().message
    house.confirm()
    assert house.hold().message == "held"
    assert house.hold().confirmed_by_feeders == {FEEDER: True}
    house.hear(house.hello(boot="after-a-restart"))
    assert house.hold().confirmed_by_feeders == {FEEDER: False}
    house.confirm(boot="after-a-restart")
    assert house.hold().confirmed_by_feeders == {FEEDER: True}


def test_a_further_reason_does_not_start_the_minute_anew(house: House) -> None:
    """The feeder has been asked to stop for over a minute and has not said that it did."""
    house.hear(house.online(), house.hello())
    house.confirm()
    house.reading("ammonia", 2.5)
    house.pass_time(50_000)
    house.service.hold(TANK, {"reason": "I am worried"})
    house.pass_time(15_000)
    assert "unplug" in house.hold().message


def test_a_hold_message_fits_the_wire(house: House) -> None:
    """At most 8 KiB go down (contract): a device need not take more, and this is the message that must arrive."""
    for i in range(12):
        house.service.hold(TANK, {"reason": f"{i} " + "\U0001f41f" * 190})
    assert held(house)
    sizes = [len(m.payload) for m in house.sent if m.topic.endswith("/down/hold")]
    assert max(sizes) <= 8 * 1024


def test_lines_are_the_keepers(house: House) -> None:
    none_holds = [{"analyte": "nitrate", "above": 40, "unit": "mg/L", "basis": "ion", "do": "hold"}]
    with pytest.raises(FieldError) as refused:
        house.service.feeding.put_lines(TANK, {"lines": none_holds})
    assert (refused.value.field, refused.value.status) == ("confirm", 409)
    house.service.feeding.put_lines(TANK, {"lines": none_holds, "confirm": True})
    assert not present(house.reading("ammonia", 5.0).hold).held
    assert present(house.reading("nitrate", 41, basis="ion").hold).held


def test_new_lines_are_held_against_the_water_as_it_is(house: House) -> None:
    house.reading("ammonia", 0.3)
    lines = [{"analyte": "ammonia", "above": 0.25, "unit": "mg/L", "basis": "N", "do": "hold"}]
    house.service.feeding.put_lines(TANK, {"lines": lines})
    assert held(house)


# -- rations and plans -------------------------------------------------------------------------------------------------


def targets(house: House, feeder: str = FEEDER) -> dict[str, float]:
    plan = house.last("plan", feeder)
    assert plan is not None
    return {meal["id"]: meal["target_g"] for meal in plan["meals"]}


def test_a_first_ration_is_planned_at_once_for_seven_days(house: House) -> None:
    planned = targets(house)
    assert len([meal for meal in planned if meal.endswith("18:00")]) == 7
    assert "2025-06-15/08:00" not in planned  # past at noon
    plan = house.last("plan")
    assert plan is not None
    assert len(plan["days"]) >= 8
    assert {day["cap_g"] for day in plan["days"]} == {2.0}


def test_less_holds_at_once_and_more_from_the_next_midnight(house: House) -> None:
    house.ration(0.6, 1.2, [("08:00", 0.5), ("18:00", 0.5)])
    assert targets(house)["2025-06-15/18:00"] == 0.3
    house.ration(0.9, 1.8, [("08:00", 0.5), ("18:00", 0.5)])
    assert targets(house)["2025-06-15/18:00"] == 0.3
    assert targets(house)["2025-06-16/18:00"] == 0.45
    plan = house.last("plan")
    assert plan is not None
    assert [day["cap_g"] for day in plan["days"]][:2] == [1.2, 1.8]


def test_more_than_one_and_a_half_times_needs_confirmation(house: House) -> None:
    before = house.last("plan")
    with pytest.raises(FieldError) as refused:
        house.ration(1.51, 2.0, [("08:00", 1.0)])
    assert (refused.value.field, refused.value.status) == ("confirm", 409)
    assert house.last("plan") == before
    house.ration(1.5, 2.0, [("08:00", 1.0)])
    house.ration(3.0, 3.0, [("08:00", 1.0)], confirm=True)
    assert len(house.ledger("ration")) == 3


def test_a_hand_feed_reduces_what_is_left_of_the_day_and_the_cap(house: House) -> None:
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.7, "by": "a child"})
    assert targets(house)["2025-06-15/18:00"] == pytest.approx(0.3)
    assert targets(house)["2025-06-16/18:00"] == 0.5
    plan = house.last("plan")
    assert plan is not None
    assert plan["days"][0]["cap_g"] == pytest.approx(1.3)
    house.service.entries.add("handfeed", TANK, {"mass_g": 5.0})
    assert "2025-06-15/18:00" not in targets(house)
    assert house.last("plan")["days"][0]["cap_g"] == 0  # type: ignore[index]


def test_a_hand_feed_taken_back_gives_it_back(house: House) -> None:
    made = house.service.entries.add("handfeed", TANK, {"mass_g": 0.7})
    house.service.entries.correct(made.entry, {"void": True})
    assert targets(house)["2025-06-15/18:00"] == 0.5


def second_feeder(house: House) -> None:
    house.add("feeder", id="second", tank=TANK, food=FOOD)
    house.ration(1.0, 2.0, [("08:00", 0.5, FEEDER), ("18:00", 0.25, FEEDER), ("18:00", 0.25, "second")])


def test_another_feeders_dose_is_taken_off_this_ones_cap(house: House) -> None:
    second_feeder(house)
    house.hear(house.dose(1, device="second", target_g=0.4, before_g=50.0, after_g=49.6))
    assert house.last("plan")["days"][0]["cap_g"] == pytest.approx(1.6)  # type: ignore[index]
    assert house.last("plan", "second")["days"][0]["cap_g"] == 2.0  # type: ignore[index]


def test_meal_ids_are_the_date_and_the_slot_and_stay(house: House) -> None:
    second_feeder(house)
    first = set(targets(house))
    assert "2025-06-16/18:00.1" in first
    assert "2025-06-16/18:00.2" in set(targets(house, "second"))
    house.ration(0.8, 2.0, [("08:00", 0.5, FEEDER), ("18:00", 0.25, FEEDER), ("18:00", 0.25, "second")])
    assert set(targets(house)) == first


def test_a_ration_needs_to_say_which_feeder_where_there_are_two(house: House) -> None:
    house.add("feeder", id="second", tank=TANK, food=FOOD)
    with pytest.raises(FieldError, match=r"meals\.0\.feeder"):
        house.ration(1.0, 2.0, [("08:00", 1.0)])


def test_a_retired_feeder_gets_an_empty_plan_and_is_held(house: House) -> None:
    house.service.things.put("feeder", FEEDER, {"tank": None})
    assert held(house)
    plan = house.last("plan")
    assert plan is not None
    assert plan["meals"] == []
    assert {day["cap_g"] for day in plan["days"]} == {0.0}
    assert plan["fallback"]["daily_g"] == 0
    house.service.things.put("feeder", FEEDER, {"tank": TANK, "food": FOOD})
    assert not held(house)


def test_an_empty_tank_gets_an_empty_plan(house: House) -> None:
    body = {"name": "reading room", "volume_l": 60, "timezone": "UTC", "stage": "empty"}
    house.service.things.put("tank", TANK, body)
    assert targets(house) == {}


def test_versions_never_fall_and_nothing_is_sent_where_nothing_changed(house: House) -> None:
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.1})
    house.clock.set(house.clock.now_ms() - 30_000)  # corrected by a time server
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.1})
    versions = [plan["version"] for plan in house.told("plan")]
    assert versions == sorted(set(versions))
    count = len(house.sent)
    house.service.entries.add("note", TANK, {"kind": "other", "text": "all well"})
    assert len(house.sent) == count


# -- things ------------------------------------------------------------------------------------------------------------


def test_a_move_told_late_moves_the_past_with_it(house: House) -> None:
    house.add("tank", id="sill", name="sill", volume_l=30, timezone="UTC")
    house.hear(house.dose(1))
    house.clock.advance(4 * HOUR_MS)
    house.hear(house.dose(2))
    body = {"tank": "sill", "food": FOOD, "at": "2025-06-15T14:00:00Z"}
    house.service.things.put("feeder", FEEDER, body)
    assert sorted(house.doses()) == [1]
    assert sorted(house.doses("sill")) == [2]
    assert house.last("plan")["meals"] == []  # type: ignore[index]


def test_a_food_changed_midway_shows_per_dose(house: House) -> None:
    house.add("food", id="pellets", name="pellets", protein_percent=30)
    house.hear(house.dose(1))
    house.clock.advance(4 * HOUR_MS)
    house.hear(house.dose(2))
    house.service.things.put("feeder", FEEDER, {"tank": TANK, "food": "pellets", "at": "2025-06-15T14:00:00Z"})
    assert {d.seq: d.food for d in house.today().doses} == {1: FOOD, 2: "pellets"}


def test_a_refill_with_another_food_changes_the_food_from_then_on(house: House) -> None:
    house.add("food", id="pellets", name="pellets", protein_percent=30)
    house.hear(house.dose(1))
    house.clock.advance(MINUTE_MS)
    house.service.entries.add("refill", FEEDER, {"added_g": 20, "food": "pellets"})
    house.clock.advance(MINUTE_MS)
    house.hear(house.dose(2))
    assert {d.seq: d.food for d in house.today().doses} == {1: FOOD, 2: "pellets"}


def test_creating_what_exists_is_a_conflict(house: House) -> None:
    again: dict[str, dict[str, Any]] = {
        "tank": {"id": TANK, "name": "again", "volume_l": 1, "timezone": "UTC"},
        "food": {"id": FOOD, "name": "again", "protein_percent": 1},
        "feeder": {"id": FEEDER, "tank": TANK},
        "probe": {"id": FEEDER, "tank": TANK},  # one name, one device
    }
    for kind, body in again.items():
        with pytest.raises(FieldError) as refused:
            house.add(kind, **body)
        assert refused.value.status == 409


def test_what_is_referred_to_must_exist(house: House) -> None:
    for call, field in (
        (lambda: house.add("feeder", id="new", tank="nowhere"), "tank"),
        (lambda: house.add("feeder", id="new", tank=TANK, food="nothing"), "food"),
        (lambda: house.service.entries.add("handfeed", TANK, {"mass_g": 1, "food": "nothing"}), "food"),
        (lambda: house.service.entries.add("water-change", TANK, {"volume_l": 1, "water": "none"}), "water"),
        (lambda: house.service.entries.add("reading", TANK, {"analyte": "ph", "value": 7, "kit": "none"}), "kit"),
    ):
        with pytest.raises(FieldError) as refused:
            call()
        assert refused.value.field == field


# -- references, corrections, times ------------------------------------------------------------------------------------

ONCE: dict[str, Any] = {
    "reading": lambda h, b: h.service.entries.add("reading", TANK, {"analyte": "ph", "value": 7, "unit": "1", **b}),
    "handfeed": lambda h, b: h.service.entries.add("handfeed", TANK, {"mass_g": 0.2, **b}),
    "note": lambda h, b: h.service.entries.add("note", TANK, {"kind": "other", "text": "x", **b}),
    "weighin": lambda h, b: h.service.entries.add("weighin", FEEDER, {"mass_g": 20, **b}),
    "refill": lambda h, b: h.service.entries.add("refill", FEEDER, {"added_g": 20, **b}),
    "water-change": lambda h, b: h.service.entries.add("water-change", TANK, {"volume_l": 20, **b}),
    "top-up": lambda h, b: h.service.entries.add("top-up", TANK, {"volume_l": None, **b}),
    "hold": lambda h, b: h.service.hold(TANK, {"reason": "x", **b}),
    "ration": lambda h, b: h.ration(0.5, 1.0, [("09:00", 1.0)], **b),
    "tank": lambda h, b: h.add("tank", id="new", name="new", volume_l=1, timezone="UTC", **b),
    "void": lambda h, b: h.service.entries.correct(h.first_note, {"void": True, **b}),
    "correction": lambda h, b: h.service.entries.correct(h.first_note, {"text": "y", **b}),
}


@pytest.mark.parametrize("kind", ONCE)
def test_a_second_post_with_the_same_reference_answers_as_the_first_did(house: House, kind: str) -> None:
    house.first_note = house.service.entries.add("note", TANK, {"kind": "other", "text": "x"}).entry  # type: ignore[attr-defined]
    first = ONCE[kind](house, {"client_ref": "from-a-phone"})
    count, sent = len(house.ledger()), len(house.sent)
    house.clock.advance(HOUR_MS)
    second = ONCE[kind](house, {"client_ref": "from-a-phone"})
    if kind != "hold":  # which answers with the hold as it is now
        assert second.model_dump_json() == first.model_dump_json()
    assert (len(house.ledger()), len(house.sent)) == (count, sent)


def test_a_reference_of_another_kind_of_call_is_refused(house: House) -> None:
    house.service.entries.add("note", TANK, {"kind": "other", "text": "x", "client_ref": "from-a-phone"})
    with pytest.raises(FieldError) as refused:
        house.ration(0.5, 1.0, [("09:00", 1.0)], client_ref="from-a-phone")
    assert (refused.value.field, refused.value.status) == ("client_ref", 409)


def test_a_reference_sent_again_with_other_content_is_refused(house: House) -> None:
    """What the second one says must not be lost in silence."""
    house.service.entries.add("reading", TANK, {"analyte": "ph", "value": 7, "unit": "1", "client_ref": "r"})
    with pytest.raises(FieldError) as refused:
        house.service.entries.add("reading", TANK, {"analyte": "ph", "value": 8, "unit": "1", "client_ref": "r"})
    assert (refused.value.field, refused.value.status) == ("client_ref", 409)
    assert len(house.ledger("reading")) == 1


def test_a_refused_post_does_not_use_up_its_reference(house: House) -> None:
    with pytest.raises(FieldError):
        house.ration(3.0, 3.0, [("08:00", 1.0)], client_ref="ref")
    house.ration(3.0, 3.0, [("08:00", 1.0)], client_ref="ref", confirm=True)


def test_a_correction_is_one_more_entry_and_the_old_one_stays_readable(house: House) -> None:
    made = house.reading("nitrate", 20, basis="ion")
    corrected = house.service.entries.correct(made.entry, {"value": 10, "note": "typo", "by": "the keeper"})
    again = house.service.entries.correct(made.entry, {"value": 12})
    old = house.service.ledger.entry(made.entry)
    assert (old.value, old.corrected_by) == (20, [corrected.entry, again.entry])
    assert corrected.corrects == made.entry
    assert again.basis == "ion"
    assert house.service.waters.water(TANK).latest["nitrate"].value == 12


def test_a_void_entry_counts_no_more(house: House) -> None:
    made = house.reading("nitrate", 20)
    house.service.entries.correct(made.entry, {"void": True, "note": "another tank's"})
    assert "nitrate" not in house.service.waters.water(TANK).latest
    assert house.service.ledger.entry(made.entry).value == 20
    with pytest.raises(FieldError) as refused:
        house.service.entries.correct(made.entry, {"value": 1})
    assert refused.value.status == 409


def test_a_correction_is_checked_as_the_whole_it_becomes(house: House) -> None:
    made = house.reading("nitrate", 20)
    for body, field in (({"value": -1}, "value"), ({"basis": "NH3"}, "basis"), ({"colour": "red"}, "colour"), ({}, "")):
        with pytest.raises(FieldError) as refused:
            house.service.entries.correct(made.entry, body)
        assert refused.value.field == field


def test_what_a_device_sent_is_not_corrected_by_hand(house: House) -> None:
    house.hear(house.dose(1))
    with pytest.raises(FieldError) as refused:
        house.service.entries.correct(house.doses()[1].entry, {"target_g": 0.1})
    assert refused.value.status == 409


def test_an_entry_may_lie_in_the_past_and_at_most_five_minutes_ahead(house: House) -> None:
    house.service.entries.add("note", TANK, {"kind": "other", "text": "x", "at": "2019-01-01T00:00:00+02:00"})
    house.service.entries.add("note", TANK, {"kind": "other", "text": "x", "at": "2025-06-15T12:04:59Z"})
    for at in ("2025-06-15T12:05:01Z", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00", "2025-06-15T12:00:00"):
        with pytest.raises(FieldError) as refused:
            house.service.entries.add("note", TANK, {"kind": "other", "text": "x", "at": at})
        assert refused.value.field == "at"
