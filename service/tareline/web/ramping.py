"""The calls of a tank's ramp."""

from typing import Any

from fastapi import APIRouter

from tareline import bodies
from tareline.service import Service
from tareline.web import problems

View = dict[str, Any]


def router(service: Service) -> APIRouter:
    """Set a ramp, look at it, and decide."""
    api = APIRouter(prefix="/api/v1", responses={"default": problems.DESCRIBED}, tags=["feeding"])

    @api.put("/tanks/{tank}/ramp")
    def put(tank: str, body: bodies.Ramp) -> View:
        return service.ramping.put(tank, body)

    @api.get("/tanks/{tank}/ramp")
    def look(tank: str) -> View:
        return service.ramping.view(tank)

    @api.post("/tanks/{tank}/ramp/decision")
    def decide(tank: str, body: bodies.RampDecision) -> View:
        return service.ramping.decide(tank, body)

    return api
