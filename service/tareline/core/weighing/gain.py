"""What the next plan should know: the gain to feed by, and why a day's food was not what was asked.

The feeder takes a gain within 20 % of the one it had a day ago, and within half to double its calibrated one; what it
refuses it ignores. So a gain is told inside these bounds, and far ones are reached over days.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tareline.core.feeding.doses import Dose
from tareline.core.weighing.estimate import DoseEstimate, Estimate

DAILY_CHANGE = 0.19  # of the gain of a day ago: inside the feeder's 20 %, with room for its rounding
LEAST, MOST = 0.5, 2.0  # of the calibrated gain
WORTH = 0.02  # relative; a smaller correction is not worth a new plan (judgement)


@dataclass(frozen=True, slots=True)
class NextGain:
    """A gain for the next plan. learned_g_per_step, learned_sd: what the estimate says; bounded: whether the feeder's
    rules allow less of a change than that."""

    gain_g_per_step: float
    learned_g_per_step: float
    learned_sd: float
    bounded: bool


def next_gain(
    found: Estimate, in_force_g_per_step: float, day_ago_g_per_step: float, calibrated_g_per_step: float
) -> NextGain:
    """The gain to plan with, from what a step was found to give.

    in_force_g_per_step: the feeder's gain now; it stays where the learned one lies within 2 % of it, or within its own
    deviation. day_ago_g_per_step: the one it had 24 hours ago.
    calibrated_g_per_step: its own.
    """
    state = found.settle()
    reference = found.chain.history.gain_g_per_step
    learned, sd = float(state.mean[2]) * reference, math.sqrt(state.cov[2, 2]) * reference
    if abs(learned - in_force_g_per_step) <= max(WORTH * in_force_g_per_step, sd):
        return NextGain(in_force_g_per_step, learned, sd, False)
    low = max(day_ago_g_per_step * (1 - DAILY_CHANGE), LEAST * calibrated_g_per_step)
    high = min(day_ago_g_per_step * (1 + DAILY_CHANGE), MOST * calibrated_g_per_step)
    told = min(max(learned, low), high)
    return NextGain(told, learned, sd, told != learned)


_OF_OUTCOME = {
    "ok": "gain",
    "short": "jam",
    "over": "over",
    "jam": "jam",
    "empty": "empty",
    "held": "hold",
    "interrupted": "hold",
    "capped": "cap",
    "missed": "missed",
}


@dataclass(frozen=True, slots=True)
class Drift:
    """What came out against what was asked, over some doses, in grams: the whole, and its parts by cause."""

    asked_g: float
    given_g: float
    by_cause: Mapping[str, float]

    @property
    def drift_g(self) -> float:
        return self.given_g - self.asked_g

    @property
    def cause(self) -> str | None:
        """The cause of the largest part; None where all was given as asked."""
        part, cause = max(((abs(part), cause) for cause, part in self.by_cause.items()), default=(0.0, None))
        return cause if part > 0 else None


def drift(doses: Iterable[Dose], estimates: Mapping[int, DoseEstimate]) -> Drift:
    """The drift of some doses from what was asked; estimates: by entry, of those that moved."""
    asked_g = given_g = 0.0
    parts: dict[str, float] = {}
    for dose in doses:
        if dose.target_g is None:
            continue
        mass_g = estimates[dose.entry].mass_g if dose.entry in estimates else 0.0
        cause = _OF_OUTCOME.get(dose.outcome, "unknown")
        asked_g, given_g = asked_g + dose.target_g, given_g + mass_g
        parts[cause] = parts.get(cause, 0.0) + mass_g - dose.target_g
    return Drift(asked_g, given_g, parts)
