"""What is due and why, from holds, lines, trends, hoppers, probes and an absence; by itself and in a service."""

from dataclasses import replace
from typing import Any

import pytest
from house import DAY_MS, FEEDER, HOUR_MS, NOON_MS, TANK, House

from tareline.app.answers.feeding import DueAnswer
from tareline.core.safety.due_list import EVERY_DAYS, Due, HopperState, Situation, due
from tareline.core.safety.hold import Reason
from tareline.core.water.freshness import FRESH_MS

NOW_MS = NOON_MS
OLD_MS = NOW_MS - 400 * DAY_MS
MEASURED = dict.fromkeys(("ammonia", "nitrite", "nitrate", "ph"), NOW_MS - DAY_MS)
QUIET = Situation("shelf", "stocked", OLD_MS, MEASURED)


def days(found: list[Due]) -> dict[tuple[str, str], float]:
    """In how many days each thing is due."""
    return {(d.what, d.subject): (d.by_ms - NOW_MS) / DAY_MS for d in found}


def why(found: list[Due], what: str, subject: str) -> str:
    (one,) = [d for d in found if (d.what, d.subject) == (what, subject)]
    return one.why


def reason(kind: Any = "line", do: Any = "hold", since_ms: int = NOW_MS - HOUR_MS, **other: Any) -> Reason:
    about: dict[str, Any] = {"analyte": "ammonia", "limit": 2.0} if kind == "line" else {}
    return Reason(7, since_ms, kind, do, "told", **{**about, **other})


# -- water -------------------------------------------------------------------------------------------------------------


def test_water_is_measured_weekly() -> None:
    """Common practice, no source."""
    assert days(due(QUIET, NOW_MS)) == {("measure", name): 6.0 for name in MEASURED}


def test_a_ph_that_is_measured_when_due_is_never_assumed() -> None:
    """The contract assumes a pH that was not measured for 14 days, and an assumed one holds nothing."""
    assert EVERY_DAYS["ph"] * DAY_MS < FRESH_MS == 14 * DAY_MS
    assert EVERY_DAYS["temperature"] * DAY_MS < FRESH_MS


@pytest.mark.parametrize(
    ("analyte", "direction", "expected"),
    [("nitrate", "rising", 2.0), ("nitrate", "falling", 6.0), ("nitrate", "level", 6.0), ("nitrate", "unknown", 6.0),
     ("nitrate", "levelling off", 6.0), ("ph", "falling", 2.0), ("ph", "rising", 6.0)],
)  # fmt: skip
def test_what_goes_the_wrong_way_is_measured_sooner(analyte: str, direction: str, expected: float) -> None:
    found = due(replace(QUIET, trends={analyte: direction}), NOW_MS)
    assert days(found)["measure", analyte] == expected
    assert (f"it is {direction}" in why(found, "measure", analyte)) == (expected == 2.0)


def test_what_was_never_measured_is_due_on_the_second_day() -> None:
    found = due(Situation("shelf", "stocked", NOW_MS, {}, lined=["free_ammonia"]), NOW_MS)
    assert days(found) == {("measure", name): 1.0 for name in ("ammonia", "nitrite", "nitrate", "ph", "temperature")}
    assert why(found, "measure", "temperature") == "temperature has never been measured, and a line depends on it"
    assert why(found, "measure", "nitrate") == "nitrate has never been measured"


def test_a_new_tank_is_looked_at_more_often() -> None:
    """In a new tank total ammonia may peak in the first two months (common practice, no source)."""
    found = days(due(replace(QUIET, since_ms=NOW_MS - 59 * DAY_MS), NOW_MS))
    assert [found["measure", name] for name in ("ammonia", "nitrite", "nitrate")] == [2.0, 2.0, 6.0]
    found = days(due(replace(QUIET, since_ms=NOW_MS - 60 * DAY_MS), NOW_MS))
    assert found["measure", "ammonia"] == 6.0


def test_a_living_probe_measures_by_itself() -> None:
    lined = replace(QUIET, lined=["temperature"], measured_ms={**MEASURED, "temperature": NOW_MS - 30 * DAY_MS})
    assert days(due(lined, NOW_MS))["measure", "temperature"] == -23.0
    assert ("measure", "temperature") not in days(due(replace(lined, sampled=["temperature"]), NOW_MS))


def test_an_empty_tank_needs_no_reading_and_its_hopper_still_its_weight() -> None:
    found = due(replace(QUIET, stage="empty", hoppers=[HopperState("front", None, NOW_MS)]), NOW_MS)
    assert days(found) == {("weigh", "front"): 0.0}


