"""Updates over the air, over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path

from tareline.app import requests
from tareline.app.answers.updates import UpdateAnswer
from tareline.service import Service
from tareline.web import problems

DeviceId = Annotated[str, Path(description="The id of a feeder or probe")]


def router(service: Service) -> APIRouter:
    """The calls over what devices are offered."""
    api = APIRouter(prefix="/api/v1", responses=problems.RESPONSES)

    @api.post("/devices/{device}/update", status_code=201, summary="Offer a device this package's firmware",
              tags=["entries"])  # fmt: skip
    def offer(device: DeviceId, body: requests.UpdateRequest | None = None) -> UpdateAnswer:
        """Answers with where that stands; refused where the device takes no updates or runs this firmware already."""
        return service.updates.offer(device, None if body is None else body.by)

    @api.get("/devices/{device}/update", summary="Where the update of a device stands", tags=["looking"])
    def stands(device: DeviceId) -> UpdateAnswer:
        """How far the newest offer has come; `none` where nothing was offered."""
        return service.updates.view(device)

    return api
