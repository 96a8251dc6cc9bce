"""What forms make of what people type: decimal commas, units, volumes, and what was not detected."""

from datetime import date
from typing import Annotated, Any

import pytest
from pydantic import Field, ValidationError

from tareline.app import requests
from tareline.app.answers.things import KitAnswer
from tareline.core.units import UNITS
from tareline.errors import FieldError
from tareline.settings import Show
from tareline.web.pages.forms import (
    FORMS,
    NOTE_KINDS,
    complete_reading,
    complete_volume,
    reading_units,
    volume_units,
)
from tareline.web.pages.sent import Form, Refusal, read_form, submit
from tareline.web.text.words import temperature_text, volume_text

KITS = [KitAnswer(id="pen", name="pen", analyte="tds", unit="mg/L")]
LITRES, GALLONS = Show(), Show(volume="US gal", temperature="degF")


def reading(show: Show = LITRES, **typed: str) -> tuple[dict[str, Any], dict[str, str]]:
    body, wrong = read_form(FORMS["reading"], typed, "UTC")
    complete_reading(body, KITS, show, wrong)
    return body, wrong


def volume(what: str = "waterchange", **typed: str) -> tuple[dict[str, Any], dict[str, str]]:
    body, wrong = read_form(FORMS[what], typed, "UTC")
    complete_volume(body, wrong)
    return body, wrong


@pytest.mark.parametrize(("typed", "meant"), [("7,4", 7.4), ("7.4", 7.4), (",5", 0.5), ("0,250", 0.25), ("1200", 1200)])
def test_a_comma_is_a_decimal_point(typed: str, meant: float) -> None:
    assert reading(analyte="ph", value=typed) == ({"analyte": "ph", "value": meant, "unit": "1"}, {})


@pytest.mark.parametrize("typed", ["1,000", "12,500", "1,000,5", "1.000,5", "7,4,1"])
def test_a_comma_that_may_mean_something_else_is_asked_again(typed: str) -> None:
    _, wrong = reading(analyte="ph", value=typed)
    assert list(wrong) == ["value"]


def test_without_a_unit_it_is_the_usual_one_and_of_temperature_the_keepers_own() -> None:
    assert reading(analyte="kh", value="5")[0]["unit"] == "dKH"
    assert reading(analyte="temperature", value="25")[0]["unit"] == "degC"
    assert reading(GALLONS, analyte="temperature", value="77")[0]["unit"] == "degF"
    assert reading(GALLONS, analyte="temperature", value="25", unit="degC")[0]["unit"] == "degC"


def test_a_basis_is_asked_for_where_there_are_several_and_follows_where_there_is_one() -> None:
    assert "basis" in reading(analyte="nitrate", value="10")[1]
    assert reading(analyte="nitrate", value="10", basis="ion")[1] == {}
    assert reading(analyte="kh", value="90", unit="mg/L")[0]["basis"] == "CaCO3"
    assert "basis" not in reading(analyte="kh", value="5")[0]


def test_what_was_not_detected_and_what_a_pen_tells() -> None:
    body, wrong = reading(analyte="nitrite", value="0,05", basis="N", detected="no", resolution="0,01")
    assert (body["detected"], body["value"], body["resolution"], wrong) == (False, 0.05, 0.01, {})
    assert "detected" not in reading(analyte="nitrite", value="0.05", basis="N", detected="")[0]
    assert "detected" in reading(analyte="nitrite", value="0.05", basis="N", detected="perhaps")[1]
    body, wrong = reading(kit="pen", value="210", factor="0,5")
    assert (body["analyte"], body["factor"], wrong) == ("tds", 0.5, {})
    assert "unit" not in body


def test_every_unit_can_be_chosen() -> None:
    offered = {unit for unit, _ in reading_units()}
    assert offered == {"", *(unit for units in UNITS.values() for unit in units if unit != "1")}


@pytest.mark.parametrize("what", ["waterchange", "topup"])
def test_a_volume_in_the_unit_that_was_chosen(what: str) -> None:
    assert volume(what, volume="12,5", volume_unit="L") == ({"volume_l": 12.5}, {})
    assert volume(what, volume="5", volume_unit="US gal") == ({"volume_us_gal": 5.0}, {})
    assert volume(what, volume="5") == ({"volume_l": 5.0}, {})
    assert "volume_unit" in volume(what, volume="5", volume_unit="bucket")[1]


def test_a_top_up_may_be_of_unknown_volume_and_a_water_change_may_not() -> None:
    assert volume("topup", volume_unit="US gal") == ({}, {})
    assert list(volume("waterchange", volume_unit="L")[1]) == ["volume"]


def test_the_keepers_own_unit_is_offered_first() -> None:
    assert [unit for unit, _ in volume_units(LITRES)] == ["L", "US gal"]
    assert [unit for unit, _ in volume_units(GALLONS)] == ["US gal", "L"]


