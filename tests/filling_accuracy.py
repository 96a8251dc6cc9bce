"""How well doses keep to what was asked, in the terms of OIML R 61 (automatic gravimetric filling instruments).

R 61 judges an instrument by test fills: each fill's deviation from their average, and the average's from the preset
value. The limits for class X(1) are multiplied by the class factor x, which is 1, 2 or 5 times a power of ten. Where
the food's particles are heavy against the limit, it is widened by 1.5 particles, but never above x times 9 %; so for
fills of up to 50 g, whose limit is 9 % already, a coarse food gets no allowance.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

# In-service limits of class X(1), by the mass of the fill: (up to g, share of the mass, or else grams). OIML R 61,
# 2.2.2, as printed in UK Statutory Instrument 2000/388, Schedule 5, Table 1.
_LIMITS = (
    (50.0, 0.09, None),
    (100.0, None, 4.5),
    (200.0, 0.045, None),
    (300.0, None, 9.0),
    (500.0, 0.03, None),
    (1000.0, None, 15.0),
    (10_000.0, 0.015, None),
)
MOST_SHARE = 0.09
PARTICLE_COUNTS = 0.1  # of the limit
PRESET_SHARE = 0.25  # of the limit: how far the average may lie from the preset value (2.3)
LARGEST_FACTOR = 2.0  # that may be put on a plate (Directive 2014/32/EU, annex VIII, chapter III)


def limit_g(mass_g: float, factor: float = 1.0, particle_g: float = 0.0) -> float:
    """Largest deviation of one fill from the average, in service, for fills of a mass and a class factor.

    Raises ValueError outside 0 to 10 kg.
    """
    for up_to_g, share, grams in _LIMITS:
        if 0 < mass_g <= up_to_g:
            plain = factor * (grams if grams is not None else (share or 0.0) * mass_g)
            if particle_g > PARTICLE_COUNTS * plain:
                return max(plain, min(plain + 1.5 * particle_g, factor * MOST_SHARE * mass_g))
            return plain
    raise ValueError(f"expected a fill above 0 and up to 10000 g; found {mass_g}")


@dataclass(frozen=True, slots=True)
class Accuracy:
    """The class that some fills reach.

    factor: the smallest class factor x they keep to. deviation_g: the largest of a fill from their average.
    preset_g: the average minus the preset value. by: what decides the class, "fills" or "preset".
    """

    factor: float
    deviation_g: float
    preset_g: float
    by: str

    @property
    def permitted(self) -> bool:
        """Whether an instrument of this class could be sold as one."""
        return self.factor <= LARGEST_FACTOR


def accuracy(fills_g: Sequence[float], preset_g: float, particle_g: float = 0.0) -> Accuracy:
    """The class of some fills of one preset value. Raises ValueError without fills, or where they average nothing."""
    if not fills_g:
        raise ValueError("expected at least one fill; found none")
    average = math.fsum(fills_g) / len(fills_g)
    deviation = max(abs(fill - average) for fill in fills_g)
    off = average - preset_g
    for_fills = _factor(average, deviation, particle_g)
    for_preset = _factor(average, abs(off) / PRESET_SHARE, particle_g)
    return Accuracy(max(for_fills, for_preset), deviation, off, "fills" if for_fills >= for_preset else "preset")


def _factor(mass_g: float, deviation_g: float, particle_g: float) -> float:
    """The smallest 1, 2 or 5 times a power of ten whose limit a deviation keeps to; down to a thousandth."""
    for power in range(-3, 7):
        for digit in (1, 2, 5):
            factor = digit * 10.0**power
            if deviation_g <= limit_g(mass_g, factor, particle_g) * (1 + 1e-9):
                return factor
    raise ValueError(f"expected deviations within a million times the limit; found {deviation_g} g at {mass_g} g")


@dataclass(frozen=True, slots=True)
class DayToDay:
    """Scatter within days and between them (GUM, JCGM 100:2008, H.5): standard deviations of single values within a
    day, of the days' means, and the ratio F of the two estimates of one variance."""

    within: float
    between_means: float
    f: float
    df_between: int
    df_within: int


def day_to_day(days: Sequence[Sequence[float]]) -> DayToDay:
    """Separate repeatability within a day from what changes from day to day; as many values on each day.

    Raises ValueError with fewer than two days or two values a day, or where days differ in number.
    """
    count = len(days[0]) if days else 0
    if len(days) < 2 or count < 2 or any(len(day) != count for day in days):
        raise ValueError("expected at least two days of the same number of values, two or more")
    means = [math.fsum(day) / count for day in days]
    sds = [
        math.sqrt(sum((value - mean) ** 2 for value in day) / (count - 1))
        for day, mean in zip(days, means, strict=True)
    ]
    return from_means(means, sds, count)


def from_means(means: Sequence[float], sds: Sequence[float], count: int) -> DayToDay:
    """The same from the days' means and standard deviations of `count` values each."""
    grand = math.fsum(means) / len(means)
    between_var = sum((mean - grand) ** 2 for mean in means) / (len(means) - 1)
    within_var = sum(sd**2 for sd in sds) / len(sds)
    return DayToDay(
        math.sqrt(within_var),
        math.sqrt(between_var),
        count * between_var / within_var,
        len(means) - 1,
        len(means) * (count - 1),
    )
