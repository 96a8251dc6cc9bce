"""The record that the load's model takes, gathered from the ledger of a real service."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from house import DAY_MS, FEEDER, HOUR_MS, MINUTE_MS, TANK, House

from tareline.app.projections.load_record import GatheredRecord, LoadRecords
from tareline.errors import FieldError
from tareline.store import ledger

# Standard atomic weights (IUPAC 2021, abridged): N 14.007, O 15.999, H 1.008.
N_IN_NITRATE = 14.007 / (14.007 + 3 * 15.999)
N_IN_AMMONIUM = 14.007 / (14.007 + 4 * 1.008)


def gathered(house: House, tank: str = TANK) -> GatheredRecord:
    """What is known now, by accounts that are up to date, gathered by somebody who has kept nothing."""
    house.service.update_accounts()
    with house.service.context.store.read() as tx:
        found = LoadRecords(house.service.context, house.service.accounts).gather(tx, tank)
    assert found is not None
    return found


def at(house: House, days_ago: float) -> str:
    return (datetime.fromtimestamp(house.clock.now_ms() / 1000, UTC) - timedelta(days=days_ago)).isoformat()


def live(house: House, days: int, grams: float = 0.2, first: int = 1) -> None:
    """Days with two weighed doses each, at midnight and at noon."""
    half, doses = grams / 2, []
    for seq in range(first, first + 2 * days):
        house.clock.advance(DAY_MS // 2)
        doses.append(house.dose(seq, before_g=500 - half * (seq - 1), after_g=500 - half * seq, target_g=half))
    house.hear(*doses)


# -- food --------------------------------------------------------------------------------------------------------------


def test_doses_are_summed_by_local_day_with_their_deviation(house: House) -> None:
    live(house, 10)
    record = gathered(house).record
    whole = [one for one in record.fed if 1 <= one.day <= 8]
    assert len(whole) == 8
    assert [one.mass_g for one in whole] == pytest.approx([0.2] * 8, abs=0.02)
    assert all(0 < one.sd_g < 0.04 for one in whole)
    assert [(food.name, food.protein_percent) for food in record.foods] == [("windowsill flakes", 42.0)]


def test_food_given_by_hand_counts_beside_the_feeder(house: House) -> None:
    live(house, 4)
    before = {one.day: one for one in gathered(house).record.fed}
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.5, "sd_g": 0.1, "at": at(house, 2)})
    after = {one.day: one for one in gathered(house).record.fed}
    changed = [day for day in after if after[day] != before[day]]
    assert changed == [1]
    assert after[1].mass_g - before[1].mass_g == pytest.approx(0.5)
    assert after[1].sd_g == pytest.approx((before[1].sd_g ** 2 + 0.1**2) ** 0.5)


def test_another_food_in_the_hopper_is_told_apart_from_the_day_it_came(house: House) -> None:
    house.add("food", id="sticks", name="pantry sticks", protein_percent=33)
    live(house, 4)
    house.service.entries.add("refill", FEEDER, {"added_g": 5, "food": "sticks", "at": at(house, 0)})
    house.clock.advance(MINUTE_MS)
    live(house, 4, first=9)
    found = gathered(house)
    assert [food.protein_percent for food in found.record.foods] == [42.0, 33.0]
    assert {one.food for one in found.record.fed if one.day < 3} == {0}
    assert {one.food for one in found.record.fed if one.day > 3} == {1}
    assert found.food == 1, "grams are of the food that is fed now"


def test_a_food_nobody_has_described_is_taken_as_widely_unknown(house: House) -> None:
    house.add("tank", id="bare", name="bare", volume_l=20, timezone="UTC")
    house.service.entries.add("handfeed", "bare", {"mass_g": 0.1, "at": at(house, 0)})
    record = gathered(house, "bare").record
    assert record.foods[0].relative_sd > 0.2


def test_of_an_unfinished_day_only_what_came_before_the_newest_reading_counts(house: House) -> None:
    """The model spreads a day's food evenly: 0.3 g up to noon is 0.6 g a day for half a day."""
    live(house, 2)
    house.hear(house.dose(5, before_g=499.6, after_g=499.5, target_g=0.1))
    house.clock.advance(MINUTE_MS)
    house.reading("nitrate", 2.0)
    record = gathered(house).record
    part = record.now - int(record.now)
    today = [one for one in record.fed if one.day == int(record.now)]
    assert part == pytest.approx(0.5, abs=0.01)
    assert sum(one.mass_g for one in today) * part == pytest.approx(0.3, abs=0.02)  # midnight's dose and noon's two
    house.clock.advance(HOUR_MS)
    house.hear(house.dose(6, before_g=499.5, after_g=499.4, target_g=0.1))
    later = [one for one in gathered(house).record.fed if one.day == int(record.now)]
    assert sum(one.mass_g for one in later) == pytest.approx(sum(one.mass_g for one in today), abs=0.02)


