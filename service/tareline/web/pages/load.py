"""The page of a tank's load, which follows the road from the food to the limit."""

import secrets
from collections.abc import Callable
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from tareline.app import repository, requests
from tareline.app.answers.load import ForecastAnswer
from tareline.app.answers.ramp import RampAnswer
from tareline.app.queries.load import WhatIf, forecast_view, load_view, road_view
from tareline.errors import FieldError
from tareline.service import Service
from tareline.web.pages.rendering import page
from tareline.web.pages.sent import Form, Refusal, Sent, Typed, submit
from tareline.web.svg import load as load_drawing

View = dict[str, Any]
ROAD_DAYS = 182
WHATIF = Form(WhatIf)
RAMP = Form(requests.RampRequest)
DECISION = Form(requests.RampDecisionRequest, required=frozenset({"decision"}), buttons=frozenset({"decision"}))
SAID = {
    "set": "The ramp is set; each of its decisions is recorded.",
    "accept": "The step is accepted; the larger ration begins at the next midnight.",
    "veto": "The step is vetoed; the ramp asks again after another dwell time at the earliest.",
    "stop": "The ramp is stopped; the ration stays as it is.",
}


def pages(service: Service) -> APIRouter:
    """The page of the load and its ramp."""
    router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)

    def show(
        tank: str, said: str = "", what: str = "", typed: Typed | None = None, wrong: Typed | None = None,
        status: int = 200, answer: ForecastAnswer | None = None,
    ) -> Response:  # fmt: skip
        body = {**service.context.need("tank", tank), "id": tank}
        load = load_view(service.context, service.loads, tank)
        past = road_view(service.context, service.loads, tank, ROAD_DAYS)
        with service.context.store.read() as tx:
            last = repository.last_ration(tx, tank)
        return page(
            "load.html",
            status,
            tank=body,
            load=load,
            past=past,
            ahead=_ahead(service, tank) if load.refuses is None else None,
            ramp=_ramp(service, tank),
            ration_g=None if last is None else last.daily_g,
            answer=answer,
            foods=_named(service, "food", "as now"),
            waters=_named(service, "water", "not said"),
            draw=load_drawing,
            said=SAID.get(said),
            what=what,
            typed=typed or {},
            wrong=wrong or {},
            ref=secrets.token_urlsafe(12),
            live_tank=tank,
            **({"source": f"/tanks/{tank}/load"} if what and what != "whatif" else {}),
        )

    @router.get("/tanks/{tank}/load")
    def load(request: Request, tank: str, said: str = "", asked: str = "") -> Response:
        if not asked:
            return show(tank, said)
        typed = {name: text.strip() for name, text in request.query_params.items()}
        answer = submit(
            WHATIF, typed, service.context.zone(tank),
            lambda body: forecast_view(service.context, service.loads, tank, WhatIf(**body)),
        )  # fmt: skip
        if isinstance(answer, Refusal):
            return show(tank, "", "whatif", typed, answer.wrong, answer.status)
        return show(tank, "", "whatif", typed, answer=answer)

    @router.get("/tanks/{tank}/ramp")
    def ramp(tank: str) -> Response:
        return RedirectResponse(f"/tanks/{tank}/load#ramp", 303)

    @router.post("/tanks/{tank}/ramp")
    def ramp_set(tank: str, sent: Sent) -> Response:
        return entered(tank, "ramp", RAMP, sent, service.ramps.put)

    @router.post("/tanks/{tank}/ramp/decision")
    def decided(tank: str, sent: Sent) -> Response:
        return entered(tank, "decision", DECISION, sent, service.ramps.decide)

    def entered(tank: str, what: str, form: Form, sent: Typed, enter: Callable[[str, View], Any]) -> Response:
        """What a form sent, entered; or the page again, with what was typed and why it was refused."""
        answer = submit(form, sent, service.context.zone(tank), lambda body: enter(tank, body))
        if isinstance(answer, Refusal):
            return show(tank, "", what, sent, answer.wrong, answer.status)
        said = sent["decision"] if what == "decision" else "set"
        return RedirectResponse(f"/tanks/{tank}/load?said={said}#ramp", 303)

    return router


def _ahead(service: Service, tank: str) -> ForecastAnswer | None:
    """The weeks ahead as they are planned; None where nothing can be said of them."""
    try:
        return forecast_view(service.context, service.loads, tank, WhatIf())
    except FieldError:
        return None


def _ramp(service: Service, tank: str) -> RampAnswer | None:
    try:
        return service.ramps.view(tank)
    except FieldError as error:
        if error.status != 404:
            raise
        return None


def _named(service: Service, kind: str, none: str) -> list[tuple[str, str]]:
    register = service.context.register
    return [("", none), *((ref, str((register.now(kind, ref) or {}).get("name", ref))) for ref in register.refs(kind))]
