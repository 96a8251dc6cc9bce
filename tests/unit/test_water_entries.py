"""Readings, kits and volumes as they are entered: pens, detection limits, units, gallons, and what cannot be meant."""

import os
from datetime import timedelta
from typing import Any

import pytest
from house import DAY_MS, HOUR_MS, NOON_MS, TANK, House

from present import present
from tareline.app import repository, requests
from tareline.app.answers.water import NewestReadingAnswer
from tareline.app.requests import parse
from tareline.app.snapshot import Snapshots
from tareline.core.calendar import from_ms
from tareline.core.water.balance import Inflow
from tareline.errors import FieldError

FLOOD = 100_000 if os.environ.get("TARELINE_FULL") else 400
PH_PEN: dict[str, Any] = {"id": "pen", "name": "pen", "analyte": "ph", "unit": "1", "resolution": 0.1}
TDS_PEN: dict[str, Any] = {"id": "tds", "name": "tds", "analyte": "tds", "unit": "ppm", "resolution": 10, "factor": 0.5}


def refused(call: Any, *given: Any, **named: Any) -> FieldError:
    with pytest.raises(FieldError) as caught:
        call(*given, **named)
    return caught.value


def latest(house: House, analyte: str) -> NewestReadingAnswer:
    found = house.service.waters.water(TANK).latest[analyte]
    return found


# Pens and detection limits


def test_a_pen_is_a_kit_with_a_resolution(house: House) -> None:
    house.add("kit", **PH_PEN)
    made = house.service.entries.add("reading", TANK, {"analyte": "ph", "value": 7.43, "kit": "pen"})
    assert (made.unit, made.chart, made.resolution) == ("1", False, 0.1)
    shown = latest(house, "ph")
    assert (shown.value, shown.low, shown.high) == pytest.approx((7.43, 7.38, 7.48))


@pytest.mark.parametrize("change", [{"resolution": None}, {"steps": [6, 7]}])
def test_a_kit_is_a_scale_or_an_instrument(house: House, change: dict[str, Any]) -> None:
    assert refused(house.add, "kit", **{**PH_PEN, **change}).field == "steps"


@pytest.mark.parametrize("change", [{"unit": "uS/cm"}, {"analyte": "kh", "unit": "dKH"}])
def test_a_factor_is_a_tds_pens(house: House, change: dict[str, Any]) -> None:
    assert refused(house.add, "kit", **{**TDS_PEN, **change}).field == "factor"


def test_below_detection_is_kept_as_its_limit_and_crosses_nothing(house: House) -> None:
    made = house.reading("ammonia", 2.5, detected=False)
    assert (made.crossed, present(made.hold).held) == ([], False)
    shown = latest(house, "ammonia")
    assert (shown.value, shown.low, shown.high, shown.detected) == (2.5, 0.0, 2.5, False)
    free = present(house.service.waters.water(TANK).unionised_ammonia_mg_n_per_l)
    assert free.low == 0.0 < present(free.high)


def test_below_detection_frees_feeding_only_from_a_limit_under_the_line(house: House) -> None:
    house.reading("ph", 6.6)
    house.reading("temperature", 20.0)
    house.reading("ammonia", 3.0)
    house.clock.advance(HOUR_MS)
    house.reading("ammonia", 2.0, detected=False)
    error = refused(house.service.release, TANK, {"note": "looks better"})
    assert (error.status, "could not detect anything below 2" in error.message) == (409, True)
    house.clock.advance(HOUR_MS)
    house.reading("ammonia", 0.1, detected=False)
    assert not house.service.release(TANK, {"note": "clear"}).held


def test_a_corrected_reading_of_a_pen_is_read_again_by_what_its_kit_says(house: House) -> None:
    house.add("kit", **TDS_PEN)
    made = house.service.entries.add("reading", TANK, {"analyte": "tds", "value": 300, "kit": "tds"})
    house.service.entries.correct(made.entry, {"value": 200})
    (standing,) = house.standing("reading")
    assert (standing.value, standing.factor, standing.resolution) == (200, 0.5, 10)
    bare = house.reading("tds", 150.0, unit="uS/cm", measured_at_c=20.0)
    house.service.entries.correct(bare.entry, {"value": 160.0})
    assert house.standing("reading")[-1].measured_at_c == 20.0


# Dissolved solids by the tank's factor


