"""The HTTP API against the standards it names: problem details (RFC 9457), JSON pointers (RFC 6901), HTTP (RFC 9110),
OpenMetrics 1.0; and whatever may be sent about things that are there."""

import json
import re
import socket
from collections.abc import Iterator
from typing import Any

import httpx
import hypothesis
import pytest
import schemathesis
from described import every_operation
from hypothesis import HealthCheck, settings
from hypothesis.errors import Unsatisfiable
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from conftest import FULL, Household

JSON = {"Content-Type": "application/json"}
TANK = {"id": "t", "name": "t", "volume_l": 60, "timezone": "UTC"}


def problem(answer: httpx.Response, status: int) -> dict[str, Any]:
    """The members that RFC 9457, section 3.1, defines, and `errors` as in the example of its section 3."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = answer.json()
    assert (body["type"], body["status"]) == ("about:blank", status)
    assert all(isinstance(body[member], str) and body[member] for member in ("title", "detail"))
    assert set(body) <= {"type", "title", "status", "detail", "errors"}
    for error in body.get("errors", []):
        assert error["detail"]
        # RFC 6901, section 6: a JSON pointer as a URI fragment
        assert re.fullmatch(r"#(/[^/]*)*", error.get("pointer", "#"))
    return body


def places(body: dict[str, Any]) -> set[str]:
    return {error.get("pointer") or error.get("parameter") for error in body["errors"]}


# -- bodies, addresses, queries ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "at"),
    [
        ({"volume_l": -1, "timezone": "Moon/Sea"}, {"#/volume_l", "#/timezone"}),
        ({"at": 1_700_000_000}, {"#/at"}),  # seconds or milliseconds?
        ({"at": "1700000000"}, {"#/at"}),
        ({"at": "2025-06-01"}, {"#/at"}),
        ({"at": "1600-01-01T08:00:00Z"}, {"#/at"}),
        ({"volume_l": "sixty"}, {"#/volume_l"}),
        ({"volume_l": True, "colour": None}, {"#/colour"}),
        ({"volume_l": 1e308}, {"#/volume_l"}),
    ],
)
def test_everything_that_is_wrong_is_pointed_at(bare: Household, change: dict[str, Any], at: set[str]) -> None:
    assert places(problem(bare.api.post("/tanks", json={**TANK, **change}), 422)) == at


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999", "9" * 400, '"NaN"', '"1e400"', "1e308"])
@pytest.mark.parametrize("field", ["mass_g", "sd_g"])
def test_numbers_that_are_none_are_refused_by_name(common: Household, number: str, field: str) -> None:
    rest = {"mass_g": "1"} if field == "sd_g" else {}
    text = ",".join(f'"{key}": {value}' for key, value in {**rest, field: number}.items())
    answer = common.api.post(f"/tanks/{common.tank}/handfeeds", content=f"{{{text}}}", headers=JSON)
    assert places(problem(answer, 422)) == {f"#/{field}"}
    assert common.ledger("handfeed") == []


@pytest.mark.parametrize(
    "path",
    ["/tanks/%00", "/tanks/%F0%9F%90%9F/hold", f"/tanks/{'x' * 4000}/week", "/tanks/a%2Fb/week", "/tanks//week",
     f"/ledger/{2**63 - 1}"],
)  # fmt: skip
def test_what_cannot_be_there_is_404(bare: Household, path: str) -> None:
    problem(bare.api.get(path), 404)


@pytest.mark.parametrize("number", ["0", "-1", "one", "1.5", "9" * 30, str(2**63), "NaN"])
def test_a_number_of_an_entry_that_cannot_be_is_422(bare: Household, number: str) -> None:
    problem(bare.api.get(f"/ledger/{number}"), 422)
    problem(bare.api.post(f"/ledger/{number}/corrections", json={"void": True}), 422)


SERIES = "series?metric=temperature&start=2025-01-01T00:00:00Z&end=2025-01-0"


@pytest.mark.parametrize(
    ("query", "named"),
    [
        ("ledger?after=0", "after"), (f"ledger?after={2**63}", "after"), ("ledger?start=1700000000", "start"),
        ("week?start=0", "start"), ("week?start=20250101", "start"), ("series", "metric"),
        (f"{SERIES}1T00:00:00Z", "end"), (f"{SERIES}2T00:00:00Z&points=0", "points"),
        (f"{SERIES}2T00:00:00Z&points={10**30}", "points"),
    ],
)  # fmt: skip
def test_wrong_queries_are_named(common: Household, query: str, named: str) -> None:
    assert problem(common.api.get(f"/tanks/{common.tank}/{query}"), 422)["detail"].startswith(named)


@pytest.mark.parametrize(
    ("day", "status"),
    [("0001-01-01", 422), ("9999-12-31", 422), ("1969-12-31", 422), ("3000-01-01", 422), ("1970-01-01", 200),
     ("2100-02-28", 200), ("2999-12-31", 200)],
)  # fmt: skip
def test_days_far_away_are_answered_or_refused(bare: Household, day: str, status: int) -> None:
    bare.add_tank(bare.tank, timezone="Pacific/Kiritimati")
    for call in (f"week?start={day}", f"days?start={day}&end={day}"):
        answer = bare.api.get(f"/tanks/{bare.tank}/{call}")
        assert answer.status_code == status, answer.text
        assert status == 200 or problem(answer, 422)["detail"].startswith("start")


# -- HTTP --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "path", "allowed"),
    [("DELETE", "/tanks/x", "GET, PUT"), ("PATCH", "/tanks", "GET, POST"), ("POST", "/rejects", "GET"),
     ("GET", "/tanks/x/notes", "POST")],
)  # fmt: skip
def test_405_lists_every_method_of_the_address(bare: Household, method: str, path: str, allowed: str) -> None:
    """RFC 9110, section 15.5.6."""
    answer = bare.api.request(method, path)
    problem(answer, 405)
    assert answer.headers["allow"] == allowed


def test_a_body_of_unknown_length_is_411(bare: Household) -> None:
    with socket.create_connection(("127.0.0.1", bare.service.port), timeout=20) as connection:
        head = (
            f"POST /api/v1/tanks HTTP/1.1\r\nHost: 127.0.0.1:{bare.service.port}\r\nConnection: close\r\n"
            "Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n"
        )
        connection.sendall(head.encode() + b"2\r\n{}\r\n0\r\n\r\n")
        answer = b""
        while part := connection.recv(65536):
            answer += part
    assert answer.startswith(b"HTTP/1.1 411 ")
    assert b"application/problem+json" in answer


def test_a_body_of_another_type_is_422(bare: Household) -> None:
    problem(bare.api.post("/tanks", data={"id": "t"}), 422)
    problem(bare.api.post("/tanks", content=b"<tank/>", headers={"Content-Type": "application/xml"}), 422)


def test_every_call_describes_its_problems(bare: Household) -> None:
    described = httpx.get(f"{bare.url}/openapi.json", timeout=20).json()
    for calls in described["paths"].values():
        for call in calls.values():
            assert list(call["responses"]["default"]["content"]) == ["application/problem+json"]
            assert "422" not in call["responses"]


# -- metrics and events ------------------------------------------------------------------------------------------------


def test_metrics_are_openmetrics(common: Household) -> None:
    device = common.device()
    device.dose()
    device.wait_received()
    answer = httpx.get(f"{common.url}/metrics", timeout=20)
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    assert answer.text.endswith("\n# EOF\n")
    families = {family.name: family for family in text_string_to_metric_families(answer.text)}
    for family in families.values():
        assert family.name.startswith("tareline_")
        if family.type == "counter":
            assert {sample.name for sample in family.samples} <= {f"{family.name}_total", f"{family.name}_created"}
    (doses,) = [
        s for s in families["tareline_messages"].samples if s.labels == {"what": "dose"} and s.name.endswith("_total")
    ]
    assert doses.value >= 1


def test_changes_arrive_as_server_sent_events(common: Household) -> None:
    with httpx.stream("GET", f"{common.url}/api/v1/events", timeout=30) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        told = (json.loads(line.removeprefix("data:")) for line in stream.iter_lines() if line.startswith("data:"))
        assert next(told) == {"tank": None, "what": "open"}
        common.post(f"/tanks/{common.tank}/handfeeds", mass_g=0.2)
        assert {"tank": common.tank, "what": "handfeed"} in told
        common.api.post(f"/tanks/{common.tank}/hold", json={"reason": "medication"})
        assert {"tank": common.tank, "what": "hold"} in told


# -- anything at all ---------------------------------------------------------------------------------------------------

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]


@pytest.fixture(scope="module")
def described(common_servers: Any) -> Iterator[tuple[Household, list[Any]]]:
    """A household, and every call that OpenAPI describes but the stream of events, which has no end."""
    house = Household(*common_servers).furnish()
    schema = schemathesis.openapi.from_url(f"{house.url}/openapi.json")
    yield house, every_operation(schema.exclude(path="/api/v1/events"))
    house.close()


@pytest.mark.parametrize("mode", list(GenerationMode))
def test_whatever_is_sent_about_things_that_are_there_is_answered_as_described(
    described: tuple[Household, list[Any]], mode: GenerationMode
) -> None:
    """With ids in the address that exist, so that bodies and queries are looked at in earnest."""
    house, calls = described
    before = len(house.service.log)
    house.reading("nitrate", 10.0, basis="ion")
    ids: dict[str, Any] = {"tank": house.tank, "ref": house.tank, "feeder": house.feeder, "device": house.feeder}
    ids["entry"] = house.ledger()[-1]["entry"]
    ids |= {"finding": f"{house.feeder}.content.1.2", "alert": 1}
    checked = 0
    for call in calls:
        known = {parameter.name: ids[parameter.name] for parameter in call.path_parameters}
        if not known:
            continue

        @hypothesis.given(case=call.as_strategy(generation_mode=mode, path_parameters=known))
        @settings(max_examples=200 if FULL else 10, suppress_health_check=list(HealthCheck), database=None)
        def check(case: Any) -> None:
            case.call_and_validate(checks=CHECKS)

        try:
            check()
            checked += 1
        except Unsatisfiable:  # there is nothing in this call that could be wrong
            assert mode is GenerationMode.NEGATIVE
    assert checked >= 15
    assert house.service.healthy()
    assert "Traceback" not in house.service.log[before:]
