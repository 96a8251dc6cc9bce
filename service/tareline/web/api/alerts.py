"""Alerts over HTTP."""

from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query

from tareline.app import requests
from tareline.app.answers.alerts import AlertAnswer, TestedAddress
from tareline.service import Service
from tareline.web import problems

AlertId = Annotated[int, Path(description="The number of an alert", ge=1, lt=2**63)]
StateAsked = Annotated[
    Literal["open", "seen", "cleared"] | None, Query(description="Only alerts in this state; without it all of them")
]


def router(service: Service) -> APIRouter:
    """The calls over a service's alerts."""
    api = APIRouter(prefix="/api/v1", responses={"default": problems.DESCRIBED}, tags=["alerts"])

    @api.get("/alerts", summary="List the alerts")
    def alerts(state: StateAsked = None) -> list[AlertAnswer]:
        """The newest 500, newest first."""
        return service.alerts.list(state)

    @api.post("/alerts/{alert}/seen", summary="Say that an alert has been seen")
    def seen(alert: AlertId, body: requests.SeenRequest) -> AlertAnswer:
        """It is not told again unless it gets worse."""
        return service.alerts.seen(alert, body)

    @api.post("/alerts/test", summary="Send a test message to every address")
    def test() -> list[TestedAddress]:
        """Tell every address once, now; answers when all have answered or were given up."""
        return service.deliveries.test(service.alerts.test_message())

    return api
