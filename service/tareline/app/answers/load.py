"""A tank's load, its past as the load's record has it, and the weeks ahead. Grams a day of the food it is fed."""

from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from tareline.app.answers.base import Answer, AnswerAsGiven, LocalDay, LocalTime
from tareline.core.load.limit import LimitsBy


class LimitAnswer(Answer):
    """The limit: a 90 % interval and its median. `p95` and `p50` are null where it is open above, all are null where it
    is not known."""

    found: Annotated[bool, Field(description="Whether the interval is narrow enough to speak of a limit")]
    p5: Annotated[float | None, Field(description="5 % quantile, g a day")]
    p50: Annotated[float | None, Field(description="Median, g a day")]
    p95: Annotated[float | None, Field(description="95 % quantile, g a day")]


class ProvenAnswer(Answer):
    """When the proven ration was held, both days included, or why nothing is proven."""

    since: LocalDay | None
    until: LocalDay | None
    why_not: str | None


class LoadNow(Answer):
    """What the tank's life takes up at present: a 90 % interval and its median."""

    p5: Annotated[float, Field(description="5 % quantile, g a day")]
    p50: Annotated[float, Field(description="Median, g a day")]
    p95: Annotated[float, Field(description="95 % quantile, g a day")]


class DiagnosticsAnswer(Answer):
    """Whether the calculation can be trusted."""

    speaks: bool
    why: Annotated[str, Field(description="Why it does not speak; empty where it does")]
    effective_draws: float
    accepted: Annotated[float, Field(description="The share of moves that were accepted, 0 to 1")]
    contraction: Annotated[
        float, Field(description="Standard deviation of the log limit, after the readings over before")
    ]
    blunders: Annotated[float, Field(description="The share of readings that look like slips, 0 to 1")]


class GuessAnswer(Answer):
    """A first guess of the limit from other tanks of the same keeper: a 90 % interval and its median."""

    p5: Annotated[float, Field(description="5 % quantile, g a day")]
    p50: Annotated[float, Field(description="Median, g a day")]
    p95: Annotated[float, Field(description="95 % quantile, g a day")]
    tanks: Annotated[int, Field(description="From how many tanks")]
    per: Literal["litre", "planted area"]
    text: str


class TankLoadAnswer(Answer):
    """How much food the tank's life is processing, where its limit lies, and how sure that is."""

    as_of: Annotated[LocalTime | None, Field(description="Up to when the record goes; null: nothing was calculated")]
    fresh: Annotated[bool, Field(description="Whether everything that was entered is in it")]
    refuses: Annotated[str | None, Field(description="Why nothing is said; null where something is")]
    trouble: Annotated[str | None, Field(description="Why it could not be calculated at the last try")]
    food: Annotated[str | None, Field(description="The name of the food whose grams these are")]
    limit_g_per_day: LimitAnswer
    proven_g_per_day: Annotated[float | None, Field(description="The highest ration held with the water in balance")]
    proven: ProvenAnswer | None
    recommended_g_per_day: float | None
    recommended_why: Literal["a share of the limit", "proven", "nothing proven yet"] | None
    load_now_g_per_day: LoadNow | None
    fed_now_g_per_day: Annotated[float | None, Field(description="Mean of the last four weeks")]
    fed_now_under_limit: Annotated[float | None, Field(description="The probability that this stays under the limit")]
    limits_by: LimitsBy | None
    nitrate_ceiling_mg_per_l: Annotated[float, Field(description="As the ion")]
    evidence: Annotated[list[str], Field(description="What the answer rests on, in sentences")]
    diagnostics: DiagnosticsAnswer | None
    guesses: list[GuessAnswer]


class BandAnswer(Answer):
    """Quantiles of what is forecast."""

    p5: float
    p25: float
    p50: float
    p75: float
    p95: float


class RestAnswer(Answer):
    """Quantiles of the steady state of a content; null where none is reached."""

    p5: float | None
    p25: float | None
    p50: float | None
    p75: float | None
    p95: float | None


class ForecastDay(AnswerAsGiven):
    """The water at the end of a day ahead. Dissolved solids are left out where nothing can be said of them."""

    model_config = ConfigDict(extra="forbid")

    date: LocalDay
    at: LocalTime
    daily_g: Annotated[float, Field(description="The ration of the day")]
    ammonia_mg_n_per_l: BandAnswer
    nitrite_mg_n_per_l: BandAnswer
    nitrate_mg_per_l: Annotated[BandAnswer, Field(description="As the ion")]
    tds_mg_per_l: Annotated[BandAnswer | None, Field(description="Dissolved solids")] = None
    over_ceiling: Annotated[float, Field(description="The probability of nitrate above the tank's ceiling")]
    ammonia_or_nitrite_seen: Annotated[float, Field(description="The probability that a kit shows one of them")]


class ForecastAnswer(Answer):
    """The water of the days ahead, in bands."""

    as_of: Annotated[LocalTime, Field(description="Up to when the record goes that it begins from")]
    fresh: Annotated[bool, Field(description="Whether everything that was entered is in it")]
    food: Annotated[str | None, Field(description="The name of the food that is fed in it; null: the one fed last")]
    nitrate_ceiling_mg_per_l: Annotated[float, Field(description="As the ion")]
    days: list[ForecastDay]
    rests_at_nitrate_mg_per_l: Annotated[
        RestAnswer, Field(description="Nitrate, as the ion, at rest under the last day's ration")
    ]


class PastDay(Answer):
    """A day of the load's record. day: days from today."""

    day: int
    date: LocalDay
    ration_g: float
    fed_g: float


class PastReading(Answer):
    """A reading of the load's record. day: days from today; high is None where it is open above."""

    day: float
    date: LocalDay
    value: float
    low: float
    high: float | None
    detected: bool


class PastAnswer(Answer):
    """The record so far. now: the moment it was made, in days from today; readings: by analyte and its unit."""

    begin: LocalDay
    days: list[PastDay]
    now: float
    readings: dict[str, list[PastReading]]
