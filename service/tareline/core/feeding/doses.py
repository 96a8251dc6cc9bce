"""A dose as the books see it, and sums of doses with their standard deviation.

The dispensed mass is before minus after; its standard deviation is the device's own for the difference. Deviations of
independent differences add in quadrature (GUM, JCGM 100:2008, 5.1.2). Doses without a weight are counted, never
guessed: a sum over them says so.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

MOVED = frozenset({"ok", "short", "over", "jam", "empty", "interrupted", "capped", "unknown"})
UNMOVED = frozenset({"held", "missed"})


@dataclass(frozen=True, slots=True)
class Dose:
    """One actuation of a feeder.

    at_ms: when; at_low_ms and at_high_ms bound it where the device had no clock (else None).
    outcome: as on the wire, or "unknown" for a dose whose message could not be understood or never came.
    steps: motor steps, None where unknown. Masses in grams; before, after and sd None where nothing was weighed.
    """

    entry: int
    at_ms: int
    feeder: str
    outcome: str
    target_g: float | None = None
    steps: int | None = None
    before_g: float | None = None
    after_g: float | None = None
    sd_g: float | None = None
    at_low_ms: int | None = None
    at_high_ms: int | None = None
    cause: str | None = None
    meal: str | None = None
    temperature_c: float | None = None
    journal: str | None = None
    seq: int | None = None
    count: int = 1

    @property
    def moved(self) -> bool:
        """Whether food may have left the hopper: no steps were made for a held or a missed meal."""
        return self.outcome in MOVED and self.steps != 0

    @property
    def mass_g(self) -> float | None:
        """Grams that left the hopper; zero where nothing moved, None where it was not weighed."""
        if not self.moved:
            return 0.0
        if self.before_g is None or self.after_g is None:
            return None
        return self.before_g - self.after_g

    def counted_g(self, unknown_g: float) -> float:
        """Grams to count against the day's ration before it is fed further: never less than what was asked.

        What was weighed counts where it lies above what was asked by more than three deviations, so that the noise of
        a cell does not rewrite the plan after each meal. A dose of unknown size counts as `unknown_g`.
        """
        if not self.moved:
            return 0.0
        asked = self.target_g if self.target_g is not None else unknown_g * self.count
        weighed = self.mass_g
        if weighed is not None and weighed - asked > 3 * (self.sd_g or 0.0):
            return weighed
        return asked


@dataclass(frozen=True, slots=True)
class Sum:
    """A sum of masses: grams and standard deviation of what was weighed, and how many doses were not."""

    mass_g: float
    sd_g: float
    weighed: int
    unweighed: int

    @property
    def complete(self) -> bool:
        return self.unweighed == 0


def total(doses: Iterable[Dose]) -> Sum:
    """The weighed mass of some doses, deviations added in quadrature."""
    mass = variance = 0.0
    weighed = unweighed = 0
    for dose in doses:
        if not dose.moved:
            continue
        grams = dose.mass_g
        if grams is None:
            unweighed += dose.count
        else:
            weighed += 1
            mass += grams
            variance += (dose.sd_g or 0.0) ** 2
    return Sum(mass, math.sqrt(variance), weighed, unweighed)


@dataclass(frozen=True, slots=True)
class HandFeed:
    """Food given by hand: grams and, where stated, its standard deviation."""

    entry: int
    at_ms: int
    mass_g: float
    sd_g: float | None = None
    by: str | None = None
    food: str | None = None
