"""Hoppers: what is in them, how long it lasts, and how much they should hold."""

from typing import Annotated

from pydantic import Field

from tareline.app.answers.base import Answer, LocalTime


class HopperAnswer(Answer):
    """A hopper by its feeder's account, if the plan in force continues; every value is null before there is an account,
    and days are null where nothing is being fed."""

    content_g: float | None = None
    content_sd_g: float | None = None
    days_left: float | None = None
    days_low: Annotated[float | None, Field(description="5 % quantile of the days")] = None
    days_high: Annotated[float | None, Field(description="95 % quantile of the days")] = None
    refill_by: LocalTime | None = None
    weigh_by: LocalTime | None = None


class NewestWeighIn(Answer):
    """The newest weigh-in of a hopper."""

    at: LocalTime
    mass_g: float
    sd_g: float | None


class TankHopperAnswer(Answer):
    """A hopper of a tank: what is in it by its account, or before there is one by what was weighed last."""

    feeder: str
    food: Annotated[str | None, Field(description="The id of the food")]
    as_of: LocalTime | None
    by: Annotated[str | None, Field(description="What tells its content: account, cell, weigh-in or refill")]
    online: Annotated[bool | None, Field(description="null: never heard of")]
    last_weighin: NewestWeighIn | None
    content_g: float | None
    content_sd_g: float | None
    days_left: float | None
    days_low: Annotated[float | None, Field(description="5 % quantile of the days")]
    days_high: Annotated[float | None, Field(description="95 % quantile of the days")]
    refill_by: LocalTime | None
    weigh_by: LocalTime | None


class HopperAdvice(Answer):
    """How much a hopper should hold at most: what its tank survives at once."""

    most_g: float
    content_g: float | None
    exceeded: bool
    analyte: str
    line_mg_n_per_l: Annotated[float, Field(description="The line that it is calculated from, as nitrogen")]
    ph: float
    temperature_c: float
    assumed: Annotated[list[str], Field(description="What was assumed, since nobody has measured it lately")]
    text: str
