"""What feeders are told and when: plans, holds, time, and how far their journals were received (contract: down/)."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from feeder_world import plan as feeder_plan
from feeder_world import running
from house import DAY_MS, FEEDER, FOOD, HOUR_MS, MINUTE_MS, NOON_MS, TANK, House

from tareline.app.answers.entries import MadeAnswer
from tareline.core.feeding.doses import LARGEST_MEAL_G
from tareline.mqtt.link import Down

WIRE_BYTES = 8 * 1024
MIDNIGHT_MS = NOON_MS + 12 * HOUR_MS


def at(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def stated(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat()


def plan(house: House, feeder: str = FEEDER) -> dict[str, Any]:
    told = house.last("plan", feeder)
    assert told is not None, f"{feeder} was never told of a plan"
    return told


def targets(house: House, day: str, feeder: str = FEEDER) -> dict[str, float]:
    """What a feeder is to feed on a local date, by slot."""
    meals = plan(house, feeder)["meals"]
    return {m["id"].partition("/")[2]: m["target_g"] for m in meals if m["id"].startswith(day)}


def cap_g(house: House, feeder: str = FEEDER) -> float:
    found: float = plan(house, feeder)["days"][0]["cap_g"]
    return found


def feeds_nothing(told: dict[str, Any]) -> bool:
    caps = {day["cap_g"] for day in told["days"]}
    fallback = told["fallback"]
    return told["meals"] == [] and caps == {0.0} and fallback["daily_g"] == 0 and fallback["blind_days"] == 0


def handfeed(house: House, mass_g: float, at_ms: int | None = None) -> MadeAnswer:
    body: dict[str, Any] = {"mass_g": mass_g, "food": FOOD, "by": "a child"}
    if at_ms is not None:
        body["at"] = stated(at_ms)
    return house.service.entries.add("handfeed", TANK, body)


def put(house: House, kind: str, ref: str, **body: Any) -> None:
    house.service.things.put(kind, ref, body)


def second_feeder(house: House) -> None:
    house.add("feeder", id="second", tank=TANK, food=FOOD)
    house.ration(1.0, 2.0, [("08:00", 0.5, FEEDER), ("18:00", 0.25, FEEDER), ("18:00", 0.25, "second")])


def greeted(messages: list[Down]) -> dict[str, dict[str, Any]]:
    return {m.topic: json.loads(m.payload) for m in messages}


# -- the plan ----------------------------------------------------------------------------------------------------------


def test_the_plan_is_retained_and_says_what_the_contract_asks_for(house: House) -> None:
    message = next(m for m in reversed(house.sent) if m.topic == f"{FEEDER}/down/plan")
    assert (message.retain, message.qos) == (True, 1)
    told = plan(house)
    assert told["installation"] == house.service.context.installation
    assert told["issued_at_ms"] == NOON_MS
    assert len(told["days"]) >= 8
    assert told["days"][0] == {"start_ms": NOON_MS - 12 * HOUR_MS, "cap_g": 2.0}
    assert told["meals"][0] == {"id": "2025-06-15/18:00", "at_ms": NOON_MS + 6 * HOUR_MS, "target_g": 0.5}
    assert [m["id"] for m in told["meals"]][-1] == "2025-06-21/18:00"
    assert len(told["meals"]) == 13  # seven days of two, without this morning's


def test_a_feeder_on_a_tank_without_a_ration_is_told_to_feed_nothing(house: House) -> None:
    """A device without a plan feeds nothing; one that had another tank's must forget it."""
    house.add("tank", id="sill", name="window sill", volume_l=30, timezone="UTC")
    put(house, "feeder", FEEDER, tank="sill", food=FOOD)
    assert feeds_nothing(plan(house))


def test_an_empty_tank_is_fed_nothing_and_a_stocked_one_again(house: House) -> None:
    tank = {"name": "reading room", "volume_l": 60, "timezone": "UTC"}
    put(house, "tank", TANK, **tank, stage="empty")
    assert feeds_nothing(plan(house))
    put(house, "tank", TANK, **tank, stage="stocked")
    assert targets(house, "2025-06-15") == {"18:00": 0.5}


