"""The trends of a tank's readings and of its probes' daily means, kept ready.

Pages and calls never wait for a trend: the monitor calculates it when a reading has come or a day is over.
"""

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.context import Context
from tareline.app.projections.projection import Projection
from tareline.core.calendar import day_of, day_start_ms
from tareline.core.trends.slopes import Observation
from tareline.core.trends.trend import DailyMean, Trend, of_probe, of_readings
from tareline.core.water.conductivity import tds_mg_per_l
from tareline.store import ledger, series

LOOK_BACK_DAYS = 730
RISING_IS_BAD = {
    "ammonia": True,
    "nitrite": True,
    "nitrate": True,
    "tds": True,
    "temperature": True,
    "ph": False,
    "kh": False,
}
SHIFTS = ("ration", "water-change")  # these move a probe's level at once, which is no trend


class Trends:
    """The trends of every tank. `compute` is called by one thread; `of` by any."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._cache = Projection[str, object, Mapping[str, Trend]]()

    def of(self, tank: str) -> Mapping[str, Trend]:
        """The trends by analyte as they were last calculated; empty before that."""
        return self._cache.value(tank) or {}

    def alarms(self, tank: str) -> list[str] | None:
        """The analytes whose trend gives an alarm; None before the trends were calculated."""
        found = self._cache.value(tank)
        return None if found is None else [analyte for analyte, trend in found.items() if trend.alarm]

    def compute(self, tank: str, now_ms: int) -> Mapping[str, Trend]:
        """Calculate a tank's trends, unless nothing has come since; returns them. An empty tank has none."""
        zone = self._context.zone(tank)
        today = day_of(now_ms, zone)
        start_ms = day_start_ms(today - timedelta(days=LOOK_BACK_DAYS), zone)
        with self._context.store.read() as tx:
            newest = ledger.newest_id(tx, tank, ("reading", *SHIFTS))
            seen = (newest, today, len(self._context.register.history("lines", tank)), self._context.need("tank", tank))
            if not self._cache.is_stale(tank, seen):
                return self.of(tank)
            readings = self._readings(tx, tank, start_ms)
            daily = self._daily(tx, tank, today, zone)
            shifts = [e.at_ms for e in ledger.standing(tx, tank, (), SHIFTS, start_ms)]
        found: dict[str, Trend] = {}
        watched = {} if self._context.need("tank", tank)["stage"] == "empty" else RISING_IS_BAD
        for analyte, rising_is_bad in watched.items():
            limits = self._limits(tank, analyte, rising_is_bad)
            if daily.get(analyte):
                found[analyte] = of_probe(daily[analyte], shifts, now_ms, limits, rising_is_bad)
            elif readings.get(analyte):
                found[analyte] = of_readings(readings[analyte], now_ms, limits, rising_is_bad)
        return self._cache.put(tank, seen, found)

    def _readings(self, tx: Connection, tank: str, start_ms: int) -> dict[str, list[Observation]]:
        found: dict[str, list[Observation]] = {}
        for r in repository.readings(tx, self._context, tank, start_ms):
            found.setdefault(r.analyte, []).append(Observation(r.at_ms, r.low, r.high, r.value))
        return found

    def _daily(self, tx: Connection, tank: str, today: date, zone: str) -> dict[str, list[DailyMean]]:
        """Daily means of the complete days of a year, of temperature and of dissolved solids."""
        stays = self._context.register.stays("probe", tank)
        first = today - timedelta(days=365)
        starts = [day_start_ms(first + timedelta(days=i), zone) for i in range(366)]
        celsius = series.daily(tx, stays, "temperature", starts)
        raw = series.daily(tx, stays, "conductivity", starts)
        celsius_at = {d.at_ms: d.mean for d in celsius}
        factor = repository.tds_factor(self._context, tank)
        solids = [
            DailyMean(d.at_ms, tds_mg_per_l(d.mean, celsius_at[d.at_ms], factor), d.n)
            for d in raw
            if d.at_ms in celsius_at
        ]
        return {"temperature": [DailyMean(d.at_ms, d.mean, d.n) for d in celsius], "tds": solids}

    def _limits(self, tank: str, analyte: str, rising_is_bad: bool) -> Sequence[float]:
        """The lines that a trend must not reach, in the canonical unit: those on its side (a nitrate ceiling is
        one)."""
        lines = repository.lines(self._context, tank)
        return [line.canonical for line in lines if line.analyte == analyte and line.above == rising_is_bad]
