"""The content of a hopper, how long it lasts, and when to refill and to weigh it."""

import math
from dataclasses import dataclass

from tareline.core.units import DAY_MS
from tareline.core.weighing.estimate import Estimate

RESERVE_G = 0.5  # food that the auger cannot reach (judgement)
RUN_OUT = 1.645  # one-sided 95 % of a normal distribution: later the probability of an empty hopper is above 5 %
LONGEST_DAYS = 3650.0
WEIGH_EVERY_DAYS = 7  # common practice, no source


@dataclass(frozen=True, slots=True)
class Hopper:
    """A hopper at an instant.

    content_g, content_sd_g: the food left, with its standard deviation. days, days_low, days_high: the time until the
    auger reaches no more food, with the limits of a 90 % interval; None where nothing is fed. refill_by_ms: when the
    probability of an empty hopper becomes more than 5 %. weighed_ms: the last weigh-in that is not in doubt.
    weigh_by_ms: when the next weigh-in is due.
    """

    at_ms: int
    content_g: float
    content_sd_g: float
    days: float | None
    days_low: float | None
    days_high: float | None
    refill_by_ms: int | None
    weighed_ms: int | None
    weigh_by_ms: int


def hopper(found: Estimate, daily_g: float, daily_sd_g: float | None = None) -> Hopper:
    """The hopper at the end of an estimate, if it continues to give `daily_g` a day.

    daily_g: what the plan asks for. daily_sd_g: the standard deviation of the daily mass averaged over many days; the
    default follows from the uncertainty of the feeder's gain.
    """
    state = found.settle()
    at_ms = state.at_ms
    content_g, content_sd_g = float(state.mean[0]), math.sqrt(state.cov[0, 0])
    gain, gain_sd = float(state.mean[2]), math.sqrt(state.cov[2, 2])
    rate_sd_g = daily_sd_g if daily_sd_g is not None else daily_g * gain_sd / max(gain, 0.1)
    weighed_ms = found.weighed_until_ms
    weigh_by_ms = at_ms if weighed_ms is None else weighed_ms + WEIGH_EVERY_DAYS * DAY_MS
    if daily_g <= 0:
        return Hopper(at_ms, content_g, content_sd_g, None, None, None, None, weighed_ms, weigh_by_ms)
    left_g = content_g - RESERVE_G
    days, low, high = (_until(left_g, content_sd_g, daily_g, rate_sd_g, z) for z in (0.0, -RUN_OUT, RUN_OUT))
    refill_by_ms = at_ms + math.floor(low * DAY_MS)
    return Hopper(at_ms, content_g, content_sd_g, days, low, high, refill_by_ms, weighed_ms, weigh_by_ms)


def _until(left_g: float, left_sd_g: float, rate_g: float, rate_sd_g: float, z: float) -> float:
    """The days t at which left - t rate is -z of its own standard deviations; 0 where that is past, at most
    LONGEST_DAYS."""
    low, high = 0.0, LONGEST_DAYS

    def beyond(t: float) -> float:
        return left_g - t * rate_g + z * math.hypot(left_sd_g, t * rate_sd_g)

    if beyond(low) <= 0:
        return low
    if beyond(high) > 0:
        return high
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if beyond(middle) > 0 else (low, middle)
    return (low + high) / 2