@pytest.mark.parametrize(
    "change",
    [
        lambda house: house.ration(0.8, 2.0, [("08:00", 0.5), ("18:00", 0.5)]),
        lambda house: house.ration(1.0, 2.0, [("08:00", 0.5), ("19:00", 0.5)]),
        lambda house: house.ration(1.0, 1.5, [("08:00", 0.5), ("18:00", 0.5)]),
        lambda house: handfeed(house, 0.7),
        lambda house: put(house, "tank", TANK, name="r", volume_l=60, timezone="Asia/Tokyo"),
        lambda house: put(house, "tank", TANK, name="r", volume_l=60, timezone="UTC", stage="empty"),
        lambda house: put(house, "feeder", FEEDER, tank=None),
        lambda house: house.hear(house.dose(1, target_g=0.9)),
        lambda house: house.hear(house.hello(gain_g_per_step=0.0012)),
    ],
    ids=["less", "another time", "lower cap", "hand feed", "zone", "stage", "retired", "dose", "gain"],
)
def test_a_plan_goes_out_when_anything_changes(house: House, change: Any) -> None:
    before, count = plan(house), len(house.told("plan"))
    change(house)
    assert len(house.told("plan")) == count + 1
    assert plan(house)["version"] > before["version"]
    assert [m.retain for m in house.sent if m.topic.endswith("/down/plan")][-1] is True


def test_nothing_is_told_where_nothing_changed(house: House) -> None:
    """A meal that has passed is no change: the feeder drops it by itself."""
    house.hear(house.online(), house.hello())
    house.service.tick()
    house.sent.clear()
    for _ in range(11):
        house.pass_time(HOUR_MS, 15 * MINUTE_MS)
        house.hear(house.hello(), house.online())
        house.ration(1.0, 2.0, [("08:00", 0.5), ("18:00", 0.5)])
        house.service.entries.add("note", TANK, {"kind": "other", "text": "looked at"})
    assert house.told("plan") == []
    assert house.told("hold") == []


def test_the_board_that_announces_another_gain_gets_a_plan_with_it(house: House) -> None:
    house.hear(house.online(), house.hello(gain_g_per_step=0.001))
    assert plan(house)["gain_g_per_step"] == 0.001
    house.hear(house.hello(gain_g_per_step=0.00125))
    assert plan(house)["gain_g_per_step"] == 0.00125


def test_meal_ids_stay_through_every_change_of_plan(house: House) -> None:
    """Contract: a meal id is the local date and the slot's name."""
    before = [m["id"] for m in plan(house)["meals"]]
    house.ration(0.6, 2.0, [("08:00", 0.3), ("18:00", 0.7)])
    handfeed(house, 0.1)
    house.restart()
    house.hear(house.hello(gain_g_per_step=0.002))
    assert [m["id"] for m in plan(house)["meals"]] == before


def test_a_past_slot_is_never_issued_again(house: House) -> None:
    house.ration(0.9, 2.0, [("08:00", 0.5), ("11:59", 0.1), ("12:00", 0.1), ("12:01", 0.1), ("18:00", 0.2)])
    assert set(targets(house, "2025-06-15")) == {"12:01", "18:00"}


@pytest.mark.parametrize("feeders", [1, 2])
def test_fourteen_meals_a_day_for_a_week_fit_the_wire(tmp_path: Path, feeders: int) -> None:
    """At most 8 KiB down."""
    house = House(tmp_path, MIDNIGHT_MS).furnish()
    names = [FEEDER]
    if feeders == 2:
        house.add("feeder", id="second", tank=TANK, food=FOOD)
        names.append("second")
    meals = [(f"{h:02}:{h:02}", 1 / (14 * feeders), name) for name in names for h in range(1, 15)]
    house.ration(0.999983, 1.999979, meals)
    house.hear(house.hello(gain_g_per_step=0.0010000001234567))
    for name in names:
        assert len(plan(house, name)["meals"]) == 7 * 14
        assert len({m["id"] for m in plan(house, name)["meals"]}) == 7 * 14
    assert max(len(m.payload) for m in house.sent) <= WIRE_BYTES
    house.close()


# -- what was fed today ------------------------------------------------------------------------------------------------


