"""What is known of one tank, as the load's model takes it. Days are floats since the record's start (its day 0)."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

from tareline.core.units import NITRATE_PER_N

WITNESSES = ("ammonia", "nitrite", "nitrate")
LOOK_BACK_DAYS = 730.0  # judgement: what a tank did more than two years ago says nothing of it now


@dataclass(frozen=True, slots=True)
class Food:
    """A food's crude protein in percent of its mass and the relative standard deviation of that figure."""

    name: str
    protein_percent: float
    relative_sd: float = (
        0.08  # real proteins hold 13 to 19 % N (FAO Food and Nutrition Paper 77, ch. 2): +-19 % at most
    )


@dataclass(frozen=True, slots=True)
class Fed:
    """What was fed on the day from `day` to `day + 1`. food: index into the record's foods."""

    day: int
    mass_g: float
    sd_g: float = 0.0
    food: int = 0


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading. The water lies between low and high (None: open above); value is the step or number somebody chose.

    detected: False where it says "nothing seen": a chart's lowest step, or below a detection limit. mg/L, N as N.
    probe: a probe said it, whose error is another than a pen's and the same in all that it says.
    """

    day: float
    analyte: Literal["ammonia", "nitrite", "nitrate", "tds"]
    low: float
    high: float | None
    value: float
    detected: bool = True
    probe: bool = False


@dataclass(frozen=True, slots=True)
class Change:
    """Water replaced (`kind` change) or added for what evaporated (topup). Contents in mg/L; None where not stated."""

    day: float
    volume_l: float
    kind: Literal["change", "topup"] = "change"
    nitrate_mg_n_per_l: float | None = None
    ammonia_mg_n_per_l: float = 0.0
    tds_mg_per_l: float | None = None


@dataclass(frozen=True, slots=True)
class Harvest:
    """Plants taken out: the share of them (0 to 1), None where nobody said how much."""

    day: float
    share: float | None = None


@dataclass(frozen=True, slots=True)
class Record:
    """Everything the model takes, up to `now` (days since the start).

    new: the tank was filled at the start, so that bacteria and uptake begin from next to nothing.
    upset: days on which plants, filter or volume changed (what was proven before them expires).
    detects: the least ammonia and nitrite that this tank's kits can show, mg/L as N.
    """

    volume_l: float
    now: float
    new: bool = False
    ceiling_mg_per_l: float = 40.0  # of nitrate, as ion
    foods: tuple[Food, ...] = ()
    fed: tuple[Fed, ...] = ()
    seen: tuple[Seen, ...] = ()
    changes: tuple[Change, ...] = ()
    harvests: tuple[Harvest, ...] = ()
    upset: tuple[float, ...] = ()
    detects: tuple[float, float] = (0.25, 0.1)  # common practice, no source: the lowest steps of usual charts

    @property
    def ceiling_mg_n_per_l(self) -> float:
        return self.ceiling_mg_per_l / NITRATE_PER_N

    def recent(self, days: float = LOOK_BACK_DAYS) -> "Record":
        """The record without what lies further back than `days`; its day 0 moves, and the tank is no longer new.

        It moves by whole quarters, so that last week's posterior can mostly be carried on.
        """
        shift = (self.now - days) // 90 * 90.0
        if shift <= 0:
            return self
        return replace(
            self,
            now=self.now - shift,
            new=False,
            fed=tuple(replace(f, day=f.day - int(shift)) for f in self.fed if f.day >= shift),
            seen=_moved(self.seen, shift),
            changes=_moved(self.changes, shift),
            harvests=_moved(self.harvests, shift),
            upset=tuple(day - shift for day in self.upset if day >= shift),
        )


Event = TypeVar("Event", Seen, Change, Harvest)


def _moved(events: Sequence[Event], shift: float) -> tuple[Event, ...]:
    return tuple(replace(event, day=event.day - shift) for event in events if event.day >= shift)
