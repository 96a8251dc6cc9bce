"""Rations, holds, absences, and what is due."""

from typing import Annotated, Literal

from pydantic import Field

from tareline.app.answers.base import Answer, LocalDay, LocalTime
from tareline.core.safety.due_list import What
from tareline.core.safety.hold import Kind


class MealAnswer(Answer):
    """A meal of a ration."""

    at: Annotated[str, Field(description="Local time, HH:MM")]
    share: Annotated[float, Field(description="Its share of the day's ration, 0 to 1")]
    feeder: Annotated[str | None, Field(description="Who gives it; null: the tank's first feeder")]


class RationToday(Answer):
    """What is in force today: a ration that was raised holds from the next local midnight."""

    daily_g: float
    cap_g: Annotated[float, Field(description="What a day must not exceed, with hand feeds")]
    carry_over: Annotated[float, Field(description="The share of what remained that the next day may add, 0 to 1")]


class RationAnswer(Answer):
    """The ration that was decided last, and what of it is in force today."""

    daily_g: float
    cap_g: Annotated[float, Field(description="What a day must not exceed, with hand feeds")]
    meals: list[MealAnswer]
    carry_over: Annotated[float, Field(description="The share of what remained that the next day may add, 0 to 1")]
    decided_at: LocalTime
    today: RationToday


class StopAnswer(Answer):
    """That a feeder has stopped itself and has not confirmed its release."""

    since: LocalTime
    code: Annotated[str, Field(description="The fault code that told of it")]
    text: Annotated[str, Field(description="What the feeder found")]
    waits_for: str


class HeldFeeder(Answer):
    """A feeder of a tank, and whether it has said what it obeys."""

    feeder: str
    online: bool
    confirmed: Annotated[bool, Field(description="Whether it has confirmed the newest hold message")]
    asked_at: Annotated[LocalTime | None, Field(description="When that was sent; null: not yet")]
    overdue: Annotated[bool, Field(description="Whether it has not confirmed for a minute")]
    hung: Annotated[bool, Field(description="Whether its hopper hangs on the cell")]
    stopped: StopAnswer | None


class HoldReason(Answer):
    """Why feeding is held or reduced, and what ends that."""

    kind: Kind
    do: Literal["reduce", "hold"]
    text: str
    since: LocalTime
    needs: Annotated[str | None, Field(description="What must be seen before a release; null: nothing more")]
    entry: Annotated[int, Field(description="The entry that began it")]


class HoldAnswer(Answer):
    """Whether feeding is held or reduced, why, and whether the feeders have said so."""

    held: bool
    nothing_moves: Annotated[bool, Field(description="Whether no feeder moves, held or each stopped by itself")]
    reduce_to: Annotated[float, Field(description="The share of each meal that is fed, 0 to 1")]
    since: LocalTime | None
    reasons: list[HoldReason]
    confirmed_by_feeders: Annotated[dict[str, bool], Field(description="By feeder, whether it has confirmed")]
    feeders: list[HeldFeeder]
    message: Annotated[str, Field(description="All of it in a few words")]


class AbsenceAnswer(Answer):
    """The absence that runs or is planned; every value is null where there is none."""

    state: Literal["none", "planned", "running"]
    start: Annotated[LocalDay | None, Field(description="The first day")] = None
    end: Annotated[LocalDay | None, Field(description="The last day")] = None
    daily_g: Annotated[float | None, Field(description="What is fed a day meanwhile, at most")] = None
    cap_g: Annotated[float | None, Field(description="What a day must not exceed, with hand feeds")] = None
    tell: Annotated[str | None, Field(description="Who is told instead, by a name of the settings")] = None
    entry: Annotated[int | None, Field(description="The entry that planned it")] = None
    decided_at: LocalTime | None = None


class DueAnswer(Answer):
    """One thing that is due, as pages, the API and messages show it."""

    what: What
    subject: Annotated[str, Field(description="The analyte, feeder, probe or tank that it is about")]
    by: LocalTime
    day: LocalDay
    overdue: Annotated[bool, Field(description="Whether that day is over")]
    do: Annotated[str, Field(description="What is to be done, in words")]
    why: str
