"""The HTTP API under /api/v1, as the contract has it. Every call is one function of the service."""

from collections.abc import AsyncIterator
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query
from fastapi.sse import EventSourceResponse, ServerSentEvent

from tareline.app import requests
from tareline.app.commands.entries import instant_ms, lines_view, ration_view
from tareline.app.snapshot import Snapshots
from tareline.core.calendar import day_of
from tareline.errors import FieldError
from tareline.service import Service
from tareline.web import problems
from tareline.web.events import Hub

View = dict[str, Any]
EntryId = Annotated[int, Path(ge=1, lt=2**63)]


def router(service: Service, hub: Hub) -> APIRouter:
    """All calls of one service."""
    api = APIRouter(prefix="/api/v1", responses={"default": problems.DESCRIBED})
    _things(api, service)
    _feeding(api, service)
    _entries(api, service)
    _looking(api, service)

    @api.get("/events", response_class=EventSourceResponse, tags=["looking"])
    async def events() -> AsyncIterator[ServerSentEvent]:
        """Server-sent events: what changed, by tank."""
        async for event in hub.stream():
            yield event

    return api


def _things(api: APIRouter, service: Service) -> None:
    def listed(kind: str) -> list[View]:
        register = service.context.register
        return [{"id": ref, **(register.now(kind, ref) or {})} for ref in register.refs(kind)]

    @api.get("/tanks", tags=["things"])
    def tanks() -> list[View]:
        return service.views.tanks()

    @api.post("/tanks", status_code=201, tags=["things"])
    def add_tank(body: requests.TankRequest) -> View:
        return service.add_thing("tank", body)

    @api.put("/tanks/{ref}", status_code=201, tags=["things"])
    def put_tank(ref: str, body: View) -> View:
        return service.entries.put_thing("tank", ref, body)

    @api.get("/tanks/{ref}", tags=["things"])
    def tank(ref: str) -> View:
        return {"id": ref, **service.context.need("tank", ref)}

    for kind, model in (
        ("food", requests.FoodRequest),
        ("water", requests.WaterRequest),
        ("kit", requests.KitRequest),
        ("feeder", requests.FeederRequest),
        ("probe", requests.ProbeRequest),
    ):
        _thing(api, service, kind, model, listed)


def _thing(api: APIRouter, service: Service, kind: str, model: Any, listed: Any) -> None:
    """List, add and change one kind of thing."""

    @api.get(f"/{kind}s", tags=["things"], name=f"{kind}s")
    def things() -> list[View]:
        found: list[View] = listed(kind)
        return found

    @api.post(f"/{kind}s", status_code=201, tags=["things"], name=f"add_{kind}")
    def add(body: model) -> View:
        return service.add_thing(kind, body)

    @api.put(f"/{kind}s/{{ref}}", status_code=201, tags=["things"], name=f"put_{kind}")
    def put(ref: str, body: View) -> View:
        return service.entries.put_thing(kind, ref, body)


def _feeding(api: APIRouter, service: Service) -> None:
    @api.put("/tanks/{tank}/ration", tags=["feeding"])
    def put_ration(tank: str, body: requests.RationRequest) -> View:
        return service.entries.put_ration(tank, body)

    @api.get("/tanks/{tank}/ration", tags=["feeding"])
    def ration(tank: str) -> View:
        service.context.need("tank", tank)
        with service.context.store.read() as tx:
            return ration_view(Snapshots(tx, service.context, service.samples).of(tank))

    @api.put("/tanks/{tank}/lines", tags=["feeding"])
    def put_lines(tank: str, body: Annotated[Any, Body()], confirm: Annotated[bool, Query()] = False) -> list[View]:
        """The lines as a list (with `confirm` as a query), or as an object with `lines` and `confirm`."""
        if isinstance(body, dict):
            lines: list[View] = service.entries.put_lines(tank, body)["lines"]
            return lines
        try:
            listed: list[View] = service.entries.put_lines(tank, {"lines": body, "confirm": confirm})["lines"]
        except FieldError as error:
            raise FieldError(
                error.field.removeprefix("lines").removeprefix("."), error.message, error.status
            ) from error
        return listed

    @api.get("/tanks/{tank}/lines", tags=["feeding"])
    def lines(tank: str) -> list[View]:
        service.context.need("tank", tank)
        return lines_view(service.context, tank)

    @api.get("/tanks/{tank}/hold", tags=["feeding"])
    def hold(tank: str) -> View:
        return service.views.hold(tank)

    @api.post("/tanks/{tank}/hold", tags=["feeding"])
    def put_hold(tank: str, body: requests.HoldRequest) -> View:
        return service.hold(tank, body)

    @api.post("/tanks/{tank}/release", tags=["feeding"])
    def release(tank: str, body: requests.ReleaseRequest) -> View:
        return service.release(tank, body)


