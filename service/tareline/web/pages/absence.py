"""An absence and what is due: their calls, the page that plans an absence, and the sheet that is printed for it."""

import secrets
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from tareline.app import repository, requests
from tareline.app.queries.absence import absence_view, sheet_view
from tareline.app.snapshot import Snapshots
from tareline.errors import FieldError
from tareline.service import Service
from tareline.web import problems
from tareline.web.pages.forms import Form, Sent, Typed, read_form
from tareline.web.pages.overview import page, problem_page
from tareline.web.svg.portions import heap, picture

View = dict[str, Any]
FORM = Form(
    ("start", "end", "daily_g", "tell", "by"),
    numbers=frozenset({"daily_g"}),
    required=frozenset({"start", "end", "daily_g"}),
)
SAID = {
    "planned": "The absence is in the books; the feeders were told.",
    "ended": "The end of the absence is in the books; the feeders were told.",
}
LINES_MM = 15.0  # of the words beside a drawing, in their margins
ROOM_MM = 45.0  # what the drawings may take of the sheet's height; portions beyond it are told in words


def calls(service: Service) -> APIRouter:
    """The calls about absences and what is due."""
    api = APIRouter(prefix="/api/v1", responses={"default": problems.DESCRIBED})

    @api.put("/tanks/{tank}/absence", tags=["feeding"])
    def put_absence(tank: str, body: requests.AbsenceRequest) -> View:
        """Plan an absence in place of one that was planned; a `daily_g` of null ends it."""
        service.entries.put_absence(tank, body, service.loads.proven_g(tank))
        return _absence(service, tank)

    @api.get("/tanks/{tank}/absence", tags=["feeding"])
    def absence(tank: str) -> View:
        return _absence(service, tank)

    @api.delete("/tanks/{tank}/absence", tags=["feeding"])
    def end_absence(tank: str, by: Annotated[str | None, Query(min_length=1, max_length=200)] = None) -> View:
        service.entries.put_absence(tank, {"daily_g": None, "by": by})
        return _absence(service, tank)

    @api.get("/tanks/{tank}/due", tags=["looking"])
    def due(tank: str) -> list[View]:
        """What to measure, weigh, refill, calibrate, release or look at next, and why."""
        return service.views.due(tank)

    return api


def _absence(service: Service, tank: str) -> View:
    service.context.need("tank", tank)
    with service.context.store.read() as tx:
        return absence_view(Snapshots(tx, service.context, service.samples).of(tank))


def _sheet(service: Service, tank: str) -> View:
    with service.context.store.read() as tx:
        found = sheet_view(tx, service.context, Snapshots(tx, service.context, service.samples).of(tank))
    if found is None:
        raise FieldError("absence", "no absence is planned that a sheet could be for", 404)
    left_mm = ROOM_MM
    for portion in found["portions"]:
        density = (portion["food"] or {}).get("bulk_density_g_per_ml")
        portion["heap"] = None if density is None else heap(portion["mass_g"], density)
        drawn = None if portion["heap"] is None else picture(portion["heap"])
        if drawn is not None and drawn.height_mm <= left_mm:
            left_mm -= max(drawn.height_mm, LINES_MM)
        else:
            drawn = None
        portion["picture"] = drawn
    return found


def pages(service: Service) -> APIRouter:
    """The page of an absence and its sheet."""
    found = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    def planning(tank: str, said: str, typed: Typed, wrong: Typed, status: int = 200) -> Response:
        body = {**service.context.need("tank", tank), "id": tank}
        with service.context.store.read() as tx:
            last = repository.last_ration(tx, tank)
        return page(
            "absence.html",
            status,
            tank=body,
            absence=_absence(service, tank),
            ration_g=None if last is None else last.daily_g,
            said=SAID.get(said),
            what="absence" if wrong else "",
            typed=typed,
            wrong=wrong,
            ref=secrets.token_urlsafe(12),
            live_tank=None,
        )

    @found.get("/tanks/{tank}/absence")
    def absence(tank: str, said: str = "") -> Response:
        try:
            return planning(tank, said, {}, {})
        except FieldError as error:
            return problem_page(error)

    @found.post("/tanks/{tank}/absence")
    def planned(tank: str, sent: Sent) -> Response:
        try:
            zone = service.context.zone(tank)
            ends = sent.get("do") == "end"
            body, wrong = ({"daily_g": None}, {}) if ends else read_form(FORM, sent, zone)
            status = 422
            if not wrong:
                try:
                    service.entries.put_absence(tank, body, service.loads.proven_g(tank))
                    return RedirectResponse(f"/tanks/{tank}/absence?said={'ended' if ends else 'planned'}", 303)
                except FieldError as error:
                    wrong[error.field if error.field in FORM.fields and not ends else ""] = error.message
                    status = error.status
            return planning(tank, "", sent, wrong, status)
        except FieldError as error:
            return problem_page(error)

    @found.get("/tanks/{tank}/absence/sheet")
    def sheet(tank: str) -> Response:
        try:
            return page(
                "sheet.html",
                tank={**service.context.need("tank", tank), "id": tank},
                sheet=_sheet(service, tank),
                show=service.settings.show,
                live_tank=None,
            )
        except FieldError as error:
            return problem_page(error)

    return found
