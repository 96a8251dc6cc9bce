"""Geometry of the pages' inline SVG: numbers in, coordinates out, no markup and no state.

What is drawn follows four rules. Days and small multiples share one scale. A value that is not known is a gap with a
mark, never a zero, and a known zero is a line on the base. Uncertainty is an interval of two standard deviations to
each side (coverage factor 2, JCGM 100:2008, 6.2), an open end is an arrow. Time runs true: a day of 25 hours is wider
than one of 23.

Coordinates are SVG user units, about a CSS pixel each, y downwards, rounded to hundredths. Masses are grams.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from tareline.app.answers.days import DayAnswer, HoldPeriod
from tareline.app.answers.water import MeanAnswer

COVERAGE = 2.0
LABEL_WIDTH = 80.0  # of "reduced now", the longest word over a band
UNKNOWN_FLAGS = frozenset({"unweighed", "lost doses"})


@dataclass(frozen=True, slots=True)
class Scale:
    """A linear map from values to coordinates; values beyond the ends continue beyond the ends."""

    low: float
    high: float
    at_low: float
    at_high: float

    def __call__(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return round(self.at_low + share * (self.at_high - self.at_low), 2)


@dataclass(frozen=True, slots=True)
class Tick:
    """A value on an axis: where it lies and how it reads, all ticks of an axis with the same decimals."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class Box:
    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Whisker:
    """An interval across a bar: the stem from low to high, caps of half_cap to each side, open_end an arrow."""

    path: str
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A dose or hand feed under the axis; from_x and to_x differ from x where its time is an interval."""

    x: float
    kind: str
    from_x: float
    to_x: float


@dataclass(frozen=True, slots=True)
class Column:
    """A local day. bar, hand and whiskers are None where there is nothing known to draw; unknown is the centre of the
    mark for what is not known; open_top an arrow that says "at least"."""

    x: float
    width: float
    middle: float
    name: str
    number: str
    hours: str
    is_today: bool
    provisional: bool
    bar: Box | None
    hand: Box | None
    whiskers: tuple[Whisker, ...]
    open_top: str | None
    unknown: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Band:
    """A hold or a reduction, clipped to the week; row: how far down its label goes, so that none lies on another."""

    x: float
    width: float
    kind: str
    open: bool
    row: int


@dataclass(frozen=True, slots=True)
class WeekChart:
    width: float
    height: float
    left: float
    right: float
    top: float
    base: float
    ticks: tuple[Tick, ...]
    columns: tuple[Column, ...]
    budget_path: str
    bands: tuple[Band, ...]
    marks: tuple[Mark, ...]


def nice_ticks(high: float, most: int = 5) -> tuple[float, ...]:
    """Round values from 0 to the first one that is not below `high`, in steps of 1, 2 or 5 times a power of ten.

    high: the largest value to show, any unit; where it is not positive, 1 stands for it.
    """
    high = high if high > 0 and math.isfinite(high) else 1.0
    power = 10.0 ** math.floor(math.log10(high / most))
    step = next(power * m for m in (1, 2, 5, 10) if power * m * most >= high * (1 - 1e-9))
    count = math.ceil(high / step - 1e-9)
    return tuple(round(i * step, 12) for i in range(count + 1))


def decimals_of(values: Iterable[float]) -> int:
    """The fewest decimals that write every value without loss, at most 6."""
    return max((len(f"{v:.6f}".rstrip("0").partition(".")[2]) for v in values), default=0)


def ticks_on(scale: Scale, values: Sequence[float]) -> tuple[Tick, ...]:
    decimals = decimals_of(values)
    return tuple(Tick(scale(v), f"{v:.{decimals}f}") for v in values)


def instant(text: str) -> float:
    """Seconds since the epoch of an RFC 3339 time: differences are true hours, also across a change of clocks."""
    return datetime.fromisoformat(text).timestamp()


def arrow(x: float, y: float, size: float = 4) -> str:
    """The path of an arrow of 3 sizes that points up, its tip at (x, y)."""
    head = f"M{round(x - size, 2)} {round(y + size, 2)}L{x} {y}L{round(x + size, 2)} {round(y + size, 2)}"
    return f"{head}M{x} {y}V{round(y + 3 * size, 2)}"


def whisker(at: float, low: float, high: float, half_cap: float = 4) -> Whisker:
    """An upright whisker at x = `at` from y `low` to y `high`, with caps."""
    left, right = round(at - half_cap, 2), round(at + half_cap, 2)
    path = f"M{left} {low}H{right}M{at} {low}V{high}M{left} {high}H{right}"
    return Whisker(path, low, high)


def day_top_g(day: DayAnswer) -> float:
    """The most a day's drawing must have room for: budget, or what was fed with its interval."""
    fed = (day.dispensed_g or 0.0) + day.handfed_g
    sd = math.hypot(day.dispensed_sd_g or 0.0, day.handfed_sd_g or 0.0)
    return float(max(day.budget_g or 0.0, fed + COVERAGE * sd))


