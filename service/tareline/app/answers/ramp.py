"""A tank's ramp: how it is set, where it stands, and every entry since it began."""

from typing import Annotated, Literal

from pydantic import Field

from tareline.app.answers.base import Answer, AnswerAsGiven, LocalTime
from tareline.core.safety.ramp import State as RampState


class KnowledgeAnswer(Answer):
    """What was known of the tank's load and limit when the ramp decided; grams a day."""

    fresh: Annotated[bool, Field(description="Whether everything that was entered was in it")]
    refuses: Annotated[str | None, Field(description="Why nothing was said; null where something was")]
    found: Annotated[bool, Field(description="Whether the limit was found")]
    p5: Annotated[float | None, Field(description="5 % quantile of the limit")]
    p50: Annotated[float | None, Field(description="Median of the limit")]
    p95: Annotated[float | None, Field(description="95 % quantile of the limit; null where it is open")]
    proven_g: Annotated[float | None, Field(description="The highest ration held with the water in balance")]
    in_balance: Annotated[float, Field(description="The probability that removal keeps up with the load")]
    p_under: Annotated[dict[str, float], Field(description="By ration: the probability that it stays under the limit")]


class RampEntry(AnswerAsGiven):
    """An entry of the ramp, with the fields of its own kind: how it was set, a decision, or a veto."""

    entry: Annotated[int, Field(description="The entry's number in the ledger")]
    at: LocalTime
    by: Annotated[str | None, Field(description="Who entered it; null: the ramp itself")]
    what: Literal["set", "decision", "veto"]
    start_g: float | None = None
    step_g: float | None = None
    ceiling_g: float | None = None
    dwell_days: float | None = None
    fraction: float | None = None
    consent: Literal["ask", "auto"] | None = None
    state: RampState | None = None
    daily_g: Annotated[float | None, Field(description="The ration that it changed to; null: it left it")] = None
    next_g: Annotated[float | None, Field(description="The next step")] = None
    keep_g: Annotated[float | None, Field(description="The ration to keep, once the limit was found")] = None
    reasons: list[str] | None = None
    waits_for: list[str] | None = None
    ration: Annotated[int | None, Field(description="The entry of the ration that it made")] = None
    knowledge: KnowledgeAnswer | None = None
    decision: Annotated[str | None, Field(description="What a person decided")] = None
    until: Annotated[LocalTime | None, Field(description="Until when a veto holds")] = None
    note: str | None = None


class RampSetting(Answer):
    """How a ramp is set."""

    start_g: Annotated[float, Field(description="The ration a day that it began with")]
    step_g: Annotated[float, Field(description="The most that a step adds")]
    ceiling_g: Annotated[float, Field(description="The ration a day that it never exceeds")]
    dwell_days: Annotated[float, Field(description="Days of feeding between steps")]
    fraction: Annotated[float, Field(description="The share of the limit's 5 % quantile that is kept, 0 to 1")]
    consent: Annotated[Literal["ask", "auto"], Field(description="Whether a person consents to each step")]


class RampAnswer(RampSetting):
    """A ramp as it is set, where it stands, what it waits for, and the road so far."""

    began_at: LocalTime
    state: RampState
    ended: bool
    ration_g_per_day: float
    ration_since: LocalTime | None
    next_g_per_day: Annotated[float | None, Field(description="The next step, once nothing is waited for")]
    keep_g_per_day: Annotated[float | None, Field(description="The ration to keep, once the limit is found")]
    reasons: Annotated[list[str], Field(description="Why it stands there, in sentences")]
    waits_for: Annotated[list[str], Field(description="What it waits for, in sentences")]
    vetoed_until: LocalTime | None
    knowledge: Annotated[KnowledgeAnswer | None, Field(description="null: the load has not been calculated")]
    road: Annotated[list[RampEntry], Field(description="Every entry since it began, oldest first")]


class RampEntered(RampAnswer):
    """A ramp after somebody has set it or decided."""

    entry: Annotated[int, Field(description="The number of the entry that was written")]