def _entries(api: APIRouter, service: Service) -> None:
    @api.post("/tanks/{tank}/readings", status_code=201, tags=["entries"])
    def add_reading(tank: str, body: requests.ReadingRequest) -> View:
        return service.add_reading(tank, body)

    @api.post("/feeders/{feeder}/refills", status_code=201, tags=["entries"])
    def add_refill(feeder: str, body: requests.RefillRequest) -> View:
        return service.add_refill(feeder, body)

    @api.post("/feeders/{feeder}/weighins", status_code=201, tags=["entries"])
    def add_weighin(feeder: str, body: requests.WeighInRequest) -> View:
        return service.add_weighin(feeder, body)

    @api.post("/feeders/{feeder}/losses", status_code=201, tags=["entries"])
    def add_loss(feeder: str, body: requests.LossRequest) -> View:
        return service.add_of_feeder("loss", feeder, body)

    @api.post("/feeders/{feeder}/hopper", status_code=201, tags=["entries"])
    def add_hopper(feeder: str, body: requests.HopperRequest) -> View:
        return service.add_of_feeder("hopper", feeder, body)

    @api.post("/feeders/{feeder}/calibrations", status_code=201, tags=["entries"])
    def add_calibration(feeder: str, body: requests.CalibrationRequest) -> View:
        return service.add_of_feeder("calibration", feeder, body)

    @api.post("/findings/{finding}/decision", status_code=201, tags=["entries"])
    def decide(finding: str, body: requests.DecisionRequest) -> View:
        return service.decide(finding, body)

    @api.post("/tanks/{tank}/handfeeds", status_code=201, tags=["entries"])
    def add_handfeed(tank: str, body: requests.HandFeedRequest) -> View:
        return service.add_handfeed(tank, body)

    @api.post("/tanks/{tank}/water-changes", status_code=201, tags=["entries"])
    def add_water_change(tank: str, body: requests.WaterChangeRequest) -> View:
        return service.add_water_change(tank, body)

    @api.post("/tanks/{tank}/top-ups", status_code=201, tags=["entries"])
    def add_topup(tank: str, body: requests.TopUpRequest) -> View:
        return service.add_topup(tank, body)

    @api.post("/tanks/{tank}/notes", status_code=201, tags=["entries"])
    def add_note(tank: str, body: requests.NoteRequest) -> View:
        return service.add_note(tank, body)

    @api.post("/ledger/{entry}/corrections", status_code=201, tags=["entries"])
    def correct(entry: EntryId, body: requests.CorrectionRequest) -> View:
        return service.entries.correct(entry, body)


def _looking(api: APIRouter, service: Service) -> None:
    views = service.views

    @api.get("/tanks/{tank}/ledger", tags=["looking"])
    def ledger(
        tank: str,
        start: requests.Moment | None = None,
        end: requests.Moment | None = None,
        kind: str | None = None,
        after: Annotated[int | None, Query(ge=1, lt=2**63)] = None,
    ) -> list[View]:
        return views.ledger(tank, _ms("start", start), _ms("end", end), kind, after)

    @api.get("/tanks/{tank}/water", tags=["looking"])
    def water(tank: str) -> View:
        return service.waters.water(tank)

    @api.get("/tanks/{tank}/days", tags=["looking"])
    def days(tank: str, start: requests.Day | None = None, end: requests.Day | None = None) -> list[View]:
        today = day_of(service.context.stamp_ms(), service.context.zone(tank))
        last = end if end is not None else today
        return views.days(tank, start if start is not None else min(last, today), last)

    @api.get("/tanks/{tank}/week", tags=["looking"])
    def week(tank: str, start: requests.Day | None = None) -> View:
        return views.week(tank, start)

    @api.get("/feeders/{feeder}/report", tags=["looking"])
    def report(feeder: str, start: requests.Day | None = None, end: requests.Day | None = None) -> View:
        return service.reports.report(feeder, start, end)

    @api.get("/tanks/{tank}/series", tags=["looking"])
    def series(tank: str, metric: str, start: requests.Moment, end: requests.Moment, points: int = 500) -> View:
        return service.waters.series(tank, metric, instant_ms("start", start), instant_ms("end", end), points)

    @api.get("/ledger/{entry}", tags=["looking"])
    def entry(entry: EntryId) -> View:
        return views.entry(entry)

    @api.get("/rejects", tags=["looking"])
    def rejects() -> list[View]:
        return views.rejects()

    @api.get("/devices", tags=["looking"])
    def devices() -> list[View]:
        return service.devices()


def _ms(field: str, at: datetime | None) -> int | None:
    return None if at is None else instant_ms(field, at)
