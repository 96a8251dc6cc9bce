"""What people and programs enter: what is accepted, and how a slip is named."""

from typing import Any
from zoneinfo import available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from tareline.app import requests
from tareline.app.requests import parse
from tareline.errors import FieldError

TANK: dict[str, Any] = {"id": "shelf", "name": "Shelf tank", "volume_l": 54, "timezone": "Europe/Berlin"}
FOOD: dict[str, Any] = {"id": "flakes", "name": "Flakes", "protein_percent": 45}
KIT: dict[str, Any] = {
    "id": "drops",
    "name": "Drop kit",
    "analyte": "ammonia",
    "unit": "mg/L",
    "basis": "N",
    "steps": [0, 0.25, 0.5],
}
READING: dict[str, Any] = {"analyte": "ammonia", "value": 0.5, "unit": "mg/L", "basis": "N"}
GOOD: list[tuple[type, dict[str, Any]]] = [
    (requests.TankRequest, TANK),
    (requests.FoodRequest, FOOD),
    (requests.WaterRequest, {"id": "tap", "name": "Tap"}),
    (requests.KitRequest, KIT),
    (requests.FeederRequest, {"id": "front", "tank": "shelf", "food": "flakes"}),
    (requests.FeederRequest, {"id": "front", "tank": None}),
    (requests.ProbeRequest, {"id": "probe", "tank": "shelf"}),
    (requests.RationRequest, {"daily_g": 0.5, "cap_g": 1, "meals": [{"at": "08:00", "share": 1}]}),
    (
        requests.LinesRequest,
        {"lines": [{"analyte": "ammonia", "above": 2, "unit": "mg/L", "basis": "N", "do": "hold"}]},
    ),
    (requests.ReadingRequest, READING),
    (requests.ReadingRequest, {"analyte": "nitrate", "value": 10, "kit": "drops"}),
    (requests.RefillRequest, {"added_g": 20}),
    (requests.RefillRequest, {"before_g": 3, "after_g": 23, "food": "flakes"}),
    (requests.WeighInRequest, {"mass_g": 23.5, "sd_g": 0.1}),
    (requests.HandFeedRequest, {"mass_g": 0.2, "by": "Mara", "client_ref": "r1"}),
    (requests.WaterChangeRequest, {"volume_l": 20, "water": "tap"}),
    (requests.TopUpRequest, {"volume_l": None}),
    (requests.NoteRequest, {"kind": "stocking", "text": "six small ones", "count": 6, "mass_g": 1.5}),
    (requests.TankRequest, {**TANK, "planted_area_cm2": 900, "light_h_per_day": 0}),
    (requests.TankRequest, {**TANK, "planted_area_cm2": None, "light_h_per_day": 24}),
    (requests.NoteRequest, {"kind": "harvest", "text": "stems cut back", "share": 0}),
    (requests.NoteRequest, {"kind": "harvest", "text": "all of it", "share": 1}),
    (requests.HoldRequest, {"reason": "medication"}),
    (requests.ReleaseRequest, {"note": "over"}),
    (requests.CorrectionRequest, {"void": True}),
    (requests.CorrectionRequest, {"mass_g": 0.3, "note": "a slip"}),
]


def refused(model: type, body: dict[str, Any]) -> tuple[str, str]:
    with pytest.raises(FieldError) as caught:
        parse(model, body)
    assert caught.value.status == 422
    assert caught.value.message
    return caught.value.field, caught.value.message


@pytest.mark.parametrize(("model", "body"), GOOD)
def test_what_is_accepted(model: type, body: dict[str, Any]) -> None:
    found: BaseModel = parse(model, body)
    assert found.model_dump(exclude_unset=True) == body
    assert parse(model, found) is found


@pytest.mark.parametrize(("model", "body"), [good for good in GOOD if good[0] is not requests.CorrectionRequest])
def test_a_slip_in_a_fields_name_is_refused_by_that_name(model: type, body: dict[str, Any]) -> None:
    assert refused(model, {**body, "mas_g": 1}) == ("mas_g", "not a field of this entry")


