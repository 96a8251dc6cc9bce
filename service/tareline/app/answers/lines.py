"""Lines of a tank, and lines that were crossed."""

from typing import Annotated

from pydantic import Field

from tareline.app.answers.base import Answer
from tareline.core.safety.lines import Action


class LineAnswer(Answer):
    """A line: beyond which value of an analyte what is done. One of `above` and `below` is null."""

    analyte: str
    above: Annotated[float | None, Field(description="It is crossed by a value above this, in `unit`")]
    below: Annotated[float | None, Field(description="It is crossed by a value below this, in `unit`")]
    unit: str
    basis: Annotated[str | None, Field(description="How nitrogen or hardness is stated")]
    do: Action
    reduce_to: Annotated[float | None, Field(description="The share of each meal that is fed then, 0 to 1")]


class LinesAnswer(Answer):
    """The lines of a tank."""

    lines: list[LineAnswer]


class CrossingAnswer(LineAnswer):
    """A crossed line; `do` is what it does now, which can be stricter during an absence."""

    text: Annotated[str, Field(description="What crossed it, in words")]
