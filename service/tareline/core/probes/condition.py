"""The condition of a probe: its issues, and its offset from readings by hand.

The text of an issue says what was observed, what it may mean and what to do; `trusted` says whether lines may still act
on the probe's samples. The limits are judgement, explained beside their names. `plausibility.py` decides which samples
are plausible.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

from tareline.core.probes.plausibility import (
    FEWEST,
    METRIC_LIMITS,
    MOST_BAD,
    STUCK_MS,
    WORK_MS,
    CheckedSample,
    Points,
    check_samples,
    near,
    stuck_spans,
    usual_pause_ms,
)
from tareline.core.units import DAY_MS, HOUR_MS, MINUTE_MS

OFF_MS = 30 * MINUTE_MS  # values that are off the track for this long are an issue
AFTER_WORK_MS = 12 * HOUR_MS  # time that temperature and probe get to recover after work on the tank
SILENT_MS = HOUR_MS  # at least, and at least six usual pauses
CALIBRATE_MS = {"conductivity": 90 * DAY_MS, "tds": 90 * DAY_MS, "temperature": 365 * DAY_MS}
MATERIAL = {"temperature": 0.5, "conductivity": 0.10, "tds": 0.10}  # offset that is an issue; degC, or a share
CREEP = {"temperature": 0.25, "conductivity": 0.05, "tds": 0.05}  # drift in 30 days that is an issue
FIRM = {"temperature": 1.5, "conductivity": 0.25, "tds": 0.25}  # offset from which lines no longer act
PRIOR = 4.0  # weight of the prior of the standard deviation, in differences
NAMES = {"temperature": "temperature", "conductivity": "conductivity", "tds": "dissolved solids"}
UNITS = {"temperature": " degC", "conductivity": " S/m", "tds": " mg/L"}

Kind = Literal["stuck", "jumping", "drifting", "dry", "silent", "calibration due"]


@dataclass(frozen=True, slots=True)
class ProbeIssue:
    """An issue of a probe's metric, since when, in words; trusted: whether lines may still act on its samples."""

    kind: Kind
    metric: str
    since_ms: int
    text: str
    trusted: bool


@dataclass(frozen=True, slots=True)
class OffsetFit:
    """A straight line: its height at an instant and its slope, their standard deviations and degrees of freedom."""

    height: float
    height_sd: float
    slope: float
    slope_sd: float
    freedom: float


@dataclass(frozen=True, slots=True)
class Offset:
    """The offset of a probe: probe minus reading by hand at the newest reading, and its drift.

    In the metric's unit; for conductivity and dissolved solids a share of the value (on the natural logarithm). low,
    high: the 95 % interval. The drift is None with fewer than three readings, or within less than a week. since_ms,
    at_ms: the first and the last reading by hand; n: their number.
    """

    value: float
    sd: float
    low: float
    high: float
    drift_per_30_d: float | None
    drift_low: float | None
    drift_high: float | None
    since_ms: int
    at_ms: int
    n: int


def probe_issues(
    metric: str,
    points: Points,
    hand_readings: Points,
    now_ms: int,
    maintenance_ms: Sequence[int] = (),
    dry: Sequence[tuple[int, int]] = (),
    calibrated_ms: int | None = None,
) -> list[ProbeIssue]:
    """The present issues of a probe's metric, the worst first; empty where there are none, or no samples.

    points: samples of "temperature" (degC), "conductivity" (S/m, as measured) or "tds" (mg/L at 25 degC), ascending.
    hand_readings: in the same unit. maintenance_ms: water changes and top-ups. dry: `dry_spans` of the same probe.
    calibrated_ms: when it was last calibrated, None where unknown.
    """
    if not points:
        return []
    checked = check_samples(metric, points, hand_readings, maintenance_ms, dry)
    found = [
        _dry(metric, points, dry, now_ms),
        _silent(metric, points, checked, now_ms),
        _stuck(metric, points),
        _jumping(metric, checked, maintenance_ms, now_ms),
        _drifting(metric, points, [pen for pen in hand_readings if calibrated_ms is None or pen[0] >= calibrated_ms]),
        _calibration(metric, points, hand_readings, calibrated_ms, now_ms),
    ]
    kept = [issue for issue in found if issue is not None]
    causes = [a.kind for a in kept]
    if "dry" in causes:
        kept = [a for a in kept if a.kind not in ("jumping", "stuck", "silent")]
    elif "stuck" in causes:
        kept = [a for a in kept if a.kind != "jumping"]
    return kept


