"""Alerts over HTTP: the API's calls, and the page that lists them."""

import secrets
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from tareline.app import requests
from tareline.errors import FieldError
from tareline.service import Service
from tareline.web import problems
from tareline.web.pages.forms import Form, Sent, Typed, read_form
from tareline.web.pages.overview import page, problem_page
from tareline.web.text.words import Row

View = dict[str, Any]
AlertId = Annotated[int, Path(ge=1, lt=2**63)]
SEEN = Form(("note", "by"))


def api(service: Service) -> APIRouter:
    """The calls under /api/v1."""
    calls = APIRouter(prefix="/api/v1", responses=problems.RESPONSES, tags=["alerts"])

    @calls.get("/alerts")
    def alerts(state: Literal["open", "seen", "cleared"] | None = None) -> list[View]:
        return service.alerts.list(state)

    @calls.post("/alerts/{alert}/seen")
    def seen(alert: AlertId, body: requests.SeenRequest) -> View:
        return service.alerts.seen(alert, body)

    @calls.post("/alerts/test")
    def test() -> list[View]:
        """Tell every address once, now; answers when all have answered or were given up."""
        return service.deliveries.test(service.alerts.test_message())

    return calls


def router(service: Service) -> APIRouter:
    """The page."""
    pages = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @pages.get("/alerts")
    def alerts(said: str = "") -> Response:
        return _page(service, "You have seen it: it is not told again unless it gets worse." if said == "seen" else "")

    @pages.post("/alerts/test")
    def test() -> Response:
        return _page(service, tested=service.deliveries.test(service.alerts.test_message()))

    @pages.post("/alerts/{alert}/seen")
    def seen(alert: AlertId, sent: Sent) -> Response:
        body, wrong = read_form(SEEN, sent, "UTC")
        try:
            service.alerts.seen(alert, body)
        except FieldError as error:
            if error.status == 404:
                return problem_page(error)
            wrong[error.field if error.field in SEEN.fields else ""] = error.message
            return _page(service, what=f"alert-{alert}", typed=sent, wrong=wrong, status=error.status)
        return RedirectResponse("/alerts?said=seen", 303)

    return pages


def _page(
    service: Service, said: str = "", tested: Sequence[Row] | None = None, what: str = "", typed: Typed | None = None,
    wrong: Typed | None = None, status: int = 200,
) -> HTMLResponse:  # fmt: skip
    context: dict[str, Any] = {} if not what and tested is None else {"source": "/alerts"}
    return page(
        "alerts.html",
        status,
        alerts=service.alerts.list(),
        names={tank.id: tank.name for tank in service.tanks.all()},
        addresses=service.deliveries.state(),
        said=said,
        tested=tested,
        form={"what": what, "typed": typed or {}, "wrong": wrong or {}, "ref": secrets.token_urlsafe(12)},
        now=datetime.fromtimestamp(service.context.stamp_ms() / 1000, UTC),
        live_tank="",
        **context,
    )