def test_a_household_with_a_kit_for_unionised_ammonia_needs_no_other() -> None:
    measured = {name: at for name, at in MEASURED.items() if name != "ammonia"} | {"free_ammonia": NOW_MS - DAY_MS}
    found = days(due(replace(QUIET, measured_ms=measured, lined=["ammonia", "free_ammonia"]), NOW_MS))
    assert ("measure", "ammonia") not in found
    assert found["measure", "free_ammonia"] == 6.0


# -- holds -------------------------------------------------------------------------------------------------------------


def test_a_hold_needs_a_newer_reading_within_a_day_of_the_last_and_says_which() -> None:
    need = "a reading newer than the hold with total ammonia below 2; none has been taken since"
    found = due(replace(QUIET, reasons=[(reason(since_ms=NOW_MS - 2 * HOUR_MS), need)]), NOW_MS)
    assert days(found)["measure", "ammonia"] == pytest.approx(22 / 24)
    assert why(found, "measure", "ammonia").startswith(f"feeding is held: this needs {need}; last measured 1 d ago")
    assert "release" not in {d.what for d in found}


def test_a_hold_on_unionised_ammonia_is_answered_by_measuring_the_total() -> None:
    found = due(replace(QUIET, reasons=[(reason(analyte="free_ammonia", limit=0.05), "more")]), NOW_MS)
    assert days(found)["measure", "ammonia"] == pytest.approx(23 / 24)


def test_clear_water_waits_for_a_person_at_once_and_a_persons_own_pause_for_three_days() -> None:
    found = due(replace(QUIET, reasons=[(reason(since_ms=NOW_MS - DAY_MS), None)]), NOW_MS)
    assert days(found)["release", "shelf"] == -1.0
    found = due(replace(QUIET, reasons=[(reason("person", since_ms=NOW_MS - DAY_MS), None)]), NOW_MS)
    assert days(found)["release", "shelf"] == 2.0
    found = due(replace(QUIET, reasons=[(reason("person"), None), (reason(), "more")]), NOW_MS)
    assert ("release", "shelf") not in days(found)


def test_a_reduction_restores_itself_and_only_asks_for_a_reading() -> None:
    found = due(replace(QUIET, reasons=[(reason(do="reduce", reduce_to=0.5), "more")]), NOW_MS)
    assert why(found, "measure", "ammonia").startswith("feeding is reduced")
    assert "release" not in {d.what for d in found}


def test_another_board_is_looked_at_and_not_just_released() -> None:
    found = due(replace(QUIET, reasons=[(reason("board", device="front"), None)]), NOW_MS)
    assert days(found)["look", "front"] == pytest.approx(-1 / 24)
    assert ("release", "shelf") not in days(found)


# -- hoppers, probes, absence ------------------------------------------------------------------------------------------


def test_hoppers_probes_and_a_ramp_are_in_the_list_in_order_of_time() -> None:
    hopper = HopperState("front", NOW_MS + 3 * DAY_MS, NOW_MS + DAY_MS, NOW_MS - HOUR_MS)
    probe = Due("calibrate", "conductivity", NOW_MS + 2 * DAY_MS, "the last calibration is 100 days old")
    found = due(replace(QUIET, hoppers=[hopper], needs=[probe]), NOW_MS)
    assert [(d.what, d.subject) for d in found][:4] == [
        ("look", "front"), ("weigh", "front"), ("calibrate", "conductivity"), ("refill", "front"),
    ]  # fmt: skip
    assert [d.by_ms for d in found] == sorted(d.by_ms for d in found)


def test_what_is_needed_for_two_reasons_is_due_once_and_at_the_first() -> None:
    step = Due("measure", "nitrate", NOW_MS + DAY_MS, "the step waits for the water's answer")
    found = due(replace(QUIET, needs=[step]), NOW_MS)
    assert days(found)["measure", "nitrate"] == 1.0
    assert why(found, "measure", "nitrate") == "the step waits for the water's answer; last measured 1 d ago"


