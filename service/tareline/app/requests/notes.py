"""Requests that enter a note."""

from typing import Annotated, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from tareline.app.requests.fields import Grams, LongText, TimedRequest


class NoteRequest(TimedRequest):
    """share: of the plants that a harvest took away, 0 to 1; None where nobody said."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"kind": "harvest", "text": "Cut back the stem plants.", "share": 0.1}]}
    )

    kind: Literal["stocking", "loss", "plants", "harvest", "filter", "medication", "sensor", "other"]
    text: LongText
    mass_g: Grams | None = None
    count: Annotated[int, Field(ge=0, le=100_000)] | None = None
    share: Annotated[float, Field(ge=0, le=1)] | None = None

    @model_validator(mode="after")
    def _of_a_harvest(self) -> Self:
        if self.share is not None and self.kind != "harvest":
            raise ValueError(f"share: expected only for a harvest; found with a note of kind {self.kind}")
        return self
