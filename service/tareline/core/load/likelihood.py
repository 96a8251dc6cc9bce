"""How probable a reading is, given the water.

A person looks at a colour or a display, is off by a share of the value and by a floor, and names the nearest step: the
reading is an interval of what was perceived, reaching half-way to the neighbouring steps. One reading in `BLUNDER` is
something else (a wrong vial, a wrong row, a reading of another tank) and may be anything: a broad law that keeps every
reading's probability above a floor, so that no single one rules the posterior.

    P(reading) = (1 - BLUNDER) (F((upper - C) / s) - F((lower - C) / s)) + BLUNDER (G(upper) - G(lower))

with F the normal law, s^2 = (SHARE C)^2 + floor^2 and G(x) = x / (x + scale). Over a chart's steps it sums to one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tareline.core.load.record import Seen

Floats = NDArray[np.float64]

BLUNDER = 0.08  # with G over some seven steps this leaves each step one to two percent
SHARE = 0.15  # judgement: one person's eye on one colour
# Least deviation of what is perceived, and the scale of blunders; mg/L, nitrogen as N. Judgement.
FLOOR = {"ammonia": 0.05, "nitrite": 0.03, "nitrate": 0.25, "tds": 3.0}
SCALE = {"ammonia": 0.5, "nitrite": 0.3, "nitrate": 5.0, "tds": 300.0}
SHARES = {"ammonia": SHARE, "nitrite": SHARE, "nitrate": SHARE, "tds": 0.02}


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings as arrays of shape (readings,): edges of the interval perceived, and the figures of their analyte."""

    lower: Floats
    upper: Floats
    share: Floats
    floor: Floats
    lower_blunder: Floats
    upper_blunder: Floats

    def __len__(self) -> int:
        return len(self.lower)


def edges(seen: Seen) -> tuple[float, float]:
    """Between which the perceived value lay: half-way to the neighbouring steps; a number's own resolution."""
    if not seen.detected:
        # Nothing seen: under the detection limit, or nearer to a chart's lowest step than to the next one.
        return -np.inf, seen.value if seen.high is None else (seen.value + seen.high) / 2
    lower, upper = (seen.low + seen.value) / 2, np.inf if seen.high is None else (seen.value + seen.high) / 2
    if seen.high is not None and upper - lower < FLOOR[seen.analyte]:  # an instrument: its own error is the floor's
        lower, upper = seen.value - FLOOR[seen.analyte] / 2, seen.value + FLOOR[seen.analyte] / 2
    return lower, upper


def readings(seen: Sequence[Seen]) -> Readings:
    """Readings, in their order."""
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
    """The probability of each reading were it no blunder. water: shape (readings, draws), as the kit sees it."""
    from scipy.special import ndtr

    sd = np.sqrt((readings.share[:, None] * water) ** 2 + readings.floor[:, None] ** 2)
    share: Floats = ndtr((readings.upper[:, None] - water) / sd) - ndtr((readings.lower[:, None] - water) / sd)
    return share


def probability(readings: Readings, water: Floats) -> Floats:
    """The probability of each reading, of shape (readings, draws)."""
    broad = BLUNDER * (readings.upper_blunder - readings.lower_blunder)
    return (1 - BLUNDER) * normal_share(readings, water) + broad[:, None]


def blunders(readings: Readings, water: Floats) -> Floats:
    """The probability that each reading is a blunder, given the water of each draw."""
    broad = BLUNDER * (readings.upper_blunder - readings.lower_blunder)
    return broad[:, None] / probability(readings, water)


def only(readings: Readings, rows: slice) -> Readings:
    """Some of the readings."""
    return Readings(
        readings.lower[rows],
        readings.upper[rows],
        readings.share[rows],
        readings.floor[rows],
        readings.lower_blunder[rows],
        readings.upper_blunder[rows],
    )
