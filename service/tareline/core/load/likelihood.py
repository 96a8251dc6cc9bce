"""The probability of a reading, given the water.

A person who compares a colour or reads a display makes an error whose standard deviation is a share of the value plus
a minimum, and then states the nearest step. So a reading is an interval of the perceived value that reaches half-way to
the neighbouring steps. A share `BLUNDER` of all readings is wrong in another way (a wrong vial, a wrong row, another
tank) and may have any value. Their broad distribution keeps the probability of every reading above a minimum, so that
no single reading dominates the posterior.

    P(reading) = (1 - BLUNDER) (F((upper - C) / s) - F((lower - C) / s)) + BLUNDER (G(upper) - G(lower))

with C the water's content, F the normal distribution function, s^2 = (SHARE C)^2 + floor^2 and G(x) = x / (x + scale).
The probabilities of all steps of a chart sum to one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tareline.core.load.record import RecordedReading

Floats = NDArray[np.float64]

BLUNDER = 0.08  # with G over some seven steps this leaves each step one to two percent
SHARE = 0.15  # judgement: one person's eye on one colour
# The minimum standard deviation of the perceived value, and the scale of blunders; mg/L, nitrogen as N. Judgement.
FLOOR = {"ammonia": 0.05, "nitrite": 0.03, "nitrate": 0.25, "tds": 3.0}
SCALE = {"ammonia": 0.5, "nitrite": 0.3, "nitrate": 5.0, "tds": 300.0}
SHARES = {"ammonia": SHARE, "nitrite": SHARE, "nitrate": SHARE, "tds": 0.02}


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings as arrays of shape (readings,): the ends of the perceived interval in mg/L (nitrogen as N), the error's
    share and minimum for the analyte, and the blunder distribution function G at both ends."""

    lower: Floats
    upper: Floats
    share: Floats
    floor: Floats
    lower_blunder: Floats
    upper_blunder: Floats

    def __len__(self) -> int:
        return len(self.lower)


def edges(seen: RecordedReading) -> tuple[float, float]:
    """The ends of the interval in which the perceived value lay: half-way to the neighbouring steps of a chart, or the
    resolution of an instrument. mg/L, nitrogen as N."""
    if not seen.detected:
        # Nothing seen: under the detection limit, or nearer to a chart's lowest step than to the next one.
        return -np.inf, seen.value if seen.high is None else (seen.value + seen.high) / 2
    lower, upper = (seen.low + seen.value) / 2, np.inf if seen.high is None else (seen.value + seen.high) / 2
    if seen.high is not None and upper - lower < FLOOR[seen.analyte]:  # an instrument: its own error is the floor's
        lower, upper = seen.value - FLOOR[seen.analyte] / 2, seen.value + FLOOR[seen.analyte] / 2
    return lower, upper


def readings(seen: Sequence[RecordedReading]) -> Readings:
    """Readings as arrays, in the given order."""
    limits = np.array([edges(one) for one in seen], dtype=float).reshape(-1, 2)
    scale = np.array([SCALE[one.analyte] for one in seen])
    below, above = np.maximum(limits[:, 0], 0.0), limits[:, 1]
    with np.errstate(invalid="ignore"):
        upper_blunder = np.where(np.isinf(above), 1.0, above / (above + scale))
    return Readings(
        lower=limits[:, 0],
        upper=above,
        share=np.array([SHARES[one.analyte] for one in seen]),
        floor=np.array([FLOOR[one.analyte] for one in seen]),
        lower_blunder=below / (below + scale),
        upper_blunder=upper_blunder,
    )


def normal_share(readings: Readings, water: Floats) -> Floats:
    """The probability of each reading if it is no blunder, of shape (readings, draws).

    water: (readings, draws), the content as the kit shows it.
    """
    from scipy.special import ndtr

    sd = np.sqrt((readings.share[:, None] * water) ** 2 + readings.floor[:, None] ** 2)
    share: Floats = ndtr((readings.upper[:, None] - water) / sd) - ndtr((readings.lower[:, None] - water) / sd)
    return share


def probability(readings: Readings, water: Floats) -> Floats:
    """The probability of each reading, of shape (readings, draws)."""
    broad = BLUNDER * (readings.upper_blunder - readings.lower_blunder)
    return (1 - BLUNDER) * normal_share(readings, water) + broad[:, None]


def blunders(readings: Readings, water: Floats) -> Floats:
    """The probability that each reading is a blunder, given the water of each draw: (readings, draws)."""
    broad = BLUNDER * (readings.upper_blunder - readings.lower_blunder)
    return broad[:, None] / probability(readings, water)


def only(readings: Readings, rows: slice) -> Readings:
    """The readings of some rows."""
    return Readings(
        readings.lower[rows],
        readings.upper[rows],
        readings.share[rows],
        readings.floor[rows],
        readings.lower_blunder[rows],
        readings.upper_blunder[rows],
    )
