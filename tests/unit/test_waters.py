"""What is known of a tank's water: half a year, trends, stale readings, balances by hand, and sentences why not."""

import asyncio
from datetime import UTC, date, datetime
from typing import Any

import httpx
import pytest
from house import DAY_MS, FEEDER, FOOD, HOUR_MS, NOON_MS, TANK, House

from present import present
from tareline.app.answers.balances import NitrogenBalance
from tareline.app.answers.water import AnalyteHalfYear, TankWaterAnswer
from tareline.settings import Show
from tareline.web.app import make_app
from tareline.web.events import Hub

VOLUME_L = 60.0
PROTEIN = 0.42  # of the house's food


@pytest.fixture
def house(house: House) -> House:
    house.add("water", id="tap", name="tap", tds_mg_per_l=200, nitrate_mg_per_l=10, ammonia_mg_per_l=0, kh_dkh=6)
    house.add("water", id="rain", name="rain")
    return house


def at(days_ago: float) -> str:
    return datetime.fromtimestamp((NOON_MS - days_ago * DAY_MS) / 1000, UTC).isoformat()


def water(house: House) -> TankWaterAnswer:
    return house.service.waters.water(TANK)


def balance(house: House, of: str) -> Any:
    return getattr(water(house).balances, of)


def half_year(house: House, analyte: str) -> AnalyteHalfYear:
    (found,) = [one for one in house.service.waters.half_year(TANK).analytes if one.analyte == analyte]
    return found


# -- readings ----------------------------------------------------------------------------------------------------------


def test_half_a_year_has_26_weeks_and_every_month_in_them(house: House) -> None:
    house.reading("nitrate", 5, at=at(181))
    house.reading("nitrate", 6, at=at(182.6))
    found = house.service.waters.half_year(TANK)
    assert [one.value for one in half_year(house, "nitrate").readings] == [5]
    first, last = (datetime.fromisoformat(getattr(found, end)) for end in ("start", "end"))
    assert (last - first).days == 26 * 7
    assert [month.month for month in found.months] == [f"2024-{12}", *(f"2025-{m:02}" for m in range(1, 7))]
    ends = [datetime.fromisoformat(month.end) for month in found.months]
    assert ends[:-1] == [datetime.fromisoformat(month.start) for month in found.months[1:]]
    assert ends[-1] == last


def test_a_reading_is_kept_as_stated_and_told_in_the_canonical_unit_too(house: House) -> None:
    house.reading("nitrite", 0.05, detected=False)
    # 311 mg/L by 0.5 for each uS/cm are 622 uS/cm; by the tank's 0.64 they are 398.08 mg/L.
    house.reading("tds", 311, factor=0.5, resolution=1)
    nitrite, solids = (half_year(house, analyte).readings[0] for analyte in ("nitrite", "tds"))
    assert (nitrite.canonical.low, nitrite.canonical.high) == (0, 0.05)
    assert solids.value == 311
    assert solids.canonical.value == pytest.approx(398.08)
    assert water(house).latest["tds"].canonical.high == pytest.approx(311.5 / 0.5 * 0.64)


def test_lines_act_more_strictly_while_somebody_is_away(house: House) -> None:
    house.reading("ammonia", 0.1)
    assert [line.do for line in half_year(house, "ammonia").lines] == ["notify", "reduce", "hold"]
    house.service.feeding.put_absence(TANK, {"start": "2025-06-15", "end": "2025-06-20", "daily_g": 0.5})
    assert [line.do for line in half_year(house, "ammonia").lines] == ["reduce", "hold", "hold"]


def test_ammonias_criteria_take_a_fresh_ph_and_temperature(house: House) -> None:
    # US EPA 822-R-13-001: 1.9 (chronic) and 17 mg/L (acute) as total ammonia N at pH 7.0 and 20 degC.
    house.reading("ammonia", 0.1)
    house.reading("temperature", 20)
    house.reading("ph", 7.0, at=at(15))
    assert half_year(house, "ammonia").guides == []
    house.reading("ph", 7.0, at=at(13))
    limits = [guide.limit for guide in half_year(house, "ammonia").guides]
    assert [f"{limit:.2g}" for limit in limits] == ["1.9", "17"]


def test_a_stale_reading_says_how_old_it_is(house: House) -> None:
    house.reading("nitrate", 5, at=at(20))
    house.reading("ph", 7, at=at(1))
    latest = water(house).latest
    assert present(latest["nitrate"].stale).startswith("nitrate was measured 20 days ago")
    assert latest["ph"].stale is None


# -- trends ------------------------------------------------------------------------------------------------------------


def test_a_trend_is_a_word_beside_its_reading_and_in_full_apart(house: House) -> None:
    assert water(house).trends == {}
    for week in range(26):
        house.reading("nitrate", 2 + 0.25 * week, at=at(7 * (25 - week)), resolution=0.5)  # as N; the line is at 9
    house.service.watch()
    found = water(house)
    trend = found.trends["nitrate"]
    assert found.latest["nitrate"].trend == trend.direction == "rising"
    assert (trend.unit, trend.basis, trend.alarm) == ("mg/L", "N", True)
    assert present(trend.slope_low) <= 0.25 / 7 <= present(trend.slope_high), "the slope is 0.25 a week by construction"
    # From 8.25 to 40 mg/L as ion, 9.04 as N, at 0.25 a week: in 22 days.
    first, last = (datetime.fromisoformat(getattr(trend.reaches, end)) for end in ("from_", "to"))
    assert first.date() <= date(2025, 7, 7) <= last.date()


