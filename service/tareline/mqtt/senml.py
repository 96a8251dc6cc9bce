"""SenML packs (RFC 8428, JSON) as probes send them.

Resolved as the RFC says: base fields hold until they are given again, times below 2^28 are relative to now, unknown
labels are ignored unless they end in "_", and each record has exactly one value unless it carries a sum.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, model_validator

RELATIVE_BELOW_S = 2**28
RECORDS = 4096


class Record(BaseModel):
    """One record as it stands in a pack."""

    model_config = ConfigDict(strict=True, frozen=True, allow_inf_nan=False, extra="allow")

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bs: float | None = None
    bver: Annotated[int, Field(ge=1)] | None = None
    n: str | None = None
    u: str | None = None
    v: float | None = None
    vs: str | None = None
    vb: bool | None = None
    vd: str | None = None
    s: float | None = None
    t: float | None = None
    ut: float | None = None

    @model_validator(mode="after")
    def _understood(self) -> "Record":
        for label in self.model_extra or {}:
            if label.endswith("_"):
                raise ValueError(f"label {label}: must be understood and is not")
        values = sum(value is not None for value in (self.v, self.vs, self.vb, self.vd))
        says = self.n is not None or self.u is not None or self.t is not None
        if values > 1 or (values == 0 and self.s is None and self.bv is None and says):
            raise ValueError("expected exactly one of v, vs, vb, vd, or a sum s")
        if self.bver is not None and self.bver > 10:
            raise ValueError(f"bver: expected at most 10; found {self.bver}")
        return self


_PACK = TypeAdapter(Annotated[list[Record], Field(min_length=1, max_length=RECORDS)])


@dataclass(frozen=True, slots=True)
class Resolved:
    """A record with its base applied: full name, unit, value, and its time.

    time_s: UNIX seconds where `relative` is false, else seconds from the moment of sending, mostly negative.
    """

    name: str
    unit: str | None
    value: float | str | bool | None
    sum: float | None
    time_s: float
    relative: bool


def parse(payload: bytes) -> list[Record]:
    """The records of a pack. Raises pydantic.ValidationError."""
    return _PACK.validate_json(payload)


def resolve(records: Sequence[Record]) -> list[Resolved]:
    """Apply base name, time, unit, value and sum to the records of one pack."""
    name, unit, time_s, value, total = "", None, 0.0, None, None
    found = []
    for record in records:
        name = record.bn if record.bn is not None else name
        unit = record.bu if record.bu is not None else unit
        time_s = record.bt if record.bt is not None else time_s
        value = record.bv if record.bv is not None else value
        total = record.bs if record.bs is not None else total
        own: float | str | bool | None = record.v
        if own is None and record.vs is None and record.vb is None and record.vd is None:
            if record.n is None and record.s is None:
                continue  # only base fields: nothing is said yet
            own = value
        elif isinstance(own, float):
            own += value or 0.0
        else:
            own = record.vs if record.vs is not None else record.vb if record.vb is not None else record.vd
        at_s = time_s + (record.t or 0.0)
        summed = None if record.s is None else record.s + (total or 0.0)
        full = name + (record.n or "")
        found.append(Resolved(full, record.u or unit, own, summed, at_s, at_s < RELATIVE_BELOW_S))
    return found


def extra(records: Sequence[Record], label: str) -> Any:
    """A field of our own in the first record, or None."""
    return (records[0].model_extra or {}).get(label)


def is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