def _dry(metric: str, points: Points, dry: Sequence[tuple[int, int]], now_ms: int) -> ProbeIssue | None:
    if not dry or dry[-1][1] < min(points[-1][0], now_ms) - OFF_MS:
        return None
    text = (
        f"Since then almost no current has flowed through the cell: the probe is out of the water or not connected. Its"
        f" {NAMES[metric]} is not used until this ends. Check whether it hangs in the water and whether the level has"
        " fallen."
    )
    return ProbeIssue("dry", metric, dry[-1][0], text, False)


def _silent(metric: str, points: Points, checked: Sequence[CheckedSample], now_ms: int) -> ProbeIssue | None:
    limits = METRIC_LIMITS[metric]
    possible = [j.at_ms for j in checked if limits.scaled(j.value) is not None]
    last_ms = possible[-1] if possible else points[0][0]
    if now_ms - last_ms <= max(SILENT_MS, 6 * usual_pause_ms(points)):
        return None
    if points[-1][0] > last_ms:
        text = (
            f"It sends values of {NAMES[metric]} that are impossible for water (last "
            f"{points[-1][1]:g}{UNITS[metric]}). Check its plug and cable."
        )
    else:
        text = f"No {NAMES[metric]} has been received since. Check its power, plug and network."
    return ProbeIssue("silent", metric, last_ms, text, False)


def _stuck(metric: str, points: Points) -> ProbeIssue | None:
    spans = stuck_spans(points)
    if not spans or spans[-1][1] != points[-1][0]:
        return None
    hours = (spans[-1][1] - spans[-1][0]) // HOUR_MS
    text = (
        f"It has reported {points[-1][1]:g}{UNITS[metric]} for {hours} h without any change; real water never stays"
        f" that constant for more than {STUCK_MS // HOUR_MS} h. Restart it, and measure by hand."
    )
    return ProbeIssue("stuck", metric, spans[-1][0], text, False)


def _jumping(
    metric: str, checked: Sequence[CheckedSample], maintenance_ms: Sequence[int], now_ms: int
) -> ProbeIssue | None:
    first = len(checked)
    while first > 0 and checked[first - 1].off:
        first -= 1
    run = checked[first:]
    if len(run) >= FEWEST and run[-1].at_ms - run[0].at_ms >= OFF_MS:
        since_ms = run[0].at_ms
        worked = any(abs(since_ms - at_ms) <= WORK_MS for at_ms in maintenance_ms)
        if worked and now_ms - since_ms < AFTER_WORK_MS:
            return None
        before = next((j.value for j in reversed(checked[:first]) if j.plausible), None)
        was = "" if before is None else f", from {_value(metric, before)}"
        text = (
            f"It jumped to {_value(metric, run[0].value)}{was}, faster than water can change, and reports"
            f" {_value(metric, run[-1].value)} now. Either it is loose or out of the water, or the water changed"
            " suddenly. Look at it and measure by hand; lines act on it again once it is back or agrees with a reading."
        )
        return ProbeIssue("jumping", metric, since_ms, text, False)
    lately = [j for j in checked if j.at_ms > now_ms - DAY_MS]
    bad = [j for j in lately if j.off and not any(abs(j.at_ms - at_ms) <= WORK_MS for at_ms in maintenance_ms)]
    if len(bad) >= 2 * FEWEST and len(bad) > MOST_BAD * len(lately) / 2:
        text = (
            f"{len(bad)} of its {len(lately)} values of the last day changed faster than water can (one:"
            f" {_value(metric, bad[-1].value)}). Check its plug and cable."
        )
        return ProbeIssue("jumping", metric, bad[0].at_ms, text, lately[-1].plausible)
    return None


def _value(metric: str, value: float) -> str:
    return f"{value:.4g}{UNITS[metric]}"


def _drifting(metric: str, points: Points, hand_readings: Points) -> ProbeIssue | None:
    found = offset(metric, points, hand_readings)
    if found is None:
        return None
    away = found.low > MATERIAL[metric] or found.high < -MATERIAL[metric]
    low, high = found.drift_low, found.drift_high
    creeps = low is not None and high is not None and (low > CREEP[metric] or high < -CREEP[metric])
    if not away and not creeps:
        return None
    half = _size(metric, (found.high - found.low) / 2)
    text = f"It reads {_share(metric, found.value)} than readings by hand show"
    text += f" (95 % interval: plus or minus {half}; {found.n} readings)"
    if creeps and found.drift_per_30_d is not None:
        text += f", and {_share(metric, found.drift_per_30_d)} with every 30 days"
    firm = found.low > FIRM[metric] or found.high < -FIRM[metric]
    return ProbeIssue("drifting", metric, found.since_ms, f"{text}. Clean it, then calibrate it.", not firm)