def test_dissolved_solids_become_the_tanks_and_stay_readable_as_stated(house: House) -> None:
    """200 ppm by a pen of factor 0.5 is 400 uS/cm, which a tank of factor 0.7 calls 280 mg/L."""
    house.add("kit", **TDS_PEN)
    tank = {"name": "reading room", "volume_l": 60, "timezone": "UTC", "tds_factor": 0.7}
    house.service.things.put("tank", TANK, tank)
    house.service.entries.add("reading", TANK, {"analyte": "tds", "value": 200, "kit": "tds"})
    context = house.service.context
    with context.store.read() as tx:
        found = Snapshots(tx, context, house.service.samples).of(TANK).readings["tds"]
    assert (found.value, found.resolution) == pytest.approx((280.0, 14.0))
    shown = latest(house, "tds")
    assert (shown.value, shown.unit, shown.low, shown.high) == pytest.approx((200, "ppm", 195.0, 205.0))


def test_a_line_on_dissolved_solids_meets_every_pen(house: House) -> None:
    line = {"analyte": "tds", "above": 300, "unit": "mg/L", "do": "notify"}
    house.service.feeding.put_lines(TANK, {"lines": [line], "confirm": True})
    assert house.reading("tds", 460.0, unit="uS/cm").crossed == []  # 294 mg/L by 0.64
    assert len(present(house.reading("tds", 470.0, unit="uS/cm").crossed)) == 1
    assert len(present(house.reading("tds", 423.0, unit="uS/cm", measured_at_c=20.0).crossed)) == 1  # 470 at 25 degC


# Units


def test_other_units_are_the_same_water(house: House) -> None:
    house.reading("temperature", 77.0, unit="degF")
    house.reading("kh", 89.24, unit="mg/L", basis="CaCO3")
    house.reading("nitrite", 250.0, unit="ug/L", basis="N")
    context = house.service.context
    with context.store.read() as tx:
        readings = Snapshots(tx, context, house.service.samples).of(TANK).readings
        found = {analyte: reading.value for analyte, reading in readings.items()}
    # 17.848 mg CaCO3/L to the degree (DERIVED from IUPAC masses)
    assert found == pytest.approx({"temperature": 25.0, "kh": 5.0, "nitrite": 0.25}, rel=1e-4)


def test_a_gallon_on_input_is_litres_in_the_books(house: House) -> None:
    """3.785411784 L, NIST Handbook 44."""
    made = house.service.entries.add("water-change", TANK, {"volume_us_gal": 5})
    assert made.volume_l == pytest.approx(18.92705892)
    assert "volume_us_gal" not in made.own
    house.service.entries.correct(made.entry, {"volume_us_gal": 4})
    (standing,) = house.standing("water-change")
    assert standing.volume_l == pytest.approx(15.141647136)
    house.service.entries.correct(made.entry, {"volume_l": 12})
    assert house.standing("water-change")[0].volume_l == 12
    sill = house.add("tank", id="sill", name="sill", volume_us_gal=20, timezone="UTC")
    assert sill.volume_l == pytest.approx(75.708, abs=1e-3)
    assert house.service.entries.add("top-up", TANK, {"volume_us_gal": 0.5}).volume_l == pytest.approx(1.8927, abs=1e-4)
    assert house.service.entries.add("top-up", TANK, {}).volume_l is None


def test_gallons_are_taken_by_the_call_that_changes_a_tank(house: House) -> None:
    body = parse(requests.TankRequest, {"id": TANK, "name": "n", "volume_us_gal": 10, "timezone": "UTC"})
    assert house.service.things.put("tank", TANK, body).volume_l == pytest.approx(37.854, abs=1e-3)


# What cannot be meant


@pytest.mark.parametrize(
    ("model", "body", "field", "words"),
    [
        (requests.WaterChangeRequest, {"volume_l": 0}, "volume_l", "greater than 0; found 0"),
        (requests.WaterChangeRequest, {"volume_us_gal": 0}, "volume_us_gal", "greater than 0; found 0"),
        (
            requests.WaterChangeRequest,
            {"volume_l": 1, "volume_us_gal": 1},
            "volume_l",
            "either volume_l or volume_us_gal",
        ),
        (requests.WaterChangeRequest, {}, "volume_l", "and not there"),
        (requests.WaterChangeRequest, {"volume_l": "2,5"}, "volume_l", "expected a decimal point; found '2,5'"),
        (
            requests.ReadingRequest,
            {"analyte": "ph", "value": "7,4", "unit": "1"},
            "value",
            "a decimal point; found '7,4'",
        ),
        (requests.ReadingRequest, {"analyte": "ph", "value": "1,000,7", "unit": "1"}, "value", "valid number"),
        (requests.ReadingRequest, [{"analyte": "ph", "value": 7, "unit": "1"}] * 100_000, "", "valid dictionary"),
        (
            requests.TankRequest,
            {"id": "t", "name": "t", "volume_l": 5, "timezone": "UTC", "tds_factor": 5},
            "tds_factor",
            "1",
        ),
    ],
)
def test_a_body_that_cannot_be_meant(model: Any, body: Any, field: str, words: str) -> None:
    error = refused(parse, model, body)
    assert (error.field, error.status) == (field, 422)
    assert words in error.message


