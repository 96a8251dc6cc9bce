"""Requests that set the lines of a tank."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field
from pydantic.config import JsonDict

from tareline.app.requests.fields import MOST_LINES, Analyte, Request, Words


class LineRequest(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    analyte: Analyte
    above: float | None = None
    below: float | None = None
    unit: Words
    basis: str | None = None
    do: Literal["notify", "reduce", "hold"]
    reduce_to: float | None = None


LINE_EXAMPLE: JsonDict = {"analyte": "ammonia", "above": 0.5, "unit": "mg/L", "basis": "N", "do": "hold"}


class LinesRequest(Request):
    model_config = ConfigDict(json_schema_extra={"examples": [{"lines": [LINE_EXAMPLE], "by": "Ada"}]})

    lines: Annotated[list[LineRequest], Field(max_length=MOST_LINES)]
    confirm: bool = False
