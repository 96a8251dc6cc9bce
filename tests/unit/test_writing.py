"""Numbers, times and durations as pages read and write them. Sources are named beside the checks."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.app.answers.days import DoseAnswer, FindingAnswer, MendAnswer
from tareline.app.answers.entries import EntryAnswer
from tareline.errors import FieldError
from tareline.web.text.words import (
    FILTERS,
    decimals_for,
    differing,
    mend_text,
    read_local_time,
    read_number,
    read_whole,
)


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


def an_entry(kind: str, at: str, **own: float | None) -> EntryAnswer:
    common = {"tank": None, "feeder": "feeder", "by": None, "corrects": None, "void": False}
    return EntryAnswer.model_validate({"entry": 1, "kind": kind, "at": at, "recorded_at": at, **common, **own})


WEIGHIN = an_entry("weighin", "2026-03-03T09:00:00+01:00", mass_g=452.0)
REFILL = an_entry("refill", "2026-03-04T09:00:00+01:00", added_g=None, before_g=10.0, after_g=30.0)


@pytest.mark.parametrize(
    ("mend", "text"),
    [({"kind": "refill", "mass_g": 12.296, "sd_g": 0.03}, "Enter a refill of 12.296 g at Tue 3 Mar 14:20"),
     ({"kind": "loss", "mass_g": 4.0, "sd_g": 1.2}, "Enter a loss of 4.0 g at Tue 3 Mar 14:20"),
     ({"kind": "handling"}, "Note that the hopper was handled at Tue 3 Mar 14:20"),
     ({"kind": "correction", "corrects": 1, "mass_g": 45.2},
      "Correct the weigh-in of Tue 3 Mar 09:00 from 452 g to 45.2 g"),
     ({"kind": "correction", "corrects": 2, "mass_g": 2.0}, "Correct the refill of Wed 4 Mar 09:00 from 20 g to 2 g"),
     ({"kind": "void", "corrects": 2}, "Cancel the refill of Wed 4 Mar 09:00, 20 g")],
)  # fmt: skip
def test_the_entry_that_mends_the_books_is_written_as_one_instruction(mend: dict[str, object], text: str) -> None:
    usual = {"at": "2026-03-03T14:20:00+01:00", "corrects": None, "mass_g": None, "sd_g": None}
    assert mend_text(MendAnswer.model_validate({**usual, **mend}), {1: WEIGHIN, 2: REFILL}) == text


@pytest.mark.parametrize(
    ("kind", "size", "text"),
    [("content", -6.04, "6.04 g ± 0.12 g less in the hopper than the entries explain"),
     ("weigh-in", 6.04, "6.04 g ± 0.12 g more than according to the doses and the cell"),
     ("zero", 6.04, "the cell shows 6.04 g ± 0.12 g more than before"),
     ("gain", -0.31, "a step gives 31 % less than before, ± 12 %"),
     ("stuck cell", 0.0, "the cell shows the same value before and after each dose; what these gave is estimated from "
                         "their motor steps")],
)  # fmt: skip
def test_the_size_of_a_finding_is_in_grams_unless_it_is_a_gain(kind: str, size: float, text: str) -> None:
    at = "2026-03-03T09:00:00+01:00"
    where = {"id": "feeder.x", "feeder": "feeder", "from": at, "to": at, "after": None, "before": None}
    told = {"deviations": 6.0, "likely": [], "mend": None}
    found = FindingAnswer.model_validate({**where, **told, "kind": kind, "mass_g": size, "sd_g": 0.12})
    assert FILTERS["size"](found) == text


def test_an_interval_never_reaches_below_nothing() -> None:
    # Coverage factor 2 for a level of about 95 % (JCGM 100:2008, 6.3.3).
    assert FILTERS["reach"](0.5, 0.02) == "0.460 to 0.540"
    assert FILTERS["reach"](0.01, 0.02) == "0.000 to 0.050"
    assert FILTERS["reach"](0.5, None) == ""


def test_an_estimate_stands_beside_a_weighing_only_where_its_digits_differ() -> None:
    unknown = dict.fromkeys(DoseAnswer.model_fields)
    common = {"entry": 1, "at": "2026-03-03T09:00:00+01:00", "feeder": "feeder", "outcome": "ok", "count": 1}
    weighed = DoseAnswer.model_validate(
        {**unknown, **common, **{"mass_g": 0.501, "sd_g": 0.008, "estimate_sd_g": 0.002}}
    )
    assert not differing(weighed.model_copy(update={"estimate_g": 0.50096}))
    assert differing(weighed.model_copy(update={"estimate_g": 0.503}))
    assert not differing(weighed.model_copy(update={"estimate_g": None}))
    assert differing(weighed.model_copy(update={"mass_g": None, "sd_g": None, "estimate_g": 0.503}))


@pytest.mark.parametrize(
    ("share", "text"), [(1.0, "100 %"), (0.99994, "over 99 %"), (0.63, "63 %"), (0.002, "under 1 %")]
)
def test_a_share_is_not_rounded_to_certainty(share: float, text: str) -> None:
    assert FILTERS["percent"](share) == text