def test_a_hand_feed_reduces_what_is_left_of_today_and_not_tomorrow(house: House) -> None:
    """The morning's half gram was fed; of the other half 0.4 g came by hand."""
    house.hear(house.dose(1, at_ms=NOON_MS - 4 * HOUR_MS, target_g=0.5, after_g=49.5))
    entry = handfeed(house, 0.4).entry
    assert targets(house, "2025-06-15") == {"18:00": pytest.approx(0.1)}
    assert cap_g(house) == pytest.approx(1.6)
    assert targets(house, "2025-06-16") == {"08:00": 0.5, "18:00": 0.5}
    house.service.entries.correct(entry, {"void": True, "note": "it was the neighbours' tank"})
    assert targets(house, "2025-06-15") == {"18:00": 0.5}
    assert cap_g(house) == 2.0


def test_a_lost_dose_of_a_day_without_meals_counts_as_a_usual_meal(house: House) -> None:
    """Nobody knows what it gave, and the other feeder's button may give up to the cap."""
    house.add("feeder", id="second", tank=TANK)
    house.ration(0.0, 0.5, [("08:00", 0.5, FEEDER), ("18:00", 0.5, FEEDER)])
    assert cap_g(house, "second") == 0.5
    house.hear(house.dose(1, target_g="rubbish"))
    assert cap_g(house, "second") == pytest.approx(0.5 - LARGEST_MEAL_G)


def test_after_more_by_hand_than_the_ration_nothing_is_fed_today(house: House) -> None:
    handfeed(house, 3.0)
    assert targets(house, "2025-06-15") == {}
    assert cap_g(house) == 0.0


def test_yesterdays_hand_feed_changes_nothing_today(house: House) -> None:
    plans = len(house.told("plan"))
    handfeed(house, 0.4, NOON_MS - DAY_MS)
    assert len(house.told("plan")) == plans


def test_what_a_former_board_gave_today_is_taken_off_the_new_ones_cap(house: House) -> None:
    """Its flash is empty: its own counter of the day begins with nothing."""
    house.hear(house.hello(), house.dose(1, target_g=0.5, after_g=49.5))
    assert cap_g(house) == 2.0
    house.hear(house.hello(board="second", journal="second", boot="second"))
    assert cap_g(house) == pytest.approx(1.5)
    house.hear(house.dose(1, journal="second", boot="second", target_g=0.25, before_g=49.5, after_g=49.25))
    assert cap_g(house) == pytest.approx(1.5)
    house.hear(house.hello())  # the first one is back
    assert cap_g(house) == pytest.approx(1.75)


def test_the_other_feeders_dose_is_taken_off_this_ones_cap_and_the_own_is_not(house: House) -> None:
    """The feeder counts its own doses itself; taking them off too would count them twice."""
    second_feeder(house)
    house.hear(house.dose(1, "second", target_g=0.3, after_g=49.7))
    assert cap_g(house) == pytest.approx(1.7)
    assert cap_g(house, "second") == 2.0
    house.hear(house.dose(1, target_g=0.5, after_g=49.5))
    assert cap_g(house) == pytest.approx(1.7)
    assert cap_g(house, "second") == pytest.approx(1.5)


def test_two_feeders_share_what_is_left_of_the_day(house: House) -> None:
    second_feeder(house)
    handfeed(house, 0.8)
    assert targets(house, "2025-06-15") == {"18:00.1": pytest.approx(0.1)}
    assert targets(house, "2025-06-15", "second") == {"18:00.2": pytest.approx(0.1)}


@pytest.mark.parametrize(("outcome", "fed_g"), [("held", 0.0), ("missed", 0.0), ("ok", 0.3), ("interrupted", 0.3)])
def test_only_what_may_have_been_fed_is_taken_off(house: House, outcome: str, fed_g: float) -> None:
    """An intent without an end counts fully; a meal that was held or missed does not."""
    second_feeder(house)
    house.hear(
        house.dose(1, "second", outcome=outcome, target_g=0.3, before_g=None, after_g=None, sd_g=None, steps=300)
    )
    assert cap_g(house) == pytest.approx(2.0 - fed_g)


