"""What devices sent over time, thinned out."""

from typing import Annotated

from pydantic import ConfigDict, Field

from tareline.app.answers.base import Answer, LocalTime


class SeriesPoint(Answer):
    """What was sent in one stretch of time."""

    at: LocalTime
    value: Annotated[float, Field(description="Its mean")]
    low: float
    high: float
    n: Annotated[int, Field(description="How many samples it stands for")]


class SeriesAnswer(Answer):
    """A metric of a tank's probes or cells over time."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "metric": "temperature",
                    "unit": "Cel",
                    "points": [
                        {"at": "2026-03-02T08:00:00.000+01:00", "value": 23.4, "low": 23.3, "high": 23.5, "n": 6},
                    ],
                }
            ]
        }
    )

    metric: str
    unit: str
    points: list[SeriesPoint]
