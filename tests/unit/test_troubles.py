"""What a person is told of devices, food and holds, driven through the whole service: when, once, and in which words.

The limits are the project's own judgement, no source; those of a hold and of a device's silence are its contract's.
"""

from datetime import date
from typing import Any

import pytest
from fault_codes import fault_codes
from house import DAY_MS, FEEDER, HOUR_MS, MINUTE_MS, NOON_MS, TANK, House

from tareline.app.answers.alerts import AlertAnswer
from tareline.core.alerts.alert import Rules, step
from tareline.core.alerts.concerns import Location, and_list, figure, lasting, of_due
from tareline.core.alerts.device_concerns import FedDays, of_budget, of_finding, of_hopper, of_probe_issues
from tareline.core.probes.condition import ProbeIssue
from tareline.core.safety.due_list import Due
from tareline.core.safety.faults import FAULTS, NO_NEWS
from tareline.core.safety.hold import HoldState
from tareline.core.weighing.causes import Cause
from tareline.core.weighing.gross_errors import Finding

PLACE = Location("sill", "Window sill", "UTC")
WHERE = "reading room: "
ON_THE_15TH = "Sun 15 Jun, "


@pytest.fixture
def house_settings() -> dict[str, Any]:
    return {"notify": {"webhooks": ["http://127.0.0.1:9/keeper"]}}


@pytest.fixture
def house(house: House) -> House:
    house.hear(house.hello(), house.online())
    for analyte, value in (("ammonia", 0.1), ("nitrite", 0.0), ("nitrate", 2.0), ("ph", 7.0), ("temperature", 24.0)):
        house.reading(analyte, value)
    house.service.entries.add("weighin", FEEDER, {"mass_g": 50.0, "sd_g": 0.05})
    house.confirm()
    return house


def told(house: House) -> dict[str, AlertAnswer]:
    """The alerts that last, by what they are about."""
    return {one.what.removeprefix(WHERE): one for one in house.watch()}


def messages(house: House) -> int:
    return sum(one.told for one in house.service.alerts.list())


# -- the feeder --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("outcome", "what", "says"),
    [
        ("jam", "feeder is jammed", "look for a clump"),
        ("empty", "feeder is empty", "Fill the hopper"),
        ("short", "feeder gave less than requested", "Look at the hopper's outlet"),
    ],
)
def test_a_dose_that_came_to_nothing_is_told_once_and_is_over_with_the_next_good_one(
    house: House, outcome: str, what: str, says: str
) -> None:
    house.hear(house.dose(1, outcome=outcome, after_g=50.0))
    found = told(house)
    assert list(found) == [what]
    assert found[what].text.startswith(f"Since {ON_THE_15TH}12:00 (1 dose). ")
    assert says in found[what].text
    house.clock.advance(HOUR_MS)
    house.hear(house.dose(2, outcome=outcome, before_g=50.0, after_g=50.0))
    again = told(house)
    assert f"Since {ON_THE_15TH}12:00 (2 doses)" in again[what].text
    assert messages(house) == 1
    house.hear(house.dose(3, before_g=50.0, after_g=49.75))
    house.confirm()
    told(house)
    house.clock.advance(11 * MINUTE_MS)
    assert told(house) == {}


def test_an_empty_hopper_speaks_for_the_jam_before_it(house: House) -> None:
    house.hear(house.dose(1, outcome="jam", after_g=50.0), house.dose(2, outcome="empty", after_g=50.0))
    assert [what for what in told(house) if "feeder is" in what] == ["feeder is empty"]


def test_missed_meals_are_told_and_only_age(house: House) -> None:
    nothing: dict[str, Any] = {"steps": 0, "before_g": None, "after_g": None, "sd_g": None, "cause": "plan"}
    house.hear(house.dose(1, outcome="missed", meal="2025-06-15/08:00", **nothing))
    found = told(house)
    assert list(found) == ["feeder missed 1 meal"]
    assert "The meal was due" in found["feeder missed 1 meal"].text
    house.clock.advance(DAY_MS)
    before = messages(house)
    for _ in range(3):
        house.clock.advance(10 * MINUTE_MS)
        told(house)
    assert "feeder missed 1 meal" not in told(house)
    assert messages(house) - before <= 1, "of what only aged there is no word; meals of today are another matter"


