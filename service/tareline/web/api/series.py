"""Series of samples over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from tareline.app import requests
from tareline.app.answers.series import SeriesAnswer
from tareline.app.requests.fields import instant_ms
from tareline.service import Service
from tareline.web import problems


def router(service: Service) -> APIRouter:
    """What a tank's devices sent."""
    api = APIRouter(prefix="/api/v1", responses=problems.RESPONSES, tags=["looking"])

    @api.get("/tanks/{tank}/series", summary="What a tank's probes or cells sent")
    def series(
        tank: Annotated[str, Path(description="The id of a tank")],
        metric: Annotated[str, Query(description="temperature, conductivity and so on")],
        start: Annotated[requests.Moment, Query(description="The first instant, RFC 3339")],
        end: Annotated[requests.Moment, Query(description="The instant after the last, RFC 3339")],
        points: Annotated[int, Query(description="How many points at most, 1 to 10000")] = 500,
    ) -> SeriesAnswer:
        """Thinned out to so many points, each with the mean, the lowest and the highest of its stretch of time."""
        return service.waters.series(tank, metric, instant_ms("start", start), instant_ms("end", end), points)

    return api
