"""The report of one feeder over one period: tickets of doses, sums, and what the weights say about them."""

from typing import Annotated

from pydantic import ConfigDict, Field, JsonValue

from tareline.app.answers.base import Answer, LocalDay, LocalTime
from tareline.app.answers.days import FindingAnswer
from tareline.app.answers.entries import EntryAnswer, EntryNumber
from tareline.app.answers.hoppers import HopperAnswer
from tareline.app.answers.things import FoodAnswer, NamedTank


class InstrumentAnswer(Answer):
    """What the feeder announced last; null where it has not."""

    board: Annotated[str | None, Field(description="The hardware's own number")]
    calibration: Annotated[JsonValue, Field(description="The calibration of its cell, in the device's own words")]
    firmware: Annotated[str | None, Field(description="The firmware's name and version")]


class PeriodAnswer(Answer):
    """The days of a report, both included, and the instants between which they lie."""

    start: LocalDay
    end: LocalDay
    from_: Annotated[LocalTime, Field(alias="from")]
    to: LocalTime
    timezone: Annotated[str, Field(description="Its name in the IANA time zone database")]


class ReportTotals(Answer):
    """Sums over the period."""

    budget_g: Annotated[float | None, Field(description="What rations gave to this feeder; null: no ration")]
    asked_g: Annotated[float, Field(description="What was asked of its doses")]
    dispensed_g: Annotated[float | None, Field(description="What it gave; null: nobody knows")]
    dispensed_sd_g: Annotated[float | None, Field(description="Standard deviation of that")]
    provisional: Annotated[bool, Field(description="Whether later weighings can still change it")]
    doses: Annotated[int, Field(description="How many there were, with those that were lost")]
    unweighed: Annotated[int, Field(description="How many of them moved food and were not weighed")]


class ReportDrift(Answer):
    """What came out less what was asked, in grams."""

    drift_g: float
    cause: Annotated[str | None, Field(description="The cause of its largest part; null: there is none")]
    by_cause: Annotated[dict[str, float], Field(description="Its parts, by cause")]


class ReportDay(Answer):
    """One day of the report."""

    date: LocalDay
    budget_g: Annotated[float | None, Field(description="What the ration gave to this feeder; null: no ration")]
    dispensed_g: Annotated[float | None, Field(description="What it gave; null: nobody knows")]
    dispensed_sd_g: Annotated[float | None, Field(description="Standard deviation of that")]
    provisional: Annotated[bool, Field(description="Whether later weighings can still change it")]
    finding: Annotated[bool, Field(description="Whether a finding makes it doubtful")]


class TicketAnswer(Answer):
    """A dose as a balance prints it, or doses that were lost; null is what nobody knows."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "entry": 901,
                    "at": "2026-03-02T08:00:04.000+01:00",
                    "at_low": "2026-03-02T07:40:00.000+01:00",
                    "at_high": "2026-03-02T08:00:04.000+01:00",
                    "feeder": "feeder-atlas",
                    "board": "b-17",
                    "calibration": "two masses",
                    "food": "crumbs",
                    "before_g": 41.284,
                    "after_g": 41.259,
                    "net_g": 0.025,
                    "sd_g": 0.0021,
                    "temperature_c": 22.4,
                    "cause": "plan",
                    "meal": "2026-03-02T08:00",
                    "outcome": "ok",
                    "target_g": 0.025,
                    "steps": 25,
                    "estimate_g": 0.0247,
                    "estimate_sd_g": 0.0009,
                    "journal": "0ld5tory",
                    "seq": 412,
                    "count": 1,
                }
            ]
        }
    )

    entry: EntryNumber
    at: LocalTime
    at_low: Annotated[LocalTime | None, Field(description="Not before this, where the feeder's clock was not set")]
    at_high: Annotated[LocalTime | None, Field(description="Not after this, where the feeder's clock was not set")]
    feeder: str
    board: Annotated[str | None, Field(description="The hardware's own number, as announced last")]
    calibration: Annotated[JsonValue, Field(description="The calibration of its cell, as announced last")]
    food: Annotated[str | None, Field(description="The id of what was in the hopper then")]
    before_g: Annotated[float | None, Field(description="The hopper before it")]
    after_g: Annotated[float | None, Field(description="The hopper after it")]
    net_g: Annotated[float | None, Field(description="What was weighed: before less after")]
    sd_g: Annotated[float | None, Field(description="Standard deviation of what was weighed")]
    temperature_c: float | None
    cause: Annotated[str | None, Field(description="plan, command and so on")]
    meal: Annotated[str | None, Field(description="The slot of the plan")]
    outcome: str
    target_g: Annotated[float | None, Field(description="What was asked")]
    steps: Annotated[int | None, Field(description="Steps of the auger")]
    estimate_g: Annotated[float | None, Field(description="Its mass by all that is known of its feeder")]
    estimate_sd_g: Annotated[float | None, Field(description="Standard deviation of the estimate")]
    journal: Annotated[str | None, Field(description="The feeder's journal that it stands in")]
    seq: Annotated[int | None, Field(description="Its sequence number there")]
    count: Annotated[int, Field(description="How many doses it stands for: more than one where they were lost")]


class LimitPartAnswer(Answer):
    """A part of a reconciliation's limit."""

    source: Annotated[str, Field(description="Where it comes from, in words")]
    sd_g: Annotated[float, Field(description="Its standard deviation")]