def test_a_planned_meal_of_which_a_feeder_on_the_network_says_nothing_is_told_after_half_an_hour(house: House) -> None:
    house.confirm()
    house.clock.advance(6 * HOUR_MS + 29 * MINUTE_MS)
    house.service.tick()
    assert told(house) == {}
    house.clock.advance(2 * MINUTE_MS)
    found = told(house)
    assert list(found) == ["no report of 1 planned meal from feeder"]
    assert "It was planned for Sun 15 Jun, 18:00." in next(iter(found.values())).text


@pytest.mark.parametrize(
    ("content_g", "days", "low", "says"),
    [
        (
            1.1,
            4.9,
            4.2,
            "about 1.1 g are left Sun 15 Jun, 12:00: at the present ration for about 5 days, and for 4 at the least",
        ),
        (120.0, 5.2, 5.0, "about 120 g are left Sun 15 Jun, 12:00: at the present ration for about 5 days."),
        (0.2, 1.2, 0.4, "for about 1 day, and for less than one at the least"),
        (-0.3, 0.0, 0.0, "about 0 g are left Sun 15 Jun, 12:00: at the present ration for less than a day"),
    ],
)
def test_a_hopper_says_how_long_it_lasts(content_g: float, days: float, low: float, says: str) -> None:
    found = of_hopper(PLACE, FEEDER, days, low, content_g, NOON_MS)
    assert found is not None
    assert says in found.text
    assert found.grade == (1 if low <= 2 else 0)


def test_a_full_hopper_is_no_news() -> None:
    assert of_hopper(PLACE, FEEDER, 30.0, 28.0, 20.0, NOON_MS) is None
    assert of_hopper(PLACE, FEEDER, None, None, 1.0, NOON_MS) is None


# -- devices -----------------------------------------------------------------------------------------------------------


def test_silence_is_told_after_a_minute_and_its_end_too(house: House) -> None:
    house.hear(house.online(online=False))
    house.pass_time(59_000)
    assert told(house) == {}
    house.pass_time(2_000)
    found = told(house)
    assert list(found) == ["feeder is silent"]
    assert found["feeder is silent"].urgent
    assert "Off the network since Sun 15 Jun, 12:00, for 1 minute." in found["feeder is silent"].text
    house.hear(house.online())
    house.pass_time(1_000)
    told(house)
    house.clock.advance(11 * MINUTE_MS)
    assert told(house) == {}


def test_two_boards_under_one_name_are_one_alert_that_says_what_to_do(house: House) -> None:
    house.confirm()
    house.hear(house.hello(board="another", boot="other"))
    found = told(house)
    assert [what for what in found if "hold" not in what] == ["feeding is held"] or list(found) == ["feeding is held"]
    text = found["feeding is held"].text
    assert "If you replaced the board, release the hold" in text
    assert "two feeders on one plan feed twice" in text
    assert found["feeding is held"].kind == "hold"


def test_a_fault_is_told_once_and_ages_without_a_word(house: House) -> None:
    body = {"boot": "boot", "at_ms": house.clock.now_ms(), "uptime_ms": 5, "code": "mass_lost", "detail": "300000 ug"}
    house.hear(house.message("fault", body))
    found = told(house)
    assert list(found) == ["feeder lost food without a dose"]
    assert "spilled food" in found["feeder lost food without a dose"].text
    house.clock.advance(DAY_MS + HOUR_MS)
    told(house)
    house.clock.advance(11 * MINUTE_MS)
    assert "feeder lost food without a dose" not in told(house)


def test_every_fault_code_that_the_firmware_documents_has_words_of_its_own_or_is_no_news() -> None:
    assert set(fault_codes()) - set(FAULTS) - set(NO_NEWS) == set()
    assert not set(FAULTS) & set(NO_NEWS)


def test_a_fault_that_nobody_knows_is_told_all_the_same(house: House) -> None:
    body = {"boot": "boot", "at_ms": house.clock.now_ms(), "uptime_ms": 5, "code": "lid_open", "detail": "the lid"}
    house.hear(house.message("fault", body))
    (found,) = told(house).values()
    assert found.what == f"{WHERE}feeder reports lid open"
    assert "the lid. firmware/README.md explains what to do for each fault." in found.text


