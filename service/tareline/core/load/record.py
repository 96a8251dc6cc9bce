"""The data of one tank, as the model of its load uses them. Days are floats since the start of the record (day 0)."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

from tareline.core.units import NITRATE_PER_N

WITNESSES = ("ammonia", "nitrite", "nitrate")
LOOK_BACK_DAYS = 730.0  # judgement: older data say nothing about the tank as it is now


@dataclass(frozen=True, slots=True)
class Food:
    """A food's crude protein in percent of its mass and the relative standard deviation of that figure."""

    name: str
    protein_percent: float
    relative_sd: float = (
        0.08  # real proteins hold 13 to 19 % N (FAO Food and Nutrition Paper 77, ch. 2): +-19 % at most
    )


@dataclass(frozen=True, slots=True)
class DailyFeed:
    """The food of the day from `day` to `day + 1`, with its standard deviation. food: index into the record's foods."""

    day: int
    mass_g: float
    sd_g: float = 0.0
    food: int = 0


@dataclass(frozen=True, slots=True)
class RecordedReading:
    """A reading in mg/L, nitrogen compounds as N. The content lies between low and high (None: no upper end); value is
    the step or the number that was stated.

    detected: False where nothing was detected: the lowest step of a chart, or a value below a detection limit.
    probe: whether a probe measured it; all readings of a probe share one error, which is not that of a pen.
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
    """Water that was replaced (kind `change`) or added after evaporation (kind `topup`), in litres. Contents are in
    mg/L; None where they are not stated."""

    day: float
    volume_l: float
    kind: Literal["change", "topup"] = "change"
    nitrate_mg_n_per_l: float | None = None
    ammonia_mg_n_per_l: float = 0.0
    tds_mg_per_l: float | None = None


@dataclass(frozen=True, slots=True)
class Harvest:
    """Plants taken out: their share (0 to 1) of all plants, None where it is not stated."""

    day: float
    share: float | None = None


@dataclass(frozen=True, slots=True)
class Record:
    """All data that the model uses, up to `now` (days since the start).

    new: whether the tank was filled at the start, so that bacteria and uptake begin near zero. ceiling_mg_per_l: of
    nitrate, as the ion. upset: days on which plants, filter or volume changed; a ration proven before is proven no
    longer. detects: the least ammonia and nitrite that this tank's kits can detect, mg/L as N.
    """

    volume_l: float
    now: float
    new: bool = False
    ceiling_mg_per_l: float = 40.0  # of nitrate, as ion
    foods: tuple[Food, ...] = ()
    fed: tuple[DailyFeed, ...] = ()
    readings: tuple[RecordedReading, ...] = ()
    changes: tuple[Change, ...] = ()
    harvests: tuple[Harvest, ...] = ()
    upset: tuple[float, ...] = ()
    detects: tuple[float, float] = (0.25, 0.1)  # common practice, no source: the lowest steps of usual charts

    @property
    def ceiling_mg_n_per_l(self) -> float:
        return self.ceiling_mg_per_l / NITRATE_PER_N

    def recent(self, days: float = LOOK_BACK_DAYS) -> "Record":
        """The record without data older than `days`; its day 0 moves, and the tank is no longer new.

        Day 0 moves in steps of 90 days, so that in most weeks the previous posterior can be continued.
        """
        shift = (self.now - days) // 90 * 90.0
        if shift <= 0:
            return self
        return replace(
            self,
            now=self.now - shift,
            new=False,
            fed=tuple(replace(f, day=f.day - int(shift)) for f in self.fed if f.day >= shift),
            readings=_moved(self.readings, shift),
            changes=_moved(self.changes, shift),
            harvests=_moved(self.harvests, shift),
            upset=tuple(day - shift for day in self.upset if day >= shift),
        )


Event = TypeVar("Event", RecordedReading, Change, Harvest)


def _moved(events: Sequence[Event], shift: float) -> tuple[Event, ...]:
    return tuple(replace(event, day=event.day - shift) for event in events if event.day >= shift)
