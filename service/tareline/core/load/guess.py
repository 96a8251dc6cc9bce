"""A first guess of a tank's limit from the keeper's other tanks: per litre, and per planted area.

The limit is not proportional to the size: two tanks of one keeper usually differ by a factor of two, because of plants,
light, substrate and age (judgement). The guess is therefore the predictive distribution of one more tank of the same
keeper. The logarithm of the limit per litre (or per area) has an unknown standard deviation between tanks; its prior is
log 2 with the weight of four tanks. Student's t quantiles widen the interval where there are few tanks. The result is
always labelled as a guess; it proves nothing and recommends nothing.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

SCATTER = math.log(2.0)
SCATTER_WEIGHT = 4.0  # tanks
Z90 = 1.6448536


@dataclass(frozen=True, slots=True)
class OtherTank:
    """Another tank whose limit was found: quantiles in grams a day; planted_cm2 is None where it is unknown."""

    volume_l: float
    planted_cm2: float | None
    p5_g: float
    p50_g: float
    p95_g: float


@dataclass(frozen=True, slots=True)
class Guess:
    """A guess in grams a day: the 90 % interval and the median; tanks: from how many tanks; per: by which size."""

    p5_g: float
    p50_g: float
    p95_g: float
    tanks: int
    per: Literal["litre", "planted area"]
    text: str


def guess(volume_l: float, planted_cm2: float | None, others: Sequence[OtherTank]) -> tuple[Guess, ...]:
    """One guess per litre and, where areas are known, one per planted area; empty without another tank.

    A keeper who starts from a guess should start from the lower end of the lower guess.
    """
    guesses = []
    if others:
        guesses.append(_guess(volume_l, [(one.volume_l, one) for one in others], "litre"))
    planted = [(one.planted_cm2, one) for one in others if one.planted_cm2]
    if planted and planted_cm2:
        guesses.append(_guess(planted_cm2, planted, "planted area"))
    return tuple(guesses)


def _guess(size: float, others: Sequence[tuple[float, OtherTank]], per: Literal["litre", "planted area"]) -> Guess:
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
    between = f"between {p5:.2g} and {p95:.2g} g a day"
    text = f"A guess, by {per} from {tanks}: {between}. The limit is not proportional to the size."
    return Guess(p5, p50, p95, len(logs), per, text)