def test_a_dose_that_gave_too_much_is_told_at_once_with_what_came_out(house: House) -> None:
    house.hear(house.dose(1, outcome="over", after_g=49.0))
    found = told(house)
    assert list(found) == ["feeder gave too much"], "the day's sum is not told beside it"
    alert = found["feeder gave too much"]
    assert alert.urgent
    assert "(1 dose): according to its scale 1 g came out where 0.25 g were requested" in alert.text
    assert "Feed nothing by hand, measure ammonia today and tomorrow" in alert.text
    house.clock.advance(MINUTE_MS)
    house.hear(house.dose(2, before_g=49.0, after_g=48.75))
    told(house)
    house.clock.advance(11 * MINUTE_MS)
    assert "feeder gave too much" not in told(house)


def test_a_feeder_that_stops_for_want_of_a_weight_is_told_until_it_weighs_again(house: House) -> None:
    at_ms = house.clock.now_ms()
    body = {"boot": "boot", "at_ms": at_ms, "uptime_ms": 5, "code": "stopped_unweighed", "detail": ""}
    house.hear(house.message("fault", body))
    dead = "feeder feeds nothing, because its scale does not work"
    found = told(house)
    assert [what for what in found if "scale" in what] == [dead]
    assert found[dead].urgent
    house.clock.advance(9 * DAY_MS)
    assert dead in told(house), "it lasts, so it does not age"
    assert not house.hold().held
    weight = {"boot": "boot", "at_ms": house.clock.now_ms(), "uptime_ms": 9, "mass_g": 49.0, "sd_g": 0.01}
    house.hear(house.message("weight", weight))
    told(house)
    house.clock.advance(11 * MINUTE_MS)
    assert dead not in told(house)


def test_what_ails_a_probe_in_the_same_way_is_one_alert_without_doubled_advice() -> None:
    ill = [ProbeIssue("stuck", m, NOON_MS, f"It has said 23 {m}. Restart it.", False) for m in ("temperature", "tds")]
    (found,) = of_probe_issues(PLACE, "probe-1", ill)
    assert found.what == "Window sill: temperature and dissolved solids of probe-1: stuck at one value"
    assert found.text.count("Restart it") == 2
    assert ".." not in found.text
    assert found.text.endswith("Until this ends, its samples cannot hold or reduce feeding.")


# -- holds -------------------------------------------------------------------------------------------------------------


def test_a_hold_speaks_for_its_lines_and_names_what_it_takes_to_release_it(house: House) -> None:
    house.clock.advance(MINUTE_MS)
    house.reading("ammonia", 0.6)
    assert list(told(house)) == ["total ammonia is too high"]
    house.clock.advance(MINUTE_MS)
    house.reading("ammonia", 2.5)
    house.confirm()
    found = told(house)
    assert list(found) == ["feeding is held"]
    assert "feeder has confirmed it" in found["feeding is held"].text
    assert "a reading newer than the hold with total ammonia below 2 mg/L as N" in found["feeding is held"].text


def test_a_hold_that_is_not_confirmed_within_a_minute_is_an_alert_of_its_own(house: House) -> None:
    house.clock.advance(1)
    house.reading("ammonia", 2.5)
    house.clock.advance(59_000)
    assert list(told(house)) == ["feeding is held"]
    house.clock.advance(2_000)
    found = told(house)
    assert set(found) == {"feeding is held", "feeder has not confirmed the hold"}
    assert "Unplug the feeder now, with dry hands" in found["feeder has not confirmed the hold"].text
    house.confirm()
    assert list(told(house)) == ["feeding is held"]


def test_a_hold_over_three_days_is_told_again_as_fasting(house: House) -> None:
    house.confirm()
    house.service.hold(TANK, {"reason": "medication in the water"})
    house.confirm()
    (held,) = told(house).values()
    assert held.text == (
        f"Since {ON_THE_15TH}12:00: medication in the water. Tareline has paused feeding; feeder has confirmed it. "
        "It lasts until a person releases it."
    )
    house.clock.advance(3 * DAY_MS - 1)
    assert "feeding is held" in told(house)
    house.clock.advance(2)
    found = told(house)
    assert "the animals are fasting, feeding is still held" in found
    assert "Feeding has been held for 3 days" in found["the animals are fasting, feeding is still held"].text


def test_a_line_claims_no_more_than_was_done(house: House) -> None:
    house.clock.advance(1)
    house.reading("nitrite", 0.5)
    assert "Tareline has not changed the feeding" in told(house)["nitrite is too high"].text
    house.service.hold(TANK, {"reason": "moving the tank"})
    assert "Feeding is already held" in told(house)["nitrite is too high"].text


# -- books -------------------------------------------------------------------------------------------------------------