# -- balances ----------------------------------------------------------------------------------------------------------


def test_what_top_ups_bring_is_not_the_tanks_own(house: House) -> None:
    # 6 L of 200 mg/L into 60 L bring 20 mg/L; from 100 to 120 nothing is left for the tank to explain.
    house.reading("tds", 100, at=at(20))
    house.service.entries.add("top-up", TANK, {"at": at(10), "volume_l": 6, "water": "tap"})
    house.reading("tds", 120, at=at(0))
    found = balance(house, "salt")
    assert found.per_day == pytest.approx(0, abs=1e-9)
    assert (found.topups, found.changes, found.why_not) == (1, 0, None)


def test_a_water_change_takes_out_what_it_replaces(house: House) -> None:
    # Half of 100 mg/L and half of 200 are 150; 10 more on the last day are 1 mg/L for each of the 10 days since, and
    # the 10 days before it count for half.
    house.reading("tds", 100, at=at(20))
    house.service.entries.add("water-change", TANK, {"at": at(10), "volume_l": 30, "water": "tap"})
    house.reading("tds", 165, at=at(0))
    assert balance(house, "salt").per_day == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("inflow", "why"),
    [({"volume_l": None, "water": "tap"}, "without its volume"), ({"volume_l": 5, "water": "rain"}, "is not known"),
     ({"volume_l": 5}, "is not known")],
)  # fmt: skip
def test_a_balance_that_cannot_be_told_says_why(house: House, inflow: dict[str, Any], why: str) -> None:
    assert "two readings of dissolved solids" in balance(house, "salt").why_not
    house.reading("tds", 100, at=at(20))
    house.reading("tds", 120, at=at(0))
    house.service.entries.add("top-up", TANK, {"at": at(10), **inflow})
    assert why in balance(house, "salt").why_not


def test_how_much_of_the_foods_nitrogen_stays_as_nitrate(house: House) -> None:
    # 10 g of 42 % protein hold 672 mg N (protein is 6.25 N, by definition): over 60 L and 20 days 0.56 mg/L a day.
    house.reading("nitrate", 2, at=at(20))
    house.reading("nitrate", 4, at=at(0))
    for day in range(1, 11):
        house.service.entries.add("handfeed", TANK, {"at": at(day), "mass_g": 1.0})
    found = balance(house, "nitrogen")
    assert found.food_per_day == pytest.approx(10_000 * PROTEIN / 6.25 / VOLUME_L / 20)
    assert found.per_day == pytest.approx(0.1)
    assert not found.food_at_least


def test_doses_count_as_weighed_one_of_unknown_size_by_its_expectation_and_uncounted_ones_make_it_at_least(
    house: House,
) -> None:
    house.reading("nitrate", 2, at=at(20))
    house.reading("nitrate", 4)
    house.clock.advance(HOUR_MS)

    def fed_mg() -> float:
        found = balance(house, "nitrogen")
        return float(found.food_per_day / (PROTEIN / 6.25 / VOLUME_L / 20))

    house.hear(house.dose(1, at_ms=NOON_MS - 2 * DAY_MS))
    assert fed_mg() == pytest.approx(250)
    lost = house.dose(2, at_ms=NOON_MS - DAY_MS, outcome="interrupted", before_g=None, after_g=None, sd_g=None)
    house.hear(lost)
    # Anything from nothing to what was asked: its mean is half of that (rectangular distribution, GUM 4.3.7).
    assert fed_mg() == pytest.approx(250 + 250 / 2)
    assert not balance(house, "nitrogen").food_at_least


def test_food_that_nobody_named_is_said(house: House) -> None:
    house.add("tank", id="sill", name="sill", volume_l=20, timezone="UTC")
    house.reading("nitrate", 2, tank="sill", at=at(20))
    house.reading("nitrate", 4, tank="sill")
    house.reading("kh", 4, tank="sill")
    house.service.entries.add("handfeed", "sill", {"at": at(2), "mass_g": 1.0})
    found = house.service.waters.water("sill").balances
    assert isinstance(found.nitrogen, NitrogenBalance)
    assert (found.nitrogen.food_per_day, found.nitrogen.food_not_known_of) == (None, ["hand"])
    assert found.hardness.why_not == "It is not known what is fed by hand."
    house.service.entries.add("handfeed", "sill", {"at": at(1), "mass_g": 1.0, "food": FOOD})
    assert balance(house, "nitrogen").why_not is not None, "the other tank knows nothing of this"


