"""A tank's ramp over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path

from tareline.app import requests
from tareline.app.answers.ramp import RampAnswer, RampEntered
from tareline.service import Service
from tareline.web import problems

TankId = Annotated[str, Path(description="The id of a tank")]


def router(service: Service) -> APIRouter:
    """Set a ramp, look at it, and decide."""
    api = APIRouter(prefix="/api/v1", responses=problems.RESPONSES, tags=["feeding"])

    @api.put("/tanks/{tank}/ramp", summary="Set a ramp, or change how it is set")
    def put(tank: TankId, body: requests.RampRequest) -> RampEntered:
        """With another start it begins anew."""
        return service.ramps.put(tank, body)

    @api.get("/tanks/{tank}/ramp", summary="Where the ramp stands")
    def look(tank: TankId) -> RampAnswer:
        """How it is set, what it waits for, and every entry since it began."""
        return service.ramps.view(tank)

    @api.post("/tanks/{tank}/ramp/decision", summary="Decide about the ramp")
    def decide(tank: TankId, body: requests.RampDecisionRequest) -> RampEntered:
        """Accept the step that is asked, veto steps for one dwell, or stop the ramp."""
        return service.ramps.decide(tank, body)

    return api
