"""Times as people and programs state them, against RFC 3339 section 5.8.

The epoch milliseconds of the first two examples are DERIVED; that 16:39:57-08:00 is 00:39:57Z of the next date stands
in the RFC (from memory).
"""

import pytest

from tareline.app.requests import NoteRequest, parse
from tareline.core.calendar import rfc3339, to_ms
from tareline.errors import FieldError


def at_ms(text: str) -> int:
    at = parse(NoteRequest, {"kind": "other", "text": "", "at": text}).at
    assert at is not None
    return to_ms(at)


@pytest.mark.parametrize(
    ("text", "expected_ms"),
    [
        ("1985-04-12T23:20:50.52Z", 482_196_050_520),
        ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
        ("1996-12-19T16:39:57-08:00", 851_042_397_000),
    ],
)
def test_the_examples(text: str, expected_ms: int) -> None:
    assert at_ms(text) == expected_ms


def test_one_instant_in_two_offsets() -> None:
    assert at_ms("1996-12-19T16:39:57-08:00") == at_ms("1996-12-20T00:39:57Z")


def test_t_and_z_may_be_written_small() -> None:
    assert at_ms("1985-04-12t23:20:50.52z") == 482_196_050_520  # section 5.6


def test_a_leap_second_is_legal_there_and_refused_here_by_name_since_unix_time_has_none() -> None:
    with pytest.raises(FieldError) as caught:
        at_ms("1990-12-31T23:59:60Z")
    assert caught.value.field == "at"


@pytest.mark.parametrize(
    "text", ["1985-04-12T23:20:50.52", "1985-04-12", "1985-13-12T23:20:50Z", "1985-04-12T25:00:00Z"]
)
def test_a_time_without_an_offset_or_out_of_range_is_refused(text: str) -> None:
    with pytest.raises(FieldError) as caught:
        at_ms(text)
    assert caught.value.field == "at"


@pytest.mark.parametrize("zone", ["UTC", "Europe/Berlin", "Asia/Kathmandu", "America/St_Johns"])
def test_what_we_state_is_read_as_the_same_instant(zone: str) -> None:
    text = rfc3339(482_196_050_520, zone)
    assert at_ms(text) == 482_196_050_520
    assert text[-1] == "Z" or text[-6] in "+-"
