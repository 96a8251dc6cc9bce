"""The page that lists alerts."""

import secrets
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from tareline.app.answers.alerts import TestedAddress
from tareline.errors import FieldError
from tareline.service import Service
from tareline.web.pages.forms import Form, Sent, Typed, read_form
from tareline.web.pages.rendering import page

AlertId = Annotated[int, Path(ge=1, lt=2**63)]
SEEN = Form(("note", "by"))


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
                raise
            wrong[error.field if error.field in SEEN.fields else ""] = error.message
            return _page(service, what=f"alert-{alert}", typed=sent, wrong=wrong, status=error.status)
        return RedirectResponse("/alerts?said=seen", 303)

    return pages


def _page(
    service: Service, said: str = "", tested: Sequence[TestedAddress] | None = None, what: str = "",
    typed: Typed | None = None, wrong: Typed | None = None, status: int = 200,
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
