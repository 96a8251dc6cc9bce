"""A tank's load and its forecast over HTTP."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from tareline.app import requests
from tareline.app.answers.load import ForecastAnswer, TankLoadAnswer
from tareline.app.queries.load import DAYS, WhatIf, forecast_view, load_view
from tareline.service import Service
from tareline.web import problems

TankId = Annotated[str, Path(description="The id of a tank")]


def router(service: Service) -> APIRouter:
    """The load, and the weeks ahead."""
    api = APIRouter(prefix="/api/v1", responses={"default": problems.DESCRIBED}, tags=["looking"])

    @api.get("/tanks/{tank}/load", summary="What a tank carries and can take")
    def load(tank: TankId) -> TankLoadAnswer:
        """How much food the tank's life is processing, where its limit lies, and how sure that is."""
        return load_view(service.context, service.loads, tank)

    @api.get("/tanks/{tank}/forecast", summary="The water of the days ahead")
    def forecast(
        tank: TankId,
        daily_g: Annotated[float | None, Query(description="A steady ration; without it as it is planned")] = None,
        days: Annotated[int, Query(description="How many days, 1 to 365")] = DAYS,
        food: Annotated[str | None, Query(description="The id of another food")] = None,
        change_l: Annotated[float | None, Query(description="Litres of water changed now")] = None,
        water: Annotated[str | None, Query(description="The id of the source water of that change")] = None,
        plants_removed: Annotated[
            float | None, Query(description="The share of the plants that is removed now, 0 to 1")
        ] = None,
        holiday_start: Annotated[requests.Day | None, Query(description="First day of a holiday")] = None,
        holiday_end: Annotated[requests.Day | None, Query(description="Its last day")] = None,
        holiday_g: Annotated[float, Query(description="The most that is fed on each day of it")] = 0.0,
    ) -> ForecastAnswer:
        """In bands, for a steady ration or as it is planned; and what would follow from a change."""
        asked = WhatIf(
            daily_g, days, food, change_l, water, plants_removed, holiday_start, holiday_end, holiday_g
        )  # fmt: skip
        return forecast_view(service.context, service.loads, tank, asked)

    return api
