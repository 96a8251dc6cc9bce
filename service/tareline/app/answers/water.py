"""A tank's water: readings as they were stated and in canonical units, trends, probes, and half a year of all of it."""

from typing import Annotated, Any, Self

from pydantic import ConfigDict, Field

from tareline.app.answers.balances import BalancesAnswer
from tareline.app.answers.base import Answer, LocalTime
from tareline.app.answers.entries import EntryNumber
from tareline.app.answers.lines import CrossingAnswer, LineAnswer
from tareline.core.probes.condition import Kind as AilmentKind
from tareline.core.trends.trend import Direction
from tareline.core.water.readings import Reading
from tareline.store.ledger import Entry

Basis = Annotated[str | None, Field(description="How nitrogen or hardness is stated")]


class StatedAnswer(Answer):
    """A reading in the unit and basis in which it was stated."""

    value: float
    unit: str
    basis: Basis
    detected: Annotated[bool, Field(description="false: `value` is a detection limit, and the water lies below it")]
    low: Annotated[float, Field(description="The least that the water may hold")]
    high: Annotated[float | None, Field(description="The most that it may hold; null: open")]

    @classmethod
    def of(cls, r: Reading, entry: Entry, /, **more: Any) -> Self:
        """The answer of a reading, from its entry. more: fields that only this kind of answer has."""
        body = entry.body
        return cls(
            value=body["value"],
            unit=body["unit"],
            basis=body.get("basis"),
            detected=r.detected,
            low=r.scale.stated(r.low),
            high=None if r.high is None else r.scale.stated(r.high),
            **more,
        )


class CanonicalAnswer(Answer):
    """The same reading in the canonical unit of its analyte."""

    value: float
    low: float
    high: Annotated[float | None, Field(description="null: open")]
    unit: str
    basis: Basis


class NewestReadingAnswer(StatedAnswer):
    """The newest reading of an analyte, and its trend."""

    analyte: str
    canonical: CanonicalAnswer
    at: LocalTime
    trend: Annotated[Direction | None, Field(description="null: no trend has been worked out")]
    alarm: Annotated[bool, Field(description="Whether the trend is worth telling a person")]
    stale: Annotated[str | None, Field(description="Why it is too old to say much, in words; null: it is not")]
    entry: EntryNumber


class FreeAmmoniaAnswer(Answer):
    """Un-ionised ammonia in mg/L as nitrogen, calculated from the newest total ammonia, pH and temperature."""

    value: float
    low: float
    high: Annotated[float | None, Field(description="null: open")]
    assumed: Annotated[list[str], Field(description="What was not measured lately and therefore assumed")]
    at: Annotated[LocalTime, Field(description="When total ammonia was measured")]
    detected: Annotated[bool, Field(description="false: total ammonia was below detection")]


class NewestWaterAnswer(Answer):
    """The newest reading of each analyte, and what follows for un-ionised ammonia."""

    latest: Annotated[dict[str, NewestReadingAnswer], Field(description="By analyte")]
    unionised_ammonia_mg_n_per_l: Annotated[
        FreeAmmoniaAnswer | None, Field(description="null: total ammonia has not been measured")
    ]


class ReachAnswer(Answer):
    """The next line that a rise or fall would reach, and between when it would do so."""

    limit: Annotated[float, Field(description="The line, in the canonical unit")]
    from_: Annotated[LocalTime | None, Field(alias="from", description="null: beyond the year 2100")]
    to: Annotated[LocalTime | None, Field(description="null: open")]


class PlateauAnswer(Answer):
    """Where the water levels off, with its 80 % interval, and between when only 5 % of the way is left."""

    low: Annotated[float | None, Field(description="null: open")]
    mid: float
    high: Annotated[float | None, Field(description="null: open")]
    from_: Annotated[LocalTime | None, Field(alias="from", description="null: beyond the year 2100")]
    to: Annotated[LocalTime | None, Field(description="null: open")]


class TrendAnswer(Answer):
    """The trend of an analyte, in its canonical unit; slopes with their 80 % interval."""

    direction: Direction
    unit: str
    basis: Basis
    slope_per_day: Annotated[float | None, Field(description="null: nothing bounds it")]
    slope_low: Annotated[float | None, Field(description="null: open")]
    slope_high: Annotated[float | None, Field(description="null: open")]
    since: Annotated[LocalTime | None, Field(description="The first reading that it rests on")]
    n: Annotated[int, Field(description="How many readings or daily means it rests on")]
    alarm: Annotated[bool, Field(description="Whether it is worth telling a person")]
    reaches: Annotated[ReachAnswer | None, Field(description="null: no line lies on the way")]
    plateau: Annotated[PlateauAnswer | None, Field(description="null: it does not level off")]
    how_sure: Annotated[str, Field(description="In a sentence")]


class AilmentAnswer(Answer):
    """A problem of a probe's metric."""

    kind: AilmentKind
    since: LocalTime
    text: str
    trusted: Annotated[bool, Field(description="Whether lines still act on what it sends")]