def _share(metric: str, difference: float) -> str:
    return f"{_size(metric, difference)} {'more' if difference > 0 else 'less'}"


def _size(metric: str, difference: float) -> str:
    return (
        f"{abs(math.expm1(difference)):.1%}"
        if METRIC_LIMITS[metric].relative
        else f"{abs(difference):.2g}{UNITS[metric]}"
    )


def _calibration(
    metric: str, points: Points, hand_readings: Points, calibrated_ms: int | None, now_ms: int
) -> ProbeIssue | None:
    """A calibration is due some time after the last one, or after the last reading by hand that agreed well."""
    done_ms = points[0][0] if calibrated_ms is None else calibrated_ms
    for at_ms, difference in _differences(metric, points, hand_readings):
        if abs(difference) <= MATERIAL[metric] / 2:
            done_ms = max(done_ms, at_ms)
    due_ms = done_ms + CALIBRATE_MS[metric]
    if now_ms < due_ms:
        return None
    days = (now_ms - done_ms) // DAY_MS
    text = (
        f"{days} days since it was calibrated or last agreed with a reading by hand. Measure by hand at the same time;"
        " if both values agree, no calibration is needed."
    )
    return ProbeIssue("calibration due", metric, due_ms, text, True)


# The offset between probe and readings by hand


def offset(metric: str, points: Points, hand_readings: Points) -> Offset | None:
    """Probe minus reading by hand over time; None without a reading by hand near samples.

    A straight line is fitted to the differences. The standard deviation of one difference has a prior
    (`MetricLimits.noise`) and is learned from the data. The conjugate prior has the weight of PRIOR differences, so
    that two differences that agree by chance do not give a narrow interval.
    """
    pairs = _differences(metric, points, hand_readings)
    if not pairs:
        return None
    days = [(at_ms - pairs[-1][0]) / DAY_MS for at_ms, _ in pairs]
    differences = [difference for _, difference in pairs]
    sloped = len(pairs) >= 3 and days[0] <= -7.0
    fit = line(days, differences, 0.0, METRIC_LIMITS[metric].noise, PRIOR, sloped)
    from scipy.special import stdtrit

    t95 = float(stdtrit(fit.freedom, 0.975))
    slope, slope_half = 30 * fit.slope, 30 * t95 * fit.slope_sd
    half = t95 * fit.height_sd
    return Offset(
        fit.height,
        fit.height_sd,
        fit.height - half,
        fit.height + half,
        slope if sloped else None,
        slope - slope_half if sloped else None,
        slope + slope_half if sloped else None,
        pairs[0][0],
        pairs[-1][0],
        len(pairs),
    )


def _differences(metric: str, points: Points, hand_readings: Points) -> list[tuple[int, float]]:
    """(instant, probe minus reading) on the metric's scale, for each reading by hand with samples around it."""
    limits, found = METRIC_LIMITS[metric], []
    for at_ms, pen in sorted(hand_readings):
        around = [level for _, value in near(points, at_ms) if (level := limits.scaled(value)) is not None]
        by_hand = limits.scaled(pen)
        if around and by_hand is not None:
            found.append((at_ms, median(around) - by_hand))
    return found


def line(
    at: Sequence[float], values: Sequence[float], where: float, noise: float, prior: float, sloped: bool = True
) -> OffsetFit:
    """A straight line fitted to values over `at` by least squares, and its height at `where`.

    noise, prior: prior of a value's standard deviation, and its weight in degrees of freedom; prior 0 gives ordinary
    least squares. sloped: whether a slope is fitted; otherwise it is 0.
    """
    n = len(values)
    middle, mean = sum(at) / n, sum(values) / n
    spread = sum((x - middle) ** 2 for x in at) if sloped else 0.0
    slope = sum((x - middle) * (y - mean) for x, y in zip(at, values, strict=True)) / spread if sloped else 0.0
    left = sum((y - mean - slope * (x - middle)) ** 2 for x, y in zip(at, values, strict=True))
    freedom = prior + n - (2 if sloped else 1)
    variance = (prior * noise**2 + left) / freedom
    slope_variance = variance / spread if sloped else 0.0
    return OffsetFit(
        mean + slope * (where - middle),
        math.sqrt(variance / n + (where - middle) ** 2 * slope_variance),
        slope,
        math.sqrt(slope_variance),
        freedom,
    )
