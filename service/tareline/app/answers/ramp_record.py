"""The record of a ramp on one page."""

from typing import Annotated

from pydantic import Field

from tareline.app.answers.base import Answer, LocalTime
from tareline.app.answers.ramp import KnowledgeAnswer, RampSetting
from tareline.app.answers.things import NamedTank, Stage
from tareline.app.answers.water import StatedAnswer
from tareline.core.safety.ramp import State as RampState


class AnalyteSeen(Answer):
    """How often an analyte was measured, and between which values, as they were stated.

    Values stated on another basis than the newest are counted and not compared.
    """

    n: int
    lowest: float
    highest: float
    newest: StatedAnswer


class RampStage(Answer):
    """One ration of the road: what was fed while it was in force, and what the water showed."""

    daily_g: Annotated[float, Field(description="The ration")]
    from_: Annotated[LocalTime, Field(alias="from")]
    to: LocalTime
    days: float
    dispensed_g: Annotated[float | None, Field(description="What feeders gave; null: nobody knows")]
    dispensed_sd_g: Annotated[float | None, Field(description="Standard deviation of that")]
    handfed_g: float
    held_days: Annotated[float, Field(description="For how long feeding was held")]
    readings: Annotated[dict[str, AnalyteSeen], Field(description="By analyte")]


class FoodSeen(Answer):
    """A food that is fed."""

    name: str
    protein_percent: float


class NoteSeen(Answer):
    """A note on what the limit depends on."""

    at: LocalTime
    text: str
    share: Annotated[float | None, Field(description="Of a harvest: the share of the plants, 0 to 1")]


class RampConditions(Answer):
    """What the limit holds under."""

    volume_l: float
    planted_area_cm2: float | None
    light_h_per_day: float | None
    stage: Stage
    nitrate_ceiling_mg_per_l: float
    foods: list[FoodSeen]
    notes: Annotated[dict[str, list[NoteSeen]], Field(description="By what they are about")]


class RampRecordAnswer(Answer):
    """What was fed, what the water did, the limit, the ration to keep, and the conditions under which that holds."""

    tank: NamedTank
    made_at: LocalTime
    from_: Annotated[LocalTime, Field(alias="from")]
    to: LocalTime
    state: RampState
    ended: bool
    set: RampSetting
    reasons: Annotated[list[str], Field(description="Why it stands there, in sentences")]
    waits_for: Annotated[list[str], Field(description="What it waits for, in sentences")]
    limit: KnowledgeAnswer | None
    keep_g_per_day: Annotated[float | None, Field(description="The ration to keep, once the limit is found")]
    ration_g_per_day: float
    stages: list[RampStage]
    water_changed_l: float
    topped_up_l: float
    topped_up_unknown: Annotated[int, Field(description="Top-ups of unknown volume")]
    holds: Annotated[list[str], Field(description="Why lines or people held or reduced feeding, oldest first")]
    conditions: RampConditions
