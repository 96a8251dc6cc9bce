"""Time series of what probes and cells send, with hourly roll-ups kept up as samples come in."""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, and_, bindparam, func, insert, select

from tareline.core.units import HOUR_MS
from tareline.store import dialect
from tareline.store.ledger import Stay
from tareline.store.tables import hour, sample, series

SCALE = 10**9
LIMIT = 9.2e9  # what a 64-bit integer holds in billionths


@dataclass(frozen=True, slots=True)
class Value:
    """One value of a metric at an instant, in the metric's unit."""

    metric: str
    unit: str
    at_ms: int
    value: float


@dataclass(frozen=True, slots=True)
class Point:
    """A stretch of a series: its first instant, mean, extremes and number of samples."""

    at_ms: int
    mean: float
    low: float
    high: float
    n: int


_KEY = select(series.c.id).where(series.c.device == bindparam("device"), series.c.metric == bindparam("metric"))
_SUMMARY = select(func.count(), func.avg(sample.c.value), func.min(sample.c.value), func.max(sample.c.value)).where(
    sample.c.series == bindparam("series"), sample.c.at_ms >= bindparam("start"), sample.c.at_ms < bindparam("end")
)
_HOURS = (
    select(hour.c.hour_ms, hour.c.n, hour.c.mean, hour.c.low, hour.c.high)
    .where(
        hour.c.series == bindparam("series"), hour.c.hour_ms >= bindparam("start"), hour.c.hour_ms < bindparam("end")
    )
    .order_by(hour.c.hour_ms)
)
_SAMPLES = (
    select(sample.c.at_ms, sample.c.value)
    .where(
        sample.c.series == bindparam("series"), sample.c.at_ms >= bindparam("start"), sample.c.at_ms < bindparam("end")
    )
    .order_by(sample.c.at_ms)
)
_NEWEST = (
    select(sample.c.value, sample.c.at_ms)
    .where(sample.c.series == bindparam("series"))
    .order_by(sample.c.at_ms.desc())
    .limit(1)
)


def add(connection: Connection, device: str, values: Sequence[Value]) -> None:
    """Add samples; one that is there already (same device, metric and instant) stays as it is."""
    by_metric: dict[tuple[str, str], list[Value]] = {}
    for value in values:
        by_metric.setdefault((value.metric, value.unit), []).append(value)
    for (metric, unit), own in by_metric.items():
        key = _key(connection, device, metric, unit)
        rows = [{"series": key, "at_ms": v.at_ms, "value": round(v.value * SCALE)} for v in own]
        dialect.insert_new(connection, sample, rows)
        _roll_up(connection, key, {v.at_ms - v.at_ms % HOUR_MS for v in own})


def _key(connection: Connection, device: str, metric: str, unit: str) -> int:
    found = _find(connection, device, metric)
    if found is None:
        result = connection.execute(insert(series).values(device=device, metric=metric, unit=unit))
        assert result.inserted_primary_key is not None
        found = result.inserted_primary_key[0]
    return int(found)


def _find(connection: Connection, device: str, metric: str) -> int | None:
    return connection.execute(_KEY, {"device": device, "metric": metric}).scalar()


def _roll_up(connection: Connection, key: int, hours: Iterable[int]) -> None:
    rows = []
    for start in hours:
        window = {"series": key, "start": start, "end": start + HOUR_MS}
        n, mean, low, high = connection.execute(_SUMMARY, window).one()
        rows.append({"series": key, "hour_ms": start, "n": n, "mean": float(mean), "low": low, "high": high})
    dialect.upsert(connection, hour, rows)


def metrics_of(connection: Connection, devices: Sequence[str]) -> list[tuple[str, str, str]]:
    """(device, metric, unit) of every series of some devices."""
    query = select(series.c.device, series.c.metric, series.c.unit).where(series.c.device.in_(devices))
    return [(row.device, row.metric, row.unit) for row in connection.execute(query.order_by(series.c.id))]


