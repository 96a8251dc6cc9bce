"""What the pages say of the water: trends in the unit that is read, balances, probes, and which alert is told first."""

import pytest

from tareline.app.answers.alerts import AlertAnswer
from tareline.app.answers.balances import HardnessBalance, NetBalance, NitrogenBalance, NoBalance, RunsOut
from tareline.app.answers.water import (
    CanonicalAnswer,
    MeanAnswer,
    OffsetAnswer,
    PlateauAnswer,
    ProbeSeriesAnswer,
    ReachAnswer,
    ReadingAnswer,
    StatedAnswer,
    TrendAnswer,
)
from tareline.core.trends.trend import Direction
from tareline.core.units import Scale
from tareline.settings import Show
from tareline.web.pages.overview import pressing
from tareline.web.text.water import (
    Unit,
    hardness_text,
    nitrogen_text,
    offset_text,
    salt_text,
    summary,
    trend_text,
    unit_for,
)
from tareline.web.text.words import as_shown, series_as_shown

PLAIN = Unit(Scale(), "mg/L", None)


def trend(
    direction: Direction,
    slope: float | None = None,
    low: float | None = None,
    high: float | None = None,
    reaches: ReachAnswer | None = None,
    plateau: PlateauAnswer | None = None,
) -> TrendAnswer:
    return TrendAnswer(
        direction=direction,
        unit="mg/L",
        basis=None,
        slope_per_day=slope,
        slope_low=low,
        slope_high=high,
        since="2026-01-10T12:00:00+01:00",
        n=8,
        alarm=False,
        reaches=reaches,
        plateau=plateau,
        how_sure="Sure enough.",
    )


def stated(basis: str) -> StatedAnswer:
    return StatedAnswer(value=1.0, unit="mg/L", basis=basis, detected=True, low=1.0, high=1.0)


def reading(analyte: str, unit: str, value: float, low: float, high: float | None) -> ReadingAnswer:
    canonical = CanonicalAnswer(value=value, low=low, high=high, unit=unit, basis=None)
    return ReadingAnswer(
        entry=1,
        at="2026-01-01T00:00:00Z",
        analyte=analyte,
        value=value,
        unit=unit,
        basis=None,
        low=low,
        high=high,
        detected=True,
        canonical=canonical,
        kit=None,
        by=None,
        crossed=[],
    )


# -- trends ------------------------------------------------------------------------------------------------------------


def test_a_slope_is_told_a_month_in_the_unit_of_the_newest_reading() -> None:
    # 1 mg/L as N is 4.4266 mg/L as nitrate ion (IUPAC masses).
    readings = [stated("N"), stated("ion")]
    unit = unit_for("nitrate", readings, Show(), 0.64)
    lead, rest = trend_text(
        trend("rising", 0.01, 0.005, 0.02, reaches=ReachAnswer(limit=9.0358, from_="2026-03-01T00:00:00Z", to=None)),
        unit,
    )
    assert lead == (
        "Rising by 1.3 mg/L as ion a month (80 % interval 0.66 to 2.7), since about 10 January 2026."
    )  # 30 x 0.01, 0.005, 0.02 x 4.4266
    assert rest == "If it goes on, it reaches the line at 40 mg/L as ion from 1 March 2026 on. Sure enough."


def test_a_fall_is_told_by_its_size_and_a_level_with_its_sign() -> None:
    assert trend_text(trend("falling", -0.01, -0.02, -0.005), PLAIN)[0].startswith(
        "Falling by 0.3 mg/L a month (80 % interval 0.15 to 0.6)"
    )
    assert trend_text(trend("level", -0.001, -0.01, 0.01), PLAIN)[0].startswith(
        "Level: \N{MINUS SIGN}0.03 mg/L a month (80 % interval \N{MINUS SIGN}0.3 to 0.3)"
    )