def test_a_feeder_that_gave_four_times_too_much_leaves_the_others_less_of_the_day(house: House) -> None:
    """Asked for 0.2 g each time, it gives 0.8 g and more: all of it counts against the day of the whole tank."""
    second_feeder(house)
    house.hear(house.dose(1, outcome="over", target_g=0.2, steps=200, after_g=49.2))
    assert cap_g(house, "second") == pytest.approx(1.2)
    assert cap_g(house) == 2.0, "its own it counts itself"
    assert targets(house, "2025-06-15", "second") == {"18:00.2": pytest.approx(0.1)}
    assert targets(house, "2025-06-15") == {"18:00.1": pytest.approx(0.1)}
    house.hear(house.dose(2, outcome="over", target_g=0.2, steps=200, before_g=49.2, after_g=48.4))
    assert cap_g(house, "second") == pytest.approx(0.4)
    assert targets(house, "2025-06-15", "second") == {}
    house.hear(house.dose(3, outcome="over", target_g=0.2, steps=200, before_g=48.4, after_g=47.0))
    assert cap_g(house, "second") == 0.0


def test_what_left_a_hopper_without_a_step_is_taken_off_the_days_of_the_others(house: House) -> None:
    """In the words of the firmware itself: a hopper that has lost a gram."""
    second_feeder(house)
    desk = running(feeder_plan(cap_g=5)).run(MINUTE_MS)
    desk.hopper_ug -= 1_000_000
    desk.run(2 * HOUR_MS)
    (fault,) = [one for one in desk.of("fault") if one["code"] == "mass_lost"]
    house.hear(house.message("fault", {**fault, "at_ms": house.clock.now_ms()}))
    assert cap_g(house, "second") == pytest.approx(1.0, abs=0.05), "at the least, beyond the doubt of its cell"
    assert cap_g(house) == 2.0, "its own it counts itself"
    assert sum(targets(house, "2025-06-15", "second").values()) == pytest.approx(0.0, abs=0.02)
    assert house.today().remaining_g == pytest.approx(0.0, abs=0.05)
    house.clock.advance(DAY_MS)
    house.service.tick()
    assert cap_g(house, "second") == 2.0, "it was that day's"


def test_what_a_former_board_lost_today_is_taken_off_the_new_ones_cap(house: House) -> None:
    """Its own counter of the day does not know of it; nor does the former board of what the new one lost."""

    def lose(boot: str, grams: float) -> None:
        house.clock.advance(MINUTE_MS)
        body = {"boot": boot, "at_ms": house.clock.now_ms(), "uptime_ms": 5, "code": "mass_lost"}
        house.hear(house.message("fault", {**body, "detail": f"{grams * 1e6:.0f} ug at least"}))
        house.clock.advance(MINUTE_MS)

    house.hear(house.hello())
    lose("boot", 0.5)
    assert cap_g(house) == 2.0, "its own it counts itself"
    house.hear(house.hello(board="second", journal="second", boot="second"))
    assert cap_g(house) == pytest.approx(1.5)
    lose("second", 0.25)
    assert cap_g(house) == pytest.approx(1.5)
    house.hear(house.hello())  # the first one is back
    assert cap_g(house) == pytest.approx(1.75)
    assert house.today().remaining_g == pytest.approx(0.25)


@pytest.mark.parametrize("detail", [None, "", "much", "ug", "-5 ug", "1e5 ug", "99999999999 ug"])
def test_a_loss_of_unknown_size_takes_nothing_off(house: House, detail: str | None) -> None:
    second_feeder(house)
    body = {"boot": "boot", "at_ms": house.clock.now_ms(), "uptime_ms": 5, "code": "mass_lost", "detail": detail}
    house.hear(house.message("fault", body))
    assert cap_g(house, "second") == 2.0


def test_a_hold_says_whether_the_hopper_is_off_the_cell(house: House) -> None:
    """So that the feeder neither counts nor reports the mass that is missing then."""
    assert house.last("hold")["hopper_off"] is False  # type: ignore[index]
    house.pass_time(MINUTE_MS, MINUTE_MS)
    house.service.entries.add("hopper", FEEDER, {"hung": False})
    told = house.last("hold")
    assert told is not None
    assert (told["held"], told["hopper_off"]) == (True, True)
    house.service.hold(TANK, {"reason": "cleaning"})
    assert house.last("hold")["hopper_off"] is True  # type: ignore[index]
    house.pass_time(MINUTE_MS, MINUTE_MS)
    house.service.entries.add("hopper", FEEDER, {"hung": True})
    told = house.last("hold")
    assert told is not None
    assert (told["held"], told["hopper_off"]) == (True, False), "hung again, and held for another reason"


