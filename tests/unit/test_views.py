"""What is shown: days and weeks, the hopper, water, devices; and entries that other tests leave out."""

from datetime import date
from functools import partial
from itertools import pairwise
from typing import Any

import pytest
from house import DAY_MS, FEEDER, FOOD, HOUR_MS, MINUTE_MS, NOON_MS, TANK, House

from present import present
from tareline.app.queries.books import WeekAnswer
from tareline.core.calendar import day_end_ms, day_start_ms
from tareline.errors import FieldError
from tareline.store import ledger


def refused(field: str, status: int, call: Any, *given: Any, **named: Any) -> str:
    with pytest.raises(FieldError) as caught:
        call(*given, **named)
    assert (caught.value.field, caught.value.status) == (field, status)
    return caught.value.message


def week(house: House, day: date | None = None, tank: str = TANK) -> WeekAnswer:
    return house.service.books.week(tank, day)


def hopper(house: House) -> tuple[Any, ...]:
    (found,) = house.service.tanks.overview()[0].hoppers
    return found.content_g, found.content_sd_g, found.by


# -- days and weeks ----------------------------------------------------------------------------------------------------


def test_a_week_without_anything_says_so(house: House) -> None:
    found = week(house, date(2025, 6, 2))
    assert (found.start, found.end) == ("2025-06-02", "2025-06-08")
    assert found.totals.budget_g is None
    assert found.sentence == "0.00 g (deviation 0.00 g) were dispensed in 0 doses."


def test_a_weeks_sentence_sums_it_up(house: House) -> None:
    """NOON_MS is a Sunday. Deviations add up in quadrature: 0.03, 0.04 and 0.12 make 0.13 (JCGM 100:2008, 5.1.2)."""
    house.hear(house.dose(1, before_g=50.0, after_g=49.75, sd_g=0.03), house.dose(2, after_g=49.5, sd_g=0.04))
    house.clock.advance(MINUTE_MS)
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.2, "by": "the keeper"})
    house.hear(house.dose(3, target_g=0.24, before_g=None, after_g=None, sd_g=None))  # half of it is its deviation
    house.service.hold(TANK, {"reason": "medication"})
    house.clock.advance(90 * MINUTE_MS)
    house.service.release(TANK, {"note": "over"})
    found = week(house)
    assert found.sentence == (
        "0.99 g (deviation 0.13 g) were dispensed in 3 doses of a budget of 1.00 g; 0.20 g were fed by hand; "
        "feeding was held for 1.5 h; 1 dose was not weighed."
    )
    assert found.totals.dispensed_sd_g == pytest.approx(0.13)
    assert found.totals.provisional
    (held,) = found.holds
    assert (held.kind, held.from_, held.to) == (
        "hold", "2025-06-15T12:01:00.000+00:00", "2025-06-15T13:31:00.000+00:00",
    )  # fmt: skip
    (today,) = [day for day in found.days if day.date == "2025-06-15"]
    assert {"today", "unweighed"} <= set(today.flags)
    assert today.held_s == 90 * 60


def test_at_most_400_days_are_shown_at_once(house: House) -> None:
    days = house.service.books.days
    assert len(days(TANK, date(2024, 1, 1), date(2025, 2, 3))) == 400
    assert "400 days; found 401" in refused("end", 422, days, TANK, date(2024, 1, 1), date(2025, 2, 4))
    refused("end", 422, days, TANK, date(2025, 1, 2), date(2025, 1, 1))
    refused("tank", 404, days, "nowhere", date(2025, 1, 1), date(2025, 1, 1))
    refused("start", 422, week, house, date(9999, 12, 31))


