"""Requests that decide about feeding: rations, absences, holds and releases."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from tareline.app.requests.fields import Day, Identifier, Request, Words


class MealRequest(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    at: str
    share: float
    feeder: Identifier | None = None


class RationRequest(Request):
    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {"daily_g": 0.6, "cap_g": 0.9, "meals": [{"at": "08:00", "share": 0.5}, {"at": "18:00", "share": 0.5}]}
            ]
        }
    )

    daily_g: float
    cap_g: float
    meals: Annotated[list[MealRequest], Field(max_length=100)]
    carry_over: float = 0.0
    confirm: bool = False


class AbsenceRequest(Request):
    """Local days, both included, on which less is fed; a `daily_g` of null ends a planned absence."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"start": "2026-07-04", "end": "2026-07-18", "daily_g": 0.4, "by": "Ada"}]}
    )

    start: Day | None = None
    end: Day | None = None
    daily_g: Annotated[float, Field(ge=0, le=1000)] | None
    tell: Words | None = None

    @model_validator(mode="after")
    def _days(self) -> "AbsenceRequest":
        if self.daily_g is not None:
            for name in ("start", "end"):
                if getattr(self, name) is None:
                    raise ValueError(f"{name}: expected a date")
        return self


class HoldRequest(Request):
    model_config = ConfigDict(json_schema_extra={"examples": [{"reason": "The water is cloudy.", "by": "Ada"}]})

    reason: Words


class ReleaseRequest(Request):
    model_config = ConfigDict(
        json_schema_extra={"examples": [{"note": "Clear again, nitrite below detection.", "by": "Ada"}]}
    )

    note: Words
