"""The gain for the next plan, and the difference between what was asked for and what was given.

A feeder accepts a gain within 20 % of the one that it had a day ago, and between half and double its calibrated one; it
ignores any other. So the gain that is sent stays within these bounds, and a larger change takes several days.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from tareline.core.feeding.doses import Dose
from tareline.core.weighing.estimate import DoseEstimate, Estimate

DAILY_CHANGE = 0.19  # relative to the gain a day ago: within the feeder's 20 %, with room for rounding
LEAST, MOST = 0.5, 2.0  # relative to the calibrated gain
WORTH = 0.02  # relative; a smaller correction does not justify a new plan (judgement)


@dataclass(frozen=True, slots=True)
class NextGain:
    """The gain for the next plan in g per step. learned_g_per_step, learned_sd: the estimate and its standard
    deviation. bounded: whether the feeder's rules do not allow the whole change yet."""

    gain_g_per_step: float
    learned_g_per_step: float
    learned_sd: float
    bounded: bool


def next_gain(
    found: Estimate, in_force_g_per_step: float, day_ago_g_per_step: float, calibrated_g_per_step: float
) -> NextGain:
    """The gain for the next plan, from the estimate of what a motor step gives.

    in_force_g_per_step: the feeder's present gain; it stays if the estimate differs from it by at most 2 %, or by at
    most its standard deviation. day_ago_g_per_step: its gain 24 hours ago. calibrated_g_per_step: its calibrated gain.
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
    """What was given against what was asked for, over some doses, in grams; by_cause: the difference by its causes."""

    asked_g: float
    given_g: float
    by_cause: Mapping[str, float]

    @property
    def drift_g(self) -> float:
        return self.given_g - self.asked_g

    @property
    def cause(self) -> str | None:
        """The cause of the largest part; None where everything was given as asked for."""
        part, cause = max(((abs(part), cause) for cause, part in self.by_cause.items()), default=(0.0, None))
        return cause if part > 0 else None


def drift(doses: Iterable[Dose], estimates: Mapping[int, DoseEstimate]) -> Drift:
    """The drift of some doses; estimates: by entry, of the doses that moved food."""
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