def test_a_dose_that_was_not_understood_counts_as_the_largest_meal(house: House) -> None:
    second_feeder(house)
    house.hear(house.dose(1, "second", target_g=-4))
    assert cap_g(house) == pytest.approx(1.5)


def test_the_dose_of_a_feeder_that_has_moved_away_since_is_taken_off_where_it_fell(house: House) -> None:
    """What was fed by the tank's other feeders is taken off the day's cap by a new plan: also when it is told late."""
    second_feeder(house)
    house.add("tank", id="sill", name="window sill", volume_l=30, timezone="UTC")
    house.pass_time(HOUR_MS, HOUR_MS)
    put(house, "feeder", FEEDER, tank="sill", food=FOOD)
    assert cap_g(house, "second") == 2.0
    house.pass_time(MINUTE_MS, MINUTE_MS)
    house.hear(house.dose(1, at_ms=NOON_MS - HOUR_MS, target_g=0.4, after_g=49.6))
    assert cap_g(house, "second") == pytest.approx(1.6)


# -- midnights ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("noon", "midnights", "breakfasts", "hours"),
    [
        (
            "2025-03-29T12:00+01:00",
            ("2025-03-30T00:00+01:00", "2025-03-31T00:00+02:00"),
            ("2025-03-30T08:00+02:00", "2025-03-31T08:00+02:00"),
            23,
        ),
        (
            "2025-10-25T12:00+02:00",
            ("2025-10-26T00:00+02:00", "2025-10-27T00:00+01:00"),
            ("2025-10-26T08:00+01:00", "2025-10-27T08:00+01:00"),
            25,
        ),
        (
            "2025-06-14T12:00+02:00",
            ("2025-06-15T00:00+02:00", "2025-06-16T00:00+02:00"),
            ("2025-06-15T08:00+02:00", "2025-06-16T08:00+02:00"),
            24,
        ),
    ],
)
def test_a_plan_goes_out_at_each_local_midnight(
    tmp_path: Path, noon: str, midnights: tuple[str, str], breakfasts: tuple[str, str], hours: int
) -> None:
    """Days of 23 and 25 hours: clocks in the European Union change on the last Sundays of March and October at 01:00
    UTC (Directive 2000/84/EC, articles 2 and 3)."""
    assert at(midnights[1]) - at(midnights[0]) == hours * HOUR_MS
    house = House(tmp_path, at(noon)).furnish()
    house.add("tank", id="sill", name="window sill", volume_l=30, timezone="Europe/Berlin")
    house.add("feeder", id="second", tank="sill", food=FOOD)
    house.ration(1.0, 2.0, [("08:00", 1.0)], tank="sill")
    house.service.tick()
    for midnight, breakfast in zip(midnights, breakfasts, strict=True):
        house.clock.set(at(midnight) - 1000)
        house.service.tick()
        plans = len(house.told("plan", "second"))
        assert plan(house, "second")["days"][0]["start_ms"] < at(midnight)
        house.pass_time(2000)
        assert len(house.told("plan", "second")) == plans + 1
        assert plan(house, "second")["days"][0]["start_ms"] == at(midnight)
        assert plan(house, "second")["meals"][0]["at_ms"] == at(breakfast)
    house.close()


def test_every_tank_gets_its_plan_at_its_own_midnight(house: House) -> None:
    """Also a tank that was told of after the last midnight of any other."""
    house.service.tick()
    house.add("tank", id="sill", name="window sill", volume_l=30, timezone="Asia/Tokyo")
    house.add("feeder", id="second", tank="sill", food=FOOD)
    house.ration(1.0, 2.0, [("08:00", 1.0)], tank="sill")
    house.pass_time(3 * HOUR_MS - 1000, 3 * HOUR_MS - 1000)  # midnight in Tokyo is 15:00 UTC
    plans = {feeder: len(house.told("plan", feeder)) for feeder in (FEEDER, "second")}
    house.pass_time(2000)
    assert len(house.told("plan", "second")) == plans["second"] + 1
    assert plan(house, "second")["days"][0]["start_ms"] == NOON_MS + 3 * HOUR_MS
    assert len(house.told("plan")) == plans[FEEDER]