class ReconciliationAnswer(Answer):
    """Two weigh-ins set against the doses between them."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "from": "2026-02-23T09:00:00.000+01:00",
                    "to": "2026-03-02T09:00:00.000+01:00",
                    "opening_entry": 640,
                    "closing_entry": 903,
                    "opening_g": 43.36,
                    "added_g": 0.0,
                    "closing_g": 41.26,
                    "by_scale_g": 2.1,
                    "by_cell_g": 2.09,
                    "doses": 84,
                    "unweighed": 1,
                    "difference_g": -0.01,
                    "limit_g": 0.049,
                    "within": True,
                    "limit_parts": [
                        {"source": "the two weigh-ins", "sd_g": 0.0141},
                        {"source": "the doses", "sd_g": 0.0206},
                    ],
                }
            ]
        }
    )

    from_: Annotated[LocalTime, Field(alias="from")]
    to: LocalTime
    opening_entry: EntryNumber
    closing_entry: EntryNumber
    opening_g: Annotated[float, Field(description="The first weigh-in")]
    added_g: Annotated[float, Field(description="What was filled in between the two")]
    closing_g: Annotated[float, Field(description="The second weigh-in")]
    by_scale_g: Annotated[float, Field(description="Opening and added less closing")]
    by_cell_g: Annotated[float, Field(description="The sum of the doses")]
    doses: int
    unweighed: Annotated[int, Field(description="Doses that count as estimated, since they were not weighed")]
    difference_g: Annotated[float, Field(description="By the cell less by the scale")]
    limit_g: Annotated[float, Field(description="95 % of the differences lie within it, to both sides")]
    within: bool
    limit_parts: Annotated[list[LimitPartAnswer], Field(description="What the limit is made of, added in quadrature")]


class CheckPoint(Answer):
    """A check mass, and what the cell showed under it."""

    mass_g: float
    shown_g: float
    residual_g: Annotated[float, Field(description="What was shown less the fitted line")]


class CalibrationAnswer(Answer):
    """The last calibration by check masses up to the period's end."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "entry": 120,
                    "at": "2026-01-10T10:00:00.000+01:00",
                    "count": 2,
                    "points": [
                        {"mass_g": 0.0, "shown_g": 0.01, "residual_g": 0.004},
                        {"mass_g": 50.0, "shown_g": 50.02, "residual_g": -0.007},
                        {"mass_g": 100.0, "shown_g": 100.05, "residual_g": 0.003},
                    ],
                    "slope": 1.0004,
                    "slope_u": 0.0008,
                    "drift": 0.0001,
                    "drift_sure": False,
                    "repeat_by": "2026-07-09T11:00:00.000+02:00",
                }
            ]
        }
    )

    entry: EntryNumber
    at: LocalTime
    count: Annotated[int, Field(description="How many calibrations there are in all")]
    points: list[CheckPoint]
    slope: Annotated[float, Field(description="Grams shown for each gram")]
    slope_u: Annotated[float, Field(description="Expanded uncertainty of the slope, 95 %")]
    drift: Annotated[float | None, Field(description="The slope less the one before; null: it is the first")]
    drift_sure: Annotated[bool, Field(description="Whether that is beyond both intervals")]
    repeat_by: LocalTime


class GainAnswer(Answer):
    """Grams of food for each step: announced by the feeder, told by the plan in force, and decided in the period."""

    announced_g_per_step: float | None
    planned_g_per_step: float | None
    decided: list[EntryAnswer]


class AccountPosition(Answer):
    """Up to which entry an account goes."""

    entry: EntryNumber


class ReportAnswer(Answer):
    """Everything about a feeder in some local days. What only its account can tell is null before there is one."""

    feeder: str
    tank: Annotated[NamedTank | None, Field(description="Where it is, or was last; null: it never was on a tank")]
    food: Annotated[FoodAnswer | None, Field(description="What was in the hopper at the end; null: not said")]
    instrument: InstrumentAnswer
    period: PeriodAnswer
    made_at: LocalTime
    account: Annotated[AccountPosition | None, Field(description="null: there is no account yet")]
    totals: ReportTotals
    drift: ReportDrift | None
    days: list[ReportDay]
    doses: list[TicketAnswer]
    weighins: list[EntryAnswer]
    refills: list[EntryAnswer]
    losses: list[EntryAnswer]
    hopper_moves: Annotated[list[EntryAnswer], Field(description="The hopper hung on the cell, or taken off")]
    reconciliation: Annotated[
        list[ReconciliationAnswer] | None, Field(description="Weigh-ins that enclose some of the period, in order")
    ]
    findings: Annotated[list[FindingAnswer], Field(description="What does not add up and nobody has decided")]
    calibration: Annotated[CalibrationAnswer | None, Field(description="null: no check masses are in the books")]
    gain: GainAnswer
    hopper: HopperAnswer
