"""The calls of a tank's ramp, and the record of it as a page that prints."""

from typing import Any

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from tareline.app import requests
from tareline.app.queries.ramp_record import record
from tareline.errors import FieldError
from tareline.service import Service
from tareline.web import problems
from tareline.web.pages.overview import page, problem_page

View = dict[str, Any]


def calls(service: Service) -> APIRouter:
    """Set a ramp, look at it, and decide."""
    api = APIRouter(prefix="/api/v1", responses=problems.RESPONSES, tags=["feeding"])

    @api.put("/tanks/{tank}/ramp")
    def put(tank: str, body: requests.RampRequest) -> View:
        return service.ramps.put(tank, body)

    @api.get("/tanks/{tank}/ramp")
    def look(tank: str) -> View:
        return service.ramps.view(tank)

    @api.post("/tanks/{tank}/ramp/decision")
    def decide(tank: str, body: requests.RampDecisionRequest) -> View:
        return service.ramps.decide(tank, body)

    return api


def pages(service: Service) -> APIRouter:
    """The record of a ramp."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @router.get("/tanks/{tank}/ramp/record")
    def on_one_page(tank: str) -> Response:
        try:
            found = record(service.context, service.accounts, service.ramps, tank)
        except FieldError as error:
            return problem_page(error)
        return page("ramp-record.html", record=found, live_tank=None)

    return router
