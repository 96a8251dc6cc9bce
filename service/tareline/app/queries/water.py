"""What is known of a tank's water, as it is shown: readings with what their kits could tell apart, what probes sent,
trends, published criteria beside the tank's lines, balances, and whether the probes can be believed.

Pages and the HTTP API use the same functions. What only the monitor calculates (trends, probe health) is shown as it
was last calculated.
"""

import math
from collections.abc import Sequence
from datetime import date, timedelta

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.answers.lines import CrossingAnswer
from tareline.app.answers.series import SeriesAnswer, SeriesPoint
from tareline.app.answers.water import (
    ActingLine,
    AilmentAnswer,
    AnalyteHalfYear,
    CanonicalAnswer,
    CriteriaAt,
    FreeAmmoniaAnswer,
    GuideAnswer,
    HalfYearAnswer,
    MeanAnswer,
    MonthAnswer,
    NewestReadingAnswer,
    NewestWaterAnswer,
    OffsetAnswer,
    PlateauAnswer,
    ProbeHealthAnswer,
    ProbeSeriesAnswer,
    ReachAnswer,
    ReadingAnswer,
    TankWaterAnswer,
    TrendAnswer,
)
from tareline.app.context import Context
from tareline.app.projections.accounts import Accounts
from tareline.app.projections.samples import Samples
from tareline.app.projections.trends import Trends
from tareline.app.queries.balance import balances
from tareline.app.snapshot import Snapshots, TankSnapshot
from tareline.core.calendar import day_end_ms, day_of, day_start_ms, days_between, rfc3339
from tareline.core.safety.known_water import SampleSummary
from tareline.core.safety.lines import Circumstances, crossings, free_ammonia, known_of, stale
from tareline.core.trends.trend import Trend
from tareline.core.units import ANALYTES, CANONICAL
from tareline.core.water.conductivity import tds_mg_per_l
from tareline.core.water.criteria import guides
from tareline.core.water.freshness import FRESH_MS
from tareline.core.water.readings import Reading
from tareline.errors import FieldError
from tareline.store import ledger, series
from tareline.store.series import Point

HALF_YEAR_DAYS = 26 * 7
SPARK_POINTS = 84  # two hours each in a week
OF_WHOLE_PROBE = ("dry", "silent")  # told once of a probe, and true of all that it measures
FORESEEN_MS = 4_102_444_800_000  # 2100: a projection beyond has no date


