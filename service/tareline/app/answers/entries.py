"""Entries of the ledger, and what was just entered."""

from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import Field

from tareline.app.answers.base import Answer, AnswerAsGiven, LocalTime
from tareline.app.answers.lines import CrossingAnswer
from tareline.core.calendar import rfc3339
from tareline.store.ledger import Entry

EntryNumber = Annotated[int, Field(description="An entry's number in the ledger")]


class EntryAnswer(AnswerAsGiven):
    """An entry of the ledger: what all have in common, and beside it the fields of its own kind as they were entered.

    A kind's field called `kind` is told as `note_kind`.
    """

    entry: EntryNumber
    kind: Annotated[str, Field(description="reading, refill, weighin, dose, note and so on")]
    at: Annotated[LocalTime, Field(description="When it happened")]
    recorded_at: Annotated[LocalTime, Field(description="When it was written")]
    tank: Annotated[str | None, Field(description="Its tank; null for an entry of a device")]
    feeder: Annotated[str | None, Field(description="The device that it is about or that sent it")]
    by: Annotated[str | None, Field(description="Who entered it")]
    corrects: Annotated[int | None, Field(description="The first entry that it stands for")]
    void: Annotated[bool, Field(description="Whether it takes back what it corrects")]
    at_low: Annotated[LocalTime | None, Field(description="Not before this, where a clock was not set")] = None
    at_high: Annotated[LocalTime | None, Field(description="Not after this, where a clock was not set")] = None

    @classmethod
    def of(cls, entry: Entry, zone: str, /, **more: Any) -> Self:
        """The answer of an entry: the fields of its own kind, then those that all have in common.

        zone: in which times are told. more: fields that only this kind of answer has, or that replace the entry's.
        """
        own = {
            ("note_kind" if name == "kind" else name): value
            for name, value in entry.body.items()
            if name not in ("at_low", "at_high")
        }
        common = {
            "entry": entry.id,
            "kind": entry.kind,
            "at": rfc3339(entry.at_ms, zone),
            "recorded_at": rfc3339(entry.recorded_ms, zone),
            "tank": entry.tank,
            "feeder": entry.device,
            "by": entry.by,
            "corrects": entry.corrects,
            "void": entry.void,
        }
        if entry.at_high_ms is not None:
            common["at_low"] = None if entry.at_low_ms is None else rfc3339(entry.at_low_ms, zone)
            common["at_high"] = rfc3339(entry.at_high_ms, zone)
        return cls(**{**own, **common, **more})

    @property
    def own(self) -> Mapping[str, Any]:
        """The fields of its own kind."""
        return {name: value for name, value in self if name not in EntryAnswer.model_fields}


class LedgerAnswer(EntryAnswer):
    """An entry of the ledger with what corrected it."""

    corrected_by: Annotated[list[int], Field(description="Later entries that stand for it, oldest first")]


class EntryDetailAnswer(LedgerAnswer):
    """One entry with what corrected it, and what its device announced last."""

    message: Annotated[str | None, Field(description="The message as it came, where a device sent it")]
    topic: Annotated[str | None, Field(description="The topic on which it came")]
    device: Annotated[dict[str, Any] | None, Field(description="What its device announced last")]


class DoseDetailAnswer(EntryDetailAnswer):
    """A dose, or doses that were lost, with what is known of it and the message as it came."""

    food: Annotated[str | None, Field(description="The id of what was in the hopper then")]
    mass_g: Annotated[float | None, Field(description="What was weighed; null: not known")]
    estimate_g: Annotated[float | None, Field(description="A dose's mass by all that is known of its feeder")]
    estimate_sd_g: Annotated[float | None, Field(description="Standard deviation of the estimate")]
    count: Annotated[int, Field(description="How many doses it stands for: more than one where they were lost")]


class HoldNow(Answer):
    """Whether a tank is held, in short."""

    held: bool
    reduce_to: Annotated[float, Field(description="The share of each meal that is fed, 0 to 1")]


class MadeAnswer(EntryAnswer):
    """An entry just made. A reading also tells what it changed, a decision which finding it was about."""

    crossed: Annotated[list[CrossingAnswer] | None, Field(description="The lines that the water crosses now")] = None
    made: Annotated[
        list[int] | int | None,
        Field(description="The entries that followed from a reading; of a decision the entry that mends the books"),
    ] = None
    hold: HoldNow | None = None
    decision: Annotated[str | None, Field(description="accept or dismiss")] = None
    finding: Annotated[str | None, Field(description="The id of the finding")] = None


class WrittenAnswer(Answer):
    """The number of an entry that was written."""

    entry: EntryNumber


class RejectAnswer(Answer):
    """A message that was not understood; equal ones are one."""

    id: int
    first_at: LocalTime
    last_at: LocalTime
    count: Annotated[int, Field(description="How many times it came")]
    device: Annotated[str | None, Field(description="The device, as its topic says; null: none")]
    topic: str
    reason: str
    payload: Annotated[str, Field(description="Its first 2000 bytes as UTF-8, others escaped by a backslash")]
    size: Annotated[int, Field(description="Its whole length in bytes")]