def test_a_tank_whose_zone_is_corrected_gets_its_plan_at_the_new_midnight(house: House) -> None:
    house.service.tick()
    put(house, "tank", TANK, name="reading room", volume_l=60, timezone="Asia/Tokyo")
    house.pass_time(3 * HOUR_MS + 1000, 3 * HOUR_MS + 1000)
    assert plan(house)["days"][0]["start_ms"] == NOON_MS + 3 * HOUR_MS


def test_a_new_day_begins_with_the_whole_ration(house: House) -> None:
    handfeed(house, 0.8)
    house.service.tick()
    house.clock.set(MIDNIGHT_MS - 1000)
    house.service.tick()
    house.pass_time(2000)
    assert targets(house, "2025-06-16") == {"08:00": 0.5, "18:00": 0.5}
    assert cap_g(house) == 2.0


def test_a_service_that_was_off_over_midnight_tells_when_it_starts(house: House) -> None:
    house.clock.set(NOON_MS + 3 * DAY_MS)
    house.restart()
    told = greeted(list(house.service.greeting()))[f"{FEEDER}/down/plan"]
    assert told["days"][0]["start_ms"] == NOON_MS + 3 * DAY_MS - 12 * HOUR_MS
    assert told["meals"][0]["id"] == "2025-06-18/18:00"


def test_the_week_of_meals_never_runs_out_while_the_service_runs(house: House) -> None:
    for _ in range(10):
        house.pass_time(DAY_MS, 6 * HOUR_MS)
        last = datetime.fromtimestamp(plan(house)["meals"][-1]["at_ms"] / 1000, UTC)
        now = datetime.fromtimestamp(house.clock.now_ms() / 1000, UTC)
        assert last.date() == now.date() + timedelta(days=6)


# -- versions and clocks -----------------------------------------------------------------------------------------------


def test_versions_only_rise_also_where_the_clock_goes_back_or_stands(house: House) -> None:
    """The larger of the last plus one and now in milliseconds."""
    for n, ms in enumerate([NOON_MS, NOON_MS, NOON_MS - 30_000, NOON_MS - 59_000, NOON_MS + 5000, NOON_MS - DAY_MS]):
        house.clock.set(ms)
        house.ration(0.9 - 0.01 * n, 2.0, [("08:00", 0.5), ("18:00", 0.5)])
        house.service.hold(TANK, {"reason": f"hold {n}"})
        if n == 3:
            house.restart()
    for tail in ("plan", "hold"):
        versions = [m["version"] for m in house.told(tail)]
        distinct = list(dict.fromkeys(versions))  # a restart tells the last one again
        assert distinct == sorted(distinct)
        assert distinct[0] >= NOON_MS


def test_a_clock_behind_the_newest_entry_sends_holds_but_neither_plan_nor_time(house: House) -> None:
    """A small computer after a power cut: a plan would be for days that are over."""
    house.clock.set(NOON_MS - DAY_MS)
    house.restart()
    house.sent.clear()
    house.service.tick()
    assert "plan" not in {m.topic.rpartition("/")[2] for m in house.service.greeting()}
    house.hear(house.online(), house.hello(clock="unset", gain_g_per_step=0.003))
    house.ration(0.5, 2.0, [("08:00", 0.5), ("18:00", 0.5)])
    house.pass_time(30 * MINUTE_MS, MINUTE_MS)
    house.service.hold(TANK, {"reason": "to be safe"})
    assert house.told("plan") == []
    assert house.told("time") == []
    assert [m["held"] for m in house.told("hold")] == [True]
    # The clock is set right: what was decided meanwhile goes out.
    house.clock.set(NOON_MS + HOUR_MS)
    house.service.tick()
    assert targets(house, "2025-06-15") == {"18:00": 0.25}
    assert plan(house)["gain_g_per_step"] == 0.003
    house.hear(house.hello(clock="unset"))
    assert [t["now_ms"] for t in house.told("time")] == [NOON_MS + HOUR_MS]


def test_a_plan_that_could_not_be_sent_while_the_clock_was_behind_is_sent_once_it_is_right(house: House) -> None:
    """The broker may have forgotten it in the same power cut, and this connection's greeting left it out."""
    house.service.tick()
    house.clock.set(NOON_MS - DAY_MS)
    house.restart()
    house.service.greeting()
    house.service.tick()
    house.sent.clear()
    house.clock.set(NOON_MS + MINUTE_MS)
    house.service.tick()
    assert house.told("plan") != []


