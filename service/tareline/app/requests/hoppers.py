"""Requests that enter what was done to a hopper and its load cell, and food given by hand."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator

from tareline.app.requests.fields import Grams, Identifier, LongText, TimedRequest


class RefillRequest(TimedRequest):
    model_config = ConfigDict(json_schema_extra={"examples": [{"added_g": 30, "food": "flakes"}]})

    added_g: Grams | None = None
    before_g: Grams | None = None
    after_g: Grams | None = None
    food: Identifier | None = None

    @model_validator(mode="after")
    def _one_way(self) -> "RefillRequest":
        pair = self.before_g is not None and self.after_g is not None
        some = self.before_g is not None or self.after_g is not None
        if (self.added_g is not None) == some or (some and not pair):
            raise ValueError("added_g: expected either added_g, or before_g and after_g")
        if pair and (self.after_g or 0.0) < (self.before_g or 0.0):
            raise ValueError("after_g: expected at least before_g")
        return self


class WeighInRequest(TimedRequest):
    """The hopper's content: net as mass_g, or gross_g with the tare_g of what it was weighed in."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"mass_g": 36.4, "sd_g": 0.1, "by": "Ada"}]})

    mass_g: Grams | None = None
    gross_g: Grams | None = None
    tare_g: Grams | None = None
    sd_g: Grams | None = None

    @model_validator(mode="after")
    def _net(self) -> "WeighInRequest":
        pair = self.gross_g is not None and self.tare_g is not None
        some = self.gross_g is not None or self.tare_g is not None
        if (self.mass_g is not None) == some or (some and not pair):
            raise ValueError("mass_g: expected either mass_g, or gross_g and tare_g")
        if pair and (self.gross_g or 0.0) < (self.tare_g or 0.0):
            raise ValueError("gross_g: expected at least tare_g")
        return self

    @property
    def net_g(self) -> float:
        return self.mass_g if self.mass_g is not None else round((self.gross_g or 0.0) - (self.tare_g or 0.0), 6)


class LossRequest(TimedRequest):
    """Food that left the hopper without a dose: spilled, thrown away, eaten by somebody else."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"mass_g": 0.5, "text": "Spilt while filling."}]})

    mass_g: Annotated[float, Field(gt=0, le=100_000)]
    sd_g: Grams | None = None
    text: LongText = ""


class HopperRequest(TimedRequest):
    """The hopper is taken off the cell, and feeding is held; or it hangs again."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"hung": False}]})

    hung: bool


class CheckMassRequest(BaseModel):
    """A check mass on the cell, and what the cell showed, tared without it."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    mass_g: Grams
    shown_g: Annotated[float, Field(ge=-100_000, le=100_000)]


class CalibrationRequest(TimedRequest):
    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "points": [
                        {"mass_g": 0, "shown_g": 0.01},
                        {"mass_g": 20, "shown_g": 20.02},
                        {"mass_g": 50, "shown_g": 50.04},
                    ]
                }
            ]
        }
    )

    points: Annotated[list[CheckMassRequest], Field(min_length=3, max_length=50)]

    @model_validator(mode="after")
    def _apart(self) -> "CalibrationRequest":
        if len({point.mass_g for point in self.points}) < 2:
            raise ValueError("points: expected at least two different masses")
        return self


class HandFeedRequest(TimedRequest):
    model_config = ConfigDict(json_schema_extra={"examples": [{"mass_g": 0.07, "sd_g": 0.02, "by": "Ada"}]})

    mass_g: Annotated[float, Field(gt=0, le=1000)]
    sd_g: Grams | None = None
    food: Identifier | None = None
