"""A dose as the books see it, and sums of doses with their standard deviation.

The dispensed mass is before minus after; its standard deviation is the device's own for the difference. Deviations of
independent differences add in quadrature (GUM, JCGM 100:2008, 5.1.2).

How large a dose was that nobody weighed is one rule, `Dose.expected`, for books, balances and the record of a tank's
load. An account begins with the same (`Dose.most_g`), and knows the steps, the cell and the weigh-ins besides. What
counts against the day's budget is larger on purpose (`Dose.counted_g`): there a mistake feeds.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

MOVED = frozenset({"ok", "short", "over", "jam", "empty", "interrupted", "capped", "unknown"})
UNMOVED = frozenset({"held", "missed"})

# Outcomes after which the steps do not say what came out: anything from nothing to all of it, a rectangular
# distribution (GUM 4.3.7). The same for a dose whose message is lost, up to the largest meal.
BROKEN = frozenset({"short", "over", "jam", "empty", "interrupted", "unknown"})
OVER_TIMES = 8.0  # of what its steps should give, for one that gave too much and was not weighed (judgement)
UNWEIGHED_SD = 0.5  # of what was asked, for a dose that was carried out and not weighed (judgement)
HUNG_G = -1.0  # a cell that shows less has no hopper on it: no zero wanders so far (judgement)
LARGEST_MEAL_G = 0.3  # where no ration says what a meal can be (judgement)


@dataclass(frozen=True, slots=True)
class Dose:
    """One actuation of a feeder.

    at_ms: when; at_low_ms and at_high_ms bound it where the device had no clock (else None).
    outcome: as on the wire, or "unknown" for a dose whose message could not be understood or never came.
    steps: motor steps, None where unknown. Masses in grams; before, after and sd None where nothing was weighed.
    largest_g: the most that it can have been where neither what was asked nor its steps are known: the largest meal of
    its day.
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
    largest_g: float = LARGEST_MEAL_G

    @property
    def moved(self) -> bool:
        """Whether food may have left the hopper: no steps were made for a held or a missed meal."""
        return self.outcome in MOVED and self.steps != 0

    @property
    def mass_g(self) -> float | None:
        """Grams that left the hopper; zero where nothing moved, None where it was not weighed, or was taken off or hung
        between the two weights."""
        if not self.moved:
            return 0.0
        if self.before_g is None or self.after_g is None:
            return None
        if (self.before_g < HUNG_G) != (self.after_g < HUNG_G):
            return None
        return self.before_g - self.after_g

    def most_g(self, gain_g_per_step: float | None = None) -> float:
        """The most that one dose can have been which nobody weighed: what its steps should give, or what was asked."""
        times = OVER_TIMES if self.outcome == "over" else 1.0
        if self.steps and gain_g_per_step is not None:
            return times * self.steps * gain_g_per_step
        return times * (self.target_g if self.target_g is not None else self.largest_g)

    def expected(self) -> tuple[float, float]:
        """Grams that left the hopper and their standard deviation, as far as the dose itself tells.

        As the cell weighed it. Of one that was not weighed: about what was asked, or, where it was not carried out as
        asked or its message is lost, anything from nothing to the most that it can have been.
        """
        if not self.moved:
            return 0.0, 0.0
        weighed = self.mass_g
        if weighed is not None:
            return weighed, self.sd_g or 0.0
        if self.outcome in BROKEN or self.target_g is None:
            return self.count * self.most_g() / 2, math.sqrt(self.count / 12) * self.most_g()
        return self.target_g, UNWEIGHED_SD * self.target_g

    def counted_g(self, unknown_g: float) -> float:
        """Grams to count against the day's ration before it is fed further: never less than what was asked.

        What was weighed counts where it lies above what was asked by more than three deviations, so that the noise of
        a cell does not rewrite the plan after each meal. A dose of unknown size counts as `unknown_g`; one that gave
        too much and was not weighed counts as what is expected of it.
        """
        if not self.moved:
            return 0.0
        asked = self.target_g if self.target_g is not None else unknown_g * self.count
        weighed = self.mass_g
        if weighed is not None and weighed - asked > 3 * (self.sd_g or 0.0):
            return weighed
        if weighed is None and self.outcome == "over":
            return max(asked, self.expected()[0])
        return asked


@dataclass(frozen=True, slots=True)
class Sum:
    """A sum of masses: grams and standard deviation of what is expected, and how many doses were weighed or not."""

    mass_g: float
    sd_g: float
    weighed: int
    unweighed: int


def total(doses: Iterable[Dose]) -> Sum:
    """What some doses are expected to have given, deviations added in quadrature."""
    mass = variance = 0.0
    weighed = unweighed = 0
    for dose in doses:
        if not dose.moved:
            continue
        mass_g, sd_g = dose.expected()
        mass += mass_g
        variance += sd_g**2
        if dose.mass_g is None:
            unweighed += dose.count
        else:
            weighed += 1
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
