"""What devices send: what is understood, and how what is not is explained."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from tareline.mqtt.messages import (
    FIRST_MS,
    LAST_MS,
    Applied,
    DoseMessage,
    Fault,
    Hello,
    Identity,
    Reply,
    Status,
    Weight,
    explain,
    received,
    resend,
    time_answer,
)

DOSE: dict[str, Any] = {
    "journal": "j1",
    "seq": 7,
    "boot": "b1",
    "at_ms": 1_780_000_000_000,
    "uptime_ms": 1000,
    "meal": "2026-05-04/08:00",
    "cause": "plan",
    "target_g": 0.5,
    "steps": 50,
    "before_g": 12.5,
    "after_g": 12.0,
    "sd_g": 0.02,
    "temperature_c": 22.5,
    "outcome": "ok",
}
HELLO: dict[str, Any] = {
    "boot": "b1",
    "uptime_ms": 1000,
    "board": "board-1",
    "journal": "j1",
    "kind": "feeder",
    "firmware": "0.1.0",
    "clock": "set",
    "journal_from": 1,
    "journal_to": 7,
    "gain_g_per_step": 0.01,
    "calibration": {"at": 3},
    "heap_free_bytes": 41_000,
    "heap_largest_bytes": 4_096,
}


def read(model: type[BaseModel], message: Any) -> Any:
    return model.model_validate_json(message if isinstance(message, bytes) else json.dumps(message))


def why(model: type[BaseModel], message: Any) -> str:
    with pytest.raises(ValidationError) as caught:
        read(model, message)
    return explain(caught.value)


def test_a_dose_is_read_as_it_was_sent() -> None:
    assert read(DoseMessage, DOSE).model_dump() == DOSE


@pytest.mark.parametrize("missing", ["at_ms", "meal", "temperature_c"])
def test_what_may_be_null_may_be_absent(missing: str) -> None:
    assert getattr(read(DoseMessage, {k: v for k, v in DOSE.items() if k != missing}), missing) is None
    assert getattr(read(DoseMessage, {**DOSE, missing: None}), missing) is None


@pytest.mark.parametrize("missing", ["journal", "seq", "boot", "uptime_ms", "cause", "target_g", "steps", "outcome"])
def test_what_a_dose_must_say(missing: str) -> None:
    assert why(DoseMessage, {k: v for k, v in DOSE.items() if k != missing}) == f"{missing}: Field required"
    assert why(DoseMessage, {**DOSE, missing: None}).startswith(f"{missing}: ")


def test_a_dose_without_weight_is_one_and_half_a_weight_is_none() -> None:
    bare = {**DOSE, "before_g": None, "after_g": None, "sd_g": None}
    assert read(DoseMessage, bare).before_g is None
    for field in ("before_g", "after_g", "sd_g"):
        assert why(DoseMessage, {**DOSE, field: None}) == (
            "before_g, after_g and sd_g: expected all three or none of them"
        )


def test_unknown_fields_are_ignored() -> None:
    assert read(DoseMessage, {**DOSE, "colour": "red"}) == read(DoseMessage, DOSE)
    assert read(Status, {"online": True, "since": 3}).online is True


@pytest.mark.parametrize("cause", ["plan", "fallback", "command", "button"])
def test_every_cause_of_the_contract(cause: str) -> None:
    assert read(DoseMessage, {**DOSE, "cause": cause}).cause == cause


@pytest.mark.parametrize("outcome", ["ok", "short", "over", "jam", "empty", "capped", "held", "missed", "interrupted"])
def test_every_outcome_of_the_contract(outcome: str) -> None:
    assert read(DoseMessage, {**DOSE, "outcome": outcome}).outcome == outcome


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("seq", 0),
        ("seq", -1),
        ("seq", 1.5),
        ("seq", "7"),
        ("seq", True),
        ("seq", 2**53),
        ("at_ms", FIRST_MS - 1),
        ("at_ms", LAST_MS),
        ("at_ms", 7_000_000_000_000),  # 2191
        ("at_ms", 1_780_000_000),  # seconds
        ("at_ms", "2026-05-04T08:00:00Z"),
        ("uptime_ms", -1),
        ("target_g", -0.1),
        ("target_g", 1e308),
        ("target_g", "0.5"),
        ("steps", -1),
        ("steps", 2**31),
        ("before_g", -1e6),
        ("before_g", 1e6),
        ("sd_g", -0.01),
        ("temperature_c", 126.0),
        ("temperature_c", -61.0),
        ("outcome", "fine"),
        ("outcome", "unknown"),  # a word of the books and not of the wire
        ("cause", "whim"),
        ("journal", ""),
        ("journal", "j" * 65),
        ("meal", 8),
    ],
)
def test_absurd_values_are_refused_by_the_fields_name_with_what_was_found(field: str, value: Any) -> None:
    text = why(DoseMessage, {**DOSE, field: value})
    assert text.startswith(f"{field}: ")
    assert repr(str(value)[:80]) in text


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_none_are_refused(number: str) -> None:
    payload = json.dumps(DOSE).replace("0.5,", f"{number},", 1).encode()
    assert number.encode() in payload
    assert "target_g" in why(DoseMessage, payload)


@pytest.mark.parametrize("at_ms", [FIRST_MS, LAST_MS - 1])
def test_the_first_and_the_last_instant_a_device_may_tell(at_ms: int) -> None:
    assert read(DoseMessage, {**DOSE, "at_ms": at_ms}).at_ms == at_ms


@pytest.mark.parametrize("mass_g", [-0.3, -120.0])
def test_a_cell_may_show_less_than_nothing(mass_g: float) -> None:
    """An empty hopper, whose zero has wandered; and none, where the cell was tared with one."""
    assert read(Weight, {"boot": "b", "uptime_ms": 0, "mass_g": mass_g, "sd_g": 0.02}).mass_g == mass_g
    assert read(DoseMessage, {**DOSE, "before_g": mass_g, "after_g": mass_g}).before_g == mass_g


@pytest.mark.parametrize(
    "payload",
    [b"", b"{", b"null", b"[]", b'"dose"', b"\xff\xfe{}", b'{"seq":"\xc3\x28"}', b"[" * 50_000, b'{"a":' * 50_000],
)
def test_rubbish_is_refused_in_one_short_line(payload: bytes) -> None:
    text = why(DoseMessage, payload)
    assert text
    assert "\n" not in text
    assert len(text) < 300


@given(
    st.binary(max_size=200)
    | st.recursive(st.none() | st.booleans() | st.floats() | st.text(), st.lists).map(
        lambda value: json.dumps(value).encode()
    )
)
def test_nothing_that_comes_over_the_wire_raises_anything_else(payload: bytes) -> None:
    for model in (Status, Hello, Applied, DoseMessage, Weight, Fault, Reply, Identity):
        text = "understood"
        try:
            model.model_validate_json(payload)
        except ValidationError as error:
            text = explain(error)
        assert text


@given(
    st.fixed_dictionaries(
        {},
        optional={
            name: st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=70) | st.just(value)
            for name, value in DOSE.items()
        },
    )
)
def test_what_is_understood_of_a_damaged_dose_lies_within_its_bounds(damaged: dict[str, Any]) -> None:
    try:
        found = read(DoseMessage, {**DOSE, **damaged})
    except (ValidationError, ValueError):
        return
    assert found.seq >= 1
    assert 0 <= found.target_g <= 10_000
    assert found.at_ms is None or FIRST_MS <= found.at_ms < LAST_MS
    assert (found.before_g is None) == (found.after_g is None) == (found.sd_g is None)
    assert read(DoseMessage, found.model_dump()) == found


def test_a_long_value_is_shortened_in_the_explanation() -> None:
    assert len(why(DoseMessage, {**DOSE, "outcome": "x" * 60_000})) < 300


def test_the_number_of_a_dose_can_be_read_of_one_that_was_not_understood() -> None:
    damaged = {**DOSE, "outcome": "exploded", "target_g": -3}
    assert read(Identity, damaged) == Identity(journal="j1", seq=7)
    assert read(Identity, {"seq": 7}).journal is None
    for seq in (0, "7", None, 1.5):
        assert why(Identity, {**damaged, "seq": seq}).startswith("seq: ")


def test_a_hello_of_a_feeder_and_of_a_probe() -> None:
    assert read(Hello, HELLO).model_dump() == HELLO
    probe = {k: HELLO[k] for k in ("boot", "uptime_ms", "board", "firmware")} | {"kind": "probe", "clock": "unset"}
    assert read(Hello, probe).journal is None
    assert read(Hello, probe).heap_free_bytes is None
    wrong: list[tuple[str, Any]] = [("kind", "kettle"), ("clock", "wrong"), ("gain_g_per_step", 0.0)]
    wrong += [("journal_to", -1), ("heap_free_bytes", -1), ("heap_free_bytes", 2**32), ("heap_largest_bytes", 0.5)]
    for field, value in wrong:
        assert why(Hello, {**HELLO, field: value}).startswith(f"{field}: ")
    assert read(Hello, {**HELLO, "journal_from": 0, "journal_to": 0}).journal_to == 0  # an empty journal


def test_the_other_messages() -> None:
    assert read(Applied, {"boot": "b", "plan_version": 0, "hold_version": 1_780_000_000_000}).plan_version == 0
    assert why(Applied, {"boot": "b", "plan_version": -1, "hold_version": 0}).startswith("plan_version: ")
    assert read(Fault, {"boot": "b", "at_ms": None, "uptime_ms": 5, "code": "cell_dead"}).detail is None
    assert read(Reply, {"id": "c1", "ok": False, "detail": "expired", "result": [1]}).result == [1]
    assert why(Reply, {"id": "c1", "ok": "yes"}).startswith("ok: ")
    assert why(Status, {"online": 1}).startswith("online: ")


def test_what_goes_down() -> None:
    assert received("j1", 7) == {"journal": "j1", "seq": 7}
    assert time_answer(5, read(Hello, HELLO)) == {"now_ms": 5, "boot": "b1", "uptime_ms": 1000}
    assert resend("c1", 3, 5) == {
        "id": "c1",
        "expires_at_ms": None,
        "do": "resend",
        "args": {"from": 3, "to": 5},
    }
