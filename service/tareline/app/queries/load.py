"""What is shown of a tank's load: the load and its limit, the past, and the weeks ahead.

Nitrate is shown as ion, as its ceiling and most kits are; ammonia and nitrite as N. What nobody knows is null.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, timedelta

from sqlalchemy import Connection

from tareline.app import repository
from tareline.app.answers.load import (
    BandAnswer,
    DiagnosticsAnswer,
    ForecastAnswer,
    ForecastDay,
    GuessAnswer,
    LimitAnswer,
    LoadNow,
    PastAnswer,
    PastDay,
    PastReading,
    ProvenAnswer,
    RestAnswer,
    TankLoadAnswer,
)
from tareline.app.context import Context
from tareline.app.projections.load_record import content, food_of
from tareline.app.projections.loads import LoadAnswer, Loads
from tareline.core.calendar import day_start_ms, rfc3339
from tareline.core.feeding.ration import Ration, ration_on
from tareline.core.load.forecast import Scenario
from tareline.core.load.limit import ProvenRation
from tareline.core.load.record import Change, Harvest
from tareline.core.units import DAY_MS, NITRATE_PER_N
from tareline.errors import FieldError

QUANTILES = ("p5", "p25", "p50", "p75", "p95")
SHOWN = {  # by content: the name with its unit, and mg/L of it per mg/L as the model has it
    "nitrate": ("nitrate_mg_per_l", NITRATE_PER_N),
    "ammonia": ("ammonia_mg_n_per_l", 1.0),
    "nitrite": ("nitrite_mg_n_per_l", 1.0),
    "tds": ("tds_mg_per_l", 1.0),
}
DAYS = 56
MOST_DAYS = 365
NOT_YET = "the load of this tank has not been calculated yet"
EMPTY = "the tank is empty"


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A scenario of the weeks ahead. Without values: as it is planned.

    daily_g: a steady ration. food: the id of another food. change_l: litres changed now, with `water`. plants_removed:
    a share of them, now. holiday_start, holiday_end: local dates, both included, on which holiday_g is fed.
    """

    daily_g: float | None = None
    days: int = DAYS
    food: str | None = None
    change_l: float | None = None
    water: str | None = None
    plants_removed: float | None = None
    holiday_start: date | None = None
    holiday_end: date | None = None
    holiday_g: float = 0.0

    def check(self, volume_l: float) -> None:
        """Raise FieldError for what makes no sense."""
        _within("daily_g", self.daily_g, 0, 1000)
        _within("days", self.days, 1, MOST_DAYS)
        _within("change_l", self.change_l, 0, volume_l)
        _within("plants_removed", self.plants_removed, 0, 1)
        _within("holiday_g", self.holiday_g, 0, 1000)
        if self.water is not None and self.change_l is None:
            raise FieldError("change_l", "expected litres of a water change with this water")
        if (self.holiday_start is None) != (self.holiday_end is None):
            missing = "holiday_start" if self.holiday_start is None else "holiday_end"
            raise FieldError(missing, "expected a date: a holiday has a first and a last day")
        if self.holiday_start is not None and self.holiday_end is not None and self.holiday_end < self.holiday_start:
            raise FieldError("holiday_end", f"expected a date from {self.holiday_start} on; found {self.holiday_end}")


def _within(name: str, value: float | None, low: float, high: float) -> None:
    if value is not None and not low <= value <= high:
        raise FieldError(name, f"expected {low:g} to {high:g}; found {value:g}")


def load_view(context: Context, loads: Loads, tank: str) -> TankLoadAnswer:
    """The load of a tank and its limit."""
    body = context.need("tank", tank)
    state, trouble = loads.state(tank), loads.trouble(tank)
    known = state.answer
    ceiling_mg_per_l = body["nitrate_ceiling_mg_per_l"]
    if known is None:
        return TankLoadAnswer(
            as_of=None,
            fresh=state.fresh,
            refuses=EMPTY if body["stage"] == "empty" else NOT_YET,
            trouble=trouble.why if trouble is not None else None,
            food=None,
            limit_g_per_day=LimitAnswer(found=False, p5=None, p50=None, p95=None),
            proven_g_per_day=None,
            proven=None,
            recommended_g_per_day=None,
            recommended_why=None,
            load_now_g_per_day=None,
            fed_now_g_per_day=None,
            fed_now_under_limit=None,
            limits_by=None,
            nitrate_ceiling_mg_per_l=ceiling_mg_per_l,
            evidence=[],
            diagnostics=None,
            guesses=_guesses(loads, tank),
        )
    told = known.told.load
    return TankLoadAnswer(
        as_of=rfc3339(known.gathered.at_ms, known.gathered.zone),
        fresh=state.fresh,
        refuses=None if told.diagnostics.speaks else told.diagnostics.why,
        trouble=trouble.why if trouble is not None else None,
        food=told.food,
        limit_g_per_day=LimitAnswer(found=told.found, p5=told.p5_g, p50=told.p50_g, p95=told.p95_g),
        proven_g_per_day=told.proven.daily_g or None,
        proven=_proven(known, told.proven),
        recommended_g_per_day=told.recommended_g or None,
        recommended_why=told.recommended_why,
        load_now_g_per_day=None
        if told.load_now_g is None
        else LoadNow(**dict(zip(("p5", "p50", "p95"), told.load_now_g, strict=True))),
        fed_now_g_per_day=told.fed_now_g,
        fed_now_under_limit=known.told.p_under(told.fed_now_g) if told.diagnostics.speaks else None,
        limits_by=told.limits_by,
        nitrate_ceiling_mg_per_l=ceiling_mg_per_l,
        evidence=list(told.evidence),
        diagnostics=DiagnosticsAnswer(**asdict(told.diagnostics)),
        guesses=[] if told.found else _guesses(loads, tank),
    )


