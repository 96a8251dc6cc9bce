"""Geometry of a load's pictures, against the coordinates that the drawing rules ask for."""

import re
from itertools import pairwise
from typing import Any

import pytest

from tareline.app.answers.load import (
    BandAnswer,
    ForecastAnswer,
    ForecastDay,
    LimitAnswer,
    PastAnswer,
    PastDay,
    PastReading,
    RestAnswer,
    TankLoadAnswer,
)
from tareline.web.svg.load import figures, forecast, road

ZONE = "+00:00"


def load(p5: float | None, p50: float | None, p95: float | None, **other: Any) -> TankLoadAnswer:
    nothing = dict.fromkeys(TankLoadAnswer.model_fields)
    given = {
        "fresh": True,
        "limit_g_per_day": LimitAnswer(found=p95 is not None, p5=p5, p50=p50, p95=p95),
        "nitrate_ceiling_mg_per_l": 40.0,
        "evidence": [],
        "guesses": [],
    }
    return TankLoadAnswer(**{**nothing, **given, **other})


def band(middle: float) -> BandAnswer:
    return BandAnswer(p5=0.5 * middle, p25=0.8 * middle, p50=middle, p75=1.2 * middle, p95=2 * middle)


def ahead(days: int, nitrate: float = 10.0) -> ForecastAnswer:
    rows = [
        ForecastDay(
            date=f"2025-07-{1 + i:02}",
            at=f"2025-07-{1 + i:02}T23:00:00.000{ZONE}",
            daily_g=0.1,
            nitrate_mg_per_l=band(nitrate),
            ammonia_mg_n_per_l=band(0.1),
            nitrite_mg_n_per_l=band(0.1),
            over_ceiling=0.0,
            ammonia_or_nitrite_seen=0.0,
        )
        for i in range(days)
    ]
    return ForecastAnswer(
        as_of=f"2025-07-01T00:00:00.000{ZONE}",
        fresh=True,
        food=None,
        nitrate_ceiling_mg_per_l=40.0,
        days=rows,
        rests_at_nitrate_mg_per_l=RestAnswer(**band(nitrate).model_dump()),
    )


def past(days: int, **readings: Any) -> PastAnswer:
    rows = [
        PastDay(day=day, date="2025-07-01", ration_g=0.1 if day < -7 else 0.2, fed_g=0.1) for day in range(-days, 1)
    ]
    return PastAnswer(begin="2025-07-01", days=rows, now=0.0, readings=readings)


def xs(path: str) -> list[float]:
    return [float(x) for x in re.findall(r"[ML](-?[\d.]+) ", path)]


def test_an_interval_is_drawn_from_end_to_end_and_its_middle_in_it() -> None:
    row = figures(load(0.1, 0.2, 0.4), 0.1, 330, 80).rows[0]
    assert row.open_end is None
    assert row.mark is not None
    left, right = min(xs(row.path)), max(xs(row.path))
    assert left < row.mark < right
    assert (row.mark - left) / (right - left) == pytest.approx((0.2 - 0.1) / (0.4 - 0.1), abs=0.01)


def test_at_least_is_an_arrow_beyond_the_scale_and_unknown_is_no_zero() -> None:
    chart = figures(load(0.1, None, None), 0.05, 330, 80)
    limit, now = chart.rows[0], chart.rows[1]
    assert limit.open_end is not None
    assert max(xs(limit.open_end)) > chart.right
    assert (limit.mark, limit.unknown) == (None, None)
    assert (now.path, now.mark) == ("", None)
    assert now.unknown is not None


def test_all_rows_share_one_scale() -> None:
    chart = figures(load(0.1, 0.2, 0.4, proven_g_per_day=0.2, recommended_g_per_day=0.2), 0.2, 330, 80)
    marks = {row.label: row.mark for row in chart.rows}
    assert marks["limit"] == marks["proven"] == marks["to keep"] == marks["ration"]


def test_a_ration_is_drawn_as_steps_that_end_with_their_day() -> None:
    chart = road(past(28), ahead(28), load(0.1, 0.2, 0.4), 980, 420)
    assert chart.ration.count("V") == 1, "one change of ration, one step"
    assert chart.ration_ahead.startswith(f"M{chart.now} ")
    assert chart.now == pytest.approx((chart.left + chart.right) / 2, abs=1), "as many days behind as ahead"
    assert len(chart.fed) == 4


def test_a_limit_is_a_box_over_the_weeks_ahead_and_open_where_it_is() -> None:
    closed = road(past(28), ahead(28), load(0.1, 0.12, 0.15), 980, 420)
    assert closed.limit is not None
    assert (closed.limit.x, closed.open_end) == (closed.now, None)
    opened = road(past(28), ahead(28), load(0.1, None, None), 980, 420)
    assert opened.limit is not None
    assert opened.limit.y == opened.top
    assert opened.open_end is not None
    assert road(past(28), None, load(None, None, None), 980, 420).limit is None


def test_readings_keep_their_interval_and_an_open_one_its_arrow() -> None:
    seen = [
        PastReading(day=-14.0, date="2025-07-01", value=10.0, low=5.0, high=20.0, detected=True),
        PastReading(day=-7.0, date="2025-07-01", value=40.0, low=20.0, high=None, detected=True),
        PastReading(day=-1.0, date="2025-07-01", value=10.0, low=10.0, high=10.0, detected=True),
    ]
    chart = road(past(28, nitrate_mg_per_l=seen), ahead(28), load(0.1, None, None), 980, 420)
    chart_step, highest, exact = chart.nitrate.points
    assert chart_step.interval
    assert chart_step.open_end is None
    assert highest.open_end is not None
    assert exact.interval == ""
    assert chart_step.y == exact.y


def test_the_inner_band_lies_in_the_outer_and_a_far_ceiling_is_left_out() -> None:
    panel, _, dates = forecast(ahead(28), "nitrate_mg_per_l")
    assert panel.band is not None
    assert panel.line is not None

    def reach(path: str) -> tuple[float, float]:
        ys = [float(y) for y in re.findall(r"[ML]-?[\d.]+ (-?[\d.]+)", path)]
        return min(ys), max(ys)

    outer, inner = reach(panel.band.outer), reach(panel.band.inner)
    assert panel.top <= outer[0] < inner[0] < inner[1] < outer[1] <= panel.base
    assert [tick.label for tick in dates][:2] == ["1 Jul", "8 Jul"]
    assert all(b.at - a.at > 45 for a, b in pairwise(dates)), "no label on another"
    assert forecast(ahead(28, nitrate=1.0), "nitrate_mg_per_l")[0].line is None, "it would flatten the rest"
    assert forecast(ahead(28), "ammonia_mg_n_per_l")[0].line is None
