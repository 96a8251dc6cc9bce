"""Errors against RFC 9457's own rules and the shape of its example (text seen in a stored copy)."""

import asyncio
import json
from typing import Any

import httpx
import pytest
from fastapi import FastAPI, HTTPException
from pydantic import BaseModel

from tareline.errors import FieldError
from tareline.store.engine import StoreError
from tareline.web.problems import pointer, problem, register

MEMBERS = {"type": str, "status": int, "title": str, "detail": str, "instance": str}  # section 3.1


class Form(BaseModel):
    age: int
    colours: list[str] = []


def service() -> FastAPI:
    """A service whose calls fail in every way ours can; the handlers are the project's."""
    app = FastAPI()
    register(app)

    @app.get("/api/field")
    def _field() -> None:
        raise FieldError("age", "must be a positive integer")

    @app.get("/api/state")
    def _state() -> None:
        raise FieldError("", "feeding is not held", 409)

    @app.get("/api/unknown")
    def _unknown() -> None:
        raise FieldError("tank", "there is no tank 'x'", 404)

    @app.post("/api/form")
    def _form(form: Form, size: int = 1) -> dict[str, int]:
        return {"age": form.age, "size": size}

    @app.get("/api/refused")
    def _refused() -> None:
        raise HTTPException(401, "expected a token", {"WWW-Authenticate": "Bearer"})

    @app.get("/api/store")
    def _store() -> None:
        raise StoreError("the disk is full")

    @app.get("/api/broken")
    def _broken() -> None:
        raise RuntimeError("a secret of the inside")

    return app


APP = service()
CALLS: list[tuple[str, str, Any, int]] = [
    ("GET", "/api/field", None, 422),
    ("GET", "/api/state", None, 409),
    ("GET", "/api/unknown", None, 404),
    ("POST", "/api/form", {"age": "old"}, 422),
    ("POST", "/api/form?size=large", {"age": 3}, 422),
    ("POST", "/api/form", None, 422),
    ("GET", "/api/refused", None, 401),
    ("GET", "/api/store", None, 503),
    ("GET", "/api/broken", None, 500),
    ("GET", "/api/nowhere", None, 404),
    ("DELETE", "/api/form", None, 405),
]


def call(method: str, path: str, body: Any) -> tuple[httpx.Response, dict[str, Any]]:
    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(APP, raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://service") as client:
            return await client.request(method, path, json=body)

    answer = asyncio.run(ask())
    return answer, answer.json()


@pytest.mark.parametrize(("method", "path", "body", "status"), CALLS)
def test_every_error_is_a_problem_document(method: str, path: str, body: Any, status: int) -> None:
    """Media type application/problem+json; members of their types; status equal to the response's; type about:blank."""
    answer, document = call(method, path, body)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    for member, kind in MEMBERS.items():
        assert isinstance(document.get(member, kind()), kind)
    assert document["status"] == status
    assert document.get("type", "about:blank") == "about:blank"
    assert document["title"]
    assert document["detail"]


def test_the_examples_shape_of_a_field_that_is_wrong() -> None:
    """The RFC's example names it as {"detail": "must be a positive integer", "pointer": "#/age"} in `errors`."""
    assert call("GET", "/api/field", None)[1]["errors"] == [
        {"detail": "must be a positive integer", "pointer": "#/age"}
    ]


def test_every_wrong_field_has_its_own_pointer_or_parameter() -> None:
    _, document = call("POST", "/api/form?size=large", {"age": "old", "colours": ["red", 5]})
    places = {error.get("pointer") or error.get("parameter") for error in document["errors"]}
    assert places == {"size", "#/age", "#/colours/1"}
    assert all(error["detail"] for error in document["errors"])


@pytest.mark.parametrize(
    ("field", "expected"), [("age", "#/age"), ("profile.color", "#/profile/color"), ("meals.0.at", "#/meals/0/at")]
)
def test_a_pointer_is_a_json_pointer_in_fragment_form(field: str, expected: str) -> None:
    """The first two stand in the RFC's example of a 422."""
    assert pointer(field) == expected


def test_a_pointer_to_the_whole_document_is_empty() -> None:
    assert pointer("") == "#"  # RFC 6901 section 6, from memory


def test_what_is_wrong_inside_stays_inside() -> None:
    """Section 5 (from memory): a problem must not tell how the server is built."""
    answer, _ = call("GET", "/api/broken", None)
    assert "secret" not in answer.text
    assert "RuntimeError" not in answer.text


def test_headers_of_the_status_are_kept() -> None:
    answer, _ = call("GET", "/api/refused", None)
    assert answer.headers["www-authenticate"] == "Bearer"


@pytest.mark.parametrize("status", [401, 403, 404, 405, 409, 413, 422, 500, 503, 418])
def test_a_problem_made_by_hand_has_the_responses_status(status: int) -> None:
    answer = problem(status, "why")
    document = json.loads(bytes(answer.body))
    assert (answer.status_code, document["status"], document["detail"]) == (status, status, "why")
    assert document["type"] == "about:blank"
    assert answer.media_type == "application/problem+json"
    assert "errors" not in document
