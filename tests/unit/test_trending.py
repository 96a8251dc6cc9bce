"""Trends in a service: worked out when something has come, from readings and a probe's days, against the tank's lines.

What the methods find is tested where they are; here is what they are given.
"""

import random
from datetime import UTC, datetime
from typing import Any

import pytest
from house import DAY_MS, HOUR_MS, MINUTE_MS, NOON_MS, TANK, House

from tareline.app.projections import trends
from tareline.core.trends.trend import Trend
from tareline.store import series
from tareline.store.series import Value

WEEKS = 20
PROBE = "probe"
ROOM = {"name": "reading room", "volume_l": 60, "timezone": "UTC"}


@pytest.fixture
def house(house: House) -> House:
    house.clock.advance(WEEKS * 7 * DAY_MS)
    return house


def compute(house: House) -> dict[str, Trend]:
    house.service.watch()
    return dict(house.service.trends.of(TANK))


def weekly(house: House, analyte: str, first: float, a_week: float, **other: Any) -> None:
    """A reading each week until now, by a pen."""
    noise = random.Random(3)
    for week in range(WEEKS + 1):
        at = f"{_day(week * 7)}T12:00:00Z"
        value = round(first + a_week * week + noise.gauss(0, 0.01), 3)
        house.reading(analyte, value, resolution=0.01, at=at, **other)


def _day(n: int) -> str:
    return datetime.fromtimestamp((NOON_MS + n * DAY_MS) / 1000, UTC).date().isoformat()


def looks(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every time that readings are looked at from now on."""
    made: list[str] = []
    of_readings = trends.of_readings

    def counted(*given: Any) -> Trend:
        made.append("readings")
        return of_readings(*given)

    monkeypatch.setattr(trends, "of_readings", counted)
    return made


def test_nitrate_that_rises_to_the_tank_s_ceiling_is_told_with_when(house: House) -> None:
    weekly(house, "nitrate", 5.0, 1.5, basis="ion")  # 35 of the 40 mg/L that its keeper accepts, as ion
    trend = compute(house)["nitrate"]
    assert trend.direction == "rising"
    assert trend.reaches is not None
    assert trend.reaches.limit == pytest.approx(40 * 14.007 / 62.004, rel=1e-3)  # N in NO3, IUPAC atomic weights
    # 5 mg/L more at 1.5 a week: after 23 days
    now_ms = house.clock.now_ms()
    assert trend.reaches.latest_ms is not None
    assert now_ms + 15 * DAY_MS < trend.reaches.earliest_ms <= now_ms + 23.4 * DAY_MS
    assert trend.reaches.latest_ms < now_ms + 35 * DAY_MS
    (alert,) = [one for one in house.watch() if one.kind == "rising"]
    assert alert.what == "reading room: nitrate is rising"


def test_what_falls_is_bad_of_ph_and_hardness_alone(house: House) -> None:
    weekly(house, "kh", 6.0, -0.2)
    weekly(house, "nitrite", 0.9, -0.04)
    house.watch()
    rising = [one.what for one in house.watch() if one.kind == "rising"]
    assert rising == ["reading room: carbonate hardness is falling"]


def test_trends_are_worked_out_anew_only_when_something_has_come_or_a_day_is_over(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    weekly(house, "nitrate", 5.0, 0.0)
    made = looks(monkeypatch)
    compute(house)
    assert len(made) == 1
    for _ in range(10):
        house.clock.advance(MINUTE_MS)
        compute(house)
    assert len(made) == 1
    house.reading("nitrate", 5.0)
    compute(house)
    assert len(made) == 2
    house.service.things.put("tank", TANK, {**ROOM, "nitrate_ceiling_mg_per_l": 30})
    compute(house)
    assert len(made) == 3
    house.clock.advance(DAY_MS)
    compute(house)
    assert len(made) == 4


def test_a_reading_taken_back_is_in_no_trend(house: House) -> None:
    weekly(house, "nitrate", 5.0, 0.0)
    before = compute(house)
    wrong = house.reading("nitrate", 500.0)
    assert compute(house) != before
    house.service.entries.correct(wrong.entry, {"void": True})
    assert compute(house) == before


def test_an_empty_tank_has_no_trend(house: House) -> None:
    weekly(house, "nitrate", 5.0, 1.5, basis="ion")
    assert compute(house)
    house.service.things.put("tank", TANK, {**ROOM, "stage": "empty"})
    assert compute(house) == {}
    house.clock.advance(7 * HOUR_MS)  # a trend's alert settles for six
    assert not [one for one in house.watch() if one.kind == "rising" and one.state == "open"]


def probe_days(house: House, tds_a_day: float) -> None:
    """A probe's samples, every quarter of an hour until now: 25 degC, and dissolved solids from 300 mg/L on."""
    house.add("probe", id=PROBE, tank=TANK, at=f"{_day(0)}T00:00:00Z")
    noise = random.Random(4)
    with house.service.context.write() as tx:
        for day in range(WEEKS * 7):
            at = [NOON_MS + day * DAY_MS + i * 15 * MINUTE_MS for i in range(1, 97)]
            # 0.64 mg/L per uS/cm, at 25 degC no compensation
            level = (300 + tds_a_day * day) / 0.64 * 1e-4
            celsius = [Value("temperature", "Cel", t, 25 + noise.gauss(0, 0.03)) for t in at]
            series.add(tx, PROBE, celsius + [Value("conductivity", "S/m", t, level + noise.gauss(0, 1e-5)) for t in at])


def test_a_probe_s_days_come_before_readings_and_are_calculated_by_the_tank_s_factor(house: House) -> None:
    house.service.things.put("tank", TANK, {**ROOM, "tds_factor": 0.64})
    probe_days(house, 0.5)
    weekly(house, "tds", 300.0, 0.0)
    house.service.feeding.put_lines(
        TANK,
        {
            "lines": [
                {"analyte": "ammonia", "above": 2.0, "unit": "mg/L", "basis": "N", "do": "hold"},
                {"analyte": "tds", "above": 380.0, "unit": "mg/L", "do": "notify"},
            ]
        },
    )
    found = compute(house)
    assert not found["temperature"].alarm
    assert found["tds"].direction == "rising"
    assert found["tds"].slope_per_day == pytest.approx(0.5, rel=0.1)
    assert found["tds"].reaches is not None
    # 370 mg/L now; the 10 up to the line take 20 days
    assert found["tds"].reaches.earliest_ms <= house.clock.now_ms() + 21 * DAY_MS