def is_unknown(day: DayAnswer) -> bool:
    """Whether something that was fed on a day is of unknown size; a day to come has nothing unknown.

    A dose that was not weighed but stands in the feeder's account is known by its estimate, with a wider interval.
    """
    if "future" in day.flags:
        return False
    unweighed = [dose for dose in day.doses if dose.mass_g is None]
    estimated = bool(unweighed) and all(dose.estimate_g is not None for dose in unweighed)
    return day.dispensed_g is None or (bool(UNKNOWN_FLAGS & set(day.flags)) and not estimated)


def week_chart(
    days: Sequence[DayAnswer], holds: Sequence[HoldPeriod], now_s: float, width: float, height: float, left: float = 40
) -> WeekChart:
    """Days and holds on one scale for all days.

    now_s: seconds since the epoch; a hold that lasts reaches to here, since nobody knows its end.
    """
    # Above the highest bar there must be room for an arrow and the mark of what is not known.
    top = 44.0 if any(is_unknown(day) for day in days) else 14.0
    base, right = height - 56.0, width - 6.0
    time = Scale(instant(days[0].start), instant(days[-1].end), left, right)
    values = nice_ticks(max(day_top_g(day) for day in days))
    mass = Scale(0.0, values[-1], base, top)
    columns = tuple(_column(day, time, mass) for day in days)
    bands = tuple(_bands(holds, time, now_s))
    marks = tuple(mark for day in days for mark in _marks(day, time))
    steps = budget_path(days, time, mass)
    return WeekChart(width, height, left, right, top, base, ticks_on(mass, values), columns, steps, bands, marks)


def _column(day: DayAnswer, time: Scale, mass: Scale) -> Column:
    start, end = instant(day.start), instant(day.end)
    x, width = time(start), round(time(end) - time(start), 2)
    middle = round(x + width / 2, 2)
    bar_width = round(width * 0.5, 2)
    bar_x = round(middle - bar_width / 2, 2)
    date = datetime.fromisoformat(day.date)
    hours = (end - start) / 3600
    flags = set(day.flags)
    future = "future" in flags
    known, hand_g = day.dispensed_g, day.handfed_g

    bar = hand = open_top = unknown = None
    whiskers = []
    floor = mass(0.0)
    if known is not None and not future:
        bar = Box(bar_x, mass(known), bar_width, round(floor - mass(known), 2))
        floor = mass(known)
        if day.dispensed_sd_g:
            reach = COVERAGE * day.dispensed_sd_g
            # Beside the middle when a hand feed stands on the bar, so that two whiskers never lie on each other.
            at = round(middle - (bar_width / 4 if hand_g else 0), 2)
            whiskers.append(whisker(at, mass(max(0.0, known - reach)), mass(known + reach)))
    if hand_g and not future:
        total = (known or 0.0) + hand_g
        hand = Box(bar_x, mass(total), bar_width, round(floor - mass(total), 2))
        floor = mass(total)
        if day.handfed_sd_g:
            reach = COVERAGE * math.hypot(day.dispensed_sd_g or 0.0, day.handfed_sd_g)
            at = round(middle + bar_width / 4, 2)
            whiskers.append(whisker(at, mass(max(0.0, total - reach)), mass(total + reach)))
    if is_unknown(day):
        above = min([floor, *(w.high for w in whiskers)])
        unknown = (middle, round(above - 26, 2))
        if known is not None or hand_g:
            open_top = arrow(middle, round(above - 14, 2))
    name, number, length = date.strftime("%a"), str(date.day), "" if math.isclose(hours, 24) else f"{hours:g} h"
    is_today, provisional = "today" in flags, day.provisional
    return Column(
        x, width, middle, name, number, length, is_today, provisional, bar, hand, tuple(whiskers), open_top, unknown
    )


def budget_path(days: Sequence[DayAnswer], time: Scale, mass: Scale) -> str:
    """The budget as steps; a day without a ration interrupts the line."""
    path = ""
    drawing = False
    for day in days:
        if day.budget_g is None:
            drawing = False
            continue
        x, end, y = time(instant(day.start)), time(instant(day.end)), mass(day.budget_g)
        path += f"V{y}H{end}" if drawing else f"M{x} {y}H{end}"
        drawing = True
    return path


def _bands(holds: Iterable[HoldPeriod], time: Scale, now_s: float) -> Iterable[Band]:
    rows: list[float] = []
    for hold in sorted(holds, key=lambda h: instant(h.from_)):
        start = max(time.low, instant(hold.from_))
        end = min(time.high, now_s if hold.to is None else instant(hold.to))
        if end < start:
            continue
        x = time(start)
        # A hold of a minute must still be seen.
        width = max(3.0, round(time(end) - x, 2))
        row = next((i for i, taken in enumerate(rows) if taken <= x), len(rows))
        rows[row : row + 1] = [x + LABEL_WIDTH]
        yield Band(x, width, hold.kind, hold.to is None, row)