def test_closed_periods_are_kept_and_a_late_entry_about_them_is_still_seen(house: House) -> None:
    live(house, 130)
    context, accounts = house.service.context, house.service.accounts
    keeping = LoadRecords(context, accounts)
    house.service.update_accounts()
    account = accounts.account(FEEDER)
    assert account is not None
    assert len(account.closed) >= 2
    with context.store.read() as tx:
        first = keeping.gather(tx, TANK)
        assert first == keeping.gather(tx, TANK) == LoadRecords(context, accounts).gather(tx, TANK)
    assert len(keeping._cache) >= 2
    entry = house.standing("dose")[10].entry
    with context.write() as tx:
        dose = ledger.get(tx, entry)
        assert dose is not None
        ledger.correct(tx, dose, context.stamp_ms(), void=True)
    house.service.update_accounts()
    with context.store.read() as tx:
        later = keeping.gather(tx, TANK)
        assert later == LoadRecords(context, accounts).gather(tx, TANK)
    assert later is not None
    assert first is not None
    assert sum(f.mass_g for f in first.record.fed) - sum(f.mass_g for f in later.record.fed) > 0.05


# -- water -------------------------------------------------------------------------------------------------------------


def test_readings_say_what_their_kit_could_tell_apart(house: House) -> None:
    house.add("kit", id="drops", name="drops", analyte="nitrate", unit="mg/L", basis="ion", steps=[0, 5, 10, 20])
    for value in (0, 10, 20):
        house.service.entries.add("reading", TANK, {"analyte": "nitrate", "value": value, "kit": "drops"})
    house.reading("ammonia", 0.05, detected=False)
    house.reading("nitrite", 0.3, resolution=0.1)
    house.reading("ph", 7.0)
    seen = gathered(house).record.readings
    nothing, some, most = (one for one in seen if one.analyte == "nitrate")
    assert (nothing.detected, nothing.value, nothing.low) == (False, 0.0, 0.0)
    assert nothing.high == pytest.approx(5 * N_IN_NITRATE, rel=1e-3)
    assert (some.low, some.value, some.high) == pytest.approx(
        (5 * N_IN_NITRATE, 10 * N_IN_NITRATE, 20 * N_IN_NITRATE), rel=1e-3
    )
    assert most.high is None
    ammonia = next(one for one in seen if one.analyte == "ammonia")
    assert (ammonia.detected, ammonia.low, ammonia.high) == (False, 0.0, 0.05)
    nitrite = next(one for one in seen if one.analyte == "nitrite")
    assert (nitrite.detected, nitrite.low, nitrite.high) == (True, pytest.approx(0.25), pytest.approx(0.35))
    assert len(seen) == 5, "what the model has no use for is left out"


def test_the_least_that_shows_is_what_the_tanks_own_kits_can_show(house: House) -> None:
    usual = gathered(house).record.detects
    house.reading("ammonia", 0.0, below=None, above=0.4)
    house.reading("nitrite", 0.02, detected=False)
    assert gathered(house).record.detects == (0.4, 0.02)
    assert usual == (0.25, 0.1)


def test_a_water_change_brings_what_its_source_holds_as_nitrogen(house: House) -> None:
    house.add("water", id="tap", name="tap", nitrate_mg_per_l=10, ammonia_mg_per_l=0.1, tds_mg_per_l=300)
    house.service.entries.add("water-change", TANK, {"volume_l": 20, "water": "tap", "at": at(house, 0)})
    house.service.entries.add("top-up", TANK, {"volume_l": 1.5, "at": at(house, 0)})
    house.service.entries.add("top-up", TANK, {"at": at(house, 0)})
    change, topup = gathered(house).record.changes
    assert (change.kind, change.volume_l, change.tds_mg_per_l) == ("change", 20, 300)
    assert change.nitrate_mg_n_per_l == pytest.approx(10 * N_IN_NITRATE, rel=1e-3)
    assert change.ammonia_mg_n_per_l == pytest.approx(0.1 * N_IN_AMMONIUM, rel=1e-3)
    assert (topup.kind, topup.volume_l, topup.nitrate_mg_n_per_l) == ("topup", 1.5, None)


def test_what_upsets_a_tank_is_noted_by_day(house: House) -> None:
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.1, "at": at(house, 0)})
    house.clock.advance(10 * DAY_MS)
    for kind, ago in (("plants", 8), ("filter", 6), ("medication", 5), ("stocking", 4), ("harvest", 3)):
        house.service.entries.add("note", TANK, {"kind": kind, "text": kind, "at": at(house, ago)})
    body = {"name": "reading room", "volume_l": 50, "timezone": "UTC", "at": at(house, 1)}
    house.service.things.put("tank", TANK, body)
    record = gathered(house).record
    assert record.upset == pytest.approx((2.5, 4.5, 5.5, 9.5))
    assert [one.day for one in record.harvests] == pytest.approx([7.5])
    assert record.volume_l == 50


