"""What happened to one feeder, as the model of its hopper is given it: doses, weigh-ins, refills and handling."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TypeVar

from tareline.core.feeding.doses import Dose


@dataclass(frozen=True, slots=True)
class WeighIn:
    """A weigh-in: the hopper's content weighed on another scale, without its tare."""

    entry: int
    at_ms: int
    mass_g: float
    sd_g: float | None = None


@dataclass(frozen=True, slots=True)
class Refill:
    """Food added to the hopper; other_food: another food than before, for which a step may give much more or less."""

    entry: int
    at_ms: int
    added_g: float
    sd_g: float | None = None
    other_food: bool = False


@dataclass(frozen=True, slots=True)
class Handling:
    """The hopper was taken off, cleaned or tared: the cell's zero may have changed, the content is the same."""

    entry: int
    at_ms: int


@dataclass(frozen=True, slots=True)
class Instant:
    """An instant for which the state is calculated."""

    at_ms: int


Event = Dose | WeighIn | Instant
E = TypeVar("E", Dose, WeighIn, Refill, Handling)


@dataclass(frozen=True, slots=True)
class History:
    """One feeder's events, in any order, and the data of the feeder and its food.

    gain_g_per_step: the reference gain: the calibrated one, or any other that stays the same while a settled past is
    used. particle_g: mass of one particle of food, None where unknown. elsewhere: for the entry of a weigh-in, the
    contents of other feeders' hoppers at that time as (feeder, grams, standard deviation). container_g: mass of the
    container in which the content is weighed, None where unknown.
    """

    gain_g_per_step: float
    doses: Sequence[Dose] = ()
    weighins: Sequence[WeighIn] = ()
    refills: Sequence[Refill] = ()
    handlings: Sequence[Handling] = ()
    particle_g: float | None = None
    container_g: float | None = None
    elsewhere: Mapping[int, Sequence[tuple[str, float, float]]] = field(default_factory=dict)

    def between(self, after_ms: int | None, until_ms: int | None = None) -> "History":
        """The events in (after, until]."""

        return replace(
            self,
            doses=_within(self.doses, after_ms, until_ms),
            weighins=_within(self.weighins, after_ms, until_ms),
            refills=_within(self.refills, after_ms, until_ms),
            handlings=_within(self.handlings, after_ms, until_ms),
        )


def _within(events: Sequence[E], after_ms: int | None, until_ms: int | None) -> list[E]:
    first, last = (-math.inf if after_ms is None else after_ms), (math.inf if until_ms is None else until_ms)
    return [event for event in events if first < event.at_ms <= last]
