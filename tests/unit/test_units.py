"""Units and bases: what states a value without doubt, and conversions that lose nothing."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.core.units import ANALYTES, CANONICAL, bases, check_stated, from_canonical, to_canonical
from tareline.errors import FieldError

NITROGEN = {
    "ammonia": ("N", "ion", "NH3"),
    "free_ammonia": ("N", "NH3"),  # un-ionised ammonia is no ion
    "nitrite": ("N", "ion"),
    "nitrate": ("N", "ion"),
}
STATED = [(analyte, basis) for analyte in ANALYTES for basis in (bases(analyte) or (None,))]


def test_the_analytes_are_the_contracts() -> None:
    assert ANALYTES == ("ammonia", "free_ammonia", "nitrite", "nitrate", "ph", "tds", "temperature", "kh")
    assert {analyte: CANONICAL[analyte].unit for analyte in ANALYTES} == {
        **dict.fromkeys((*NITROGEN, "tds"), "mg/L"),
        "ph": "1",
        "temperature": "degC",
        "kh": "dKH",
    }
    assert {analyte: bases(analyte) for analyte in ANALYTES if bases(analyte)} == NITROGEN


@pytest.mark.parametrize(("analyte", "basis"), STATED)
@given(value=st.floats(0, 1e6))
def test_there_and_back_is_the_same_value(analyte: str, basis: str | None, value: float) -> None:
    unit = CANONICAL[analyte].unit
    assert from_canonical(analyte, to_canonical(analyte, value, unit, basis), basis) == pytest.approx(value)


@pytest.mark.parametrize(("analyte", "basis"), STATED)
def test_as_nitrogen_a_value_is_the_smallest_and_without_a_basis_it_is_itself(analyte: str, basis: str | None) -> None:
    value = to_canonical(analyte, 7.0, CANONICAL[analyte].unit, basis)
    assert value == 7.0 if basis in ("N", None) else value < 7.0


@pytest.mark.parametrize(
    ("analyte", "unit", "basis", "field"),
    [
        ("phosphate", "mg/L", None, "analyte"),
        ("ammonia", "g/L", "N", "unit"),
        ("ammonia", "mg/L", None, "basis"),  # the chart does not say: then the value is in doubt by a third
        ("nitrate", "mg/L", "NH3", "basis"),
        ("free_ammonia", "mg/L", "ion", "basis"),
        ("nitrite", "mg/L", "n", "basis"),
        ("ph", "1", "N", "basis"),
        ("ph", "", None, "unit"),
        ("kh", "mg/L", None, "basis"),
        ("temperature", "K", None, "unit"),
    ],
)
def test_a_value_in_doubt_is_refused_by_the_field_that_leaves_it_so(
    analyte: str, unit: str, basis: str | None, field: str
) -> None:
    for call in (lambda: check_stated(analyte, unit, basis), lambda: to_canonical(analyte, 1.0, unit, basis)):
        with pytest.raises(FieldError, match=r"expected .*found") as caught:
            call()
        assert (caught.value.field, caught.value.status) == (field, 422)


def test_an_error_reads_as_a_sentence_that_begins_with_its_field() -> None:
    assert str(FieldError("unit", "expected grams")) == "unit: expected grams"
    assert str(FieldError("", "expected a body", 409)) == "expected a body"