class WaterQueries:
    """The water of every tank. Each call is one snapshot of the store."""

    def __init__(self, context: Context, accounts: Accounts, trends: Trends, samples: Samples) -> None:
        self._context = context
        self._accounts = accounts
        self._trends = trends
        self._samples = samples

    def water(self, tank: str) -> TankWaterAnswer:
        """The newest reading of each analyte, un-ionised ammonia, trends, balances, and how the probes are."""
        self._context.need("tank", tank)
        now_ms = self._context.stamp_ms()
        zone = self._context.zone(tank)
        with self._context.store.read() as tx:
            snapshot = Snapshots(tx, self._context, self._samples).of(tank)
            newest = self.newest(snapshot)
            return TankWaterAnswer(
                latest=newest.latest,
                unionised_ammonia_mg_n_per_l=newest.unionised_ammonia_mg_n_per_l,
                trends={analyte: _trend_view(analyte, t, zone) for analyte, t in self._trends.of(tank).items()},
                balances=balances(tx, self._context, self._accounts, tank, now_ms),
                probes=self._health(tx, tank, self._samples.of(tank)),
            )

    def newest(self, tank: TankSnapshot) -> NewestWaterAnswer:
        """The newest reading of each analyte with its trend in a word and its age where it is too old, and un-ionised
        ammonia worked out from them."""
        zone, now_ms = tank.zone, tank.now_ms
        trends = self._trends.of(tank.id)
        free = free_ammonia(tank.readings, tank.temperature, now_ms)
        return NewestWaterAnswer(
            latest={
                analyte: NewestReadingAnswer.of(
                    r,
                    entry,
                    analyte=analyte,
                    canonical=_canonical(r),
                    at=rfc3339(r.at_ms, zone),
                    trend=None if analyte not in trends else trends[analyte].direction,
                    alarm=analyte in trends and trends[analyte].alarm,
                    stale=stale(analyte, r.at_ms, now_ms),
                    entry=entry.id,
                )
                for analyte, (r, entry) in tank.latest.items()
            },
            unionised_ammonia_mg_n_per_l=None
            if free is None
            else FreeAmmoniaAnswer(
                value=free.value,
                low=free.low,
                high=free.high,
                assumed=list(free.assumed),
                at=rfc3339(free.at_ms, zone),
                detected=free.detected,
            ),
        )

    def readings(self, tx: Connection, tank: str, start_ms: int, end_ms: int) -> list[ReadingAnswer]:
        """The readings of [start, end): as they were stated, in canonical units, and which lines they crossed."""
        zone = self._context.zone(tank)
        stage = str(self._context.need("tank", tank)["stage"])
        lines = repository.lines(self._context, tank)
        factor = repository.tds_factor(self._context, tank)
        found = []
        for entry in ledger.standing(tx, tank, (), ["reading"], start_ms, end_ms):
            r = repository.reading(entry, factor)
            explained = r.analyte in ("ammonia", "free_ammonia")
            why = repository.circumstances(tx, self._context, tank, r.at_ms) if explained else Circumstances()
            found.append(
                ReadingAnswer.of(
                    r,
                    entry,
                    entry=entry.id,
                    at=rfc3339(r.at_ms, zone),
                    analyte=r.analyte,
                    canonical=_canonical(r),
                    kit=entry.body.get("kit"),
                    by=entry.by,
                    crossed=[
                        CrossingAnswer.of_crossing(c) for c in crossings(lines, {r.analyte: known_of(r)}, stage, why)
                    ],
                )
            )
        return found

    def probes(self, tx: Connection, tank: str, start_ms: int, end_ms: int) -> list[ProbeSeriesAnswer]:
        """What each probe of a tank sent in [start, end), thinned out."""
        zone = self._context.zone(tank)
        stays = self._context.register.stays("probe", tank)
        found = []
        for device, metric, unit in series.metrics_of(tx, sorted({stay[0] for stay in stays})):
            own = [stay for stay in stays if stay[0] == device]
            got = series.points(tx, own, metric, start_ms, end_ms, SPARK_POINTS) if start_ms < end_ms else []
            if got:
                shown = [_mean(p, zone) for p in got]
                found.append(ProbeSeriesAnswer(probe=device, metric=metric, unit=unit, points=shown))
        return found

    def half_year(self, tank: str) -> HalfYearAnswer:
        """The last 26 weeks of every analyte that was measured in them: readings and daily means of probes in the
        canonical unit, with the lines that act now and what is published."""
        self._context.need("tank", tank)
        zone = self._context.zone(tank)
        now_ms = self._context.stamp_ms()
        today = day_of(now_ms, zone)
        first = today - timedelta(days=HALF_YEAR_DAYS - 1)
        start_ms, end_ms = day_start_ms(first, zone), day_end_ms(today, zone)
        starts_ms = [*(day_start_ms(day, zone) for day in days_between(first, today)), end_ms]
        with self._context.store.read() as tx:
            readings = self.readings(tx, tank, start_ms, end_ms)
            daily = self._daily(tx, tank, starts_ms)
            snapshot = Snapshots(tx, self._context, self._samples).of(tank)
        lines = snapshot.lines_now
        ph, temperature = _fresh(snapshot.readings.get("ph"), now_ms), _fresh(snapshot.temperature, now_ms)
        parts = []
        for analyte in ANALYTES:
            own = [one for one in readings if one.analyte == analyte]
            days = daily.get(analyte, [])
            if own or days:
                published = guides(analyte, ph, temperature)
                parts.append(
                    AnalyteHalfYear(
                        analyte=analyte,
                        unit=CANONICAL[analyte].unit,
                        basis=CANONICAL[analyte].basis,
                        readings=own,
                        days=[_mean(day, zone) for day in days],
                        lines=[ActingLine.of(one, canonical=one.canonical) for one in lines if one.analyte == analyte],
                        guides=[GuideAnswer(limit=g.limit, what=g.what, source=g.source) for g in published],
                    )
                )
        return HalfYearAnswer(
            start=rfc3339(start_ms, zone),
            end=rfc3339(end_ms, zone),
            months=[
                MonthAnswer(month=f"{day:%Y-%m}", start=rfc3339(begin_ms, zone), end=rfc3339(until_ms, zone))
                for day, begin_ms, until_ms in _months(first, today, zone)
            ],
            criteria_at=CriteriaAt(ph=ph, temperature_c=temperature),
            analytes=parts,
        )

    def _daily(self, tx: Connection, tank: str, starts_ms: Sequence[int]) -> dict[str, list[Point]]:
        """Daily means of temperature and of dissolved solids, each with the lowest and highest of its day.

        Dissolved solids are compensated by the mean temperature of the day, their extremes too.
        """
        stays = self._context.register.stays("probe", tank)
        celsius = series.daily(tx, stays, "temperature", starts_ms)
        temperature = {day.at_ms: day.mean for day in celsius}
        factor = repository.tds_factor(self._context, tank)
        solids = []
        for day in series.daily(tx, stays, "conductivity", starts_ms):
            if day.at_ms in temperature:
                mean, low, high = (
                    tds_mg_per_l(siemens, temperature[day.at_ms], factor) for siemens in (day.mean, day.low, day.high)
                )
                solids.append(Point(day.at_ms, mean, low, high, day.n))
        return {"temperature": celsius, "tds": solids}

    def series(self, tank: str, metric: str, start_ms: int, end_ms: int, count: int) -> SeriesAnswer:
        """At most `count` points of a metric that a tank's probes or cells sent."""
        self._context.need("tank", tank)
        if end_ms <= start_ms:
            raise FieldError("end", "expected a time after start")
        if not 1 <= count <= 10_000:
            raise FieldError("points", f"expected 1 to 10000; found {count}")
        zone = self._context.zone(tank)
        stays = self._context.register.stays("probe", tank) + self._context.register.stays("feeder", tank)
        with self._context.store.read() as tx:
            known = {m: unit for _, m, unit in series.metrics_of(tx, sorted({stay[0] for stay in stays}))}
            if metric not in known:
                offered = ", ".join(sorted(known)) or "none yet"
                raise FieldError("metric", f"expected one of this tank's ({offered}); found {metric!r}")
            got = series.points(tx, stays, metric, start_ms, end_ms, count)
        shown = [SeriesPoint(at=rfc3339(p.at_ms, zone), value=p.mean, low=p.low, high=p.high, n=p.n) for p in got]
        return SeriesAnswer(metric=metric, unit=known[metric], points=shown)

    def _health(self, tx: Connection, tank: str, sampled: SampleSummary) -> list[ProbeHealthAnswer]:
        """The issues of each metric of the probes that are on a tank now, and its offset from readings by hand."""
        zone = self._context.zone(tank)
        devices = self._context.register.devices_of("probe", tank)
        watched = [(device, metric) for device, metric, _ in series.metrics_of(tx, devices) if metric == "temperature"]
        watched += [(device, "tds") for device, metric, _ in series.metrics_of(tx, devices) if metric == "conductivity"]
        found = []
        for device, metric in sorted(watched):
            offset = sampled.offsets.get((device, metric))
            ailments = [
                one
                for probe, one in sampled.issues
                if probe == device and (one.metric == metric or one.kind in OF_WHOLE_PROBE)
            ]
            found.append(
                ProbeHealthAnswer(
                    probe=device,
                    metric=metric,
                    ailments=[
                        AilmentAnswer(kind=a.kind, since=rfc3339(a.since_ms, zone), text=a.text, trusted=a.trusted)
                        for a in ailments
                    ],
                    offset=None
                    if offset is None
                    else OffsetAnswer(
                        value=offset.value,
                        low=offset.low,
                        high=offset.high,
                        share=metric == "tds",
                        drift_per_30_d=offset.drift_per_30_d,
                        drift_low=offset.drift_low,
                        drift_high=offset.drift_high,
                        since=rfc3339(offset.since_ms, zone),
                        at=rfc3339(offset.at_ms, zone),
                        n=offset.n,
                    ),
                )
            )
        return found


