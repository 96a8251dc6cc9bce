"""What the ramp asks of a tank's posterior, as plain numbers."""

from collections.abc import Sequence

from tareline.guard.ramp import Knowledge
from tareline.water.load.limit import Limits, Load


def knowledge(may: Limits, load: Load, rations: Sequence[float], fresh: bool = True) -> Knowledge:
    """What is known of a limit, with the probability of some rations, in grams a day, to stay at or under it.

    may and load: of one posterior and one food. fresh: whether everything that was entered is in them.
    """
    return Knowledge(
        fresh=fresh,
        refuses=None if load.diagnostics.speaks else load.diagnostics.why,
        found=load.found,
        p5=load.p5_g,
        p50=load.p50_g,
        p95=load.p95_g,
        proven_g=load.proven.daily_g if load.proven.daily_g > 0 else None,
        in_balance=may.at_least(load.fed_now_g),
        p_under={ration_g: may.at_least(ration_g) for ration_g in rations},
    )