def test_hardness_is_used_up_by_the_foods_ammonia(house: House) -> None:
    # 0.092 g ammonia N for each gram of protein (Timmons & Ebeling, from memory), and 7.14 mg CaCO3 for each mg of it
    # (handbooks of waste water; the README of references), 17.848 mg CaCO3/L a dKH.
    assert "was not measured" in balance(house, "hardness").why_not
    house.reading("kh", 4, resolution=0.5)
    assert "Nothing was fed" in balance(house, "hardness").why_not
    house.service.entries.add("handfeed", TANK, {"at": at(3), "mass_g": 28.0})
    found = balance(house, "hardness")
    spent = 1000 * PROTEIN * 0.092 / VOLUME_L * 7.14 / 17.848
    assert found.spent_per_day == pytest.approx(spent, rel=2e-3)
    runs = found.runs_out
    first, last = (datetime.fromisoformat(end).timestamp() * 1000 for end in (runs.from_, runs.to))
    assert (first - NOON_MS) / DAY_MS == pytest.approx(2.75 / spent, rel=2e-3), "from 3.75 dKH down to 1"
    assert (last - NOON_MS) / DAY_MS == pytest.approx(3.25 / spent, rel=2e-3), "from 4.25 dKH down to 1"


def test_hardness_that_inflows_give_back_does_not_run_out(house: House) -> None:
    house.reading("kh", 4)
    house.service.entries.add("handfeed", TANK, {"at": at(3), "mass_g": 1.0})
    for day in (4, 11, 18, 25):
        house.service.entries.add("water-change", TANK, {"at": at(day), "volume_l": 30, "water": "tap"})
    found = balance(house, "hardness")
    assert found.restored_per_day == pytest.approx(4 * 0.5 * 2 / 28), "four times half of the difference of 2 dKH"
    assert found.runs_out is None


# -- probes ------------------------------------------------------------------------------------------------------------


def test_a_probes_days_and_its_distance_from_a_pen(house: House) -> None:
    house.add("probe", id="probe-1", tank=TANK)
    for hour in range(24 * 14):
        moment_s = (NOON_MS - (24 * 14 - hour) * HOUR_MS) / 1000
        pack = [
            {"bn": "probe-1:", "bt": moment_s, "n": "temperature", "u": "Cel", "v": 24 + 0.2 * (-1) ** hour},
            {"n": "conductivity", "u": "S/m", "v": 0.04 + 0.0001 * (-1) ** hour},
        ]
        house.hear(house.message("samples", pack, "probe-1"))
    for day in (9, 6, 3, 1):
        house.reading("temperature", 23.0, at=at(day), resolution=0.1)
    house.service.watch()
    days = half_year(house, "temperature").days
    whole = days[3]
    assert (whole.low, whole.value, whole.high) == pytest.approx((23.8, 24.0, 24.2))
    solids, probe = water(house).probes
    assert [(one.probe, one.metric) for one in (solids, probe)] == [
        ("probe-1", "tds"),
        ("probe-1", "temperature"),
    ]
    assert (solids.offset, solids.ailments) == (None, [])
    offset = present(probe.offset)
    assert offset.low <= 1.0 <= offset.high, "the probe shows 1 degC more by construction"
    assert not offset.share
    assert offset.n == 4
    house.clock.advance(3 * DAY_MS)
    house.service.watch()
    for one in water(house).probes:
        assert "silent" in [ailment.kind for ailment in one.ailments], one.metric


# -- pages -------------------------------------------------------------------------------------------------------------


def test_every_page_follows_the_units_that_are_asked_for(house: House) -> None:
    # 60 L are 15.85 US gallons of 3.785411784 L (NIST Handbook 44); 25 degC are 77 degF.
    house.service.settings.show = Show(volume="US gal", temperature="degF")
    house.reading("temperature", 25)
    house.hear(house.dose(1, temperature_c=20.0))
    house.service.feeding.put_absence(TANK, {"start": "2025-06-16", "end": "2025-06-20", "daily_g": 0.5})
    (dose,) = house.service.ledger.page(TANK, None, None, "dose", None)
    report, ticket = f"/feeders/{FEEDER}/report", f"/tanks/{TANK}/doses/{dose.entry}"
    tanks, sheet = ("/", f"/tanks/{TANK}", f"/tanks/{TANK}/water"), f"/tanks/{TANK}/absence/sheet"
    shown = asyncio.run(pages(house, [*tanks, sheet, report, ticket, "/devices"]))
    for path in tanks:
        assert "15.9 US gal" in shown[path], path
    assert "<strong>77</strong> °F" in shown["/"]
    assert "77 °F" in shown[f"/tanks/{TANK}"]
    assert "77 °F" in shown[f"/tanks/{TANK}/water"]
    assert "77.0 °F was measured" in shown[sheet]
    assert "Topped up, US gal" in shown[sheet]
    assert "68.0" in shown[report]
    assert "68.0 °F" in shown[ticket]
    assert [path for path, text in shown.items() if "°C" in text] == []


async def pages(house: House, paths: list[str]) -> dict[str, str]:
    transport = httpx.ASGITransport(make_app(house.service, Hub()))
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8620") as client:
        answers = [await client.get(path) for path in paths]
    assert [answer.status_code for answer in answers] == [200] * len(paths)
    return {path: answer.text for path, answer in zip(paths, answers, strict=True)}
