"""Wire messages, typed. What comes up is checked field by field; what goes down is built here and nowhere else.

Unknown fields are ignored. Numbers that cannot be (not finite, negative masses, dates outside 2020 to 2100) are refused
with the field's name; bounds are judgement, wide enough for any feeder of this size.
"""

from base64 import b64encode
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from tareline.core.units import DAY_MS

UP_BYTES = 64 * 1024
PART_BYTES = 144  # of a file, in one text of 192 characters
FIRST_MS = 1_577_836_800_000  # 2020-01-01: older than any device of ours
LAST_MS = 4_102_444_800_000  # 2100-01-01


def _told(description: str) -> Any:
    """What a field says: the reference of the wire is made from it."""
    return Field(description=description)


AtMs = Annotated[int, Field(ge=FIRST_MS, lt=LAST_MS), _told("when, in UNIX milliseconds; null without a clock")]
UptimeMs = Annotated[
    int, Field(ge=0, lt=200 * 365 * DAY_MS), _told("milliseconds since this start, at that event or at sending")
]
Name = Annotated[str, Field(min_length=1, max_length=64)]
Boot = Annotated[Name, _told("names this start of the device; another at each start")]
JournalName = Annotated[Name, _told("names the device's journal of doses; drawn once, until its flash is formatted")]
Seq = Annotated[int, Field(ge=1, lt=2**53), _told("the dose's number in its journal, from 1")]
# What a cell shows may lie far below zero: a hopper that was tared and taken off shows its own mass there. A dose that
# was weighed in this state is still a dose. Whether a weight is the content of a hopper is decided where it is shown.
HopperG = Annotated[float, Field(ge=-100_000.0, le=100_000.0)]
PositiveG = Annotated[float, Field(ge=0.0, le=10_000.0)]
DeviationG = Annotated[PositiveG, _told("standard deviation of one weighing, in grams")]
Celsius = Annotated[float, Field(ge=-60.0, le=125.0), _told("temperature at the cell, in degC")]
Text = Annotated[str, Field(max_length=4096)]
Detail = Annotated[Text, _told("more of it, in words for people")]
Counter = Annotated[int, Field(ge=0, lt=2**53)]
UpdateCounter = Annotated[Counter, _told("which update this is about; it never falls")]

Outcome = Literal["ok", "short", "over", "jam", "empty", "capped", "held", "missed", "interrupted"]
Cause = Literal["plan", "fallback", "command", "button"]
HeapBytes = Annotated[int, Field(ge=0, lt=2**32)]


@dataclass(frozen=True, slots=True)
class Message:
    """A message as it came: retained ones were kept by the broker and say nothing about time."""

    topic: str
    payload: bytes
    arrival_ms: int
    retained: bool = False


class _Up(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, allow_inf_nan=False, extra="ignore")


class Status(_Up):
    """Whether the device is connected; false is its last will. Retained."""

    online: Annotated[bool, _told("true while connected")]


class Hello(_Up):
    """Who the device is and what it keeps: said at each connect. Retained."""

    boot: Boot
    uptime_ms: UptimeMs
    board: Annotated[Name, _told("the hardware's own number")]
    journal: JournalName | None = None
    kind: Annotated[Literal["feeder", "probe"], _told("what the device is")]
    firmware: Annotated[Name, _told("the firmware's name and version")]
    clock: Annotated[Literal["set", "unset"], _told("whether the device knows the time")]
    journal_from: Annotated[Counter, _told("the oldest dose that it still keeps")] | None = None
    journal_to: Annotated[Counter, _told("the newest dose that it still keeps")] | None = None
    gain_g_per_step: Annotated[float, Field(gt=0, le=100), _told("grams of food for each step of the motor")] | None = (
        None
    )
    calibration: Annotated[Any, _told("the scale's or the cell's calibration; null without one")] = None
    heap_free_bytes: Annotated[HeapBytes, _told("free bytes of the heap")] | None = None
    heap_largest_bytes: Annotated[HeapBytes, _told("the largest free block of the heap, in bytes")] | None = None


class Applied(_Up):
    """Which plan and which hold are in force on the feeder; 0 for none. Retained."""

    boot: Boot
    plan_version: Annotated[Counter, _told("the version of the plan")]
    hold_version: Annotated[Counter, _told("the version of the hold")]