class OffsetAnswer(Answer):
    """Probe less reading by hand, as of the newest reading, with 95 % intervals."""

    value: Annotated[float, Field(description="In degC; of dissolved solids on the natural logarithm")]
    low: float
    high: float
    share: Annotated[bool, Field(description="Whether it is a share of the value, as for dissolved solids")]
    drift_per_30_d: Annotated[float | None, Field(description="null: too few readings to tell")]
    drift_low: float | None
    drift_high: float | None
    since: Annotated[LocalTime, Field(description="The first reading that it rests on")]
    at: Annotated[LocalTime, Field(description="The newest one")]
    n: Annotated[int, Field(description="How many readings it rests on")]


class ProbeHealthAnswer(Answer):
    """Whether a metric of a probe can be believed."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "probe": "probe-atlas",
                    "metric": "temperature",
                    "ailments": [
                        {
                            "kind": "drifting",
                            "since": "2026-02-20T09:00:00.000+01:00",
                            "text": "it moves away from the readings by 0.4 degC in 30 days",
                            "trusted": True,
                        }
                    ],
                    "offset": {
                        "value": 0.6,
                        "low": 0.3,
                        "high": 0.9,
                        "share": False,
                        "drift_per_30_d": 0.4,
                        "drift_low": 0.1,
                        "drift_high": 0.7,
                        "since": "2026-01-05T09:00:00.000+01:00",
                        "at": "2026-03-02T09:00:00.000+01:00",
                        "n": 9,
                    },
                }
            ]
        }
    )

    probe: Annotated[str, Field(description="The id of the probe")]
    metric: Annotated[str, Field(description="temperature or tds")]
    ailments: list[AilmentAnswer]
    offset: Annotated[OffsetAnswer | None, Field(description="null: not yet held against readings by hand")]


class TankWaterAnswer(NewestWaterAnswer):
    """What is known of a tank's water now."""

    trends: Annotated[dict[str, TrendAnswer], Field(description="By analyte")]
    balances: BalancesAnswer
    probes: list[ProbeHealthAnswer]


class ReadingAnswer(StatedAnswer):
    """A reading by hand, and which lines it crossed."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "value": 20.0,
                    "unit": "mg/L",
                    "basis": "ion",
                    "detected": True,
                    "low": 10.0,
                    "high": 40.0,
                    "entry": 812,
                    "at": "2026-03-02T09:15:00.000+01:00",
                    "analyte": "nitrate",
                    "canonical": {"value": 4.518, "low": 2.259, "high": 9.036, "unit": "mg/L", "basis": "N"},
                    "kit": "drops-no3",
                    "by": "morning desk",
                    "crossed": [],
                }
            ]
        }
    )

    entry: EntryNumber
    at: LocalTime
    analyte: str
    canonical: CanonicalAnswer
    kit: Annotated[str | None, Field(description="The id of the kit or instrument")]
    by: Annotated[str | None, Field(description="Who entered it")]
    crossed: list[CrossingAnswer]


class MeanAnswer(Answer):
    """What a probe sent in one stretch of time."""

    at: LocalTime
    value: Annotated[float, Field(description="Its mean")]
    low: Annotated[float, Field(description="The lowest")]
    high: Annotated[float, Field(description="The highest")]


class ProbeSeriesAnswer(Answer):
    """A metric that a probe sent, thinned out."""

    probe: Annotated[str, Field(description="The id of the probe")]
    metric: Annotated[str, Field(description="temperature, conductivity and so on")]
    unit: str
    points: list[MeanAnswer]


class MonthAnswer(Answer):
    """A calendar month, and the instants between which its shown days lie."""

    month: Annotated[str, Field(description="YYYY-MM")]
    start: LocalTime
    end: LocalTime


class CriteriaAt(Answer):
    """The water for which the published criteria are given; null where it was not measured lately."""

    ph: float | None
    temperature_c: float | None


class ActingLine(LineAnswer):
    """A line as it acts now."""

    canonical: Annotated[float, Field(description="Its limit in the canonical unit")]


class GuideAnswer(Answer):
    """A published figure, in the canonical unit."""

    limit: float
    what: Annotated[str, Field(description="What it is for")]
    source: str


class AnalyteHalfYear(Answer):
    """One analyte over 26 weeks. Daily means, lines and guides are in the canonical unit, which is `unit`."""

    analyte: str
    unit: str
    basis: Basis
    readings: list[ReadingAnswer]
    days: Annotated[list[MeanAnswer], Field(description="Daily means of the probe")]
    lines: list[ActingLine]
    guides: list[GuideAnswer]


class HalfYearAnswer(Answer):
    """The last 26 weeks of every analyte that was measured in them."""

    start: LocalTime
    end: LocalTime
    months: list[MonthAnswer]
    criteria_at: CriteriaAt
    analytes: list[AnalyteHalfYear]
