"""Requests about a ramp."""

from typing import Annotated, Literal

from pydantic import ConfigDict, Field, model_validator

from tareline.app.requests.fields import LongText, Request, one_of


class RampRequest(Request):
    """How a ramp raises a ration: grams a day at its start, in a step, and at most; days between steps; who
    consents."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"start_g": 0.4, "step_g": 0.1, "ceiling_g": 1.2, "consent": "ask"}]}
    )

    start_g: Annotated[float, Field(gt=0, le=1000)]
    step_g: Annotated[float, Field(gt=0, le=1000)]
    ceiling_g: Annotated[float, Field(gt=0, le=1000)]
    dwell_days: Annotated[float, Field(ge=7, le=365)] = 28.0
    fraction: Annotated[float, Field(gt=0, le=1)] = 1 / 3
    consent: Literal["ask", "auto"] = "ask"
    confirm: bool = False

    @model_validator(mode="after")
    def _upwards(self) -> "RampRequest":
        if self.ceiling_g < self.start_g:
            raise ValueError(f"ceiling_g: expected at least start_g ({self.start_g:g}); found {self.ceiling_g:g}")
        return self


class RampDecisionRequest(Request):
    """What a person decides of a ramp: `decision`, or one of `accept`, `veto` and `stop` as true."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"decision": "accept", "note": "The water was clear all week."}]}
    )

    decision: Literal["accept", "veto", "stop"] | None = None
    accept: bool = False
    veto: bool = False
    stop: bool = False
    note: LongText | None = None

    @model_validator(mode="after")
    def _one(self) -> "RampDecisionRequest":
        self.decision = one_of(self, "accept", "veto", "stop")
        return self