@pytest.mark.parametrize(
    ("body", "field", "words"),
    [
        ({"analyte": "ph", "value": 14.1, "unit": "1"}, "value", "expected 0 to 14 for ph; found 14.1"),
        ({"analyte": "ph", "value": 700, "unit": "1"}, "value", "expected 0 to 14 for ph; found 700"),
        ({"analyte": "ph", "value": 7}, "unit", "expected '1', or a kit"),
        ({"analyte": "nitrate", "value": 7, "basis": "ion"}, "unit", "expected 'mg/L' or 'ppm' or 'ug/L', or a kit"),
        ({"analyte": "nitrate", "value": 7, "unit": "mg/L"}, "basis", "expected one of N, ion"),
    ],
)
def test_a_reading_that_cannot_be_meant_leaves_nothing_behind(
    house: House, body: dict[str, Any], field: str, words: str
) -> None:
    error = refused(house.service.entries.add, "reading", TANK, body)
    assert (error.field, error.status) == (field, 422)
    assert words in error.message
    assert house.ledger("reading") == []


def test_a_reading_of_next_year_is_refused(house: House) -> None:
    at = (from_ms(NOON_MS, "UTC") + timedelta(days=365)).isoformat()
    error = refused(house.reading, "ph", 7.0, at=at)
    assert (error.field, "at most 5 minutes ahead" in error.message) == ("at", True)


@pytest.mark.timeout(3600)
def test_a_flood_of_readings_loses_none_and_the_newest_decides(house: House) -> None:
    """Typed in by a program, as fast as it goes: 400 readings, 100 000 with TARELINE_FULL=1."""
    for i in range(FLOOD):
        house.reading("nitrate", 1.0 + i % 7)
    assert present(house.reading("ammonia", 2.0).hold).held
    assert latest(house, "nitrate").value == 1.0 + (FLOOD - 1) % 7
    context = house.service.context
    with context.store.read() as tx:
        count = tx.exec_driver_sql("select count(*) from ledger where kind = 'reading'").scalar()
    assert count == FLOOD + 1


# What the ledger says of the water that went in


def test_the_likely_cause_of_ammonia_after_a_change_with_chloramine_is_told(house: House) -> None:
    house.add("water", id="tap", name="tap", chloramine=True)
    house.add("water", id="rain", name="rain")
    at = from_ms(NOON_MS - 30 * HOUR_MS, "UTC").isoformat()
    house.service.entries.add("water-change", TANK, {"volume_l": 20, "water": "tap", "at": at})
    house.service.entries.add("water-change", TANK, {"volume_l": 20, "water": "rain"})
    made = house.reading("ammonia", 0.6)
    assert made.crossed is not None
    assert "water with chloramine was added 30 h before" in made.crossed[0].text
    assert "the tank is 0 days old" in made.crossed[0].text
    house.clock.advance(2 * DAY_MS)
    later = house.reading("ammonia", 0.6)
    assert later.crossed is not None
    assert "chloramine" not in later.crossed[0].text


def test_inflows_carry_their_source_waters_content_or_nothing_is_told(house: House) -> None:
    """Source waters state nitrogen as the ion: 14.007 of 62.004 g is N (IUPAC masses)."""
    house.add("water", id="tap", name="tap", tds_mg_per_l=210, nitrate_mg_per_l=62.004, kh_dkh=5)
    context = house.service.context

    def told(analyte: str) -> list[Inflow] | None:
        with context.store.read() as tx:
            return repository.inflows(tx, context, TANK, analyte, 0, NOON_MS + DAY_MS)

    assert told("tds") == []
    house.service.entries.add("water-change", TANK, {"volume_l": 20, "water": "tap"})
    house.service.entries.add("top-up", TANK, {"volume_l": 2, "water": "tap"})
    assert told("tds") == [Inflow(NOON_MS, 20, 210, True), Inflow(NOON_MS, 2, 210, False)]
    assert [one.content for one in told("nitrate") or ()] == pytest.approx([14.007, 14.007])
    assert [one.content for one in told("kh") or ()] == [5, 5]
    assert told("ammonia") is None  # nobody said how much the tap brings
    house.service.entries.add("top-up", TANK, {"water": "tap"})
    assert told("tds") is None  # nobody measured how much
