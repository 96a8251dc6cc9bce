"""The record of a tank's ramp as a page that prints."""

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from tareline.app.queries.ramp_record import record
from tareline.service import Service
from tareline.web.pages.rendering import page


def pages(service: Service) -> APIRouter:
    """The record of a ramp."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    @router.get("/tanks/{tank}/ramp/record")
    def on_one_page(tank: str) -> Response:
        found = record(service.context, service.accounts, service.ramps, tank)
        return page("ramp-record.html", record=found, live_tank=None)

    return router