def test_a_warming_is_told_in_the_degrees_that_are_asked_for() -> None:
    # A difference of 1 K is one of 1.8 degF.
    unit = unit_for("temperature", [], Show(temperature="degF"), 0.64)
    assert "by 5.4 °F a month" in trend_text(trend("rising", 0.1, 0.05, 0.2), unit)[0]


@pytest.mark.parametrize(
    ("high", "said"), [(320.0, "(80 % interval 290 to 320)"), (None, "(80 % interval at least 290)")]
)
def test_a_plateau_and_its_date_are_told_as_intervals(high: float | None, said: str) -> None:
    level = PlateauAnswer(low=290.0, mid=305.0, high=high, from_="2026-02-02T00:00:00Z", to="2026-03-04T00:00:00Z")
    _, rest = trend_text(trend("levelling off", 0.4, 0.3, 0.5, plateau=level), PLAIN)
    assert rest.startswith(f"It levels off near 305 mg/L {said}, all but 5 % of the way between 2 February 2026 and 4")


def test_what_cannot_be_told_is_not_told() -> None:
    assert trend_text(trend("unknown", None, None, None), PLAIN) == ("No trend can be told.", "Sure enough.")
    assert trend_text(trend("rising", None, None, None), PLAIN)[0] == "Rising, how fast cannot be told."
    assert "interval at least 0.3" in trend_text(trend("rising", 0.02, 0.01, None), PLAIN)[0]


def test_all_trends_in_one_sentence() -> None:
    trends: dict[str, Direction] = {
        "ammonia": "level",
        "nitrite": "unknown",
        "nitrate": "rising",
        "ph": "level",
        "kh": "level",
    }
    assert summary({analyte: trend(direction) for analyte, direction in trends.items()}) == (
        "Nitrate is rising; total ammonia, pH and carbonate hardness are level; too little is known of nitrite to tell "
        "a trend."
    )
    assert summary({"ph": trend("falling")}) == "pH is falling."
    assert summary({}) == "No trend has been worked out yet."


# -- balances and probes -----------------------------------------------------------------------------------------------

NET = NetBalance(
    from_="2026-01-01T00:00:00Z", to="2026-02-01T00:00:00Z", start=100.0, end=90.0, per_day=-0.5, low=-0.8, high=-0.2,
    unit="mg/L", basis=None, changes=1, topups=0,
)  # fmt: skip


def nitrogen(per_day: float, food_per_day: float | None, at_least: bool = False, *unknown: str) -> NitrogenBalance:
    own = {**dict(NET), "per_day": per_day}
    return NitrogenBalance(**own, food_per_day=food_per_day, food_at_least=at_least, food_not_known_of=list(unknown))


def hardness(restored_per_day: float = 0.0, runs_out: RunsOut | None = None) -> HardnessBalance:
    return HardnessBalance(
        measured="2026-01-01T00:00:00Z", value=4.0, unit="dKH", basis=None, spent_per_day=0.05, spent_at_least=False,
        restored_per_day=restored_per_day, runs_out=runs_out,
    )  # fmt: skip


def test_a_tank_that_takes_out_says_how_much() -> None:
    assert salt_text(NET) == (
        "From 1 January 2026 to 1 February 2026 dissolved solids went from 100 to 90 mg/L. Beside what 1 water change "
        "did, the tank itself took out 0.5 mg/L a day (0.2 to 0.8)."
    )
    assert "No water was written down as put in; so the tank" in salt_text(NET.model_copy(update={"changes": 0}))
    assert salt_text(NoBalance(why_not="Because.")) == "Because."


def test_the_share_of_the_foods_nitrogen_is_told_or_why_it_is_not() -> None:
    assert "0.4 mg/L as N a day: about 25 % of it stays as nitrate" in nitrogen_text(nitrogen(0.1, 0.4))
    assert "at least 0.4 mg/L as N a day: at most 25 %" in nitrogen_text(nitrogen(0.1, 0.4, True))
    assert "took out all of it and more" in nitrogen_text(nitrogen(-0.1, 0.4))
    assert "Nothing was fed" in nitrogen_text(nitrogen(0.1, 0.0))
    assert "what is fed by hand" in nitrogen_text(nitrogen(0.1, None, False, "hand"))


