"""Geometry of strips: one analyte's readings and daily means over a week or half a year, between the tank's lines.

What was read is drawn as what it is: a chart's step and a pen's value with their intervals, an open upper end as an
arrow, "below detection" as an interval from nothing with a mark of its own. Coordinates as in `geometry`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

from tareline.app.answers.water import MeanAnswer, ReadingAnswer
from tareline.web.svg.geometry import Scale, Tick, arrow, instant, nice_ticks, pieces, ticks_on, whisker

LABEL_HEIGHT = 12.0
LABEL_LETTERS = 48  # that fit beside each other in a tall strip
ACTIONS = ("hold", "reduce", "notify")


@dataclass(frozen=True, slots=True)
class Cell:
    """A day or a month under a strip, from its start to its end (RFC 3339); the name is written in a tall strip."""

    start: str
    end: str
    name: str = ""


@dataclass(frozen=True, slots=True)
class ReadingMark:
    """A reading in its strip: the point at (x, y), the interval's path, an arrow where its upper end is open.

    detected: False where y is a detection limit and the water lies below it.
    """

    x: float
    y: float
    interval: str
    open_end: str | None
    does: str | None
    detected: bool


@dataclass(frozen=True, slots=True)
class LineMark:
    """A line across a strip, and its label at (left or right end, label_y). does: "guide" for what is published."""

    y: float
    label: str
    does: str
    label_y: float
    at_end: bool


@dataclass(frozen=True, slots=True)
class Strip:
    """traces, bands: daily means and from the lowest to the highest of each day, in pieces. above: what lies beyond
    the top, in words, for the tank's lines and for what is published. cells: where days or months begin, with names."""

    width: float
    height: float
    left: float
    right: float
    top: float
    base: float
    ticks: tuple[Tick, ...]
    cells: tuple[tuple[float, str], ...]
    marks: tuple[ReadingMark, ...]
    lines: tuple[LineMark, ...]
    traces: tuple[str, ...]
    bands: tuple[str, ...]
    above: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Limit:
    """A line or a published figure as a strip's values are stated. word: what it does, or what it is for."""

    value: float
    word: str
    does: str

    @property
    def label(self) -> str:
        return f"{self.value:.3g} {self.word}"


def reading_strip(
    readings: Sequence[ReadingAnswer],
    cells: Sequence[Cell],
    limits: Sequence[Limit] = (),
    from_zero: bool = True,
    days: Sequence[MeanAnswer] = (),
    tall: bool = False,
) -> Strip:
    """Readings and daily means of one analyte, all stated alike, over the cells' time.

    cells: days, or months for a tall strip. limits above twice the highest value are left out, so that they don't
    flatten what was seen; a tall strip, which has room, shows the tank's next line above in any case and names the
    others. from_zero: whether the axis begins at nothing, as for a concentration, or close to the values, as for pH.
    """
    width, height = (360.0, 190.0) if tall else (320.0, 96.0)
    known = reach_of(readings, days)
    inside, outside = _inside(limits, max(known), tall)
    above = _named(outside) if tall else ()
    left, right, top = 40.0, width - 8.0, 18.0 + LABEL_HEIGHT * len(above)
    base = height - (24.0 if tall else 8.0)
    time = Scale(instant(cells[0].start), instant(cells[-1].end), left, right)
    values = _ends([*known, *(limit.value for limit in inside)], from_zero)
    scale = Scale(values[0], values[-1], base, top)
    traces, bands = [], []
    for piece in pieces(days):
        at = [(time(instant(p.at)), p) for p in piece]
        traces.append("M" + "L".join(f"{x} {scale(p.value)}" for x, p in at) + ("h0.01" if len(at) == 1 else ""))
        there = "L".join(f"{x} {scale(p.high)}" for x, p in at)
        bands.append(f"M{there}L" + "L".join(f"{x} {scale(p.low)}" for x, p in reversed(at)) + "Z")
    return Strip(
        width,
        height,
        left,
        right,
        top,
        base,
        ticks_on(scale, values),
        tuple((time(instant(cell.start)), cell.name if tall else "") for cell in cells),
        tuple(_mark(reading, time, scale, top - 14.0) for reading in readings),
        tuple(_drawn(inside, scale)),
        tuple(traces),
        tuple(bands),
        above,
    )


def reach_of(readings: Sequence[ReadingAnswer], days: Sequence[MeanAnswer]) -> list[float]:
    """Every value that a strip of these has to show, ends of intervals included."""
    found = [v for r in readings for v in (r.low, r.value, r.high) if v is not None]
    return found + [v for d in days for v in (d.low, d.value, d.high)]


def _inside(limits: Sequence[Limit], reach: float, tall: bool) -> tuple[list[Limit], list[Limit]]:
    """The limits that a strip shows, lowest first, and those that lie too far above."""
    ordered = sorted(limits, key=lambda limit: limit.value)
    inside = [limit for limit in ordered if limit.value <= 2 * reach]
    outside = [limit for limit in ordered if limit.value > 2 * reach]
    nothing_above = not any(limit.value > reach and limit.does != "guide" for limit in inside)
    following = next((limit for limit in outside if limit.does != "guide"), None)
    if tall and nothing_above and following is not None:
        inside += [limit for limit in outside if limit.value <= following.value]
        outside = [limit for limit in outside if limit.value > following.value]
    return inside, outside


def _named(outside: Sequence[Limit]) -> tuple[str, ...]:
    """What lies above the top: the tank's lines, and as many that are published as have room."""
    own = ", ".join(limit.label for limit in outside if limit.does != "guide")
    published = ""
    for limit in outside:
        if limit.does == "guide" and len(published) + len(limit.label) < LABEL_LETTERS:
            published += f"{', ' if published else ''}{limit.label}"
    return tuple(f"\N{UPWARDS ARROW} {text}" for text in (own, published) if text)


def _drawn(limits: Sequence[Limit], scale: Scale) -> list[LineMark]:
    """Lines with their labels: at the left end where there is room, else at the right, else pushed up; what is
    published at the right first."""
    taken = {False: float("inf"), True: float("inf")}
    found = []
    for limit in limits:
        y = scale(limit.value)
        wanted = y - 3
        first = limit.does == "guide"
        at_end = next((side for side in (first, not first) if taken[side] - wanted >= LABEL_HEIGHT), first)
        label_y = round(min(wanted, taken[at_end] - LABEL_HEIGHT), 2)
        taken[at_end] = label_y
        found.append(LineMark(y, limit.label, limit.does, label_y, at_end))
    return found


def _mark(reading: ReadingAnswer, time: Scale, scale: Scale, tip: float) -> ReadingMark:
    x, y = time(instant(reading.at)), scale(reading.value)
    low, high = reading.low, reading.high
    interval, open_end = "", None
    if high is None:
        left, right = round(x - 4, 2), round(x + 4, 2)
        interval, open_end = f"M{left} {scale(low)}H{right}M{x} {scale(low)}V{tip:g}", arrow(x, tip)
    elif high != low:
        interval = whisker(x, scale(low), scale(high)).path
    does = [c.do for word in ACTIONS for c in reading.crossed if c.do == word]
    return ReadingMark(x, y, interval, open_end, does[0] if does else None, reading.detected)


def _ends(values: Sequence[float], from_zero: bool) -> tuple[float, float]:
    low, high = min(values), max(values)
    if from_zero:
        return (min(0.0, low), nice_ticks(high)[-1])
    step = nice_ticks(max(high - low, 0.1 * abs(high)), 4)[1]
    return (round(step * floor(low / step - 0.5), 9), round(step * ceil(high / step + 0.5), 9))
