"""SenML packs against the examples of RFC 8428, section 5.1 (text seen in a stored copy)."""

import json
from typing import Any

import pytest
from pydantic import ValidationError

from tareline.mqtt.senml import Resolved, parse, resolve

SINGLE = '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'
MULTIPLE = """[
    {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
    {"n":"current","t":-5,"v":1.2},
    {"n":"current","t":-4,"v":1.3},
    {"n":"current","v":1.7}
]"""
KINDS = """[
    {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
    {"n":"label","vs":"Machine Room"},
    {"n":"open","vb":false},
    {"n":"nfv-reader","vd":"aGkgCg"}
]"""


def resolved(text: str) -> list[Resolved]:
    return resolve(parse(text.encode()))


def test_the_single_datapoint() -> None:
    (found,) = resolved(SINGLE)
    assert (found.name, found.unit, found.value) == ("urn:dev:ow:10e2073a01080063", "Cel", 23.1)
    assert (found.time_s, found.relative) == (0.0, True)  # no time means now


def test_the_multiple_datapoints_resolve_to_their_own_names_units_and_times() -> None:
    found = resolved(MULTIPLE)
    stem = "urn:dev:ow:10e2073a0108006:"
    assert [(r.name, r.unit, r.value, round(r.time_s * 1000)) for r in found] == [
        (stem + "voltage", "V", 120.1, 1_276_020_076_001),
        (stem + "current", "A", 1.2, 1_276_020_071_001),
        (stem + "current", "A", 1.3, 1_276_020_072_001),
        (stem + "current", "A", 1.7, 1_276_020_076_001),
    ]
    assert not any(r.relative for r in found)


def test_the_different_data_types() -> None:
    found = resolved(KINDS)
    assert [r.value for r in found] == [23.1, "Machine Room", False, "aGkgCg"]
    assert [r.name.rpartition(":")[2] for r in found] == ["temp", "label", "open", "nfv-reader"]


def changed(text: str, **fields: Any) -> str:
    records = json.loads(text)
    records[0].update(fields)
    return json.dumps(records)


def test_times_below_two_to_the_28_are_relative_to_now() -> None:
    assert resolved(changed(SINGLE, t=2**28 - 1))[0].relative
    assert not resolved(changed(SINGLE, t=2**28))[0].relative


def test_unknown_labels_are_ignored_unless_they_end_in_an_underscore() -> None:
    assert resolved(changed(SINGLE, colour="red")) == resolved(SINGLE)
    with pytest.raises(ValidationError, match="colour_"):
        parse(changed(SINGLE, colour_="red").encode())


def test_there_is_exactly_one_value_unless_there_is_a_sum() -> None:
    with pytest.raises(ValidationError, match="exactly one"):
        parse(changed(SINGLE, vs="23.1").encode())
    with pytest.raises(ValidationError, match="exactly one"):
        parse(b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel"}]')
    (found,) = resolved('[{"n":"urn:dev:ow:10e2073a01080063","u":"J","s":5.5}]')
    assert (found.value, found.sum) == (None, 5.5)