def test_a_harvest_carries_its_share_where_somebody_stated_it(house: House) -> None:
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.1, "at": at(house, 0)})
    house.clock.advance(10 * DAY_MS)
    first = house.service.entries.add(
        "note", TANK, {"kind": "harvest", "text": "stems", "share": 0.1, "at": at(house, 3)}
    )
    house.service.entries.add("note", TANK, {"kind": "harvest", "text": "some", "at": at(house, 2)})
    assert [one.share for one in gathered(house).record.harvests] == [0.1, None]
    house.service.entries.correct(first.entry, {"share": 0.3})
    assert [one.share for one in gathered(house).record.harvests] == [0.3, None]
    with pytest.raises(FieldError) as caught:
        house.service.entries.correct(first.entry, {"kind": "plants"})
    assert caught.value.field == "share"
    house.service.entries.correct(first.entry, {"kind": "plants", "share": None})
    record = gathered(house).record
    assert ([one.share for one in record.harvests], len(record.upset)) == ([None], 1)


def test_another_planted_area_or_light_upsets_and_stating_it_first_does_not(house: House) -> None:
    def put(ago: int, **fields: float) -> None:
        body = {"name": "reading room", "volume_l": 60, "timezone": "UTC", "at": at(house, ago), **fields}
        house.service.things.put("tank", TANK, body)

    house.service.entries.add("handfeed", TANK, {"mass_g": 0.1, "at": at(house, 0)})
    house.clock.advance(10 * DAY_MS)
    put(9, planted_area_cm2=900)
    put(8, planted_area_cm2=900, light_h_per_day=8)
    assert gathered(house).record.upset == ()
    put(7, planted_area_cm2=450, light_h_per_day=8)
    put(5)  # somebody who knows of neither field
    assert gathered(house).record.upset == pytest.approx((3.5,))
    put(4, planted_area_cm2=450, light_h_per_day=6)
    put(3, planted_area_cm2=500, light_h_per_day=0)
    assert gathered(house).record.upset == pytest.approx((3.5, 6.5, 7.5))


# -- when it began -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("stage", "new"), [("stocked", False), ("no animals", True)])
def test_a_tank_told_of_before_its_animals_is_new(house: House, stage: str, new: bool) -> None:
    house.add("tank", id="other", name="other", volume_l=20, timezone="UTC", stage=stage)
    assert gathered(house, "other").record.new is new


def test_a_tank_that_was_emptied_begins_anew_when_it_is_filled(house: House) -> None:
    def put(stage: str) -> Any:
        return house.service.things.put(
            "tank", TANK, {"name": "reading room", "volume_l": 60, "timezone": "UTC", "stage": stage}
        )

    house.reading("nitrate", 5.0)
    house.clock.advance(5 * DAY_MS)
    put("empty")
    with house.service.context.store.read() as tx:
        assert LoadRecords(house.service.context, house.service.accounts).gather(tx, TANK) is None
    house.clock.advance(5 * DAY_MS)
    put("no animals")
    house.clock.advance(2 * DAY_MS)
    record = gathered(house).record
    assert (record.new, record.now, record.readings) == (True, 2.0, ())


def test_day_0_stays_while_the_record_grows_and_moves_for_an_older_notebook(house: House) -> None:
    live(house, 3)
    first = gathered(house)
    house.reading("nitrate", 2.0)
    live(house, 3, first=7)
    second = gathered(house)
    assert second.day_0 == first.day_0
    assert [f.day for f in second.record.fed][: len(first.record.fed)] == [f.day for f in first.record.fed]
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.1, "at": at(house, 30)})
    assert (first.day_0 - gathered(house).day_0).days == 25


def test_what_was_read_before_the_books_of_the_food_begin_is_left_out(house: House) -> None:
    """Nobody knows what was fed then: zero would be a claim."""
    house.clock.advance(100 * DAY_MS)
    house.reading("nitrate", 9.0, at=at(house, 90))
    live(house, 10)
    house.reading("nitrate", 2.0)
    record = gathered(house).record
    assert record.now < 11
    assert [one.value for one in record.readings] == [2.0]


def test_days_are_local_ones_also_where_clocks_change(house: House) -> None:
    """In Berlin clocks go back on 2025-10-26 (IANA time zone database): that day has 25 hours."""
    house.add("tank", id="berlin", name="berlin", volume_l=20, timezone="Europe/Berlin")
    house.clock.set(int(datetime(2025, 10, 27, 12, tzinfo=UTC).timestamp() * 1000))
    house.reading("nitrate", 1.0, tank="berlin", at="2025-10-26T12:00:00+01:00")  # 13 of 25 hours have passed
    found = gathered(house, "berlin")
    (seen,) = found.record.readings
    assert seen.day - (datetime(2025, 10, 26).date() - found.day_0).days == pytest.approx(13 / 25)
