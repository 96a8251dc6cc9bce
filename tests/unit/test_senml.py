"""Probes' packs beyond the standard's own examples: what is refused, and what base fields do."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tareline.mqtt.messages import explain
from tareline.mqtt.senml import RECORDS, RELATIVE_BELOW_S, Resolved, extra, is_number, parse, resolve


def pack(*records: dict[str, Any]) -> list[Resolved]:
    return resolve(parse(json.dumps(records).encode()))


def why(payload: Any) -> str:
    with pytest.raises(ValidationError) as caught:
        parse(payload if isinstance(payload, bytes) else json.dumps(payload).encode())
    return explain(caught.value)


def test_a_probes_pack() -> None:
    found = pack(
        {"bn": "shelf-probe:", "bt": 1_780_000_000, "n": "temperature", "u": "Cel", "v": 24.5},
        {"n": "conductivity", "u": "S/m", "v": 0.0412, "t": -60},
        {"n": "voltage", "u": "V", "v": 3},
    )
    assert [(r.name, r.unit, r.value, r.time_s, r.relative) for r in found] == [
        ("shelf-probe:temperature", "Cel", 24.5, 1_780_000_000, False),
        ("shelf-probe:conductivity", "S/m", 0.0412, 1_779_999_940, False),
        ("shelf-probe:voltage", "V", 3.0, 1_780_000_000, False),
    ]


def test_base_fields_hold_until_they_are_given_again() -> None:
    found = pack(
        {"bn": "a:", "bu": "Cel", "bt": 1_780_000_000, "n": "x", "v": 1},
        {"n": "y", "v": 2},
        {"bn": "b:", "bu": "V", "bt": 1_780_000_100, "n": "x", "v": 3},
        {"n": "y", "u": "Cel", "v": 4, "t": 5},
        {"v": 5},
    )
    assert [(r.name, r.unit, r.time_s) for r in found] == [
        ("a:x", "Cel", 1_780_000_000),
        ("a:y", "Cel", 1_780_000_000),
        ("b:x", "V", 1_780_000_100),
        ("b:y", "Cel", 1_780_000_105),
        ("b:", "V", 1_780_000_100),
    ]


def test_base_value_and_base_sum_are_added() -> None:
    found = pack({"bv": 20.0, "bs": 100.0, "n": "x", "v": 1.5, "s": 3.0}, {"n": "x", "v": -1}, {"n": "x", "s": 4})
    assert [(r.value, r.sum) for r in found] == [(21.5, 103.0), (19.0, None), (20.0, 104.0)]


def test_a_record_of_base_fields_alone_says_nothing_yet() -> None:
    assert [r.name for r in pack({"bn": "a:", "bt": 1_780_000_000}, {"n": "x", "v": 1})] == ["a:x"]


@given(st.floats(-1e9, 4e9))
def test_times_below_two_to_the_28_are_relative_to_now(time_s: float) -> None:
    (found,) = pack({"n": "x", "v": 1, "t": time_s})
    assert found.relative is (time_s < RELATIVE_BELOW_S)
    assert RELATIVE_BELOW_S == 268_435_456


def test_relative_times_add_up_before_they_are_judged() -> None:
    (found,) = pack({"bt": 268_435_400, "n": "x", "v": 1, "t": 56})
    assert (found.relative, found.time_s) == (False, 268_435_456)


@pytest.mark.parametrize(
    "record",
    [
        {"n": "x"},
        {"u": "Cel"},
        {"bn": "a:", "t": -5},
        {"n": "x", "v": 1, "vs": "one"},
        {"n": "x", "v": 1, "vb": True},
        {"n": "x", "vd": "aGk", "vs": "hi"},
    ],
)
def test_a_record_has_exactly_one_value_or_a_sum(record: dict[str, Any]) -> None:
    assert "exactly one of v, vs, vb, vd, or a sum s" in why([record])


def test_a_label_that_must_be_understood_is_an_error_and_others_are_ignored() -> None:
    assert "mustKnow_" in why([{"n": "x", "v": 1, "mustKnow_": 1}])
    assert pack({"n": "x", "v": 1, "colour": "red", "_x": 2})[0].value == 1


@pytest.mark.parametrize("record", [{"n": "x", "v": "1"}, {"n": 1, "v": 1}, {"n": "x", "v": True}, {"n": "x", "vb": 1}])
def test_a_value_of_another_type_is_refused(record: dict[str, Any]) -> None:
    assert why([record]).startswith("0.")


@pytest.mark.parametrize("payload", [b"", b"{}", b"[]", b"[1]", b"\xff", b"[" * 50_000, b'[{"n":"x","v":NaN}]'])
def test_what_is_no_pack_is_refused(payload: bytes) -> None:
    assert why(payload)


def test_a_pack_has_an_end_and_a_known_version() -> None:
    assert why([{"n": "x", "v": 1}] * (RECORDS + 1))
    assert "bver" in why([{"bver": 11, "n": "x", "v": 1}])
    assert "bver" in why([{"bver": 0, "n": "x", "v": 1}])
    assert pack({"bver": 10, "n": "x", "v": 1})[0].value == 1


def test_fields_of_our_own_stand_in_the_first_record() -> None:
    records = parse(b'[{"n":"x","v":1,"boot":"b1","uptime_ms":5},{"n":"y","v":1,"boot":"b2"}]')
    assert (extra(records, "boot"), extra(records, "uptime_ms"), extra(records, "colour")) == ("b1", 5, None)


@pytest.mark.parametrize(("value", "number"), [(1, True), (1.5, True), (True, False), ("1", False), (None, False)])
def test_what_is_a_number(value: Any, number: bool) -> None:
    assert is_number(value) is number
    assert not is_number(float("nan"))


@given(st.binary(max_size=100) | st.text().map(str.encode))
def test_nothing_else_is_raised(payload: bytes) -> None:
    text = "understood"
    try:
        resolve(parse(payload))
    except ValidationError as error:
        text = explain(error)
    assert text