class DoseMessage(_Up):
    """One dose, also one that gave nothing. Weights are all three null where none was taken."""

    journal: JournalName
    seq: Seq
    boot: Boot
    at_ms: AtMs | None = None
    uptime_ms: UptimeMs
    meal: Annotated[Name, _told("which meal of the plan; null for none")] | None = None
    cause: Annotated[Cause, _told("what asked for it")]
    target_g: Annotated[PositiveG, _told("grams that were asked for")]
    steps: Annotated[int, Field(ge=0, lt=2**31), _told("steps that the motor made")]
    before_g: Annotated[HopperG, _told("grams on the cell before")] | None = None
    after_g: Annotated[HopperG, _told("grams on the cell after")] | None = None
    sd_g: DeviationG | None = None
    temperature_c: Celsius | None = None
    outcome: Annotated[Outcome, _told("how it went, as firmware/README.md lists it")]

    @model_validator(mode="after")
    def _weighed_or_not(self) -> "DoseMessage":
        given = (self.before_g is not None) + (self.after_g is not None) + (self.sd_g is not None)
        if given not in (0, 3):
            raise ValueError("before_g, after_g and sd_g: expected all three or none of them")
        return self


class Weight(_Up):
    """The hopper weighed without a dose."""

    boot: Boot
    at_ms: AtMs | None = None
    uptime_ms: UptimeMs
    mass_g: Annotated[HopperG, _told("grams on the cell")]
    sd_g: DeviationG
    temperature_c: Celsius | None = None


class Fault(_Up):
    """Something is wrong with the device."""

    boot: Boot
    at_ms: AtMs | None = None
    uptime_ms: UptimeMs
    code: Annotated[Name, _told("what is wrong: a fault code")]
    detail: Detail | None = None


class Reply(_Up):
    """The answer to a command."""

    id: Annotated[Name, _told("the command's")]
    ok: Annotated[bool, _told("whether it was done")]
    detail: Detail | None = None
    result: Annotated[Any, _told("what the command asked for")] = None


class UpdateState(_Up):
    """How an update over the air stands on the device. Retained."""

    program: Annotated[Name, _told("what the device's sets of modules start; null where it takes none")] | None = None
    mpy: Annotated[int, Field(ge=0, lt=256), _told("the version of compiled modules that it loads; 0 for sources")]
    counter: UpdateCounter
    state: Annotated[
        Literal["idle", "fetching", "ready", "trial", "done", "failed"], _told("how far the update has come")
    ]
    detail: Detail | None = None


class Fetch(_Up):
    """The device asks for a piece of a file of the update that it was offered."""

    counter: UpdateCounter
    file: Annotated[Name, _told("the file's name")]
    at: Annotated[int, Field(ge=0, lt=2**20), _told("from which byte on")]
    size: Annotated[int, Field(ge=1, le=1024), _told("how many bytes")]


class Identity(_Up):
    """What can be read of a dose that was not understood as a whole; journal is whatever stood there."""

    journal: Any = None
    seq: Seq

    def journal_or(self, current: str | None) -> str | None:
        """The journal's name where it is one, else the one that the device last announced."""
        return self.journal if isinstance(self.journal, str) and 1 <= len(self.journal) <= 64 else current


def explain(error: ValidationError) -> str:
    """The first thing that is wrong with a message: the field, what was expected and what was found."""
    first = error.errors(include_url=False)[0]
    field = ".".join(str(part) for part in first["loc"])
    message = first["msg"].removeprefix("Value error, ")
    if first["type"] in ("missing", "json_invalid") or not field:
        return f"{field}: {message}" if field else message
    return f"{field}: {message}; found {str(first['input'])[:80]!r}"


def received(journal: str, seq: int) -> dict[str, Any]:
    """down/received: every dose of `journal` up to `seq` is stored, and may be forgotten. Retained."""
    return {"journal": journal, "seq": seq}


def time_answer(now_ms: int, hello: Hello) -> dict[str, Any]:
    """down/time, in answer to a hello whose `boot` and `uptime_ms` it repeats: the time is `now_ms`. QoS 0."""
    return {"now_ms": now_ms, "boot": hello.boot, "uptime_ms": hello.uptime_ms}


def piece(asked: Fetch, data: bytes) -> dict[str, Any]:
    """down/piece, in answer to up/fetch: the bytes in base64, as texts that a board takes as they stream in. QoS 0."""
    parts = [b64encode(data[at : at + PART_BYTES]).decode() for at in range(0, len(data), PART_BYTES)]
    return {"counter": asked.counter, "file": asked.file, "at": asked.at, "data": parts}


def resend(command_id: str, first: int, last: int) -> dict[str, Any]:
    """down/command: do something, here send the doses of `args` again.

    It moves nothing and never expires, since a board may have no clock.
    """
    return {"id": command_id, "expires_at_ms": None, "do": "resend", "args": {"from": first, "to": last}}