def _marks(day: DayAnswer, time: Scale) -> Iterable[Mark]:
    for dose in day.doses:
        x = from_x = to_x = time(instant(dose.at))
        moved = "unmoved" if dose.outcome in ("held", "missed") else "weighed"
        if dose.at_low is not None and dose.at_high is not None:  # the feeder's clock was not set
            from_x = max(time.at_low, time(instant(dose.at_low)))
            to_x = min(time.at_high, time(instant(dose.at_high)))
        yield Mark(x, "unweighed" if dose.mass_g is None else moved, from_x, to_x)
    for feed in day.handfeeds:
        x = time(instant(feed.at))
        yield Mark(x, "hand", x, x)


@dataclass(frozen=True, slots=True)
class DayBar:
    """A day lying down: budget_x the step it may reach, bar and hand what was fed, unknown the x of the mark."""

    width: float
    height: float
    bar: Box | None
    hand: Box | None
    whiskers: tuple[str, ...]
    budget_x: float | None
    unknown: float | None


def day_bar(day: DayAnswer, top_g: float, width: float = 300, height: float = 28) -> DayBar:
    """One day's budget and what was fed, on a scale from 0 to `top_g` that the caller shares among tanks."""
    mass = Scale(0.0, top_g if top_g > 0 else 1.0, 1.0, width - 18.0)
    known, hand_g = day.dispensed_g, day.handfed_g
    end = mass(0.0)
    bar = hand = None
    whiskers = []
    y, thick = height / 2 - 6, 12.0
    if known is not None:
        bar = Box(end, y, round(mass(known) - end, 2), thick)
        end = mass(known)
        if day.dispensed_sd_g:
            whiskers.append(_lying(mass, known, day.dispensed_sd_g, height / 2))
    if hand_g:
        total = (known or 0.0) + hand_g
        hand = Box(end, y, round(mass(total) - end, 2), thick)
        end = mass(total)
    budget = None if day.budget_g is None else mass(day.budget_g)
    unknown = round(end + 12, 2) if is_unknown(day) else None
    return DayBar(width, height, bar, hand, tuple(whiskers), budget, unknown)


def _lying(mass: Scale, value: float, sd: float, y: float) -> str:
    low, high = mass(max(0.0, value - COVERAGE * sd)), mass(value + COVERAGE * sd)
    return f"M{low} {y - 3}V{y + 3}M{low} {y}H{high}M{high} {y - 3}V{y + 3}"


@dataclass(frozen=True, slots=True)
class Spark:
    """A probe's week: lines and bands in pieces, broken where nothing came; last is the newest point."""

    width: float
    height: float
    lines: tuple[str, ...]
    bands: tuple[str, ...]
    last: tuple[float, float] | None


def sparkline(points: Sequence[MeanAnswer], start: str, end: str, width: float = 240, height: float = 44) -> Spark:
    """Points from `start` to `end`, on their own scale.

    A stretch of more than three times the usual distance between points is a gap.
    """
    if not points:
        return Spark(width, height, (), (), None)
    low, high = min(p.low for p in points), max(p.high for p in points)
    pad = (high - low) / 10 or abs(high) / 10 or 1.0
    time = Scale(instant(start), instant(end), 2.0, width - 4.0)
    scale = Scale(low - pad, high + pad, height - 2.0, 2.0)
    lines, bands = [], []
    for piece in pieces(points):
        at = [(time(instant(p.at)), p) for p in piece]
        path = "L".join(f"{x} {scale(p.value)}" for x, p in at)
        # A point alone needs a stroke of some length to be seen.
        lines.append(f"M{path}" + ("h0.01" if len(at) == 1 else ""))
        there = "L".join(f"{x} {scale(p.high)}" for x, p in at)
        back = "L".join(f"{x} {scale(p.low)}" for x, p in reversed(at))
        bands.append(f"M{there}L{back}Z")
    last = points[-1]
    return Spark(width, height, tuple(lines), tuple(bands), (time(instant(last.at)), scale(last.value)))


def pieces(points: Sequence[MeanAnswer]) -> list[list[MeanAnswer]]:
    """Points in runs without a gap."""
    steps = sorted(instant(b.at) - instant(a.at) for a, b in pairwise(points))
    usual = steps[len(steps) // 2] if steps else 0.0
    found: list[list[MeanAnswer]] = []
    before: MeanAnswer | None = None
    for point in points:
        if before is None or instant(point.at) - instant(before.at) > 3 * usual:
            found.append([])
        found[-1].append(point)
        before = point
    return found
