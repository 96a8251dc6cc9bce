"""The page that lists alerts."""

import secrets
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from tareline.app import requests
from tareline.app.answers.alerts import TestedAddress
from tareline.service import Service
from tareline.web.pages.rendering import page
from tareline.web.pages.sent import Body, Form, Refusal, Sent, Typed, submit

AlertId = Annotated[int, Path(ge=1, lt=2**63)]
SEEN = Form(requests.SeenRequest)


def router(service: Service) -> APIRouter:
    """The page."""
    pages = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @pages.get("/alerts")
    def alerts(said: str = "") -> Response:
        return _page(
            service, "You have seen this alert: it is not sent again unless it gets worse." if said == "seen" else ""
        )

    @pages.post("/alerts/test")
    def test() -> Response:
        return _page(service, tested=service.deliveries.test(service.alerts.test_message()))

    @pages.post("/alerts/{alert}/seen")
    def seen(alert: AlertId, sent: Sent) -> Response:
        def enter(body: Body) -> Response:
            service.alerts.seen(alert, body)
            return RedirectResponse("/alerts?said=seen", 303)

        found = submit(SEEN, sent, "UTC", enter)
        if isinstance(found, Refusal):
            return _page(service, refused_id=alert, typed=sent, wrong=found.wrong, status=found.status)
        return found

    return pages


def _page(
    service: Service, said: str = "", tested: Sequence[TestedAddress] | None = None,
    refused_id: int | None = None, typed: Typed | None = None, wrong: Typed | None = None, status: int = 200,
) -> HTMLResponse:  # fmt: skip
    context: dict[str, Any] = {} if refused_id is None and tested is None else {"source": "/alerts"}
    return page(
        "alerts.html",
        status,
        alerts=service.alerts.list(),
        names={tank.id: tank.name for tank in service.tanks.all()},
        addresses=service.deliveries.state(),
        said=said,
        tested=tested,
        refused_id=refused_id,
        form={
            "what": f"alert-{refused_id}",
            "typed": typed or {},
            "wrong": wrong or {},
            "ref": secrets.token_urlsafe(12),
        },
        now=datetime.fromtimestamp(service.context.stamp_ms() / 1000, UTC),
        live_tank="",
        **context,
    )
