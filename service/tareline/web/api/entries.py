"""Calls that enter what people did and saw."""

from typing import Annotated

from fastapi import APIRouter, Path

from tareline.app import requests
from tareline.app.answers.entries import MadeAnswer
from tareline.service import Service
from tareline.web import problems
from tareline.web.api.parameters import EntryId, FeederId, TankId


def router(service: Service) -> APIRouter:
    """The calls of one service."""
    api = APIRouter(prefix="/api/v1", responses=problems.RESPONSES, tags=["entries"])
    _of_tanks(api, service)
    _of_feeders(api, service)

    @api.post("/findings/{finding}/decision", status_code=201, summary="Decide about a finding")
    def decide(
        finding: Annotated[str, Path(description="The id of a finding, as a week or a report tells it")],
        body: requests.DecisionRequest,
    ) -> MadeAnswer:
        """Accept a finding, which makes the entry that mends the books, or dismiss it."""
        return service.decide(finding, body)

    @api.post("/ledger/{entry}/corrections", status_code=201, summary="Correct an entry")
    def correct(entry: EntryId, body: requests.CorrectionRequest) -> MadeAnswer:
        """One more entry that stands for an earlier one: with the fields that are given here, or void."""
        return service.entries.correct(entry, body)

    return api


def _of_tanks(api: APIRouter, service: Service) -> None:
    @api.post("/tanks/{tank}/readings", status_code=201, summary="Enter a reading")
    def add_reading(tank: TankId, body: requests.ReadingRequest) -> MadeAnswer:
        """A water value that was measured by hand; answers with the lines that it crosses and what follows."""
        return service.add_reading(tank, body)

    @api.post("/tanks/{tank}/handfeeds", status_code=201, summary="Enter a hand feed")
    def add_handfeed(tank: TankId, body: requests.HandFeedRequest) -> MadeAnswer:
        """Food that was given by hand; it counts against the day's ration."""
        return service.add_handfeed(tank, body)

    @api.post("/tanks/{tank}/water-changes", status_code=201, summary="Enter a water change")
    def add_water_change(tank: TankId, body: requests.WaterChangeRequest) -> MadeAnswer:
        """Water that was replaced."""
        return service.add_water_change(tank, body)

    @api.post("/tanks/{tank}/top-ups", status_code=201, summary="Enter a top-up")
    def add_topup(tank: TankId, body: requests.TopUpRequest) -> MadeAnswer:
        """Water that replaced what had evaporated; without a volume where nobody measured it."""
        return service.add_topup(tank, body)

    @api.post("/tanks/{tank}/notes", status_code=201, summary="Enter a note")
    def add_note(tank: TankId, body: requests.NoteRequest) -> MadeAnswer:
        """What else happened: stocking, a loss, plants, a harvest, work on the filter, and so on."""
        return service.add_note(tank, body)


def _of_feeders(api: APIRouter, service: Service) -> None:
    @api.post("/feeders/{feeder}/refills", status_code=201, summary="Enter a refill")
    def add_refill(feeder: FeederId, body: requests.RefillRequest) -> MadeAnswer:
        """Food that was filled in."""
        return service.add_refill(feeder, body)

    @api.post("/feeders/{feeder}/weighins", status_code=201, summary="Enter a weigh-in")
    def add_weighin(feeder: FeederId, body: requests.WeighInRequest) -> MadeAnswer:
        """The content of the hopper, weighed on another scale."""
        return service.add_weighin(feeder, body)

    @api.post("/feeders/{feeder}/losses", status_code=201, summary="Enter lost food")
    def add_loss(feeder: FeederId, body: requests.LossRequest) -> MadeAnswer:
        """Food that left the hopper without a dose."""
        return service.add_of_feeder("loss", feeder, body)

    @api.post("/feeders/{feeder}/hopper", status_code=201, summary="Take the hopper off or hang it")
    def add_hopper(feeder: FeederId, body: requests.HopperRequest) -> MadeAnswer:
        """The hopper was taken off the cell, and the feeder is held; or it hangs again."""
        return service.add_of_feeder("hopper", feeder, body)

    @api.post("/feeders/{feeder}/calibrations", status_code=201, summary="Enter a calibration")
    def add_calibration(feeder: FeederId, body: requests.CalibrationRequest) -> MadeAnswer:
        """Check masses on the cell, and what it showed."""
        return service.add_of_feeder("calibration", feeder, body)
