"""A first guess of a tank's limit from the keeper's other tanks: per litre, and per planted area.

It does not scale directly: two tanks of one keeper differ in plants, light, substrate and age by a factor of two as a
matter of course (judgement). So the guess is the law of one more tank drawn from the same keeper's: log limits per
litre (or per area) scatter with an unknown deviation, believed beforehand to be log 2 with the weight of four tanks,
and Student's quantiles widen what few tanks tell. It is always labelled a guess, and proves and recommends nothing.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

SCATTER = math.log(2.0)
SCATTER_WEIGHT = 4.0  # tanks
Z90 = 1.6448536


@dataclass(frozen=True, slots=True)
class Other:
    """Another tank whose limit was found. Grams a day; planted_cm2 None where nobody measured it."""

    volume_l: float
    planted_cm2: float | None
    p5_g: float
    p50_g: float
    p95_g: float


@dataclass(frozen=True, slots=True)
class Guess:
    """A guess in grams a day: its 90 % interval and median, from how many tanks and by what."""

    p5_g: float
    p50_g: float
    p95_g: float
    tanks: int
    per: Literal["litre", "planted area"]
    text: str


def guess(volume_l: float, planted_cm2: float | None, others: Sequence[Other]) -> tuple[Guess, ...]:
    """One guess per litre and, where areas are known, one per planted area; none without a tank whose limit was found.

    A keeper who starts from a guess starts from the lower one's lower end.
    """
    guesses = []
    if others:
        guesses.append(_guess(volume_l, [(one.volume_l, one) for one in others], "litre"))
    planted = [(one.planted_cm2, one) for one in others if one.planted_cm2]
    if planted and planted_cm2:
        guesses.append(_guess(planted_cm2, planted, "planted area"))
    return tuple(guesses)


def _guess(size: float, others: Sequence[tuple[float, Other]], per: Literal["litre", "planted area"]) -> Guess:
    from scipy.special import stdtrit

    logs = [math.log(one.p50_g / other_size) for other_size, one in others]
    own = [(math.log(one.p95_g / one.p5_g) / (2 * Z90)) ** 2 for _, one in others]
    weights = [1 / (SCATTER**2 + sd2) for sd2 in own]
    mean = sum(w * x for w, x in zip(weights, logs, strict=True)) / sum(weights)
    freedom = SCATTER_WEIGHT + len(logs) - 1
    scatter2 = (SCATTER_WEIGHT * SCATTER**2 + sum((x - mean) ** 2 for x in logs)) / freedom
    reach = float(stdtrit(freedom, 0.95)) * math.sqrt(scatter2 + 1 / sum(weights))
    p5, p50, p95 = (size * math.exp(mean + part * reach) for part in (-1, 0, 1))
    tanks = f"{len(logs)} other tank{'s' if len(logs) > 1 else ''}"
    text = f"A guess, by {per} from {tanks}: between {p5:.2g} and {p95:.2g} g a day. Tanks do not scale directly."
    return Guess(p5, p50, p95, len(logs), per, text)