def test_a_correction_carries_the_entrys_own_fields() -> None:
    found = parse(requests.CorrectionRequest, {"mass_g": 0.3, "at": "2026-05-04T08:00:00Z"})
    assert found.model_extra == {"mass_g": 0.3, "at": "2026-05-04T08:00:00Z"}


@pytest.mark.parametrize(
    ("model", "missing"),
    [(requests.TankRequest, name) for name in TANK]
    + [(requests.KitRequest, name) for name in KIT if name != "basis"]
    + [(requests.ReadingRequest, name) for name in ("analyte", "value")],
)
def test_what_must_be_there(model: type[BaseModel], missing: str) -> None:
    bodies: dict[type[BaseModel], dict[str, Any]] = {
        requests.TankRequest: TANK,
        requests.KitRequest: KIT,
        requests.ReadingRequest: READING,
    }
    whole = bodies[model]
    field, message = refused(model, {k: v for k, v in whole.items() if k != missing})
    expected = {
        "volume_l": "expected, or volume_us_gal, and not there",
        "steps": "expected the steps of a scale, or an instrument's resolution",
    }
    assert (field, message) == (missing, expected.get(missing, "expected, and not there"))


def test_a_feeder_says_its_tank_also_where_it_has_none() -> None:
    """Null retires it: a forgotten field must not."""
    assert refused(requests.FeederRequest, {"id": "front"})[0] == "tank"


def test_a_tanks_defaults_are_the_contracts() -> None:
    found = parse(requests.TankRequest, TANK)
    assert (found.stage, found.nitrate_ceiling_mg_per_l) == ("stocked", 40.0)


@pytest.mark.parametrize("stage", ["no animals", "stocked", "empty"])
def test_every_stage(stage: str) -> None:
    assert parse(requests.TankRequest, {**TANK, "stage": stage}).stage == stage


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("id", ""),
        ("id", "Shelf"),
        ("id", "-shelf"),
        ("id", "shelf/1"),
        ("id", "shelf\n"),
        ("id", "a" * 33),
        ("id", 5),
        ("name", ""),
        ("name", "n" * 201),
        ("volume_l", 0),
        ("volume_l", -5),
        ("volume_l", float("inf")),
        ("volume_l", float("nan")),
        ("volume_l", "large"),
        ("timezone", "Berlin"),
        ("timezone", "europe/berlin"),
        ("timezone", "../../etc/passwd"),
        ("timezone", ""),
        ("stage", "cycling"),
        ("nitrate_ceiling_mg_per_l", 0),
        ("at", "yesterday"),
        ("at", "2026-05-04T08:00:00"),  # whose 08:00?
        ("by", ""),
    ],
)
def test_a_tank_that_cannot_be(field: str, value: Any) -> None:
    name, message = refused(requests.TankRequest, {**TANK, field: value})
    assert name == field
    assert f"found {repr(value)[:80]}" in message


@given(st.from_regex(r"\A[a-z0-9][a-z0-9_-]{0,31}\Z"))
def test_every_plain_name_is_an_id(name: str) -> None:
    assert parse(requests.FoodRequest, {**FOOD, "id": name}).id == name


@given(st.text(max_size=40).filter(lambda s: not set(s) <= set("abcdefghijklmnopqrstuvwxyz0123456789_-") or not s))
def test_no_other_name_is_an_id(name: str) -> None:
    """It becomes part of MQTT topics and addresses: no slash, wildcard, space or letter that has two spellings."""
    assert refused(requests.FoodRequest, {**FOOD, "id": name})[0] == "id"


@given(st.sampled_from(sorted(available_timezones())))
def test_every_zone_of_the_database(zone: str) -> None:
    assert parse(requests.TankRequest, {**TANK, "timezone": zone}).timezone == zone


@pytest.mark.parametrize("steps", [[0], [], [0, 0], [1, 0.5], [0, float("nan")], [0, float("inf")], ["a", "b"]])
def test_a_kits_scale_ascends(steps: list[Any]) -> None:
    assert refused(requests.KitRequest, {**KIT, "steps": steps})[0].partition(".")[0] == "steps"


