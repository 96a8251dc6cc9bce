"""The dissolved solids by a tank's probes, one value a week, for the record that the load's model takes.

Reads only. A week begins on a local Monday and is included once it is over. Each week is checked together with the
period before it, so that later samples change nothing of it. Hourly means come from the roll-ups, and the results of
weeks are kept.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from datetime import date, timedelta

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.context import Context
from tareline.app.projections.projection import Projection
from tareline.app.projections.samples import tds_points
from tareline.core.calendar import day_of, day_start_ms
from tareline.core.probes.plausibility import Points
from tareline.core.probes.weekly import week_value
from tareline.core.units import HOUR_MS
from tareline.store import series
from tareline.store.ledger import Stay
from tareline.store.series import Point

RUN_DAYS = 28  # before a week, which are checked together with it
LATE_DAYS = 28  # samples that come later than this are in the record only from the next midnight on
METRICS = ("conductivity", "temperature")


class WeeklySolids:
    """The weeks of every tank's probes. `weeks` is called by one thread at a time; `count` by any."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._cache = Projection[tuple[str, str, int, date], object, tuple[int, float] | None]()

    def count(self, tx: Connection, tank: str) -> int:
        """The number of samples of the last weeks that are over: it changes when a late sample has come."""
        zone = self._context.zone(tank)
        monday = _monday(day_of(self._context.stamp_ms(), zone))
        start_ms = day_start_ms(monday - timedelta(days=LATE_DAYS), zone)
        end_ms = day_start_ms(monday, zone)
        stays = self._context.register.stays("probe", tank)
        return sum(point.n for m in METRICS for point in series.points(tx, stays, m, start_ms, end_ms, 1))

    def weeks(
        self, tx: Connection, tank: str, since: date, pens: Points, topups_ms: Sequence[int], changes_ms: Sequence[int]
    ) -> list[tuple[int, float]]:
        """(UNIX ms, mg/L) of each probe's weeks that begin on `since` or later and are over, by their times.

        pens: readings by hand in mg/L. topups_ms, changes_ms: when the tank was topped up, and its water changed.
        """
        zone = self._context.zone(tank)
        factor = repository.tds_factor(self._context, tank)
        first, end = _monday(since + timedelta(days=6)), _monday(day_of(self._context.stamp_ms(), zone))
        mondays = [first + timedelta(days=day) for day in range(0, (end - first).days, 7)]
        found: list[tuple[int, float]] = []
        for stay in self._context.register.stays("probe", tank) if mondays else ():
            begin_ms = day_start_ms(first - timedelta(days=RUN_DAYS), zone)
            siemens, celsius = (_hours(tx, stay, m, begin_ms, day_start_ms(end, zone)) for m in METRICS)
            for monday in mondays if siemens and celsius else ():
                starts_ms = [day_start_ms(monday + timedelta(days=day), zone) for day in range(8)]
                span = (day_start_ms(monday - timedelta(days=RUN_DAYS), zone), starts_ms[-1])
                hours, temperature = _of(siemens, span), _of(celsius, span)
                own = [(at_ms, pen) for at_ms, pen in pens if span[0] <= at_ms < span[1]]
                changed = [at_ms for at_ms in changes_ms if span[0] <= at_ms < span[1]]
                worked = changed + [at_ms for at_ms in topups_ms if span[0] <= at_ms < span[1]]
                # Samples are added and never changed, so that their number tells whether some have come.
                basis = (stay, factor, own, changed, worked, sum(p.n for p in hours), sum(p.n for p in temperature))
                key = (tank, stay[0], stay[1], monday)
                if self._cache.is_stale(key, basis):
                    cell, others = _plain(hours), _plain(temperature)
                    points = tds_points(cell, others, factor)
                    judged = week_value(points, cell, others, own, worked, changed, starts_ms) if points else None
                    self._cache.put(key, basis, judged)
                value = self._cache.value(key)
                if value is not None:
                    found.append(value)
        return sorted(found)


def _monday(day: date) -> date:
    """The last Monday up to a day."""
    return day - timedelta(days=day.weekday())


def _hours(tx: Connection, stay: Stay, metric: str, start_ms: int, end_ms: int) -> list[Point]:
    """Hourly means of the whole hours of a stay: an hour in which the probe was moved is of two waters."""
    _, since_ms, until_ms = stay
    points = series.points(tx, [stay], metric, start_ms, end_ms, -(-(end_ms - start_ms) // HOUR_MS) + 1)
    return [p for p in points if p.at_ms >= since_ms and (until_ms is None or p.at_ms + HOUR_MS <= until_ms)]


def _of(points: Sequence[Point], span: tuple[int, int]) -> Sequence[Point]:
    low, high = (bisect_left(points, at_ms, key=lambda p: p.at_ms) for at_ms in span)
    return points[low:high]


def _plain(points: Iterable[Point]) -> list[tuple[int, float]]:
    return [(p.at_ms, p.mean) for p in points]
