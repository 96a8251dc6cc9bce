"""A week of a probe's dissolved solids as one value: that of the day in the middle.

A probe says hundreds of times a day what a keeper's pen says once a week, each time with the same error of its cell. So
a week is one reading: of its days by their means the median, at that day's noon. What its samples are worth is judged
as for lines (`plausibility.py`, `condition.py`); days on which water was changed are of two waters.
"""

from bisect import bisect_right
from collections.abc import Sequence
from statistics import fmean

from tareline.core.probes.condition import FIRM, offset
from tareline.core.probes.plausibility import Points, check_samples, dry_spans, plausible, stuck_spans

LEAST_HOURS = 12  # of a day, with values that water can have had: a mean of fewer hangs on the time of day
LEAST_DAYS = 3  # of a week


def week_value(
    solids: Points,
    siemens: Points,
    others: Points,
    hand_readings: Points,
    maintenance_ms: Sequence[int],
    changes_ms: Sequence[int],
    starts_ms: Sequence[int],
) -> tuple[int, float] | None:
    """(UNIX ms, mg/L) of a week; None where too little of it can be believed.

    solids (mg/L at 25 degC), siemens (S/m as measured) and others (what the same board sent besides): hourly values of
    the week and of some weeks before it, from which the judgement takes its run. pens: readings of dissolved solids by
    hand. works_ms, changes_ms: when water was changed or topped up, and when changed. starts_ms: at which the week's
    days begin, and last the one at which it ends.
    """
    apart = offset("tds", solids, hand_readings)
    if apart is not None and (apart.low > FIRM["tds"] or apart.high < -FIRM["tds"]):
        return None
    # A cell that is stuck hides behind a thermometer that is not: the conductivity as measured tells.
    away = sorted(dry_spans(siemens, others) + stuck_spans(siemens))
    days: dict[int, list[float]] = {}
    for at_ms, value in plausible(check_samples("tds", solids, hand_readings, maintenance_ms, away)):
        if starts_ms[0] <= at_ms < starts_ms[-1]:
            days.setdefault(bisect_right(starts_ms, at_ms) - 1, []).append(value)
    mixed = {bisect_right(starts_ms, at_ms) - 1 for at_ms in changes_ms}
    means = sorted((fmean(own), day) for day, own in days.items() if len(own) >= LEAST_HOURS and day not in mixed)
    if len(means) < LEAST_DAYS:
        return None
    value, day = means[(len(means) - 1) // 2]
    return (starts_ms[day] + starts_ms[day + 1]) // 2, value