@pytest.mark.parametrize(
    ("day", "hours", "first", "last"),
    [
        # Clocks in Berlin: forward at 2025-03-30 01:00 UTC, back at 2025-10-26 01:00 UTC (IANA time zone database).
        (date(2025, 3, 26), [24] * 6 + [23], "2025-03-24T00:00:00.000+01:00", "2025-03-31T00:00:00.000+02:00"),
        (date(2025, 10, 26), [24] * 6 + [25], "2025-10-20T00:00:00.000+02:00", "2025-10-27T00:00:00.000+01:00"),
    ],
)
def test_weeks_with_a_day_of_23_or_25_hours(house: House, day: date, hours: list[int], first: str, last: str) -> None:
    house.add("tank", id="berlin", name="study", volume_l=54, timezone="Europe/Berlin")
    days = week(house, day, "berlin").days
    assert (days[0].start, days[-1].end) == (first, last)
    assert ["hour change" in d.flags for d in days] == [False] * 6 + [True]
    lengths = [
        (day_end_ms(date.fromisoformat(d.date), "Europe/Berlin")
         - day_start_ms(date.fromisoformat(d.date), "Europe/Berlin")) / HOUR_MS
        for d in days
    ]  # fmt: skip
    assert lengths == hours
    assert all(a.end == b.start for a, b in pairwise(days))


def test_a_dose_in_the_hour_that_happens_twice_counts_once_and_on_its_day(house: House) -> None:
    house.clock.set(1_761_442_200_000)  # 2025-10-26T01:30:00Z: the second 02:30 in Berlin
    house.add("tank", id="berlin", name="study", volume_l=54, timezone="Europe/Berlin")
    house.add("feeder", id="other", tank="berlin")
    house.hear(house.dose(1, "other"), house.dose(2, "other", at_ms=house.clock.now_ms() - HOUR_MS))
    days = {d.date: [dose.at for dose in d.doses] for d in week(house, None, "berlin").days}
    assert days.pop("2025-10-26") == ["2025-10-26T02:30:00.000+02:00", "2025-10-26T02:30:00.000+01:00"]
    assert not any(days.values())


def test_what_was_fed_today_and_by_whom(house: House) -> None:
    house.hear(house.dose(1), house.dose(2, outcome="held", steps=0, before_g=None, after_g=None, sd_g=None))
    house.clock.advance(MINUTE_MS)
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.2, "by": "the neighbour", "at": "2025-06-15T07:00:00Z"})
    house.service.entries.add("handfeed", TANK, {"mass_g": 9.0, "at": "2025-06-14T23:59:59Z"})
    found = house.service.books.fed_today(TANK)
    assert [(f.what, f.mass_g, f.by) for f in found.by] == [
        ("hand", 0.2, "the neighbour"), (FEEDER, 0.25, None),
    ]  # fmt: skip
    assert (found.date, found.handfed_g, found.dispensed_g) == ("2025-06-15", 0.2, 0.25)
    assert found.remaining_g == pytest.approx(0.55)


def test_lost_and_unreadable_doses_are_shown_as_unknown_never_as_nothing(house: House) -> None:
    house.hear(house.hello(journal_to=4), house.online(), house.dose(1))
    house.hear(house.message("dose", {"journal": "journal", "seq": 2, "target_g": "plenty"}))
    house.hear(house.dose(5))
    (device,) = house.service.devices.all()
    assert (device.received_seq, device.waiting_for) == (2, [[3, 4]])
    house.pass_time(3 * HOUR_MS, 60_000, promising=True)
    (device,) = house.service.devices.all()
    assert (device.received_seq, device.waiting_for) == (5, [])
    shown = house.today()
    assert "lost doses" in shown.flags
    unknown = {(d.seq, d.count, d.mass_g) for d in shown.doses if d.outcome == "unknown"}
    assert unknown == {(2, 1, None), (None, 2, None)}
    (gap,) = house.ledger("gap")
    view = house.service.ledger.entry(gap.entry)
    assert (view.own["from"], view.to, view.count, view.message) == (3, 4, 2, None)


def test_a_device_shows_the_least_memory_it_has_had(house: House) -> None:
    house.hear(house.hello())
    (device,) = house.service.devices.all()
    assert (device.heap_free_bytes, device.heap_largest_bytes) == (None, None)
    house.hear(house.hello(heap_free_bytes=41_000, heap_largest_bytes=4_096))
    (device,) = house.service.devices.all()
    assert (device.heap_free_bytes, device.heap_largest_bytes) == (41_000, 4_096)


