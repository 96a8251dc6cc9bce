"""What a tank itself does to its water, in canonical units: salt, nitrogen, and carbonate hardness."""

from typing import Annotated

from pydantic import Field

from tareline.app.answers.base import Answer, LocalTime


class NoBalance(Answer):
    """A balance that cannot be told."""

    why_not: Annotated[str, Field(description="What is missing, in a sentence")]


class NetBalance(Answer):
    """What the tank itself does to a concentration, between the oldest and the newest reading of 91 days."""

    why_not: Annotated[None, Field(description="null: it can be told")] = None
    from_: Annotated[LocalTime, Field(alias="from")]
    to: LocalTime
    start: Annotated[float, Field(description="The oldest reading, in `unit`")]
    end: Annotated[float, Field(description="The newest reading, in `unit`")]
    per_day: Annotated[float, Field(description="What the tank adds, in `unit` a day; negative: takes out")]
    low: Annotated[float | None, Field(description="Its lower end; null: open")]
    high: Annotated[float | None, Field(description="Its upper end; null: open")]
    unit: str
    basis: Annotated[str | None, Field(description="How nitrogen is stated")]
    changes: Annotated[int, Field(description="Water changes between the two")]
    topups: Annotated[int, Field(description="Top-ups between the two")]


class NitrogenBalance(NetBalance):
    """How much nitrate the tank makes beside what food brings in."""

    food_per_day: Annotated[float | None, Field(description="Nitrogen that food brought, in `unit` a day")]
    food_at_least: Annotated[bool, Field(description="Whether doses of unknown size come on top")]
    food_not_known_of: Annotated[list[str], Field(description="Feeders, or hand, whose food is not known")]


class RunsOut(Answer):
    """Between when carbonate hardness may run out; `to` is null where that lies over a year ahead."""

    from_: Annotated[LocalTime, Field(alias="from")]
    to: LocalTime | None


class HardnessBalance(Answer):
    """The carbonate hardness that nitrifying the food's ammonia uses up, at most, and when it may run out."""

    why_not: Annotated[None, Field(description="null: it can be told")] = None
    measured: Annotated[LocalTime, Field(description="When it was measured last")]
    value: Annotated[float, Field(description="That reading, in `unit`")]
    unit: str
    basis: str | None
    spent_per_day: Annotated[float, Field(description="What is used up, in `unit` a day")]
    spent_at_least: Annotated[bool, Field(description="Whether doses of unknown size come on top")]
    restored_per_day: Annotated[float, Field(description="What inflows give back, in `unit` a day")]
    runs_out: Annotated[RunsOut | None, Field(description="null: not within a year")]


class BalancesAnswer(Answer):
    """The balances of a tank's water."""

    salt: NetBalance | NoBalance
    nitrogen: NitrogenBalance | NoBalance
    hardness: HardnessBalance | NoBalance
