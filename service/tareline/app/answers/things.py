"""What there is: tanks, foods, source waters, kits, feeders and probes, as they were told of last."""

from typing import Annotated, Literal

from pydantic import Field

from tareline.app.answers.base import Answer, AnswerAsGiven, LocalTime

Stage = Literal["no animals", "stocked", "empty"]


class TankAnswer(AnswerAsGiven):
    """A tank. `by` and `since` are told where it is asked for, not where it was just entered."""

    id: str
    by: Annotated[str | None, Field(description="Who told of it")] = None
    volume_l: Annotated[float, Field(description="The water in it")]
    name: str
    timezone: Annotated[str, Field(description="Its name in the IANA time zone database")]
    stage: Stage
    nitrate_ceiling_mg_per_l: Annotated[float, Field(description="What nitrate, as the ion, should not exceed")] = 40.0
    tds_factor: Annotated[
        float | None, Field(description="mg/L of dissolved solids for 1 uS/cm at 25 degC; null: 0.64")
    ] = None
    planted_area_cm2: Annotated[float | None, Field(description="Area of the bottom that is planted")] = None
    light_h_per_day: Annotated[float | None, Field(description="For how long it is lit")] = None
    since: Annotated[LocalTime | None, Field(description="Since when it is in the books")] = None


class NamedTank(Answer):
    """A tank, in short."""

    id: str
    name: str


class FoodAnswer(AnswerAsGiven):
    """A food. `by` is told where it is asked for, not where it was just entered."""

    id: str
    by: Annotated[str | None, Field(description="Who told of it")] = None
    name: str
    protein_percent: Annotated[float, Field(description="Crude protein, percent of its mass")]
    particle_mg: Annotated[float | None, Field(description="Mass of one particle")] = None
    bulk_density_g_per_ml: float | None = None


class WaterAnswer(AnswerAsGiven):
    """A source water. `by` is told where it is asked for, not where it was just entered."""

    id: str
    by: Annotated[str | None, Field(description="Who told of it")] = None
    name: str
    tds_mg_per_l: Annotated[float | None, Field(description="Dissolved solids")] = None
    nitrate_mg_per_l: Annotated[float | None, Field(description="Nitrate, as the ion")] = None
    ammonia_mg_per_l: Annotated[float | None, Field(description="Ammonia, as the ion")] = None
    kh_dkh: Annotated[float | None, Field(description="Carbonate hardness")] = None
    chloramine: Annotated[bool, Field(description="Whether it is disinfected with chloramine")] = False


class KitAnswer(AnswerAsGiven):
    """A kit or an instrument that somebody measures with by hand. `by` is told where it is asked for."""

    id: str
    by: Annotated[str | None, Field(description="Who told of it")] = None
    name: str
    analyte: str
    unit: str
    basis: Annotated[str | None, Field(description="How nitrogen or hardness is stated")] = None
    steps: Annotated[list[float] | None, Field(description="The steps of its scale, in `unit`")] = None
    resolution: Annotated[float | None, Field(description="What an instrument can tell apart, in `unit`")] = None
    factor: Annotated[
        float | None, Field(description="mg/L for 1 uS/cm that an instrument for dissolved solids uses")
    ] = None


class FeederAnswer(AnswerAsGiven):
    """A feeder: on which tank it is, and what is in its hopper. `by` is told where it is asked for."""

    id: str
    by: Annotated[str | None, Field(description="Who told of it")] = None
    tank: Annotated[str | None, Field(description="The id of its tank; null: on none")] = None
    food: Annotated[str | None, Field(description="The id of its food; null: not said")] = None


class ProbeAnswer(AnswerAsGiven):
    """A probe: on which tank it is. `by` is told where it is asked for."""

    id: str
    by: Annotated[str | None, Field(description="Who told of it")] = None
    tank: Annotated[str | None, Field(description="The id of its tank; null: on none")] = None


ThingAnswer = TankAnswer | FoodAnswer | WaterAnswer | KitAnswer | FeederAnswer | ProbeAnswer
THINGS: dict[str, type[ThingAnswer]] = {
    "tank": TankAnswer,
    "food": FoodAnswer,
    "water": WaterAnswer,
    "kit": KitAnswer,
    "feeder": FeederAnswer,
    "probe": ProbeAnswer,
}