def test_a_dose_can_be_traced_to_its_message(house: House) -> None:
    message = house.dose(1, note="fields that nobody asked for are kept as well")
    house.hear(house.hello(), message)
    view = house.service.ledger.entry(house.doses()[1].entry)
    assert present(view.message).encode() == message.payload
    assert view.topic == f"tareline/{FEEDER}/up/dose"
    assert view.device is not None
    assert (view.mass_g, view.tank, view.device["board"]) == (0.25, TANK, "board")
    refused("entry", 404, house.service.ledger.entry, 10**9)


def test_a_page_of_the_ledger_goes_on_after_its_last_entry(house: House) -> None:
    with house.service.context.write() as tx:
        for number in range(1005):  # all of one instant
            ledger.add(tx, "note", NOON_MS - 14 * DAY_MS, NOON_MS, {"text": str(number), "kind": "other"}, tank=TANK)
    first = house.ledger("note")
    assert len(first) == 1000
    rest = house.service.ledger.page(TANK, None, None, "note", first[-1].entry)
    assert [e.text for e in first + rest] == [str(number) for number in range(1005)]
    assert house.service.ledger.page(TANK, NOON_MS - DAY_MS, None, "note", None) == []


# -- the hopper --------------------------------------------------------------------------------------------------------


def test_what_is_left_in_the_hopper_is_what_was_weighed_last(house: House) -> None:
    assert hopper(house) == (None, None, None)
    house.service.entries.add("refill", FEEDER, {"added_g": 20})
    assert hopper(house) == (None, None, None)  # added to what nobody had weighed
    house.clock.advance(MINUTE_MS)
    house.service.entries.add("refill", FEEDER, {"before_g": 2, "after_g": 42})
    assert hopper(house) == (42, None, "refill")
    house.clock.advance(MINUTE_MS)
    house.service.entries.add("weighin", FEEDER, {"mass_g": 41.5, "sd_g": 0.1})
    assert hopper(house) == (41.5, 0.1, "weigh-in")
    house.clock.advance(MINUTE_MS)
    house.hear(house.dose(1, before_g=41.5, after_g=41.2, sd_g=0.02))
    assert hopper(house) == (41.2, 0.02, "cell")
    house.clock.advance(MINUTE_MS)
    house.hear(house.dose(2, before_g=None, after_g=None, sd_g=None))
    assert hopper(house) == (41.2, 0.02, "cell")
    weight = {"boot": "boot", "at_ms": house.clock.now_ms(), "uptime_ms": 1, "mass_g": 41.0, "sd_g": 0.05}
    house.hear(house.message("weight", weight))
    assert hopper(house) == (41.0, 0.05, "cell")
    house.service.entries.add(
        "weighin", FEEDER, {"mass_g": 30, "at": "2025-06-15T08:00:00Z"}
    )  # a notebook typed in later
    assert hopper(house) == (41.0, 0.05, "cell")


def test_a_cell_without_its_hopper_says_nothing_of_what_is_in_it(house: House) -> None:
    house.hear(house.dose(1, before_g=41.5, after_g=41.2, sd_g=0.02))
    house.clock.advance(MINUTE_MS)
    house.hear(house.dose(2, before_g=-119.5, after_g=-119.6, sd_g=0.02))
    weight = {"boot": "boot", "at_ms": house.clock.now_ms(), "uptime_ms": 1, "mass_g": -119.5, "sd_g": 0.05}
    house.hear(house.message("weight", weight))
    assert house.rejects() == []
    assert hopper(house) == (41.2, 0.02, "cell")


# -- water -------------------------------------------------------------------------------------------------------------


