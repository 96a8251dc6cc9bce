"""The API as the contract has it: collections, problems, references, corrections, days and weeks."""

import json
import socket
from typing import Any

import httpx
import pytest

from conftest import Household

PROBLEM = "application/problem+json"
JSON = {"Content-Type": "application/json"}


def problem(answer: httpx.Response, status: int) -> dict[str, Any]:
    """An answer that must be problem details (RFC 9457)."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == PROBLEM
    body: dict[str, Any] = answer.json()
    assert body["status"] == status
    assert body["title"]
    assert body["detail"]
    return body


def named(body: dict[str, Any]) -> set[str]:
    return {error.get("pointer") or error.get("parameter") for error in body["errors"]}


# -- problems ----------------------------------------------------------------------------------------------------------

TANK: dict[str, Any] = {"id": "new", "name": "new", "volume_l": 10, "timezone": "UTC"}
WRONG: dict[str, tuple[str, str, Any, str]] = {
    "missing": ("POST", "/tanks", {k: v for k, v in TANK.items() if k != "volume_l"}, "#/volume_l"),
    "of another type": ("POST", "/tanks", {**TANK, "volume_l": "large"}, "#/volume_l"),
    "out of range": ("POST", "/tanks", {**TANK, "volume_l": 0}, "#/volume_l"),
    "no zone": ("POST", "/tanks", {**TANK, "timezone": "Middle/Earth"}, "#/timezone"),
    "no identifier": ("POST", "/tanks", {**TANK, "id": "../x"}, "#/id"),
    "an unknown field": ("POST", "/tanks", {**TANK, "colour": "green"}, "#/colour"),
    "no steps ascending": (
        "POST",
        "/kits",
        {"id": "k", "name": "k", "analyte": "ph", "unit": "1", "steps": [7, 6]},
        "#/steps",
    ),
    "another id than the address": ("PUT", "/tanks/{tank}", {**TANK}, "#/id"),
    "a feeder of no tank": ("POST", "/feeders", {"id": "f", "tank": "nowhere"}, "#/tank"),
    "shares that are not one": (
        "PUT",
        "/tanks/{tank}/ration",
        {"daily_g": 1, "cap_g": 2, "meals": [{"at": "08:00", "share": 0.4}]},
        "#/meals",
    ),
    "a meal at no time": (
        "PUT",
        "/tanks/{tank}/ration",
        {"daily_g": 1, "cap_g": 2, "meals": [{"at": "25:00", "share": 1}]},
        "#/meals/0/at",
    ),
    "a cap below the ration": ("PUT", "/tanks/{tank}/ration", {"daily_g": 1, "cap_g": 0.5, "meals": []}, "#/cap_g"),
    "a line without a side": (
        "PUT",
        "/tanks/{tank}/lines",
        [{"analyte": "ammonia", "unit": "mg/L", "basis": "N", "do": "hold"}],
        "#/0/above",
    ),
    "a line of no action": (
        "PUT",
        "/tanks/{tank}/lines",
        [{"analyte": "ammonia", "above": 1, "unit": "mg/L", "basis": "N", "do": "pray"}],
        "#/0/do",
    ),
    "nitrogen without a basis": (
        "POST",
        "/tanks/{tank}/readings",
        {"analyte": "nitrate", "value": 1, "unit": "mg/L"},
        "#/basis",
    ),
    "a unit of another analyte": (
        "POST",
        "/tanks/{tank}/readings",
        {"analyte": "ph", "value": 7, "unit": "mg/L"},
        "#/unit",
    ),
    "an analyte nobody measures": (
        "POST",
        "/tanks/{tank}/readings",
        {"analyte": "gold", "value": 1, "unit": "1"},
        "#/analyte",
    ),
    "a time without an offset": (
        "POST",
        "/tanks/{tank}/notes",
        {"kind": "other", "text": "x", "at": "2025-01-01T00:00:00"},
        "#/at",
    ),
    "a time to come": (
        "POST",
        "/tanks/{tank}/notes",
        {"kind": "other", "text": "x", "at": "2099-01-01T00:00:00Z"},
        "#/at",
    ),
    "the last instant there is": (
        "POST",
        "/tanks/{tank}/notes",
        {"kind": "other", "text": "x", "at": "9999-12-31T23:59:59-14:00"},
        "#/at",
    ),
    "the first instant there is": (
        "POST",
        "/tanks/{tank}/notes",
        {"kind": "other", "text": "x", "at": "0001-01-01T00:00:00+14:00"},
        "#/at",
    ),
    "a negative hand feed": ("POST", "/tanks/{tank}/handfeeds", {"mass_g": -1}, "#/mass_g"),
    "a refill of two kinds": ("POST", "/feeders/{feeder}/refills", {"added_g": 1, "after_g": 2}, "#/added_g"),
    "a hold without a reason": ("POST", "/tanks/{tank}/hold", {}, "#/reason"),
}


@pytest.mark.parametrize("what", WRONG)
def test_a_problem_names_the_field_that_is_wrong(common: Household, what: str) -> None:
    method, path, body, pointer = WRONG[what]
    path = path.format(tank=common.tank, feeder=common.feeder)
    found = problem(common.api.request(method, path, json=body), 422)
    assert named(found) == {pointer}


QUERIES: dict[str, tuple[str, str]] = {
    "a start that is no time": ("/tanks/{tank}/ledger?start=yesterday", "start"),
    "a start before all times": ("/tanks/{tank}/ledger?start=0001-01-01T00:00:00%2B14:00", "start"),
    "an end after all times": ("/tanks/{tank}/ledger?end=9999-12-31T23:59:59-14:00", "end"),
    "an entry that is none": ("/tanks/{tank}/ledger?after=9007199254740991", "after"),
    "a date that is none": ("/tanks/{tank}/days?start=2025-02-30", "start"),
    "the last day there is": ("/tanks/{tank}/days?start=9999-12-31&end=9999-12-31", "start"),
    "a week of which the last day is the last": ("/tanks/{tank}/week?start=9999-12-31", "start"),
    "too many days": ("/tanks/{tank}/days?start=2020-01-01&end=2025-01-01", "end"),
    "an end before the start": ("/tanks/{tank}/days?start=2025-01-02&end=2025-01-01", "end"),
    "a metric of no probe": (
        "/tanks/{tank}/series?metric=luck&start=2025-01-01T00:00:00Z&end=2025-01-02T00:00:00Z",
        "metric",
    ),
}


@pytest.mark.parametrize("what", QUERIES)
def test_a_problem_names_the_parameter_that_is_wrong(common: Household, what: str) -> None:
    path, parameter = QUERIES[what]
    found = problem(common.api.get(path.format(tank=common.tank)), 422)
    assert {place.removeprefix("#/") for place in named(found)} == {parameter}


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/nothing", 404),
        ("GET", "/tanks/nowhere/water", 404),
        ("GET", "/tanks/nowhere/week", 404),
        ("GET", "/tanks/nowhere/days", 404),
        ("GET", "/tanks/nowhere/hold", 404),
        ("GET", "/tanks/nowhere/ledger", 404),
        ("GET", "/ledger/9007199254740991", 404),
        ("POST", "/ledger/9007199254740991/corrections", 404),
        ("POST", "/tanks/nowhere/hold", 404),
        ("PUT", "/tanks/nowhere", 404),
        ("PUT", "/feeders/nowhere", 404),
        ("DELETE", "/tanks", 405),
        ("PATCH", "/tanks/x/ration", 405),
        ("GET", "/ledger/0", 422),
        ("GET", "/ledger/first", 422),
    ],
)
def test_what_is_not_there_or_not_done_is_a_problem_too(common: Household, method: str, path: str, status: int) -> None:
    body: dict[str, Any] = {"reason": "x"} if "hold" in path else {"void": True}
    if method == "PUT":
        body = {"name": "x", "volume_l": 1, "timezone": "UTC"} if "tanks" in path else {"tank": None}
    answer = common.api.request(method, path, json=None if method in ("GET", "DELETE") else body)
    problem(answer, status)
    if status == 405:
        assert answer.headers["allow"]


BODIES: dict[str, bytes] = {
    "cut off": b'{"id": "x"',
    "nothing": b"",
    "no UTF-8": b'{"id": "\xff"}',
    "deeply nested": b"[" * 200_000,
    "half a character": b'{"id": "x", "name": "\\ud800", "volume_l": 1, "timezone": "UTC"}',
    "half a character as a field": b'{"\\ud800": 1}',
    "not a number": b'{"id": "x", "name": "x", "volume_l": NaN, "timezone": "UTC"}',
    "a number with 5000 digits": b'{"id": "x", "name": "x", "volume_l": 1' + b"0" * 5000 + b', "timezone": "UTC"}',
    "a list": b"[]",
    "a word": b'"tank"',
}


@pytest.mark.parametrize("what", BODIES)
def test_a_body_that_is_rubbish_is_a_problem(common: Household, what: str) -> None:
    for path in ("/tanks", f"/tanks/{common.tank}/ration", "/ledger/1/corrections"):
        method = "PUT" if path.endswith("ration") else "POST"
        answer = common.api.request(method, path, content=BODIES[what], headers=JSON)
        assert 400 <= answer.status_code < 500
        found = problem(answer, answer.status_code)
        assert not found["detail"].startswith("1:")  # a place in a text is no field


def test_a_huge_body_is_refused_before_it_is_read(common: Household) -> None:
    problem(common.api.post("/tanks", content=b" " * (2 * 1024 * 1024), headers=JSON), 413)
    # Announced and never sent: the answer comes without waiting for it.
    with socket.create_connection(("127.0.0.1", common.service.port), timeout=20) as connection:
        connection.sendall(
            b"POST /api/v1/tanks HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
            b"Content-Length: 99999999999\r\n\r\n"
        )
        assert b" 413 " in connection.recv(4096)


def test_a_body_in_pieces_cannot_be_endless(common: Household) -> None:
    answer = common.api.post("/tanks", content=iter([b" " * 1024 * 1024] * 3), headers=JSON)
    problem(answer, 411 if answer.status_code == 411 else 413)


def test_an_error_says_nothing_of_how_the_service_is_built(common: Household) -> None:
    for path in ("/tanks/nowhere/week", "/nothing", f"/tanks/{common.tank}/days?start=x"):
        text = common.api.get(path).text
        for secret in ("Traceback", "sqlalchemy", "pydantic", str(common.service.folder)):
            assert secret not in text


# -- things and entries ------------------------------------------------------------------------------------------------


def test_collections_are_lists_of_what_there_is(common: Household) -> None:
    water, kit, probe = f"water-{common.number}", f"kit-{common.number}", f"probe-{common.number}"
    common.post("/waters", id=water, name="rain", tds_mg_per_l=12.0)
    common.post("/kits", id=kit, name="drops", analyte="nitrate", unit="mg/L", basis="ion", steps=[0, 5, 10])
    common.post("/probes", id=probe, tank=common.tank)
    for path, ref in {
        "tanks": common.tank,
        "foods": common.food,
        "waters": water,
        "kits": kit,
        "feeders": common.feeder,
        "probes": probe,
    }.items():
        listed = common.get(f"/{path}")
        assert [one["id"] for one in listed].count(ref) == 1
    tank = next(t for t in common.get("/tanks") if t["id"] == common.tank)
    assert (tank["stage"], tank["nitrate_ceiling_mg_per_l"]) == ("stocked", 40.0)


def test_creating_what_exists_is_a_conflict_that_names_the_id(common: Household) -> None:
    body = {"id": common.tank, "name": "x", "volume_l": 1, "timezone": "UTC"}
    assert named(problem(common.api.post("/tanks", json=body), 409)) == {"#/id"}


def test_a_put_answers_201_with_what_holds_now(common: Household) -> None:
    body = {"name": "reading room, north", "volume_l": 54, "timezone": "Europe/Berlin"}
    answer = common.api.put(f"/tanks/{common.tank}", json=body)
    assert answer.status_code == 201
    assert answer.json()["volume_l"] == 54
    assert common.get(f"/tanks/{common.tank}")["timezone"] == "Europe/Berlin"


def test_the_same_reference_twice_is_one_entry(common: Household) -> None:
    body = {"mass_g": 0.3, "client_ref": f"phone-{common.number}", "by": "a child"}
    first = common.api.post(f"/tanks/{common.tank}/handfeeds", json=body)
    second = common.api.post(f"/tanks/{common.tank}/handfeeds", json=body)
    assert (first.status_code, first.json()) == (second.status_code, second.json())
    assert len(common.ledger("handfeed")) == 1
    assert first.json()["by"] == "a child"


def test_a_correction_leaves_the_old_entry_readable(common: Household) -> None:
    made = common.reading("nitrate", 25, basis="ion")
    corrected = common.post(f"/ledger/{made['entry']}/corrections", value=15, note="misread")
    assert common.get(f"/ledger/{made['entry']}")["value"] == 25
    assert common.get(f"/ledger/{made['entry']}")["corrected_by"] == [corrected["entry"]]
    assert common.get(f"/tanks/{common.tank}/water")["latest"]["nitrate"]["value"] == 15
    common.post(f"/ledger/{made['entry']}/corrections", void=True)
    assert "nitrate" not in common.get(f"/tanks/{common.tank}/water")["latest"]
    assert [e["void"] for e in common.ledger("reading")] == [False, False, True]


def test_every_kind_of_entry_is_in_the_ledger_in_order_and_page_by_page(common: Household) -> None:
    at = "2025-03-{:02}T08:00:00+01:00".format
    tank, feeder = f"/tanks/{common.tank}", f"/feeders/{common.feeder}"
    entries: list[tuple[str, str, dict[str, Any]]] = [
        ("reading", f"{tank}/readings", {"analyte": "ph", "value": 7.2, "unit": "1"}),
        ("refill", f"{feeder}/refills", {"before_g": 10, "after_g": 60}),
        ("weighin", f"{feeder}/weighins", {"mass_g": 59.5, "sd_g": 0.1}),
        ("handfeed", f"{tank}/handfeeds", {"mass_g": 0.2}),
        ("water-change", f"{tank}/water-changes", {"volume_l": 12}),
        ("top-up", f"{tank}/top-ups", {"volume_l": None}),
        ("note", f"{tank}/notes", {"kind": "stocking", "text": "six small ones", "count": 6}),
    ]
    for day, (_, path, body) in reversed(list(enumerate(entries, 1))):  # typed in backwards
        common.post(path, at=at(day), **body)
    listed = [e for e in common.ledger() if e["at"] < "2025-04"]
    assert [e["kind"] for e in listed] == [kind for kind, _, _ in entries]
    assert listed[-1]["note_kind"] == "stocking"
    some = common.get(f"{tank}/ledger", start=at(3), end=at(5))
    assert [e["kind"] for e in some] == ["weighin", "handfeed"]
    after = common.get(f"{tank}/ledger", start=at(1), end=at(8), after=listed[4]["entry"])
    assert [e["kind"] for e in after] == ["top-up", "note"]


def test_days_and_week_say_the_same(common: Household) -> None:
    device = common.device()
    sent = [device.dose(target_g=0.3, before_g=50.0, after_g=49.7, sd_g=0.03) for _ in range(2)]
    device.wait_received()
    common.post(f"/tanks/{common.tank}/handfeeds", mass_g=0.1, sd_g=0.05)
    day = common.get(f"/tanks/{common.tank}/days")[0]
    assert day["budget_g"] == 1.0
    assert day["dispensed_g"] == pytest.approx(0.6)
    assert day["dispensed_sd_g"] == pytest.approx(0.03 * 2**0.5)  # in quadrature, GUM 5.1.2
    assert day["handfed_g"] == 0.1
    assert day["remaining_g"] == pytest.approx(0.3)
    assert [d["seq"] for d in day["doses"]] == [s["seq"] for s in sent]
    week = common.get(f"/tanks/{common.tank}/week")
    assert len(week["days"]) == 7
    assert next(d for d in week["days"] if d["date"] == day["date"]) == day
    assert week["totals"]["dispensed_g"] == pytest.approx(0.6)
    assert week["totals"]["provisional"] is True
    assert week["findings"] == []
    assert common.get(f"/tanks/{common.tank}/week", start=day["date"]) == week


def test_lines_are_a_list_both_ways(common: Household) -> None:
    default = common.get(f"/tanks/{common.tank}/lines")
    assert [(line["analyte"], line["above"], line["do"]) for line in default[:5]] == [
        ("ammonia", 0.5, "notify"),
        ("ammonia", 1.0, "reduce"),
        ("ammonia", 2.0, "hold"),
        ("free_ammonia", 0.02, "notify"),
        ("free_ammonia", 0.05, "hold"),
    ]
    assert {line["do"] for line in default[5:]} == {"notify"}
    answer = common.api.put(f"/tanks/{common.tank}/lines", json=default)
    assert answer.json() == default
    problem(common.api.put(f"/tanks/{common.tank}/lines", json=default[:2]), 409)
    with_confirm = common.api.put(f"/tanks/{common.tank}/lines", json=default[:2], params={"confirm": True})
    assert with_confirm.json() == default[:2]


def test_health_and_metrics(common: Household) -> None:
    health = httpx.get(f"{common.url}/healthz").json()
    assert health["status"] == "ok"
    assert health["broker"]["connected"] is True
    assert (health["store"]["synchronous"], health["store"]["journal_mode"]) == ("full", "wal")
    metrics = httpx.get(f"{common.url}/metrics")
    assert metrics.headers["content-type"].startswith("application/openmetrics-text")
    assert metrics.text.rstrip().endswith("# EOF")


def test_health_says_when_the_broker_is_away(household: Household) -> None:
    household.broker.kill()
    household.until(lambda: not httpx.get(f"{household.url}/healthz").json()["broker"]["connected"])
    household.broker.start()
    household.until(lambda: httpx.get(f"{household.url}/healthz").json()["broker"]["connected"], 60)


def test_the_description_names_every_call_of_the_contract(common: Household) -> None:
    described = httpx.get(f"{common.url}/openapi.json").json()
    assert described["openapi"].startswith("3.1")
    calls = {(method.upper(), path) for path, item in described["paths"].items() for method in item}
    for method, path in [
        ("POST", "/tanks"), ("PUT", "/tanks/{}"), ("POST", "/foods"), ("POST", "/waters"), ("POST", "/kits"),
        ("POST", "/feeders"), ("PUT", "/feeders/{}"), ("POST", "/probes"), ("PUT", "/probes/{}"),
        ("PUT", "/tanks/{}/ration"), ("PUT", "/tanks/{}/lines"), ("POST", "/tanks/{}/readings"),
        ("POST", "/feeders/{}/refills"), ("POST", "/feeders/{}/weighins"), ("POST", "/tanks/{}/handfeeds"),
        ("POST", "/tanks/{}/water-changes"), ("POST", "/tanks/{}/top-ups"), ("POST", "/tanks/{}/notes"),
        ("POST", "/ledger/{}/corrections"), ("GET", "/tanks/{}/ledger"), ("GET", "/tanks/{}/water"),
        ("GET", "/tanks/{}/days"), ("GET", "/tanks/{}/week"), ("GET", "/tanks/{}/hold"), ("POST", "/tanks/{}/hold"),
        ("POST", "/tanks/{}/release"), ("GET", "/tanks/{}/series"), ("GET", "/rejects"), ("GET", "/events"),
    ]:  # fmt: skip
        shapes = {(m, "/".join("{}" if part.startswith("{") else part for part in p.split("/"))) for m, p in calls}
        assert (method, f"/api/v1{path}") in shapes
    for item in described["paths"].values():
        for call in item.values():
            for status, answer in call["responses"].items():
                if status.startswith("4"):
                    assert list(answer["content"]) == [PROBLEM], json.dumps(answer)