def fed(day: int, given_g: float, handfed_g: float = 0.0, held_s: int = 0, complete: bool = True) -> FedDays:
    return FedDays(date(2025, 6, day), 1.0, given_g, 0.02, handfed_g, held_s, complete)


def test_a_day_over_the_ration_is_told() -> None:
    (found,) = of_budget(PLACE, [fed(14, 1.0), fed(15, 0.9, handfed_g=0.4, complete=False)])
    assert found.key == "over/sill"
    assert "On Sun 15 Jun 1.3 g (standard deviation 0.02 g; by hand 0.4 g) against a ration of 1 g." in found.text
    assert of_budget(PLACE, [fed(14, 1.0), fed(15, 1.13)]) == [], "within two deviations of a tenth more"


def test_a_tank_that_got_too_little_for_three_days_is_told_unless_it_was_held() -> None:
    little = [fed(day, 0.3) for day in (12, 13, 14)]
    (found,) = of_budget(PLACE, [*little, fed(15, 0.0, complete=False)])
    assert found.text.startswith("From Thu 12 Jun to Sat 14 Jun 0.9 g of 3 g, with no hold.")
    assert of_budget(PLACE, [fed(11, 1.0), *little[:2], fed(15, 0.0, complete=False)]) == []
    assert of_budget(PLACE, [fed(12, 0.3, held_s=7200), *little[1:]]) == []


def test_a_finding_names_its_likeliest_cause() -> None:
    cause = Cause("unlogged refill", 0.83, "the content rose by 12 g between two doses")
    found = of_finding(
        PLACE, FEEDER, "f1", Finding("content", NOON_MS, NOON_MS + HOUR_MS, 1, 2, 12.0, 0.1, 40.0, (cause,), None)
    )
    assert "the most likely cause is unlogged refill (83%): the content rose by 12 g between two doses." in found.text
    assert "No single entry would correct this" in found.text


def test_who_measures_once_a_week_is_never_reminded() -> None:
    """A rising value is due every three days on the list; the alert leaves a week's round its time."""
    due = [Due("measure", "nitrate", NOON_MS, "it is rising")]
    assert of_due(PLACE, due, HoldState(), NOON_MS + 4 * DAY_MS) is None
    late = of_due(PLACE, due, HoldState(), NOON_MS + 5 * DAY_MS + 1)
    assert late is not None
    assert late.what == "Window sill: overdue: measure nitrate"
    others = [Due(what, "x", 0, "") for what in ("refill", "release", "calibrate", "look")]
    assert of_due(PLACE, [*others, Due("measure", "kh", 0, "")], HoldState(), NOON_MS) is None


# -- words and one alert for one event ---------------------------------------------------------------------------------


def test_numbers_and_durations_read_well() -> None:
    assert [figure(v, 2) for v in (0.0, 0.6, 1.25, 12.0, 120.0, 1234.0, 0.0123)] == [
        "0", "0.6", "1.2", "12", "120", "1200", "0.012",
    ]  # fmt: skip
    assert [lasting(ms) for ms in (0, MINUTE_MS, 69 * MINUTE_MS, 2 * HOUR_MS, 47 * HOUR_MS, 2 * DAY_MS)] == [
        "a moment", "1 minute", "69 minutes", "2 hours", "47 hours", "2 days",
    ]  # fmt: skip
    assert and_list(["a"]) == "a"
    assert and_list(["a", "b", "c"]) == "a, b and c"


def test_an_alert_that_another_speaks_for_ends_without_a_word() -> None:
    little = of_budget(PLACE, [fed(day, 0.3) for day in (12, 13, 14)])
    first = step({}, little, NOON_MS, Rules())
    alerts = {one.key: one for one in first.changed}
    (jam,) = [c for c in _jam() if c.key == "jam/feeder"]
    later = step(alerts, [*little, jam], NOON_MS + MINUTE_MS, Rules())
    assert [(one.alert.key, one.why) for one in later.notices] == [("jam/feeder", "opened")]
    assert {one.key: one.state for one in later.changed} == {"jam/feeder": "open", "starved/sill": "cleared"}


def _jam() -> list[Any]:
    from tareline.core.alerts.device_concerns import of_feeder
    from tareline.core.feeding.doses import Dose

    unknown: dict[str, Any] = dict.fromkeys(Dose.__dataclass_fields__)
    dose = Dose(**{**unknown, "at_ms": NOON_MS, "outcome": "jam"})
    return of_feeder(PLACE, FEEDER, [dose], [], NOON_MS)