@pytest.mark.parametrize("field", ["volume_l", "volume_us_gal"])
def test_a_refused_volume_is_told_beside_its_field(field: str) -> None:
    def refuse(_: dict[str, Any]) -> None:
        raise FieldError(field, "expected more than 0")

    refused = submit(FORMS["waterchange"], {"volume": "5"}, "UTC", refuse, complete_volume)
    assert refused == Refusal({"volume": "expected more than 0"}, 422)


@pytest.mark.parametrize(
    ("litres", "as_l", "as_us_gal"),
    # A US gallon is 3.785411784 L: NIST Handbook 44, appendix C.
    [
        *[(60.0, "60 L", "15.9 US gal"), (3.785411784, "3.79 L", "1 US gal"), (0.25, "0.25 L", "0.066 US gal")],
        *[(1234.0, "1234 L", "326 US gal"), (0.0, "0 L", "0 US gal"), (99.96, "100 L", "26.4 US gal")],
    ],
)
def test_a_volume_is_written_as_the_keeper_likes_it(litres: float, as_l: str, as_us_gal: str) -> None:
    assert volume_text(litres, LITRES) == as_l
    assert volume_text(litres, GALLONS) == as_us_gal


def test_a_temperature_is_written_as_the_keeper_likes_it() -> None:
    assert temperature_text(25.0, LITRES) == "25.0 °C"
    assert temperature_text(25.0, GALLONS) == "77.0 °F"


# -- what follows from the model ---------------------------------------------------------------------------------------


class Seen(requests.NoteRequest):
    """A note with fields that no form has been told of."""

    depth_cm: Annotated[float, Field(ge=0)]
    fish: int | None = None
    since: requests.Day | None = None
    until: requests.Moment | None = None


def test_a_new_field_of_a_model_is_read_by_its_type_without_another_list() -> None:
    typed = {"kind": "other", "text": "x", "depth_cm": "3,5", "fish": "2"}
    typed |= {"since": "2026-03-01", "until": "2026-03-05T16:05"}
    body, wrong = read_form(Form(Seen), typed, "Europe/Berlin")
    assert wrong == {}
    assert body == {"kind": "other", "text": "x", "depth_cm": 3.5, "fish": 2} | {
        "since": date(2026, 3, 1), "until": "2026-03-05T16:05:00+01:00",
    }  # fmt: skip


def test_a_new_field_is_required_and_bounded_as_its_model_says() -> None:
    entered: list[dict[str, Any]] = []
    typed = {"kind": "other", "text": "x", "fish": "two", "since": "spring"}
    refused = submit(Form(Seen), typed, "UTC", entered.append)
    assert isinstance(refused, Refusal)
    assert refused.wrong == {
        "depth_cm": "expected something here; found nothing",
        "fish": "expected a whole number; found 'two'",
        "since": "expected a date such as 2026-03-01; found 'spring'",
    }
    refused = submit(Form(Seen), {"kind": "party", "text": "x", "depth_cm": "-1"}, "UTC", entered.append)
    assert isinstance(refused, Refusal)
    assert sorted(refused.wrong) == ["depth_cm", "kind"]
    assert entered == []
    assert submit(Form(Seen), {"kind": "other", "text": "x", "depth_cm": "1"}, "UTC", entered.append) is None
    assert entered == [{"kind": "other", "text": "x", "depth_cm": 1.0}]


def test_fields_are_judged_together_once_each_could_be_read() -> None:
    def enter(_: dict[str, Any]) -> None:
        raise AssertionError("nothing is entered")

    typed = {"feeder": "feeder", "gross_g": "much", "tare_g": "5"}
    refused = submit(FORMS["weighin"], typed, "UTC", enter)
    assert isinstance(refused, Refusal)
    assert list(refused.wrong) == ["gross_g"]
    refused = submit(FORMS["weighin"], {**typed, "gross_g": "4"}, "UTC", enter)
    assert refused == Refusal({"gross_g": "expected at least tare_g"}, 422)


def test_what_is_not_there_and_not_asked_for_is_no_matter_of_the_form() -> None:
    def enter(_: dict[str, Any]) -> None:
        raise FieldError("tank", "there is none", 404)

    with pytest.raises(FieldError):
        submit(FORMS["hold"], {"reason": "x"}, "UTC", enter)


def test_every_kind_of_note_can_be_chosen() -> None:
    for kind in NOTE_KINDS:
        assert requests.NoteRequest.model_validate({"kind": kind, "text": "x"}).kind == kind
    with pytest.raises(ValidationError, match="'other'"):
        requests.NoteRequest.model_validate({"kind": "party", "text": "x"})
    assert len(NOTE_KINDS) == 8
