"""The page that plans an absence, and the sheet that is printed for it."""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from tareline.app import repository, requests
from tareline.app.answers.feeding import AbsenceAnswer
from tareline.app.queries.absence import HelperInstructions, Portion, absence_view, helper_instructions
from tareline.app.queries.common import tank_view
from tareline.app.snapshot import Snapshots
from tareline.errors import FieldError
from tareline.service import Service
from tareline.web.pages.rendering import page
from tareline.web.pages.sent import Body, Form, Refusal, Sent, Typed, Wrong, submit
from tareline.web.svg.portions import Heap, Picture, heap, picture

PLAN = Form(requests.AbsenceRequest, required=frozenset({"start", "end"}))
END = Form(requests.AbsenceRequest, instead={"daily_g": ""})
SAID = {
    "planned": "The absence is recorded; new plans were sent to the feeders.",
    "ended": "The end of the absence is recorded; new plans were sent to the feeders.",
}
LINES_MM = 15.0  # of the words beside a drawing, in their margins
ROOM_MM = 45.0  # what the drawings may take of the sheet's height; portions beyond it are told in words


@dataclass(frozen=True, slots=True)
class Drawn:
    """A portion with its heap, where its food's bulk density is known, and a picture of that, where it has room."""

    portion: Portion
    heap: Heap | None
    picture: Picture | None


def _drawn(portions: Sequence[Portion]) -> list[Drawn]:
    """Portions, drawn from the first one on until the sheet has no more room."""
    found = []
    left_mm = ROOM_MM
    for portion in portions:
        density = None if portion.food is None else portion.food.bulk_density_g_per_ml
        made = None if density is None else heap(portion.mass_g, density)
        drawn = None if made is None else picture(made)
        if drawn is not None and drawn.height_mm <= left_mm:
            left_mm -= max(drawn.height_mm, LINES_MM)
        else:
            drawn = None
        found.append(Drawn(portion, made, drawn))
    return found


def _no_grams(body: Body, _: Wrong) -> None:
    """An absence without grams, which ends the planned one."""
    body["daily_g"] = None


def _absence(service: Service, tank: str) -> AbsenceAnswer:
    with service.context.store.read() as tx:
        return absence_view(Snapshots(tx, service.context, service.samples).of(tank))


def _instructions(service: Service, tank: str) -> HelperInstructions:
    with service.context.store.read() as tx:
        found = helper_instructions(tx, service.context, Snapshots(tx, service.context, service.samples).of(tank))
    if found is None:
        raise FieldError("absence", "no absence is planned that a sheet could be for", 404)
    return found


def pages(service: Service) -> APIRouter:
    """The page of an absence and its sheet."""
    found = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    def planning(tank: str, said: str, typed: Typed, wrong: Typed, status: int = 200) -> Response:
        body = tank_view(service.context, tank)
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
        return planning(tank, said, {}, {})

    @found.post("/tanks/{tank}/absence")
    def planned(tank: str, sent: Sent) -> Response:
        ends = sent.get("do") == "end"

        def enter(body: Body) -> Response:
            service.feeding.put_absence(tank, body, service.loads.proven_g(tank))
            return RedirectResponse(f"/tanks/{tank}/absence?said={'ended' if ends else 'planned'}", 303)

        answer = submit(END if ends else PLAN, sent, service.context.zone(tank), enter, _no_grams if ends else None)
        if isinstance(answer, Refusal):
            return planning(tank, "", sent, answer.wrong, answer.status)
        return answer

    @found.get("/tanks/{tank}/absence/sheet")
    def sheet(tank: str) -> Response:
        found = tank_view(service.context, tank)
        told = _instructions(service, tank)
        return page(
            "sheet.html",
            tank=found,
            sheet=told,
            portions=_drawn(told.portions),
            show=service.settings.show,
            live_tank=None,
        )

    return found