def _proven(known: LoadAnswer, proven: ProvenRation) -> ProvenAnswer:
    """Since when and until when a ration was held, both days included."""
    last = None if proven.until is None else known.gathered.date_of(proven.until) - timedelta(days=1)
    return ProvenAnswer(
        since=None if proven.since is None else known.gathered.date_of(proven.since).isoformat(),
        until=None if last is None else last.isoformat(),
        why_not=proven.why or None,
    )


def _guesses(loads: Loads, tank: str) -> list[GuessAnswer]:
    return [
        GuessAnswer(p5=one.p5_g, p50=one.p50_g, p95=one.p95_g, tanks=one.tanks, per=one.per, text=one.text)
        for one in loads.guesses(tank)
    ]


def forecast_view(context: Context, loads: Loads, tank: str, asked: WhatIf) -> ForecastAnswer:
    """The water of the days ahead in bands. Raises FieldError where the question makes no sense or all is unknown."""
    body = context.need("tank", tank)
    asked.check(float(body["volume_l"]))
    for kind, ref in (("food", asked.food), ("water", asked.water)):
        if ref is not None and context.register.now(kind, ref) is None:
            raise FieldError(kind, f"expected the id of a {kind}; there is none called {ref!r}")
    state = loads.state(tank)
    known = state.answer
    if known is None:
        raise FieldError("tank", EMPTY if body["stage"] == "empty" else NOT_YET, 409)
    gathered = known.gathered
    first = gathered.day_0 + timedelta(days=round(gathered.record.now))
    dates = [first + timedelta(days=i) for i in range(asked.days)]
    with context.store.read() as tx:
        planned = planned_g(tx, context, tank, dates)
    rations = [asked.daily_g if asked.daily_g is not None else one for one in planned]
    if asked.holiday_start is not None and asked.holiday_end is not None:
        away = [asked.holiday_start <= day <= asked.holiday_end for day in dates]
        rations = [min(asked.holiday_g, g) if gone else g for g, gone in zip(rations, away, strict=True)]
    source = context.register.now("water", asked.water) if asked.water is not None else None
    what = Scenario(
        days=asked.days,
        daily_g=rations,
        food=food_of(context, asked.food) if asked.food is not None else gathered.record.foods[gathered.food],
        changes=(Change(0.0, asked.change_l, **content(source or {})),) if asked.change_l else (),
        harvests=(Harvest(0.0, asked.plants_removed),) if asked.plants_removed else (),
    )
    found = loads.ahead(tank, known, what)
    bands = {SHOWN[name]: band for name, band in found.bands.items()}
    return ForecastAnswer(
        as_of=rfc3339(gathered.at_ms, gathered.zone),
        fresh=state.fresh,
        food=what.food.name if what.food is not None else None,
        nitrate_ceiling_mg_per_l=body["nitrate_ceiling_mg_per_l"],
        days=[
            ForecastDay(
                date=dates[i].isoformat(),
                at=rfc3339(gathered.at_ms + (i + 1) * DAY_MS, gathered.zone),
                daily_g=rations[i],
                **{name: _band(band[i], per) for (name, per), band in bands.items()},
                over_ceiling=found.over_ceiling[i],
                ammonia_or_nitrite_seen=found.detected[i],
            )
            for i in range(asked.days)
        ],
        rests_at_nitrate_mg_per_l=RestAnswer(
            **{
                name: None if v is None else v * NITRATE_PER_N
                for name, v in zip(QUANTILES, found.rests_at, strict=True)
            }
        ),
    )


def _band(values: Sequence[float], per: float) -> BandAnswer:
    return BandAnswer(**{name: v * per for name, v in zip(QUANTILES, values, strict=True)})


def planned_g(tx: Connection, context: Context, tank: str, dates: Sequence[date]) -> list[float]:
    """The rations of some days as they are decided now, absences among them; nothing where there is none."""
    zone = context.zone(tank)
    decided = repository.rations(tx, tank, zone, day_start_ms(dates[0], zone))
    found: list[Ration | None] = [ration_on(day, zone, decided) for day in dates]
    return [one.daily_g if one is not None else 0.0 for one in found]


def road_view(context: Context, loads: Loads, tank: str, days: int) -> PastAnswer | None:
    """The last `days` days: the ration and what was fed a day, and the readings, as the record has them."""
    known = loads.known(tank)
    if known is None:
        return None
    gathered, record = known.gathered, known.gathered.record
    last = int(record.now)
    begin = max(0, last - days)
    dates = [gathered.date_of(day) for day in range(begin, last + 1)]
    with context.store.read() as tx:
        rations = planned_g(tx, context, tank, dates)
    fed: dict[int, float] = {}
    for one in record.fed:
        fed[one.day] = fed.get(one.day, 0.0) + one.mass_g
    readings: dict[str, list[PastReading]] = {}
    for seen in record.readings:
        if seen.day >= begin:
            name, per = SHOWN[seen.analyte]
            day = gathered.date_of(seen.day)
            readings.setdefault(name, []).append(
                PastReading(
                    day=seen.day - last,
                    date=day.isoformat(),
                    value=seen.value * per,
                    low=seen.low * per,
                    high=None if seen.high is None else seen.high * per,
                    detected=seen.detected,
                )
            )
    return PastAnswer(
        begin=dates[0].isoformat(),
        days=[
            PastDay(day=day - last, date=when.isoformat(), ration_g=ration_g, fed_g=fed.get(day, 0.0))
            for day, when, ration_g in zip(range(begin, last + 1), dates, rations, strict=True)
        ],
        now=record.now - last,
        readings=readings,
    )