def test_an_analyte_is_one_of_the_contracts() -> None:
    name, message = refused(requests.ReadingRequest, {**READING, "analyte": "phosphate"})
    assert name == "analyte"
    assert "free_ammonia" in message


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "added_g"),
        ({"added_g": 5, "before_g": 1, "after_g": 6}, "added_g"),
        ({"added_g": 5, "after_g": 6}, "added_g"),
        ({"before_g": 1}, "added_g"),
        ({"after_g": 6}, "added_g"),
        ({"before_g": 6, "after_g": 5}, "after_g"),
        ({"added_g": -1}, "added_g"),
    ],
)
def test_a_refill_is_said_in_one_way(body: dict[str, Any], field: str) -> None:
    assert refused(requests.RefillRequest, body)[0] == field


def test_a_refill_of_nothing_is_one() -> None:
    assert parse(requests.RefillRequest, {"before_g": 5, "after_g": 5}).after_g == 5
    assert parse(requests.RefillRequest, {"added_g": 0}).added_g == 0


@pytest.mark.parametrize(
    ("model", "body", "field"),
    [
        (requests.HandFeedRequest, {"mass_g": 0}, "mass_g"),
        (requests.HandFeedRequest, {"mass_g": 1001}, "mass_g"),
        (requests.HandFeedRequest, {"mass_g": 1, "sd_g": -1}, "sd_g"),
        (requests.WaterChangeRequest, {"volume_l": None}, "volume_l"),
        (requests.TopUpRequest, {"volume_l": 0}, "volume_l"),
        (requests.NoteRequest, {"kind": "party", "text": ""}, "kind"),
        (requests.NoteRequest, {"kind": "other", "text": "t" * 4001}, "text"),
        (requests.NoteRequest, {"kind": "other", "text": "", "count": -1}, "count"),
        (requests.NoteRequest, {"kind": "harvest", "text": "", "share": 1.01}, "share"),
        (requests.NoteRequest, {"kind": "harvest", "text": "", "share": -0.1}, "share"),
        (requests.NoteRequest, {"kind": "plants", "text": "", "share": 0.1}, "share"),
        (requests.TankRequest, {**TANK, "planted_area_cm2": 0}, "planted_area_cm2"),
        (requests.TankRequest, {**TANK, "light_h_per_day": -1}, "light_h_per_day"),
        (requests.TankRequest, {**TANK, "light_h_per_day": 24.1}, "light_h_per_day"),
        (requests.FoodRequest, {"id": "f", "name": "F", "protein_percent": 101}, "protein_percent"),
        (requests.RationRequest, {"daily_g": 1, "cap_g": 1, "meals": [{"at": "08:00"}]}, "meals.0.share"),
        (
            requests.RationRequest,
            {"daily_g": 1, "cap_g": 1, "meals": [{"at": "08:00", "share": 1, "x": 1}]},
            "meals.0.x",
        ),
        (requests.LinesRequest, {"lines": [{"analyte": "ph", "unit": "1", "do": "shout"}]}, "lines.0.do"),
        (requests.ReleaseRequest, {}, "note"),
        (requests.HoldRequest, {"reason": ""}, "reason"),
    ],
)
def test_what_cannot_be_is_named(model: type, body: dict[str, Any], field: str) -> None:
    assert refused(model, body)[0] == field


def test_a_share_is_refused_for_what_is_no_harvest() -> None:
    field, message = refused(requests.NoteRequest, {"kind": "filter", "text": "rinsed", "share": 0.2})
    assert (field, message) == ("share", "expected only for a harvest; found with a note of kind filter")


def test_a_long_value_is_shortened() -> None:
    assert len(refused(requests.HoldRequest, {"reason": "r" * 5000})[1]) < 300


@given(
    st.sampled_from([model for model, _ in GOOD]),
    st.dictionaries(
        st.sampled_from(["id", "at", "mass_g", "steps", "meals", "lines", "void", "tank", "value", "?"]),
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.lists(st.integers()),
        max_size=6,
    ),
)
def test_whatever_is_sent_is_taken_or_refused_with_a_sentence(model: type, body: dict[str, Any]) -> None:
    caught = None
    try:
        parse(model, body)
    except FieldError as error:
        caught = error
    assert caught is None or caught.message
