"""What devices sent over time, thinned out."""

from typing import Annotated

from pydantic import Field

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

    metric: str
    unit: str
    points: list[SeriesPoint]
