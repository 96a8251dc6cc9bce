"""The books of days: doses, hand feeds, and what they add up to."""

from typing import Annotated

from pydantic import Field

from tareline.app.answers.base import Answer, LocalDay, LocalTime


class DriftAnswer(Answer):
    """How far what came out lies from what was asked, and why."""

    asked_g: float
    given_g: float
    drift_g: float
    cause: str | None


class DoseAnswer(Answer):
    """A dose, or doses that were lost; null is what nobody knows."""

    entry: int
    at: LocalTime
    at_low: Annotated[LocalTime | None, Field(description="Not before this, where the feeder's clock was not set")]
    at_high: Annotated[LocalTime | None, Field(description="Not after this, where the feeder's clock was not set")]
    feeder: str
    food: Annotated[str | None, Field(description="The id of what was in the hopper then")]
    cause: Annotated[str | None, Field(description="plan, command and so on")]
    meal: Annotated[str | None, Field(description="The slot of the plan")]
    target_g: Annotated[float | None, Field(description="What was asked")]
    steps: Annotated[int | None, Field(description="Steps of the auger")]
    before_g: Annotated[float | None, Field(description="The hopper before it")]
    after_g: Annotated[float | None, Field(description="The hopper after it")]
    mass_g: Annotated[float | None, Field(description="What was weighed")]
    sd_g: Annotated[float | None, Field(description="Standard deviation of what was weighed")]
    estimate_g: Annotated[float | None, Field(description="Its mass by all that is known of its feeder")]
    estimate_sd_g: Annotated[float | None, Field(description="Standard deviation of the estimate")]
    temperature_c: float | None
    outcome: str
    journal: Annotated[str | None, Field(description="The feeder's journal that it stands in")]
    seq: Annotated[int | None, Field(description="Its sequence number there")]
    count: Annotated[int, Field(description="How many doses it stands for: more than one where they were lost")]


class HandFeedAnswer(Answer):
    """Food given by hand."""

    entry: int
    at: LocalTime
    mass_g: float
    sd_g: float | None
    by: str | None
    food: Annotated[str | None, Field(description="The id of the food")]


class DayAnswer(Answer):
    """The books of one local day; masses are null where nobody knows them."""

    date: LocalDay
    start: LocalTime
    end: LocalTime
    budget_g: Annotated[float | None, Field(description="What the day's ration allows; null: no ration")]
    dispensed_g: Annotated[float | None, Field(description="What feeders gave")]
    dispensed_sd_g: Annotated[float | None, Field(description="Its standard deviation")]
    provisional: Annotated[bool, Field(description="Whether later weighings can still change it")]
    handfed_g: float
    handfed_sd_g: Annotated[float | None, Field(description="Standard deviation of what was fed by hand")]
    remaining_g: Annotated[float | None, Field(description="What is left of the budget")]
    held_s: Annotated[int, Field(description="For how long feeding was held, in seconds")]
    flags: Annotated[list[str], Field(description="What is special about the day, in words")]
    drift: DriftAnswer | None
    doses: list[DoseAnswer]
    handfeeds: list[HandFeedAnswer]


class FedAnswer(Answer):
    """One dose or hand feed of today."""

    at: LocalTime
    what: Annotated[str, Field(description="The feeder, or hand")]
    mass_g: float | None
    by: str | None
    cause: str | None


class FedTodayAnswer(Answer):
    """What was fed today, and by whom."""

    date: LocalDay
    budget_g: float | None
    dispensed_g: float | None
    handfed_g: float
    remaining_g: float | None
    by: list[FedAnswer]


class CauseAnswer(Answer):
    """What may have caused a finding."""

    cause: str
    share: Annotated[float, Field(description="Its share of the probability, 0 to 1")]
    evidence: str


class MendAnswer(Answer):
    """The one entry that would mend the books."""

    kind: str
    at: LocalTime
    corrects: Annotated[int | None, Field(description="The entry that it would stand for")]
    mass_g: float | None
    sd_g: float | None


class FindingAnswer(Answer):
    """What does not add up in a feeder's books: where, how large, and why."""

    id: str
    kind: str
    feeder: str
    from_: Annotated[LocalTime, Field(alias="from")]
    to: LocalTime
    after: Annotated[int | None, Field(description="The entry after which it happened")]
    before: Annotated[int | None, Field(description="The entry before which it happened")]
    mass_g: Annotated[float, Field(description="Its size; of a gain, the share that a step gives more")]
    sd_g: Annotated[float, Field(description="Its standard deviation, likewise")]
    deviations: Annotated[float | None, Field(description="Its size over its standard deviation")]
    likely: Annotated[list[CauseAnswer], Field(description="What may have caused it, the likeliest first")]
    mend: MendAnswer | None


class RevisedDay(Answer):
    """How a day was told before and after."""

    from_ms: Annotated[int, Field(description="The day's beginning, UNIX milliseconds")]
    before_g: float
    before_sd_g: float
    after_g: float
    after_sd_g: float
    date: LocalDay


class RevisionAnswer(Answer):
    """What later entries have changed in past days."""

    at: LocalTime
    feeder: str
    entries: Annotated[list[int], Field(description="The entries that changed it")]
    days: list[RevisedDay]


class WeekTotalsAnswer(Answer):
    """A week's sums; the budget and what was dispensed are null where nobody knows them."""

    budget_g: float | None
    dispensed_g: float | None
    dispensed_sd_g: float | None
    handfed_g: float
    provisional: bool


class HoldPeriod(Answer):
    """From when to when feeding was held or reduced; `to` is null while it lasts."""

    from_: Annotated[LocalTime, Field(alias="from")]
    to: LocalTime | None
    kind: Annotated[str, Field(description="hold or reduce")]
    reduce_to: Annotated[float | None, Field(description="The share of each meal that was fed, 0 to 1")]
    text: str
