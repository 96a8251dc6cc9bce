"""What goes wrong is told to people as a page with a plain sentence, to programs as problem details (RFC 9457)."""

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import httpx
import pytest
from house import FEEDER, TANK, House
from visitor import Visitor

from tareline.store.engine import StoreError

LOST = [
    ("/nothing", 404, "There is no page at this address."),
    ("/tanks/none", 404, "'none'"),
    (f"/tanks/{TANK}?start=soon", 422, "Expected a date such as 2026-03-01; found 'soon'."),
    (f"/tanks/{TANK}?start=0001-01-01", 422, "Expected a year from"),
    (f"/tanks/{TANK}/doses/4711", 404, "There is no entry 4711."),
    (f"/tanks/{TANK}/doses/one", 422, "'one'"),
    (f"/tanks/{TANK}/doses/{2**63}", 422, str(2**63)),
    ("/tanks/none/enter", 404, "'none'"),
    ("/tanks/none/water", 404, "'none'"),
    ("/tanks/none/load", 404, "'none'"),
    ("/tanks/none/load?asked=1", 404, "'none'"),
    ("/tanks/none/absence", 404, "'none'"),
    (f"/tanks/{TANK}/absence/sheet", 404, "No absence is planned that a sheet could be for."),
    ("/tanks/none/absence/sheet", 404, "'none'"),
    (f"/tanks/{TANK}/ramp/record", 404, "No ramp has been set"),
    ("/feeders/none/report", 404, "'none'"),
    (f"/feeders/{FEEDER}/report?start=x", 422, "Expected a date such as 2026-03-01; found 'x'."),
    (f"/feeders/{FEEDER}/report.csv?start=2025-06-02&end=2025-06-01", 422, "Expected a date from 2025-06-02 on"),
]
POSTED = [
    ("/tanks/none/enter/note", 404, "'none'"),
    (f"/tanks/{TANK}/enter/hold", 404, "'hold'"),
    (f"/tanks/{TANK}/enter/nothing", 404, "'nothing'"),
    ("/tanks/none/hold", 404, "'none'"),
    ("/tanks/none/release", 404, "'none'"),
    ("/tanks/none/findings/x", 404, "'none'"),
    ("/tanks/none/absence", 404, "'none'"),
    ("/tanks/none/ramp", 404, "'none'"),
    ("/tanks/none/ramp/decision", 404, "'none'"),
    ("/alerts/4711/seen", 404, "There is no alert 4711."),
    ("/alerts/0/seen", 422, "'0'"),
]


@pytest.fixture(scope="module")
def quiet_house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """One house for all tests: whatever they ask for is refused."""
    made = House.furnished(tmp_path_factory.mktemp("quiet"))
    yield made
    assert not made.hold().held
    made.close()


@pytest.fixture(scope="module")
def visitor(quiet_house: House) -> Visitor:
    return Visitor(quiet_house)


def sentence(answer: httpx.Response, status: int) -> str:
    """What a page about a problem says, and that it is a page as any other."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["cache-control"] == "no-store"
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert '<nav aria-label="Pages">' in answer.text
    (found,) = re.findall(r"<h1>That did not work</h1>\n<p>(.+)</p>", answer.text)
    told = unescape(found)
    assert told[0] == told[0].upper()
    assert told.endswith(".")
    return told


@pytest.mark.parametrize(("path", "status", "says"), LOST, ids=[path for path, _, _ in LOST])
def test_a_page_that_cannot_be_shown_says_why_in_a_sentence(
    visitor: Visitor, path: str, status: int, says: str
) -> None:
    assert says in sentence(visitor.get(path), status)


@pytest.mark.parametrize(("path", "status", "says"), POSTED, ids=[path for path, _, _ in POSTED])
def test_a_form_for_what_is_not_there_says_so_in_a_sentence(
    visitor: Visitor, path: str, status: int, says: str
) -> None:
    assert says in sentence(visitor.post(path, data={"by": "Ada"}), status)


def test_the_title_says_what_kind_of_problem_it_is(visitor: Visitor) -> None:
    assert "<title>Not found · Tareline</title>" in visitor.get("/tanks/none").text
    assert "<title>Not understood · Tareline</title>" in visitor.get(f"/tanks/{TANK}?start=soon").text


def test_a_page_tells_by_which_methods_it_is_called(visitor: Visitor) -> None:
    answer = visitor.send("DELETE", f"/tanks/{TANK}/absence")
    assert "Nothing can be done at this address in this way." in sentence(answer, 405)
    assert answer.headers["allow"] == "GET, POST"


def test_what_is_typed_into_an_address_is_no_markup(visitor: Visitor) -> None:
    answer = visitor.get("/tanks/%3Cscript%3Ealert(1)")
    assert "<script>" in sentence(answer, 404)
    assert "<script>alert" not in answer.text


@pytest.mark.parametrize("path", ["/api/v1/nothing", "/api/v1/tanks/none", f"/api/v1/tanks/{TANK}/week?start=soon"])
def test_programs_get_problem_details(visitor: Visitor, path: str) -> None:
    answer = visitor.get(path)
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == answer.status_code in (404, 422)


@pytest.mark.parametrize(
    ("error", "status", "says"),
    [
        (StoreError("the store takes no more entries"), 503, "The store takes no more entries."),
        (RuntimeError("a secret of the house"), 500, "An error of the service; its log tells more."),
    ],
    ids=["store", "any"],
)
def test_an_error_of_the_service_is_a_page_too_and_problem_details_under_api(
    quiet_house: House, visitor: Visitor, monkeypatch: pytest.MonkeyPatch, error: Exception, status: int, says: str
) -> None:
    def fail(*_: Any) -> Any:
        raise error

    monkeypatch.setattr(quiet_house.service.books, "week", fail)
    page, call = visitor.get(f"/tanks/{TANK}"), visitor.get(f"/api/v1/tanks/{TANK}/week")
    assert sentence(page, status) == says
    assert (call.status_code, call.json()["status"]) == (status, status)
    assert "a secret" not in page.text + call.text


@pytest.mark.parametrize(
    ("headers", "status", "says"),
    [
        ({"Origin": "http://elsewhere.example"}, 403, "A page of another site may not change anything here."),
        ({"Transfer-Encoding": "chunked"}, 411, "Expected a Content-Length"),
        ({"Content-Length": str(2**40)}, 413, "Expected a body of at most"),
    ],
    ids=["another site", "no length", "too large"],
)
def test_who_may_not_post_is_told_on_a_page(visitor: Visitor, headers: dict[str, str], status: int, says: str) -> None:
    assert says in sentence(visitor.post(f"/tanks/{TANK}/hold", data={"reason": "x"}, headers=headers), status)


def test_a_form_sent_after_the_token_has_gone_asks_to_sign_in(tmp_path: Path) -> None:
    house = House.furnished(tmp_path, http={"token": "a-token-for-tests"})
    visitor = Visitor(house)
    answer = visitor.post(f"/tanks/{TANK}/hold", data={"reason": "the water is cloudy"})
    assert "You are not signed in, so nothing was done" in sentence(answer, 401)
    assert answer.headers["www-authenticate"] == "Bearer"
    told = visitor.post(f"/api/v1/tanks/{TANK}/hold", json={"reason": "the water is cloudy"})
    assert told.headers["content-type"] == "application/problem+json"
    assert not house.hold().held
    house.close()
