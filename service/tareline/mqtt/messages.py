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

AtMs = Annotated[int, Field(ge=FIRST_MS, lt=LAST_MS)]
UptimeMs = Annotated[int, Field(ge=0, lt=200 * 365 * DAY_MS)]
Name = Annotated[str, Field(min_length=1, max_length=64)]
Seq = Annotated[int, Field(ge=1, lt=2**53)]
# A cell's zero wanders, so that an empty hopper may read below nothing; a mass below a gram under zero is no wandering.
HopperG = Annotated[float, Field(ge=-1.0, le=100_000.0)]
PositiveG = Annotated[float, Field(ge=0.0, le=10_000.0)]
Celsius = Annotated[float, Field(ge=-60.0, le=125.0)]
Text = Annotated[str, Field(max_length=4096)]

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
    online: bool


class Hello(_Up):
    boot: Name
    uptime_ms: UptimeMs
    board: Name
    journal: Name | None = None
    kind: Literal["feeder", "probe"]
    firmware: Name
    clock: Literal["set", "unset"]
    journal_from: Annotated[int, Field(ge=0, lt=2**53)] | None = None
    journal_to: Annotated[int, Field(ge=0, lt=2**53)] | None = None
    gain_g_per_step: Annotated[float, Field(gt=0, le=100)] | None = None
    calibration: Any = None
    heap_free_bytes: HeapBytes | None = None
    heap_largest_bytes: HeapBytes | None = None


class Applied(_Up):
    boot: Name
    plan_version: Annotated[int, Field(ge=0, lt=2**53)]
    hold_version: Annotated[int, Field(ge=0, lt=2**53)]


class DoseMessage(_Up):
    journal: Name
    seq: Seq
    boot: Name
    at_ms: AtMs | None = None
    uptime_ms: UptimeMs
    meal: Name | None = None
    cause: Cause
    target_g: PositiveG
    steps: Annotated[int, Field(ge=0, lt=2**31)]
    before_g: HopperG | None = None
    after_g: HopperG | None = None
    sd_g: PositiveG | None = None
    temperature_c: Celsius | None = None
    outcome: Outcome

    @model_validator(mode="after")
    def _weighed_or_not(self) -> "DoseMessage":
        given = (self.before_g is not None) + (self.after_g is not None) + (self.sd_g is not None)
        if given not in (0, 3):
            raise ValueError("before_g, after_g and sd_g: expected all three or none of them")
        return self


class Weight(_Up):
    boot: Name
    at_ms: AtMs | None = None
    uptime_ms: UptimeMs
    mass_g: HopperG
    sd_g: PositiveG
    temperature_c: Celsius | None = None


class Fault(_Up):
    boot: Name
    at_ms: AtMs | None = None
    uptime_ms: UptimeMs
    code: Name
    detail: Text | None = None


class Reply(_Up):
    id: Name
    ok: bool
    detail: Text | None = None
    result: Any = None


class UpdateState(_Up):
    """What a device says of updates: `program` is what its sets start, null where it takes none; `mpy` the version of
    compiled modules that it loads, 0 for sources; `counter` the update that state and detail are about."""

    program: Name | None = None
    mpy: Annotated[int, Field(ge=0, lt=256)]
    counter: Annotated[int, Field(ge=0, lt=2**53)]
    state: Literal["idle", "fetching", "ready", "trial", "done", "failed"]
    detail: Text | None = None


class Fetch(_Up):
    """A device asks for a piece of a file of the update that it was offered."""

    counter: Annotated[int, Field(ge=0, lt=2**53)]
    file: Name
    at: Annotated[int, Field(ge=0, lt=2**20)]
    size: Annotated[int, Field(ge=1, le=1024)]


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
    """down/received."""
    return {"journal": journal, "seq": seq}


def time_answer(now_ms: int, hello: dict[str, Any]) -> dict[str, Any]:
    """down/time, in answer to a hello."""
    return {"now_ms": now_ms, "boot": hello["boot"], "uptime_ms": hello["uptime_ms"]}


def piece(asked: Fetch, data: bytes) -> dict[str, Any]:
    """down/piece, in answer to up/fetch: the bytes in base64, as texts that a board takes as they stream in."""
    parts = [b64encode(data[at : at + PART_BYTES]).decode() for at in range(0, len(data), PART_BYTES)]
    return {"counter": asked.counter, "file": asked.file, "at": asked.at, "data": parts}


def resend(command_id: str, first: int, last: int) -> dict[str, Any]:
    """down/command: ask for doses again. It moves nothing and never expires, since a board may have no clock."""
    return {"id": command_id, "expires_at_ms": None, "do": "resend", "args": {"from": first, "to": last}}