def _months(first: date, last: date, zone: str) -> list[tuple[date, int, int]]:
    """Each calendar month of some days, with the instants between which its days among them lie."""
    begins = [first, *(day for day in days_between(first, last) if day.day == 1 and day > first)]
    ends_ms = [*(day_start_ms(day, zone) for day in begins[1:]), day_end_ms(last, zone)]
    return [(day, day_start_ms(day, zone), end_ms) for day, end_ms in zip(begins, ends_ms, strict=True)]


def _mean(point: Point, zone: str) -> MeanAnswer:
    return MeanAnswer(at=rfc3339(point.at_ms, zone), value=point.mean, low=point.low, high=point.high)


def _canonical(r: Reading) -> CanonicalAnswer:
    quantity = CANONICAL[r.analyte]
    return CanonicalAnswer(value=r.value, low=r.low, high=r.high, unit=quantity.unit, basis=quantity.basis)


def _fresh(reading: Reading | None, now_ms: int) -> float | None:
    """A value for the criteria, which stand for the water as it is now."""
    return reading.value if reading is not None and now_ms - reading.at_ms <= FRESH_MS else None


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _trend_view(analyte: str, trend: Trend, zone: str) -> TrendAnswer:
    """A trend in the analyte's canonical unit; null is an open end."""

    def when(at_ms: int | None) -> str | None:
        return None if at_ms is None or at_ms > FORESEEN_MS else rfc3339(at_ms, zone)

    reach, level = trend.reaches, trend.plateau
    return TrendAnswer(
        direction=trend.direction,
        unit=CANONICAL[analyte].unit,
        basis=CANONICAL[analyte].basis,
        slope_per_day=_finite(trend.slope_per_day),
        slope_low=_finite(trend.slope_low),
        slope_high=_finite(trend.slope_high),
        since=when(trend.since_ms),
        n=trend.n,
        alarm=trend.alarm,
        reaches=None
        if reach is None
        else ReachAnswer(limit=reach.limit, from_=when(reach.earliest_ms), to=when(reach.latest_ms)),
        plateau=None
        if level is None
        else PlateauAnswer(
            low=_finite(level.low),
            mid=level.mid,
            high=_finite(level.high),
            from_=when(level.reached_from_ms),
            to=when(level.reached_to_ms),
        ),
        how_sure=trend.how_sure,
    )