def test_hardness_that_runs_out_says_when() -> None:
    assert "From the 4 dKH of 1 January 2026 it does not run out within a year." in hardness_text(hardness())
    runs = RunsOut(from_="2026-02-01T00:00:00Z", to=None)
    assert "down to 1 dKH, where pH may fall, from 1 February 2026 on" in hardness_text(hardness(0.0, runs))
    assert "took another 0.01 dKH" in hardness_text(hardness(-0.01))


def test_an_offset_is_told_in_degrees_or_as_a_share() -> None:
    offset = OffsetAnswer(
        value=-0.5, low=-1.0, high=0.2, share=False, drift_per_30_d=None, drift_low=None, drift_high=None,
        since="2026-01-01T00:00:00Z", at="2026-01-01T00:00:00Z", n=1,
    )  # fmt: skip
    assert offset_text(offset, Show()).startswith(
        "Shows 0.5 °C less than readings by hand (95 % interval \N{MINUS SIGN}0.2 to 1), by 1 reading,"
    )
    assert "0.9 °F less" in offset_text(offset, Show(temperature="degF"))
    # On the natural logarithm: a ratio of 1.1 is 10 % more.
    share = offset.model_copy(update={"value": 0.09531, "low": 0.0, "high": 0.18232, "share": True, "n": 4})
    assert "Shows 10 % more than readings by hand (95 % interval 0 to 20), by 4 readings" in offset_text(share, Show())


# -- shown -------------------------------------------------------------------------------------------------------------


def test_a_temperature_is_shown_in_one_unit_whatever_it_was_stated_in() -> None:
    warm = reading("temperature", "degF", 77.0, 75.2, None)
    shown = as_shown(warm, Show())
    assert (shown.unit, shown.value, shown.low, shown.high) == ("degC", 25.0, 24.0, None)
    assert as_shown(warm, Show(temperature="degF")) == warm
    ph = reading("ph", "1", 7.0, 7.0, 7.0)
    assert as_shown(ph, Show(temperature="degF")) == ph
    sent = MeanAnswer(at="2026-01-01T00:00:00Z", value=20.0, low=15.0, high=25.0)
    probe = ProbeSeriesAnswer(probe="probe", metric="temperature", unit="Cel", points=[sent])
    assert series_as_shown(probe, Show()) == probe
    (point,) = series_as_shown(probe, Show(temperature="degF")).points
    assert (point.at, point.value, point.low, point.high) == (sent.at, 68.0, 59.0, 77.0)


def alert(number: int, tank: str | None, kind: str, state: str = "open", urgent: bool = False) -> AlertAnswer:
    at = "2025-06-15T12:00:00.000+00:00"
    told = {"what": "", "text": "", "told": 0, "seen_by": None, "note": None, "undelivered": None, "since": at}
    times = {"opened": at, "told_at": None, "seen_at": None, "cleared_at": None}
    given = {"id": number, "tank": tank, "kind": kind, "state": state, "urgent": urgent, **told, **times}
    return AlertAnswer.model_validate(given)


def test_the_most_pressing_alert_is_open_then_urgent_then_of_the_water() -> None:
    listed = [alert(9, "sill", "due"), alert(8, "sill", "device", urgent=True), alert(7, "sill", "hold", "seen", True),
              alert(6, "sill", "line"), alert(5, "sill", "hold", "cleared"), alert(4, None, "device"),
              alert(3, "shelf", "line", "seen"), alert(2, "shelf", "due")]  # fmt: skip
    found = pressing(listed)
    assert found.keys() == {"sill", "shelf"}
    assert (found["sill"].count, found["sill"].most.id) == (4, 8)
    assert (found["shelf"].count, found["shelf"].most.id) == (2, 2)
