"""Requests about what is there already: findings, alerts, entries and firmware."""

from typing import Literal

from pydantic import ConfigDict, model_validator

from tareline.app.requests.fields import LongText, Request, Words, one_of


class DecisionRequest(Request):
    """What a person decides of a finding: `decision`, or one of `accept` and `dismiss` as true."""

    model_config = ConfigDict(
        json_schema_extra={"examples": [{"decision": "accept", "note": "I had forgotten to enter the refill."}]}
    )

    decision: Literal["accept", "dismiss"] | None = None
    accept: bool = False
    dismiss: bool = False
    note: LongText | None = None

    @model_validator(mode="after")
    def _one(self) -> "DecisionRequest":
        self.decision = one_of(self, "accept", "dismiss")
        return self


class UpdateRequest(Request):
    """A device is offered this package's firmware."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"by": "Ada"}]})

    by: Words | None = None


class SeenRequest(Request):
    """A person has seen an alert."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"note": "I shall look after work."}]})

    note: LongText | None = None


class CorrectionRequest(Request):
    """The corrected fields beside these are checked as the entry's own."""

    model_config = ConfigDict(
        extra="allow",
        allow_inf_nan=False,
        json_schema_extra={"examples": [{"mass_g": 0.3, "note": "A slip of the pen."}]},
    )

    note: LongText | None = None
    void: bool = False
