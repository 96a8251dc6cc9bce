"""Calls that look: days, weeks, the ledger, devices, and what changes."""

from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.sse import EventSourceResponse, ServerSentEvent

from tareline.app import requests
from tareline.app.answers.days import DayAnswer
from tareline.app.answers.entries import DoseDetailAnswer, EntryDetailAnswer, LedgerAnswer, RejectAnswer
from tareline.app.answers.report import ReportAnswer
from tareline.app.answers.water import TankWaterAnswer
from tareline.app.queries.books import WeekAnswer
from tareline.app.queries.devices import DeviceAnswer
from tareline.core.calendar import day_of
from tareline.service import Service
from tareline.web import problems
from tareline.web.api.parameters import (
    EntryId,
    FeederId,
    FirstDay,
    FromMoment,
    LastDay,
    TankId,
    ToMoment,
    milliseconds,
)
from tareline.web.events import Hub


def router(service: Service, hub: Hub) -> APIRouter:
    """The calls of one service."""
    api = APIRouter(prefix="/api/v1", responses=problems.RESPONSES, tags=["looking"])
    _books(api, service)
    _measured(api, service)

    @api.get("/devices", summary="Every device")
    def devices() -> list[DeviceAnswer]:
        """Every feeder and probe, what it last said, and where its update stands."""
        return service.devices.all()

    @api.get("/rejects", summary="Messages that were not understood")
    def rejects() -> list[RejectAnswer]:
        """The newest first; at most 1000. Equal messages are one."""
        return service.ledger.rejects()

    @api.get("/events", response_class=EventSourceResponse, summary="What changes")
    async def events() -> AsyncIterator[ServerSentEvent]:
        """Server-sent events: what changed, by tank."""
        async for event in hub.stream():
            yield event

    return api


def _books(api: APIRouter, service: Service) -> None:
    @api.get("/tanks/{tank}/days", summary="The books of days")
    def days(tank: TankId, start: FirstDay = None, end: LastDay = None) -> list[DayAnswer]:
        """Both ends included, at most 400 days; today where nothing is said."""
        today = day_of(service.context.stamp_ms(), service.context.zone(tank))
        last = end if end is not None else today
        return service.books.days(tank, start if start is not None else min(last, today), last)

    @api.get("/tanks/{tank}/week", summary="A week")
    def week(
        tank: TankId,
        start: Annotated[
            requests.Day | None, Query(description="Any local day of the ISO week; today by default")
        ] = None,
    ) -> WeekAnswer:
        """The ISO week that holds a day: days, totals, findings, readings, probes, holds, and a sentence."""
        return service.books.week(tank, start)

    @api.get("/tanks/{tank}/ledger", summary="Entries of the ledger")
    def page(
        tank: TankId,
        start: FromMoment = None,
        end: ToMoment = None,
        kind: Annotated[str | None, Query(description="Only entries of this kind")] = None,
        after: Annotated[
            int | None,
            Query(description="Only what comes after this entry: the last of the page before", ge=1, lt=2**63),
        ] = None,
    ) -> list[LedgerAnswer]:
        """Entries as they were written, in order of time; at most 1000 at a time."""
        return service.ledger.page(tank, milliseconds("start", start), milliseconds("end", end), kind, after)

    @api.get("/ledger/{entry}", summary="One entry")
    def entry(entry: EntryId) -> DoseDetailAnswer | EntryDetailAnswer:
        """One entry, with its corrections; a dose also with the message as it came."""
        return service.ledger.entry(entry)


def _measured(api: APIRouter, service: Service) -> None:
    @api.get("/tanks/{tank}/water", summary="The water")
    def water(tank: TankId) -> TankWaterAnswer:
        """The newest readings, trends, balances, and whether the probes can be believed."""
        return service.waters.water(tank)

    @api.get("/feeders/{feeder}/report", summary="The report of a feeder")
    def report(feeder: FeederId, start: FirstDay = None, end: LastDay = None) -> ReportAnswer:
        """Every dose as a ticket, reconciliation with its limits, calibration, gain, hopper; the last seven days by
        default."""
        return service.reports.report(feeder, start, end)