def test_a_clock_that_steps_back_less_than_a_minute_is_not_behind(house: House) -> None:
    house.clock.set(NOON_MS - 50_000)
    plans = len(house.told("plan"))
    house.ration(0.5, 2.0, [("08:00", 0.5), ("18:00", 0.5)])
    assert len(house.told("plan")) == plans + 1


def test_a_clock_that_ran_ahead_and_came_back_is_behind_no_entry(house: House) -> None:
    """Behind is what lies before the newest entry; nothing was entered while it was wrong."""
    house.service.tick()
    house.clock.set(NOON_MS + 365 * DAY_MS)
    house.service.tick()
    house.clock.set(NOON_MS + MINUTE_MS)
    house.service.tick()
    house.ration(0.5, 2.0, [("08:00", 0.5), ("18:00", 0.5)])
    assert plan(house)["days"][0]["start_ms"] == NOON_MS - 12 * HOUR_MS


def test_a_clock_set_back_after_it_ran_ahead_catches_up_while_doses_keep_coming(house: House) -> None:
    """The newest entry is two hours ahead. What is entered meanwhile must not push it on, or no plan would ever go
    out again: the feeder would run out of meals and at last starve."""
    house.clock.set(NOON_MS + 2 * HOUR_MS)
    house.service.entries.add("note", TANK, {"kind": "other", "text": "the clock is wrong"})
    house.clock.set(NOON_MS)
    for seq in range(1, 7):
        house.hear(house.dose(seq, target_g=0.01, after_g=49.99))
        house.pass_time(HOUR_MS, 5 * MINUTE_MS)
    assert house.service.context.behind_ms() == 0
    house.ration(0.5, 2.0, [("08:00", 0.5), ("20:00", 0.5)])
    assert targets(house, "2025-06-16") == {"08:00": 0.25, "20:00": 0.25}


# -- time --------------------------------------------------------------------------------------------------------------


def test_a_device_without_a_clock_is_told_the_time_with_the_echo_of_its_hello(house: House) -> None:
    house.hear(house.hello(clock="unset", uptime_ms=4321))
    assert house.told("time") == [{"now_ms": NOON_MS, "boot": "boot", "uptime_ms": 4321}]
    message = house.sent[[m.topic for m in house.sent].index(f"{FEEDER}/down/time")]
    assert (message.retain, message.qos) == (False, 0)


def test_neither_a_set_clock_nor_a_kept_hello_is_answered_with_the_time(house: House) -> None:
    """An echo over five seconds old is refused; a retained hello may be weeks old."""
    house.hear(house.hello(), house.hello(clock="unset", retained=True))
    assert house.told("time") == []


# -- received ----------------------------------------------------------------------------------------------------------


def received(house: House) -> list[tuple[str, int]]:
    return [(m["journal"], m["seq"]) for m in house.told("received")]


def test_received_is_told_after_every_batch_that_brought_doses_retained(house: House) -> None:
    house.hear(house.dose(1))
    house.hear(house.dose(2), house.dose(3))
    assert received(house) == [("journal", 1), ("journal", 3)]
    assert all(m.retain and m.qos == 1 for m in house.sent if m.topic.endswith("/down/received"))


def test_every_connection_is_told_plan_hold_and_received_again(house: House) -> None:
    """The broker may have forgotten them."""
    house.hear(house.online(), house.hello(), house.dose(1), house.dose(2))
    for _ in range(2):
        told = greeted(list(house.service.greeting()))
        assert told[f"{FEEDER}/down/received"] == {"journal": "journal", "seq": 2}
        assert told[f"{FEEDER}/down/plan"] == plan(house)
        assert told[f"{FEEDER}/down/hold"] == house.last("hold")
        assert all(m.retain for m in house.service.greeting())
        house.restart()


def test_the_kept_received_is_that_of_the_journal_which_the_device_has(house: House) -> None:
    """One topic keeps one message: with two boards coming and going, each hello is answered for its own journal."""
    house.hear(house.online(), house.hello(), house.dose(1), house.dose(2))
    house.hear(house.hello(board="second", boot="other", journal="others"))
    assert received(house)[-1] == ("others", 0)
    house.hear(house.hello(journal_to=2))
    assert received(house)[-1] == ("journal", 2)