def test_unionised_ammonia_says_what_it_assumed(house: House) -> None:
    assert house.service.waters.water(TANK).unionised_ammonia_mg_n_per_l is None
    house.reading("ammonia", 0.2)
    found = present(house.service.waters.water(TANK).unionised_ammonia_mg_n_per_l)
    assert found.assumed == ["ph", "temperature"]
    # Emerson et al. 1975: 5.38 % un-ionised at pH 8.0 and 25 degC.
    assert found.value == pytest.approx(0.2 * 0.0538, rel=0.005)
    house.reading("ph", 7.0)
    house.reading("temperature", 25.0)
    found = present(house.service.waters.water(TANK).unionised_ammonia_mg_n_per_l)
    assert found.assumed == []
    # The same table: 0.566 % at pH 7.0.
    assert found.value == pytest.approx(0.2 * 0.00566, rel=0.005)


def test_the_newest_of_each_analyte_is_shown_as_it_was_stated(house: House) -> None:
    house.reading("nitrate", 20, basis="ion", at="2025-06-15T11:00:00Z")
    house.reading("nitrate", 80, basis="ion", at="2025-06-10T11:00:00Z")
    house.reading("ammonia", 0.25, below=0.0, above=0.5)
    latest = house.service.waters.water(TANK).latest
    assert sorted(latest) == ["ammonia", "nitrate"]
    assert (latest["nitrate"].value, latest["nitrate"].basis) == (20, "ion")
    assert latest["nitrate"].low == pytest.approx(20)
    assert (latest["ammonia"].low, latest["ammonia"].high) == (0.0, 0.5)


# -- kits, units and bases ---------------------------------------------------------------------------------------------

KIT = {
    "id": "drops",
    "name": "drops",
    "analyte": "ammonia",
    "unit": "mg/L",
    "basis": "ion",
    "steps": [0, 0.25, 0.5, 1, 2],
}


def test_a_kits_reading_is_one_of_its_steps(house: House) -> None:
    house.add("kit", **KIT)
    add = partial(house.service.entries.add, "reading")
    made = add(TANK, {"analyte": "ammonia", "value": 0.5, "kit": "drops"})
    assert (made.unit, made.basis, made.below, made.above) == ("mg/L", "ion", 0.25, 1)
    assert "0, 0.25, 0.5, 1, 2" in refused(
        "value", 422, add, TANK, {"analyte": "ammonia", "value": 0.4, "kit": "drops"}
    )
    refused("kit", 422, add, TANK, {"analyte": "nitrite", "value": 0.5, "kit": "drops"})
    refused("basis", 422, add, TANK, {"analyte": "ammonia", "value": 0.5, "kit": "drops", "basis": "N"})
    corrected = house.service.entries.correct(made.entry, {"value": 1})
    assert (corrected.below, corrected.above) == (0.5, 2)
    refused("value", 422, house.service.entries.correct, made.entry, {"value": 0.4})


def test_a_kit_must_state_its_scale_without_doubt(house: House) -> None:
    for change, field in (({"basis": None}, "basis"), ({"unit": "dKH"}, "unit"), ({"steps": [1, 0.5]}, "steps")):
        refused(field, 422, house.add, "kit", **{**KIT, **change})


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"analyte": "ammonia", "value": 1, "unit": "mg/L"}, "basis"),
        ({"analyte": "nitrate", "value": 1, "unit": "mg/L", "basis": "NH3"}, "basis"),
        ({"analyte": "ph", "value": 7, "unit": "1", "basis": "N"}, "basis"),
        ({"analyte": "ph", "value": 7, "unit": "mg/L"}, "unit"),
        ({"analyte": "ph", "value": 7}, "unit"),
        ({"analyte": "ph", "value": 15, "unit": "1"}, "value"),
        ({"analyte": "temperature", "value": 72, "unit": "degC"}, "value"),
        ({"analyte": "kh", "value": 5, "unit": "dKH", "below": 6}, "below"),
        ({"analyte": "kh", "value": 5, "unit": "dKH", "above": 5}, "above"),
        ({"analyte": "copper", "value": 5, "unit": "mg/L"}, "analyte"),
    ],
)
def test_a_value_in_doubt_is_refused(house: House, body: dict[str, Any], field: str) -> None:
    refused(field, 422, house.service.entries.add, "reading", TANK, body)
    assert house.ledger("reading") == []


# -- corrections -------------------------------------------------------------------------------------------------------