def test_what_would_fall_into_an_absence_is_due_the_day_before_it() -> None:
    away = (NOW_MS + 2 * DAY_MS, NOW_MS + 9 * DAY_MS)
    hoppers = [HopperState("front", NOW_MS + 5 * DAY_MS, NOW_MS + DAY_MS), HopperState("rear", NOW_MS + 9 * DAY_MS)]
    found = due(replace(QUIET, hoppers=hoppers, away_ms=away), NOW_MS)
    by = {(d.what, d.subject): d.by_ms for d in found}
    assert by["refill", "front"] == by["measure", "ph"] == away[0] - 1
    assert (by["weigh", "front"], by["refill", "rear"]) == (NOW_MS + DAY_MS, NOW_MS + 9 * DAY_MS)
    assert why(found, "refill", "front").startswith("before the absence begins; ")
    running = due(replace(QUIET, hoppers=hoppers, away_ms=(NOW_MS - DAY_MS, away[1])), NOW_MS)
    assert days(running)["refill", "front"] == 5.0


# -- in a service ------------------------------------------------------------------------------------------------------


def of(house: House, what: str, subject: str) -> DueAnswer | None:
    found = [d for d in house.service.tanks.due(TANK) if (d.what, d.subject) == (what, subject)]
    return found[0] if found else None


def test_a_hold_is_due_for_a_reading_and_then_for_its_release(house: House) -> None:
    house.reading("ammonia", 2.5)
    asked = of(house, "measure", "ammonia")
    assert asked is not None
    assert (asked.day, asked.overdue, asked.do) == ("2025-06-16", False, "measure total ammonia")
    assert "a reading newer than the hold" in asked.why
    assert of(house, "release", TANK) is None
    house.clock.advance(2 * DAY_MS)
    late = of(house, "measure", "ammonia")
    assert late is not None
    assert late.overdue
    house.reading("ammonia", 0.2)
    free = of(house, "release", TANK)
    assert free is not None
    assert free.do == "release the hold"
    house.service.release(TANK, {"note": "clear"})
    assert of(house, "release", TANK) is None


def test_a_hopper_that_is_off_is_to_be_looked_at(house: House) -> None:
    house.service.entries.add("hopper", FEEDER, {"hung": False})
    assert of(house, "look", FEEDER) is not None
    house.service.entries.add("hopper", FEEDER, {"hung": True})
    assert of(house, "look", FEEDER) is None


def test_an_account_tells_when_to_weigh_and_refill_and_an_absence_before_which(house: House) -> None:
    house.service.entries.add("weighin", FEEDER, {"mass_g": 8.0, "sd_g": 0.05})
    house.hear(house.hello(gain_g_per_step=0.001), house.dose(1, before_g=8.0, after_g=7.75))
    house.service.update_accounts()
    refill = of(house, "refill", FEEDER)
    assert refill is not None
    left_g = 7.75 - 0.5  # what an auger no longer reaches
    assert 0.75 * left_g < (int(refill.day[-2:]) - 15) <= left_g, "1 g a day"
    assert of(house, "weigh", FEEDER) is not None
    house.service.feeding.put_absence(TANK, {"start": "2025-06-18", "end": "2025-06-30", "daily_g": 0.9})
    before = of(house, "refill", FEEDER)
    assert before is not None
    assert before.day == "2025-06-17"
    assert "before the absence begins" in before.why


def test_a_probe_that_sends_temperatures_spares_the_thermometer(house: House) -> None:
    assert of(house, "measure", "temperature") is not None, "un-ionised ammonia, on which a line acts, follows from it"
    house.add("probe", id="probe", tank=TANK)
    start_ms = house.clock.now_ms()
    house.clock.advance(2 * DAY_MS)
    house.samples([(start_ms + i * 300_000, 23.5 + i % 2 / 16, 0.05) for i in range(577)])
    house.watch()
    assert of(house, "measure", "temperature") is None
    house.restart()
    house.watch()
    assert of(house, "measure", "temperature") is None
    house.clock.advance(2 * DAY_MS)
    assert of(house, "measure", "temperature") is not None


def test_nobody_is_asked_for_a_kit_because_of_a_default_line_that_only_notifies(house: House) -> None:
    assert of(house, "measure", "kh") is None
    house.reading("kh", 4.0)
    assert of(house, "measure", "kh") is not None, "who has the kit is reminded"


def test_of_an_empty_tank_nothing_is_due(house: House) -> None:
    house.service.things.put(
        "tank", TANK, {"name": "reading room", "volume_l": 60, "timezone": "UTC", "stage": "empty"}
    )
    assert house.service.tanks.due(TANK) == []


def test_the_overview_shows_what_the_call_says(house: House) -> None:
    (row,) = house.service.tanks.overview()
    assert row.due == house.service.tanks.due(TANK)
    assert row.absence.state == "none"
