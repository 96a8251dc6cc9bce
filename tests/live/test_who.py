"""Who may call, further: refusals keep to themselves too, and headers that are rubbish are refused."""

from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from servers import Service

from conftest import Household

TOKEN = "a token with spaces, and more"


@pytest.fixture(scope="module")
def locked(common_servers: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    """On loopback, with a token, and under a root of its own."""
    made = Service(tmp_path_factory.mktemp("locked"), common_servers[0].url, broker={"root": "locked"})
    made.environment = {"TARELINE_HTTP__TOKEN": TOKEN}
    made.start()
    yield made
    made.close()


CALLS: dict[str, tuple[int, str, str, dict[str, str]]] = {
    "not signed in": (401, "GET", "/api/v1/tanks", {}),
    "to the login": (303, "GET", "/", {}),
    "the login": (200, "GET", "/login", {}),
    "from elsewhere": (403, "POST", "/api/v1/tanks", {"Origin": "http://elsewhere.example"}),
    "of unknown length": (411, "GET", "/api/v1/tanks", {"Transfer-Encoding": "chunked"}),
    "not there": (404, "GET", "/api/v1/nothing", {"Authorization": f"Bearer {TOKEN}"}),
    "not a way": (405, "DELETE", "/api/v1/tanks", {"Authorization": f"Bearer {TOKEN}"}),
    "not understood": (422, "GET", "/api/v1/ledger/x", {"Authorization": f"Bearer {TOKEN}"}),
    "health": (200, "GET", "/healthz", {}),
    "a style": (200, "GET", "/static/styles/tareline.css", {}),
    "no style": (404, "GET", "/static/styles/..%2f..%2fpyproject.toml", {}),
    "the stream": (200, "GET", "/api/v1/events", {"Authorization": f"Bearer {TOKEN}"}),
}


@pytest.mark.parametrize("what", CALLS)
def test_every_answer_carries_the_headers_that_keep_it_to_itself(locked: Service, what: str) -> None:
    status, method, path, headers = CALLS[what]
    with httpx.stream(method, f"{locked.url}{path}", headers=headers, timeout=20) as answer:
        assert answer.status_code == status
        assert "default-src 'self'" in answer.headers["content-security-policy"]
        assert "form-action 'self'" in answer.headers["content-security-policy"]
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert "server" not in answer.headers


@pytest.mark.parametrize(
    "headers",
    [
        {b"Authorization": "Bearer \u00e9\u00df".encode()},
        {b"Authorization": b"Bearer \xff\xfe"},
        {b"Authorization": b"Bearer"},
        {b"Cookie": b"tareline_token=\xff"},
        {b"Cookie": b"tareline_token="},
    ],
)
def test_a_token_that_is_rubbish_is_refused(locked: Service, headers: dict[bytes, bytes]) -> None:
    answer = httpx.get(f"{locked.url}/api/v1/tanks", headers=headers, timeout=20)
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == "Bearer"


@pytest.mark.parametrize("host", ["[", "[::1", "localhost]", "[not an address]", "localhost@elsewhere.example", "::1"])
def test_a_name_that_is_rubbish_is_refused(bare: Household, host: str) -> None:
    answer = bare.api.get("/tanks", headers={"Host": host})
    assert answer.status_code in (400, 403)


@pytest.mark.parametrize(
    "origin", ["http://[", "http://[::1", "", "//", "127.0.0.1", "http://127.0.0.1@elsewhere.example"]
)
def test_an_origin_that_is_rubbish_is_another_site(common: Household, origin: str) -> None:
    note = {"kind": "other", "text": "from elsewhere"}
    answer = common.api.post(f"/tanks/{common.tank}/notes", json=note, headers={"Origin": origin})
    assert answer.status_code == 403
    assert answer.headers["content-type"] == "application/problem+json"
    assert common.ledger("note") == []