def test_the_time_of_an_entry_can_be_corrected(house: House) -> None:
    made = house.service.entries.add("handfeed", TANK, {"mass_g": 0.3})
    assert house.today().handfed_g == 0.3
    corrected = house.service.entries.correct(made.entry, {"at": "2025-06-14T09:00:00Z"})
    assert corrected.at == "2025-06-14T09:00:00.000+00:00"
    assert corrected.mass_g == 0.3
    assert house.today().handfed_g == 0
    (day,) = house.service.books.days(TANK, date(2025, 6, 14), date(2025, 6, 14))
    assert day.handfed_g == 0.3
    refused("at", 422, house.service.entries.correct, made.entry, {"at": "2025-06-16T00:00:00Z"})


def test_a_correction_of_a_correction_stands_for_the_first(house: House) -> None:
    first = house.service.entries.add("handfeed", TANK, {"mass_g": 0.3})
    second = house.service.entries.correct(first.entry, {"mass_g": 0.4, "by": "the keeper"})
    third = house.service.entries.correct(second.entry, {"food": FOOD})
    assert (third.corrects, third.mass_g, third.food) == (first.entry, 0.4, FOOD)
    assert [e.corrected_by for e in house.ledger("handfeed")] == [
        [second.entry, third.entry], [third.entry], [],
    ]  # fmt: skip
    assert house.today().handfed_g == 0.4
    house.service.entries.correct(second.entry, {"void": True})
    assert house.today().handfed_g == 0


def test_only_what_people_tell_is_corrected_by_hand(house: House) -> None:
    house.hear(house.hello(), house.dose(1))
    house.hear(house.message("fault", {"boot": "boot", "at_ms": NOON_MS, "uptime_ms": 1, "code": "jam"}))
    house.service.hold(TANK, {"reason": "medication"})
    house.service.release(TANK, {"note": "over"})
    kinds = {entry.kind: entry.entry for entry in house.ledger()}
    assert set(kinds) == {"ration", "dose", "fault", "hold", "release"}
    for kind, entry in kinds.items():
        assert kind in refused("entry", 409, house.service.entries.correct, entry, {"void": True})


def test_a_reference_is_known_after_a_restart(house: House) -> None:
    body = {"mass_g": 0.2, "client_ref": "from-a-phone"}
    first = house.service.entries.add("handfeed", TANK, body)
    house.restart()
    house.clock.advance(DAY_MS)
    assert house.service.entries.add("handfeed", TANK, body) == first
    assert len(house.ledger("handfeed")) == 1


def test_a_feeder_put_on_another_tank_in_the_past_takes_its_doses_along(house: House) -> None:
    house.add("tank", id="other", name="other", volume_l=30, timezone="UTC")
    house.clock.advance(4 * HOUR_MS)
    house.hear(house.dose(1, at_ms=NOON_MS + HOUR_MS), house.dose(2, at_ms=NOON_MS + 3 * HOUR_MS))
    house.service.things.put(
        "feeder", FEEDER, {"tank": "other", "food": FOOD, "at": "2025-06-15T14:00:00Z", "by": "the keeper"}
    )
    assert [list(house.doses(tank)) for tank in (TANK, "other")] == [[1], [2]]
    shown = house.service.books.days("other", date(2025, 6, 15), date(2025, 6, 15))[0]
    assert shown.dispensed_g == 0.25


def test_food_told_of_the_past_shows_per_dose(house: House) -> None:
    house.add("food", id="pellets", name="pellets", protein_percent=38)
    house.clock.advance(4 * HOUR_MS)
    house.hear(*(house.dose(n, at_ms=NOON_MS + n * HOUR_MS) for n in (1, 2, 3)))
    house.service.entries.add("refill", FEEDER, {"added_g": 20, "food": "pellets", "at": "2025-06-15T13:30:00Z"})
    house.service.things.put("feeder", FEEDER, {"tank": TANK, "food": FOOD, "at": "2025-06-15T14:30:00Z"})
    assert [d.food for d in house.today().doses] == [FOOD, "pellets", FOOD]
