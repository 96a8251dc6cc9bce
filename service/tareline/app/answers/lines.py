"""Lines of a tank, and lines that were crossed."""

from typing import Annotated, Any, Self

from pydantic import Field

from tareline.app.answers.base import Answer
from tareline.core.safety.lines import Action, Crossing, Line


class LineAnswer(Answer):
    """A line: beyond which value of an analyte what is done. One of `above` and `below` is null."""

    analyte: str
    above: Annotated[float | None, Field(description="It is crossed by a value above this, in `unit`")]
    below: Annotated[float | None, Field(description="It is crossed by a value below this, in `unit`")]
    unit: str
    basis: Annotated[str | None, Field(description="How nitrogen or hardness is stated")]
    do: Action
    reduce_to: Annotated[float | None, Field(description="The share of each meal that is fed then, 0 to 1")]

    @classmethod
    def of(cls, line: Line, /, **more: Any) -> Self:
        """The answer of a line. more: fields that only this kind of answer has, or that replace the line's."""
        own = {
            "analyte": line.analyte,
            "above": line.limit if line.above else None,
            "below": None if line.above else line.limit,
            "unit": line.unit,
            "basis": line.basis,
            "do": line.do,
            "reduce_to": line.reduce_to,
        }
        return cls(**{**own, **more})


class LinesAnswer(Answer):
    """The lines of a tank."""

    lines: list[LineAnswer]


class CrossingAnswer(LineAnswer):
    """A crossed line; `do` is what it does now, which can be stricter during an absence."""

    text: Annotated[str, Field(description="What crossed it, in words")]

    @classmethod
    def of_crossing(cls, crossing: Crossing) -> Self:
        """The answer of a crossed line."""
        return cls.of(crossing.line, do=crossing.do, text=crossing.text)