def points(
    connection: Connection, stays: Iterable[Stay], metric: str, start_ms: int, end_ms: int, count: int
) -> list[Point]:
    """At most `count` points of a metric in [start, end), from the devices that were there: means with extremes.

    Stretches of an hour and more come from the roll-ups. A stretch without samples has no point.
    """
    origin_ms, width_ms = start_ms, max(1, -(-(end_ms - start_ms) // count))
    if width_ms >= HOUR_MS:
        origin_ms -= start_ms % HOUR_MS
        width_ms = -(-(end_ms - origin_ms) // (count * HOUR_MS)) * HOUR_MS
    found: list[Point] = []
    for device, since_ms, until_ms in stays:
        low, high = max(start_ms, since_ms), end_ms if until_ms is None else min(end_ms, until_ms)
        key = _find(connection, device, metric)
        if key is not None and low < high:
            found.extend(_points(connection, key, low, high, origin_ms, width_ms))
    return _merge(found)


def _points(connection: Connection, key: int, low_ms: int, high_ms: int, origin_ms: int, width_ms: int) -> list[Point]:
    if width_ms >= HOUR_MS:
        at, table = hour.c.hour_ms, hour
        low_ms -= low_ms % HOUR_MS
        n, total = func.sum(hour.c.n), func.sum(hour.c.mean * hour.c.n)
        least, most = func.min(hour.c.low), func.max(hour.c.high)
    else:
        at, table = sample.c.at_ms, sample
        n, total = func.sum(1), func.sum(sample.c.value * 1.0)
        least, most = func.min(sample.c.value), func.max(sample.c.value)
    bucket = (at - origin_ms) - (at - origin_ms) % width_ms
    query = (
        select(bucket, total, least, most, n)
        .where(and_(table.c.series == key, at >= low_ms, at < high_ms))
        .group_by(bucket)
        .order_by(bucket)
    )
    return [
        Point(origin_ms + at_ms, total / count / SCALE, low / SCALE, high / SCALE, count)
        for at_ms, total, low, high, count in connection.execute(query)
    ]


def _merge(found: Sequence[Point]) -> list[Point]:
    """Points of several devices that fall on one stretch become one."""
    merged: dict[int, Point] = {}
    for point in sorted(found, key=lambda p: p.at_ms):
        other = merged.get(point.at_ms)
        if other is not None:
            n = other.n + point.n
            mean = (other.mean * other.n + point.mean * point.n) / n
            merged[point.at_ms] = Point(point.at_ms, mean, min(other.low, point.low), max(other.high, point.high), n)
        else:
            merged[point.at_ms] = point
    return list(merged.values())


def daily(connection: Connection, stays: Iterable[Stay], metric: str, starts_ms: Sequence[int]) -> list[Point]:
    """One point for each day with samples, from the devices that were there.

    starts_ms: the instants at which the days begin, ascending, and last the one at which the last of them ends
    (`feeding.days.day_start_ms`). Whole hours come from the roll-ups; an hour in which a day or a stay begins or ends
    is read sample by sample, so that each sample counts on its own day.
    """
    found: list[Point] = []
    for device, since_ms, until_ms in stays:
        low, high = max(starts_ms[0], since_ms), starts_ms[-1] if until_ms is None else min(starts_ms[-1], until_ms)
        key = _find(connection, device, metric)
        if key is not None and low < high:
            inner = [start for start in starts_ms if low < start < high]
            found.extend(_daily(connection, key, [low, *inner, high], starts_ms))
    return _merge(found)


def _daily(connection: Connection, key: int, cuts_ms: Sequence[int], starts_ms: Sequence[int]) -> list[Point]:
    split = {cut - cut % HOUR_MS for cut in cuts_ms if cut % HOUR_MS}
    window = {"series": key, "start": cuts_ms[0] - cuts_ms[0] % HOUR_MS, "end": cuts_ms[-1]}
    parts = [
        Point(at_ms, mean, low, high, n)
        for at_ms, n, mean, low, high in connection.execute(_HOURS, window)
        if at_ms not in split
    ]
    for start in sorted(split):
        window = {"series": key, "start": max(start, cuts_ms[0]), "end": min(start + HOUR_MS, cuts_ms[-1])}
        parts.extend(Point(at_ms, v, v, v, 1) for at_ms, v in connection.execute(_SAMPLES, window))
    days: dict[int, list[Point]] = {}
    for part in parts:
        days.setdefault(starts_ms[bisect_right(starts_ms, part.at_ms) - 1], []).append(part)
    return [_sum_up(start_ms, days[start_ms]) for start_ms in sorted(days)]


def _sum_up(at_ms: int, parts: Sequence[Point]) -> Point:
    """Points in billionths as one, in the metric's unit."""
    n = sum(part.n for part in parts)
    mean = sum(part.mean * part.n for part in parts) / n
    return Point(at_ms, mean / SCALE, min(p.low for p in parts) / SCALE, max(p.high for p in parts) / SCALE, n)


def samples(
    connection: Connection, stays: Iterable[Stay], metric: str, start_ms: int, end_ms: int
) -> dict[str, list[tuple[int, float]]]:
    """Every sample of a metric in [start, end) by device, as (UNIX ms, value), while the device was there."""
    found: dict[str, list[tuple[int, float]]] = {}
    for device, since_ms, until_ms in stays:
        low, high = max(start_ms, since_ms), end_ms if until_ms is None else min(end_ms, until_ms)
        key = _find(connection, device, metric)
        if key is not None and low < high:
            rows = connection.execute(_SAMPLES, {"series": key, "start": low, "end": high})
            found.setdefault(device, []).extend((at_ms, value / SCALE) for at_ms, value in rows)
    return {device: sorted(own) for device, own in found.items() if own}


_other = sample.alias("other")
_NEWEST_OF_DEVICES = (
    select(series.c.device, series.c.metric, sample.c.value, sample.c.at_ms)
    .join_from(series, sample, sample.c.series == series.c.id)
    .where(
        series.c.device.in_(bindparam("devices", expanding=True)),
        series.c.metric.in_(bindparam("metrics", expanding=True)),
        sample.c.at_ms == select(func.max(_other.c.at_ms)).where(_other.c.series == series.c.id).scalar_subquery(),
    )
)


def newest_of(
    connection: Connection, devices: Sequence[str], metrics: Sequence[str]
) -> dict[tuple[str, str], tuple[float, int]]:
    """The newest value of some metrics of some devices and its instant, by device and metric, in one statement."""
    rows = connection.execute(_NEWEST_OF_DEVICES, {"devices": devices, "metrics": metrics}) if devices else ()
    return {(device, metric): (value / SCALE, at_ms) for device, metric, value, at_ms in rows}


def newest(connection: Connection, device: str, metric: str) -> tuple[float, int] | None:
    """The newest value of a metric and its instant."""
    key = _find(connection, device, metric)
    row = None if key is None else connection.execute(_NEWEST, {"series": key}).first()
    return None if row is None else (row.value / SCALE, row.at_ms)
