"""Geometry of the pictures of a load: its figures on one scale, the road so far with the band ahead, and forecasts.

The rules are those of `drawing`: an interval is drawn as an interval, an open end as an arrow, time runs true.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from tareline.app.answers.load import BandAnswer, ForecastAnswer, PastAnswer, PastDay, PastReading, TankLoadAnswer
from tareline.web.svg.geometry import Box, Scale, Tick, arrow, nice_ticks, ticks_on, whisker

FEWEST_DAYS = 28  # a road is at least that long, so that a young one keeps the scale of an old one's weeks
TICK_DAYS = (7, 14, 28, 56, 112, 182, 364)


@dataclass(frozen=True, slots=True)
class Figure:
    """One row of the figures: an interval as a path, an arrow where its upper end is open, and a mark in it."""

    label: str
    y: float
    path: str
    open_end: str | None
    mark: float | None
    unknown: float | None  # where the mark of what is not known stands


@dataclass(frozen=True, slots=True)
class Figures:
    width: float
    height: float
    left: float
    right: float
    base: float
    ticks: tuple[Tick, ...]
    rows: tuple[Figure, ...]


def figures(load: TankLoadAnswer, ration_g: float | None, width: float, left: float) -> Figures:
    """Limit, load, proven, recommended and fed grams a day, each on a row of its own, on one scale."""
    limit, now = load.limit_g_per_day, load.load_now_g_per_day
    rows: list[tuple[str, float | None, float | None, float | None, bool]] = [
        ("limit", limit.p5, limit.p50, limit.p95, limit.p95 is None and limit.p5 is not None),
        ("load now", *((None, None, None) if now is None else (now.p5, now.p50, now.p95)), False),
        ("proven", None, load.proven_g_per_day, None, False),
        ("to keep", None, load.recommended_g_per_day, None, False),
        ("ration", None, ration_g, None, False),
    ]
    known = [value for _, low, mid, high, _ in rows for value in (low, mid, high) if value is not None]
    step, top = 24.0, 6.0
    base, right = top + step * len(rows), width - 16.0
    values = nice_ticks(1.15 * max(known, default=1.0), 4)
    scale = Scale(0.0, values[-1], left, right)
    found = []
    for i, (label, low, mid, high, opened) in enumerate(rows):
        y = top + step * (i + 0.5)
        path, open_end = "", None
        if low is not None and (high is not None or opened):
            end = right + 8 if opened else scale(high or 0.0)
            path = f"M{scale(low)} {y - 5}V{y + 5}M{scale(low)} {y}H{end}" + (
                "" if opened else f"M{end} {y - 5}V{y + 5}"
            )
            open_end = f"M{end - 5} {y - 4}L{end} {y}L{end - 5} {y + 4}" if opened else None
        nothing = low is None and mid is None
        found.append(
            Figure(label, y, path, open_end, None if mid is None else scale(mid), left + 6 if nothing else None)
        )
    return Figures(width, base + 22, left, right, base, ticks_on(scale, values), tuple(found))


@dataclass(frozen=True, slots=True)
class Band:
    """Quantiles over time: the 90 % and 50 % bands and the median, as paths."""

    outer: str
    inner: str
    middle: str


@dataclass(frozen=True, slots=True)
class Point:
    """A reading: its point, its interval, an arrow where that is open above; seen: whether it saw anything."""

    x: float
    y: float
    interval: str
    open_end: str | None
    seen: bool


@dataclass(frozen=True, slots=True)
class Panel:
    """One analyte over time: what was read, and the band ahead; line: y of a limit, and its label."""

    top: float
    base: float
    ticks: tuple[Tick, ...]
    points: tuple[Point, ...]
    band: Band | None
    line: tuple[float, str] | None


@dataclass(frozen=True, slots=True)
class Road:
    """Rations as steps over what was fed, and beneath them nitrate, over the same time, now between past and ahead.

    limit: the box of the limit over the weeks ahead, reaching to the top where it is open (then open_end is an arrow).
    """

    width: float
    height: float
    left: float
    right: float
    now: float
    top: float
    base: float
    ticks: tuple[Tick, ...]
    dates: tuple[Tick, ...]
    fed: tuple[Box, ...]
    ration: str
    ration_ahead: str
    limit: Box | None
    open_end: str | None
    nitrate: Panel


def road(
    past: PastAnswer, ahead: ForecastAnswer | None, load: TankLoadAnswer, width: float, height: float, left: float = 44
) -> Road:
    """The road so far and, where there is a forecast, the band ahead."""
    days = past.days
    coming = ahead.days if ahead is not None else []
    first = min(days[0].day, -FEWEST_DAYS)
    right = width - 10.0
    time = Scale(first, max(len(coming), 1) + past.now, left, right)
    top, middle, base = 16.0, round(height * 0.42, 2), height - 24.0
    rations = [day.ration_g for day in days] + [day.daily_g for day in coming]
    limit = load.limit_g_per_day
    weeks = _weeks(days)
    most = max([*rations, *(g for _, _, g in weeks), min(limit.p95 or 0.0, 2 * max(rations, default=0.0)), 1e-6])
    values = nice_ticks(1.05 * most, 4)
    mass = Scale(0.0, values[-1], middle - 10, top)
    fed = tuple(
        Box(time(a), mass(g), round(time(b) - time(a) - 1, 2), round(mass(0) - mass(g), 2)) for a, b, g in weeks
    )
    box, open_end = None, None
    if limit.p5 is not None and limit.p5 < values[-1] and coming:
        high = limit.p95 if limit.p95 is not None else values[-1]
        y = mass(min(high, values[-1]))
        box = Box(time(past.now), y, round(right - time(past.now), 2), round(mass(limit.p5) - y, 2))
        if limit.p95 is None or high > values[-1]:
            open_end = arrow(round(right - 12, 2), top - 8)
    begin = date.fromisoformat(days[-1].date)
    return Road(
        width=width,
        height=height,
        left=left,
        right=right,
        now=time(past.now),
        top=top,
        base=middle - 10,
        ticks=ticks_on(mass, values),
        dates=tuple(_dates(time, begin, first, len(coming), width)),
        fed=fed,
        ration=_steps([(day.day, day.ration_g) for day in days], time, mass),
        ration_ahead=_steps([(i, day.daily_g) for i, day in enumerate(coming)], time, mass),
        limit=box,
        open_end=open_end,
        nitrate=panel(
            past.readings.get("nitrate_mg_per_l", []),
            [day.nitrate_mg_per_l for day in coming],
            time,
            past.now,
            (load.nitrate_ceiling_mg_per_l, "ceiling"),
            middle + 14,
            base,
        ),
    )


def forecast(
    ahead: ForecastAnswer, name: str, width: float = 320, height: float = 130, left: float = 44
) -> tuple[Panel, float, tuple[Tick, ...]]:
    """One analyte of a forecast by itself: its panel, where its time ends, and its dates."""
    days = ahead.days
    time = Scale(0.0, len(days), left, width - 10)
    line = (ahead.nitrate_ceiling_mg_per_l, "ceiling") if name == "nitrate_mg_per_l" else None
    found = panel([], [getattr(day, name) for day in days], time, 0.0, line, 16.0, height - 24)
    begin = date.fromisoformat(days[0].date)
    return found, width - 10, tuple(_dates(time, begin, 0, len(days), width))


def panel(
    readings: Sequence[PastReading],
    band: Sequence[BandAnswer],
    time: Scale,
    now: float,
    line: tuple[float, str] | None,
    top: float,
    base: float,
) -> Panel:
    """Readings and the band ahead of one analyte on their own scale; a line over twice the rest is left out."""
    known = [v for r in readings for v in (r.value, r.high) if v is not None] + [
        one.p95 for one in band if one.p95 is not None
    ]
    reach = max(known, default=1.0)
    shown = line is not None and line[0] <= 2.5 * reach
    values = nice_ticks(max(reach, line[0] if shown and line is not None else 0.0, 1e-3), 4)
    scale = Scale(0.0, values[-1], base, top)
    points = []
    for r in readings:
        x = time(r.day)
        path, open_end = "", None
        if r.high is None:
            path, open_end = f"M{x} {scale(r.low)}V{top}", arrow(x, top - 4)
        elif r.high > r.low:
            path = whisker(x, scale(r.low), scale(r.high), 2).path
        points.append(Point(x, scale(r.value), path, open_end, r.detected))
    drawn = None
    if band:
        xs = [time(now + i + 1) for i in range(len(band))]
        drawn = Band(
            _between(xs, [scale(b.p5) for b in band], [scale(b.p95) for b in band]),
            _between(xs, [scale(b.p25) for b in band], [scale(b.p75) for b in band]),
            "M" + "L".join(f"{x} {scale(b.p50)}" for x, b in zip(xs, band, strict=True)),
        )
    mark = (scale(line[0]), f"{line[1]} {line[0]:g}") if shown and line is not None else None
    return Panel(top, base, ticks_on(scale, (values[0], values[-1])), tuple(points), drawn, mark)


def _between(xs: Sequence[float], low: Sequence[float], high: Sequence[float]) -> str:
    there = "L".join(f"{x} {y}" for x, y in zip(xs, high, strict=True))
    back = "L".join(f"{x} {y}" for x, y in zip(reversed(xs), reversed(low), strict=True))
    return f"M{there}L{back}Z"


def _steps(rations: Sequence[tuple[float, float]], time: Scale, mass: Scale) -> str:
    """Grams a day as steps, each from its day to the next."""
    path, before = "", None
    for day, grams in rations:
        if before is None:
            path = f"M{time(day)} {mass(grams)}"
        elif grams != before:
            path += f"H{time(day)}V{mass(grams)}"
        before = grams
    return path + f"H{time(rations[-1][0] + 1)}" if rations else ""


def _weeks(days: Sequence[PastDay]) -> list[tuple[float, float, float]]:
    """Mean grams a day of what was fed, by spans of up to seven whole days back from today: (from, to, grams)."""
    whole = days[:-1]  # the last is today
    found = []
    for end in range(len(whole), 0, -7):
        some = whole[max(0, end - 7) : end]
        mean_g = sum(day.fed_g for day in some) / len(some)
        found.append((float(some[0].day), float(some[-1].day + 1), mean_g))
    return found[::-1]


def _dates(time: Scale, today: date, first: int, ahead: int, width: float) -> Iterator[Tick]:
    """Dates under a time axis, as many as there is room for."""
    most = max(2, int(width // 75))
    step = next((step for step in TICK_DAYS if (ahead - first) / step <= most), TICK_DAYS[-1])
    for k in range(math.ceil(first / step), ahead // step + 1):
        day, at = today + timedelta(days=k * step), time(k * step)
        if at <= width - 24:  # half a label must find room
            yield Tick(at, f"{day.day} {day:%b}")
