"""Calls about feeding: rations, lines, holds, absences, and what is due."""

from typing import Annotated, Any

from fastapi import APIRouter, Body, Query
from pydantic import WithJsonSchema

from tareline.app import repository, requests
from tareline.app.answers.feeding import AbsenceAnswer, DueAnswer, HoldAnswer, RationAnswer
from tareline.app.answers.lines import LineAnswer
from tareline.app.commands.feeding import ration_view
from tareline.app.queries.absence import absence_view
from tareline.app.snapshot import Snapshots
from tareline.errors import FieldError
from tareline.service import Service
from tareline.web import problems
from tareline.web.api.parameters import TankId


def _lines_schema() -> dict[str, Any]:
    """A list of lines, or an object that holds one."""
    line, whole = requests.LineRequest.model_json_schema(), requests.LinesRequest.model_json_schema()
    del whole["$defs"]
    listed = {"type": "array", "items": line, "maxItems": requests.MOST_LINES}
    whole["properties"]["lines"] = listed
    return {"title": "Lines", "anyOf": [listed, whole], "examples": [[requests.LINE_EXAMPLE]]}


# Whether it is a list or an object decides what a refusal calls its fields: so the service looks, not the model.
LinesBody = Annotated[Any, Body(), WithJsonSchema(_lines_schema())]


def router(service: Service) -> APIRouter:
    """The calls of one service."""
    api = APIRouter(prefix="/api/v1", responses=problems.RESPONSES, tags=["feeding"])
    _rations(api, service)
    _absences(api, service)

    @api.get("/tanks/{tank}/hold", summary="Whether feeding is held")
    def hold(tank: TankId) -> HoldAnswer:
        """Whether feeding is held or reduced, why, and whether the feeders have said so."""
        return service.hold_states.hold(tank)

    @api.post("/tanks/{tank}/hold", summary="Hold feeding")
    def put_hold(tank: TankId, body: requests.HoldRequest) -> HoldAnswer:
        """Hold the feeding of a tank until a person releases it; what is in force then."""
        return service.hold(tank, body)

    @api.post("/tanks/{tank}/release", summary="Release a hold")
    def release(tank: TankId, body: requests.ReleaseRequest) -> HoldAnswer:
        """End a hold; 409 where no newer reading shows the water clear of the line that holds."""
        return service.release(tank, body)

    return api


def _rations(api: APIRouter, service: Service) -> None:
    @api.put("/tanks/{tank}/ration", summary="Decide a ration")
    def put_ration(tank: TankId, body: requests.RationRequest) -> RationAnswer:
        """Less holds at once, more from the next local midnight, a first ration at once."""
        return service.feeding.put_ration(tank, body)

    @api.get("/tanks/{tank}/ration", summary="The ration")
    def ration(tank: TankId) -> RationAnswer:
        """The ration that was decided last, and what of it is in force today."""
        service.context.need("tank", tank)
        with service.context.store.read() as tx:
            return ration_view(Snapshots(tx, service.context, service.samples).of(tank))

    @api.put("/tanks/{tank}/lines", summary="Replace the lines")
    def put_lines(
        tank: TankId,
        body: LinesBody,
        confirm: Annotated[
            bool, Query(description="For a list: it is meant that none of the lines holds on ammonia")
        ] = False,
    ) -> list[LineAnswer]:
        """The lines as a list (with `confirm` as a query), or as an object with `lines` and `confirm`."""
        if isinstance(body, dict):
            return service.feeding.put_lines(tank, body).lines
        try:
            return service.feeding.put_lines(tank, {"lines": body, "confirm": confirm}).lines
        except FieldError as error:
            raise FieldError(
                error.field.removeprefix("lines").removeprefix("."), error.message, error.status
            ) from error

    @api.get("/tanks/{tank}/lines", summary="The lines")
    def lines(tank: TankId) -> list[LineAnswer]:
        """The lines in force: those that were entered, or else the default ones."""
        service.context.need("tank", tank)
        return [LineAnswer.of(line) for line in repository.lines(service.context, tank)]


def _absences(api: APIRouter, service: Service) -> None:
    def planned(tank: str) -> AbsenceAnswer:
        service.context.need("tank", tank)
        with service.context.store.read() as tx:
            return absence_view(Snapshots(tx, service.context, service.samples).of(tank))

    @api.put("/tanks/{tank}/absence", summary="Plan an absence")
    def put_absence(tank: TankId, body: requests.AbsenceRequest) -> AbsenceAnswer:
        """Plan an absence in place of one that was planned; a `daily_g` of null ends it."""
        service.feeding.put_absence(tank, body, service.loads.proven_g(tank))
        return planned(tank)

    @api.get("/tanks/{tank}/absence", summary="The absence")
    def absence(tank: TankId) -> AbsenceAnswer:
        """The absence that runs or is planned."""
        return planned(tank)

    @api.delete("/tanks/{tank}/absence", summary="End an absence")
    def end_absence(
        tank: TankId, by: Annotated[str | None, Query(description="Who ends it", min_length=1, max_length=200)] = None
    ) -> AbsenceAnswer:
        """End the absence that runs or is planned; 409 where there is none."""
        service.feeding.put_absence(tank, {"daily_g": None, "by": by})
        return planned(tank)

    @api.get("/tanks/{tank}/due", summary="What is due", tags=["looking"])
    def due(tank: TankId) -> list[DueAnswer]:
        """What to measure, weigh, refill, calibrate, release or look at next, and why."""
        return service.tanks.due(tank)
