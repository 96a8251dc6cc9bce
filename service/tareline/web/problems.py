"""Errors, answered in one place for the whole service: to programs as problem details (RFC 9457) that name the field
and what was expected, to people as a page."""

import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Annotated, Any, Literal

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.routing import Match, Mount

from tareline.errors import FieldError, first_problem
from tareline.store.engine import StoreError
from tareline.web.pages.rendering import problem_page

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
FOR_PROGRAMS = ("/metrics", "/openapi.json", "/healthz")
PROTECTIVE_HEADERS = {  # of every answer: they keep pages to themselves
    "Content-Security-Policy": "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; "
    "frame-ancestors 'none'; form-action 'self'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
}
METHODS = ("DELETE", "GET", "HEAD", "PATCH", "POST", "PUT")
TITLES = {
    400: "Not understood",
    401: "Not signed in",
    403: "Refused",
    404: "Not found",
    405: "Not a way to call this",
    409: "Refused by the state of things",
    411: "Length needed",
    413: "Too large",
    422: "Not understood",
    500: "Failed",
    503: "Out of order",
}
# What a person reads where only the status is known.
PLAIN = {404: "There is no page at this address", 405: "Nothing can be done at this address in this way"}


class Pointed(BaseModel):
    """One thing that is wrong: in the body at a JSON pointer, or in a parameter of the address."""

    detail: Annotated[str, Field(description="What was expected, and what was found")]
    pointer: Annotated[str | None, Field(description="A JSON pointer into the body, as a URI fragment")] = None
    parameter: Annotated[str | None, Field(description="The name of a parameter")] = None


class Problem(BaseModel):
    """A problem document (RFC 9457) that names the field and what was expected."""

    type: Literal["about:blank"] = "about:blank"
    title: str
    status: Annotated[int, Field(description="The HTTP status", ge=400, le=599)]
    detail: str
    errors: Annotated[list[Pointed] | None, Field(description="Each thing that is wrong")] = None


def _schema() -> dict[str, Any]:
    """The schema of a problem document as a whole, because it has a media type of its own."""
    found = Problem.model_json_schema()
    found["properties"]["errors"] = {
        "type": "array",
        "items": found.pop("$defs")["Pointed"],
        "description": "Each thing that is wrong",
    }
    return found


# How OpenAPI describes every answer that reports an error.
RESPONSES: dict[int | str, dict[str, Any]] = {
    "default": {"description": Problem.__doc__, "content": {MEDIA_TYPE: {"schema": _schema()}}}
}


def problem(
    status: int, detail: str, errors: list[dict[str, str]] | None = None, headers: Mapping[str, str] | None = None
) -> JSONResponse:
    """A problem document; type is about:blank, so the title says no more than the status."""
    found = Problem(
        title=TITLES.get(status, "Error"),
        status=status,
        detail=detail,
        errors=[Pointed.model_validate(error) for error in errors] if errors else None,
    )
    return JSONResponse(found.model_dump(exclude_none=True), status, headers, MEDIA_TYPE)


def is_for_programs(path: str) -> bool:
    """Whether programs call this address; all others are pages."""
    return path.startswith("/api/") or path in FOR_PROGRAMS


def refusal(
    request: Request, status: int, detail: str, headers: Mapping[str, str] | None = None, plain: str | None = None,
    errors: list[dict[str, str]] | None = None,
) -> Response:  # fmt: skip
    """A problem document for a program, or a page for a person.

    detail: what was expected and what was found. plain: what a person is told instead. errors: each thing that is
    wrong, for programs.
    """
    if is_for_programs(request.url.path):
        return problem(status, detail, errors, headers)
    answer = problem_page(status, TITLES.get(status, "Error"), plain or detail)
    answer.headers.update(headers or {})
    return answer


def pointer(field: str) -> str:
    """A field's name as a JSON pointer in URI fragment form."""
    return "#" + "".join(f"/{part}" for part in field.split(".")) if field else "#"


def _methods(app: FastAPI, request: Request) -> list[str]:
    """Every method of a path; each route on its own knows only the ones it serves itself."""
    routes = [route for route in app.routes if not isinstance(route, Mount)]
    scopes = [{**request.scope, "method": method} for method in METHODS]
    return [scope["method"] for scope in scopes if any(route.matches(scope)[0] == Match.FULL for route in routes)]


def register(app: FastAPI) -> None:
    """Answer every error of this app."""

    @app.exception_handler(FieldError)
    def _field(request: Request, error: FieldError) -> Response:
        errors = [{"detail": error.message, "pointer": pointer(error.field)}] if error.field else None
        return refusal(request, error.status, str(error), plain=error.message, errors=errors)

    @app.exception_handler(RequestValidationError)
    def _request(request: Request, error: RequestValidationError) -> Response:
        errors = []
        for one in error.errors():
            place, *path = one["loc"]
            field, message = first_problem({**one, "loc": tuple(path)})
            where = {"pointer": pointer(field)} if place == "body" else {"parameter": field}
            errors.append({"detail": message, **where})
        first = errors[0]
        name = first.get("parameter") or first.get("pointer", "#").removeprefix("#").replace("/", ".").strip(".")
        return refusal(request, 422, f"{name}: {first['detail']}" if name else first["detail"], errors=errors)

    @app.exception_handler(HTTPException)
    def _http(request: Request, error: HTTPException) -> Response:
        headers = dict(error.headers or {})
        if error.status_code == 405:
            headers["Allow"] = ", ".join(_methods(app, request) or ("GET", "HEAD"))  # else a file of /static
        detail = str(error.detail)
        plain = PLAIN.get(error.status_code) if detail == HTTPStatus(error.status_code).phrase else None
        return refusal(request, error.status_code, detail, headers, plain)

    @app.exception_handler(StoreError)
    def _store(request: Request, error: StoreError) -> Response:
        return refusal(request, 503, str(error))

    @app.exception_handler(Exception)
    def _any(request: Request, error: Exception) -> Response:
        log.error("%s %s failed", request.method, request.url.path, exc_info=error)
        # The framework answers this outside of all middleware, which gives every other answer its headers.
        return refusal(request, 500, "an error of the service; its log tells more", PROTECTIVE_HEADERS)
