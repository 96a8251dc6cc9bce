"""A week of a probe's dissolved solids as one value: that of the day in the middle.

A probe sends hundreds of values a day, all with the same error of its cell; a keeper's pen gives one value a week. So a
week of a probe counts as one reading: the median of its daily means, at noon of that day. Samples are checked as for
lines (`plausibility.py`, `condition.py`); days on which water was changed are left out.
"""

from bisect import bisect_right
from collections.abc import Sequence
from statistics import fmean

from tareline.core.probes.condition import FIRM, offset
from tareline.core.probes.plausibility import Points, check_samples, dry_spans, plausible, stuck_spans

LEAST_HOURS = 12  # of a day, with plausible values: a mean of fewer depends on the time of day
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
    """The value of a week as (UNIX ms, mg/L); None where too few of its samples are plausible.

    solids (mg/L at 25 degC), siemens (S/m as measured) and others (other samples of the same board): hourly values of
    the week and of some weeks before it, which the checks need. hand_readings: readings of dissolved solids by hand.
    maintenance_ms: when water was changed or topped up; changes_ms: when it was changed. starts_ms: the begin of each
    day of the week, and then its end.
    """
    apart = offset("tds", solids, hand_readings)
    if apart is not None and (apart.low > FIRM["tds"] or apart.high < -FIRM["tds"]):
        return None
    # A stuck cell does not show in the compensated values, which change with the temperature; the measured ones show
    # it.
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
