"""Numbers, times and durations as pages read and write them. Sources are named beside the checks."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.errors import FieldError
from tareline.web.writing import FILTERS, decimals_for, read_local_time, read_number, read_whole


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(4, "1 min"), (89, "1 min"), (1500, "25 min"), (3569, "59 min"), (3571, "1 h 00 min"), (5400, "1 h 30 min"),
     (90000, "25 h 00 min")],
)  # fmt: skip
def test_a_duration_below_an_hour_is_in_minutes_and_never_none(seconds: float, text: str) -> None:
    assert FILTERS["duration"](seconds) == text


@pytest.mark.parametrize(
    ("ranges", "text"),
    [([[5, 7]], "doses 5 to 7"), ([[5, 5]], "dose 5"), ([[2, 3], [9, 9]], "doses 2 to 3, 9"), ([[1, 1], [3, 3]],
     "doses 1, 3")],
)  # fmt: skip
def test_ranges_of_doses_are_written_with_both_ends(ranges: list[list[int]], text: str) -> None:
    assert FILTERS["doses"](ranges) == text


def test_a_standard_deviation_keeps_two_significant_digits() -> None:
    # JCGM 100:2008, 7.2.2 and 7.2.6, from memory: a mass of 100.021 47 g with a standard uncertainty of 0.35 mg.
    assert f"{100.02147:.{decimals_for(0.00035)}f}" == "100.02147"
    assert [decimals_for(sd) for sd in (0.0996, 0.02, 1.4, 14.0, 250.0)] == [2, 3, 1, 0, 0]
    assert [decimals_for(sd) for sd in (None, 0.0)] == [2, 2]


@given(st.decimals(-9999, 9999, places=2), st.booleans())
def test_what_is_typed_is_read_with_point_or_comma(number: object, comma: bool) -> None:
    text = str(number)
    assert read_number("value", text.replace(".", ",") if comma else text) == float(text)


@pytest.mark.parametrize("text", ["1,000", "-12,500", "1,000.5", "1e5", "0x1", "nan", "inf", "1 000", "٣", "", "1_0"])
def test_a_number_in_doubt_is_refused(text: str) -> None:
    with pytest.raises(FieldError):
        read_number("value", text)


def test_a_decimal_comma_before_three_digits_is_clear_after_a_zero() -> None:
    assert read_number("value", "0,250") == 0.25


@pytest.mark.parametrize("text", ["-1", "1.0", "", "²", "1" * 10])
def test_a_count_is_whole(text: str) -> None:
    with pytest.raises(FieldError):
        read_whole("count", text)


def test_a_time_is_the_tanks_own_and_has_to_exist() -> None:
    # Europe/Berlin 2025: 02:30 on 30 March does not exist, on 26 October it happens twice: IANA time zone database.
    assert read_local_time("at", "2025-07-01T08:00", "Europe/Berlin") == "2025-07-01T08:00:00+02:00"
    assert read_local_time("at", "2025-10-26T02:30", "Europe/Berlin") == "2025-10-26T02:30:00+02:00"
    with pytest.raises(FieldError, match="skipped 02:30"):
        read_local_time("at", "2025-03-30T02:30", "Europe/Berlin")
