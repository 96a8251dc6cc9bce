"""Who may call: a token where one is set, loopback without, and no page of another site (contract: HTTP)."""

import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from servers import Broker, Service

from conftest import Household

TOKEN = "a-token-for-tests"


@pytest.fixture(scope="module")
def guarded(common_servers: tuple[Broker, Service], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """A service with a token, listening everywhere, under a root of its own."""
    broker, _ = common_servers
    made = Service(tmp_path_factory.mktemp("guarded"), broker.url, broker={"root": "guarded"})
    made.environment = {"TARELINE_HTTP__TOKEN": TOKEN, "TARELINE_HTTP__LISTEN": f"0.0.0.0:{made.port}"}
    made.start()
    yield made
    made.close()


def call(service: Service, method: str, path: str, **other: Any) -> httpx.Response:
    return httpx.request(method, f"{service.url}{path}", timeout=20, **other)


@pytest.mark.parametrize("listen", ["0.0.0.0", "[::]", "192.0.2.1", "example.org"])
def test_without_a_token_it_refuses_to_listen_elsewhere(tmp_path: Path, listen: str) -> None:
    service = Service(tmp_path, "mqtt://127.0.0.1:1", http={"listen": f"{listen}:{8620}"})
    service.spawn()
    try:
        assert service.ended() != 0
    finally:
        service.close()
    assert len(service.log.strip().splitlines()) == 1
    assert "loopback" in service.log


def test_with_a_token_it_listens_where_it_is_told(guarded: Service) -> None:
    address = socket.gethostbyname(socket.gethostname())
    answer = httpx.get(f"http://{address}:{guarded.port}/api/v1/tanks", headers={"Authorization": f"Bearer {TOKEN}"})
    assert answer.status_code == 200


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/api/v1/tanks"),
        ("POST", "/api/v1/tanks"),
        ("GET", "/metrics"),
        ("GET", "/openapi.json"),
        ("POST", "/x"),
    ],
)
@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Authorization": "Bearer wrong"},
        {"Authorization": f"Basic {TOKEN}"},
        {"Authorization": f"Bearer {TOKEN}x"},
        {"Authorization": "Bearer"},
        {"Cookie": "tareline_token=wrong"},
    ],
    ids=str,
)
def test_without_the_token_nothing_is_told(guarded: Service, method: str, path: str, headers: dict[str, str]) -> None:
    answer = call(guarded, method, path, headers=headers)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == "Bearer"
    told_as = "text/html; charset=utf-8" if path == "/x" else "application/problem+json"
    assert answer.headers["content-type"] == told_as


def test_with_the_token_as_bearer(guarded: Service) -> None:
    assert call(guarded, "GET", "/api/v1/tanks", headers={"Authorization": f"Bearer {TOKEN}"}).json() == []
    assert call(guarded, "GET", "/metrics", headers={"Authorization": f"bearer {TOKEN}"}).status_code == 200


def test_health_is_open_and_tells_no_secret(guarded: Service) -> None:
    answer = call(guarded, "GET", "/healthz")
    assert answer.status_code == 200
    assert TOKEN not in answer.text


def test_pages_lead_to_the_login_which_sets_a_cookie_for_this_site_only(guarded: Service) -> None:
    first = call(guarded, "GET", "/", follow_redirects=False)
    assert (first.status_code, first.headers["location"]) == (303, "/login")
    assert call(guarded, "POST", "/login", data={"token": "wrong"}).headers.get("set-cookie") is None
    entered = call(guarded, "POST", "/login", data={"token": TOKEN}, follow_redirects=False)
    cookie = entered.headers["set-cookie"]
    assert "httponly" in cookie.lower()
    assert "samesite=strict" in cookie.lower()
    named = {"Cookie": cookie.partition(";")[0]}
    assert call(guarded, "GET", "/", headers=named).status_code == 200
    assert call(guarded, "GET", "/api/v1/tanks", headers=named).status_code == 200


FOREIGN: list[dict[str, str]] = [
    {"Origin": "http://elsewhere.example"},
    {"Origin": "null"},
    {"Origin": "http://127.0.0.1:1"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
]


@pytest.mark.parametrize("headers", FOREIGN, ids=str)
def test_a_page_of_another_site_changes_nothing(common: Household, guarded: Service, headers: dict[str, str]) -> None:
    body = {"kind": "other", "text": "from elsewhere"}
    answer = common.api.post(f"/tanks/{common.tank}/notes", json=body, headers=headers)
    assert answer.status_code == 403
    assert common.ledger("note") == []
    token = {"Authorization": f"Bearer {TOKEN}"}
    assert call(guarded, "POST", "/api/v1/tanks", json={}, headers={**headers, **token}).status_code == 403


def test_our_own_page_may_post(common: Household) -> None:
    body = {"kind": "other", "text": "from here"}
    headers = {"Origin": common.url, "Sec-Fetch-Site": "same-origin"}
    assert common.api.post(f"/tanks/{common.tank}/notes", json=body, headers=headers).status_code == 201


@pytest.mark.parametrize("host", ["elsewhere.example", "elsewhere.example:80", "192.0.2.7", "", "localhost.example"])
def test_without_a_token_only_loopback_names_are_served(common: Household, host: str) -> None:
    """A name of somebody else's that is pointed at this address must not open it to that somebody's pages."""
    answer = common.api.get("/tanks", headers={"Host": host})
    assert answer.status_code in (400, 403)
    assert common.tank not in answer.text


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "[::1]", "localhost:8620"])
def test_loopback_names_are_served(common: Household, host: str) -> None:
    assert common.api.get("/tanks", headers={"Host": host}).status_code == 200


def test_every_answer_keeps_to_itself(common: Household) -> None:
    for path in ("/", "/api/v1/tanks", "/nothing", "/static/styles/tareline.css"):
        answer = httpx.get(f"{common.url}{path}")
        policy = answer.headers["content-security-policy"]
        assert "default-src 'self'" in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
