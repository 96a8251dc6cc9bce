"""The geometry of the pages' pictures: one scale, true time, intervals as intervals, and nothing unknown drawn as zero.

Sources are named beside the checks.
"""

import math
import re
from collections.abc import Sequence
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.app.answers.days import DayAnswer, DoseAnswer, HoldPeriod
from tareline.app.answers.lines import CrossingAnswer
from tareline.app.answers.water import CanonicalAnswer, MeanAnswer, ReadingAnswer
from tareline.core.calendar import day_end_ms, day_start_ms, from_ms
from tareline.core.safety.lines import Action
from tareline.web.svg.geometry import Scale, day_bar, day_top_g, nice_ticks, sparkline, week_chart
from tareline.web.svg.strips import Cell, Limit, reading_strip

ZONE = "Europe/Berlin"


def a_day(on: date, zone: str = ZONE, **fields: Any) -> DayAnswer:
    start, end = day_start_ms(on, zone), day_end_ms(on, zone)
    told = {
        "date": on.isoformat(),
        "start": from_ms(start, zone).isoformat(),
        "end": from_ms(end, zone).isoformat(),
        "budget_g": 0.6,
        "dispensed_g": 0.5,
        "dispensed_sd_g": 0.02,
        "handfed_g": 0.0,
        "handfed_sd_g": 0.0,
        "flags": [],
        "doses": [],
        "handfeeds": [],
        "provisional": False,
        "remaining_g": None,
        "held_s": 0,
        "drift": None,
        **fields,
    }
    return DayAnswer.model_validate(told)


def a_week(monday: date = date(2026, 3, 9), zone: str = ZONE, /, **changed: dict[str, Any]) -> list[DayAnswer]:
    """The days of a week; changed: fields of single days by position, d0 to d6."""
    return [a_day(monday + timedelta(days=i), zone, **changed.get(f"d{i}", {})) for i in range(7)]


def cells() -> list[Cell]:
    return [Cell(day.start, day.end) for day in a_week()]


def chart(days: list[DayAnswer], now_s: float = math.inf, holds: Sequence[HoldPeriod] = ()) -> Any:
    return week_chart(days, holds, now_s, 720, 320)


def grams(drawn: Any, y: float) -> float:
    """The value that a height stands for, read off the chart's own ticks."""
    zero, one = drawn.ticks[0], drawn.ticks[-1]
    return (zero.at - y) / (zero.at - one.at) * float(one.label)


@given(st.floats(1e-6, 1e9))
def test_ticks_reach_the_highest_value_in_few_even_steps(high: float) -> None:
    ticks = nice_ticks(high)
    step = ticks[1]
    assert ticks[0] == 0
    assert ticks[-1] >= high * (1 - 1e-9)
    assert ticks[-1] < high + step * (1 + 1e-6)
    assert 2 <= len(ticks) <= 7
    assert float(f"{step:.0e}"[0]) in (1, 2, 5)


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.floats(0, 1))
def test_a_scale_maps_ends_to_ends_and_between_to_between(low: float, span: float, share: float) -> None:
    scale = Scale(low, low + span, 300, 20)
    assert scale(low) == 300
    assert scale(low + span) == pytest.approx(20, abs=0.02)
    assert 20 - 0.02 <= scale(low + share * span) <= 300


def test_ticks_of_an_axis_have_the_same_decimals() -> None:
    drawn = chart(a_week(d0={"budget_g": 1.2, "dispensed_g": 1.3}))
    assert len({len(tick.label.partition(".")[2]) for tick in drawn.ticks}) == 1


def test_all_days_share_one_scale() -> None:
    drawn = chart(a_week(d0={"dispensed_g": 0.2}, d1={"dispensed_g": 0.4}))
    low, high = drawn.columns[0].bar, drawn.columns[1].bar
    assert low is not None
    assert high is not None
    assert high.height == pytest.approx(2 * low.height, abs=0.02)


def test_a_whisker_spans_two_standard_deviations_to_each_side() -> None:
    # Coverage factor 2: JCGM 100:2008 (GUM), 6.2 and G.6.6.
    drawn = chart(a_week(d2={"dispensed_g": 0.5, "dispensed_sd_g": 0.04}))
    (whisker,) = drawn.columns[2].whiskers
    assert grams(drawn, whisker.low) == pytest.approx(0.42, abs=2e-3)
    assert grams(drawn, whisker.high) == pytest.approx(0.58, abs=2e-3)
    assert f"V{whisker.high}" in whisker.path


def test_a_whisker_never_reaches_below_nothing() -> None:
    drawn = chart(a_week(d2={"dispensed_g": 0.01, "dispensed_sd_g": 0.04}))
    (whisker,) = drawn.columns[2].whiskers
    assert whisker.low == drawn.base


def test_deviations_of_feeder_and_hand_add_in_quadrature() -> None:
    # Independent quantities: JCGM 100:2008 (GUM), 5.1.2; 3, 4 and 5 make the sum easy to see.
    fed = {"dispensed_g": 0.3, "dispensed_sd_g": 0.03, "handfed_g": 0.2, "handfed_sd_g": 0.04}
    drawn = chart(a_week(d3=fed))
    alone, both = drawn.columns[3].whiskers
    assert grams(drawn, alone.high) == pytest.approx(0.36, abs=2e-3)
    assert grams(drawn, both.high) == pytest.approx(0.5 + 2 * 0.05, abs=2e-3)
    assert grams(drawn, both.low) == pytest.approx(0.5 - 2 * 0.05, abs=2e-3)


def test_what_was_fed_by_hand_stands_on_what_was_dispensed() -> None:
    drawn = chart(a_week(d3={"dispensed_g": 0.3, "handfed_g": 0.2, "handfed_sd_g": 0.01}))
    column = drawn.columns[3]
    assert column.bar is not None
    assert column.hand is not None
    assert column.hand.y + column.hand.height == pytest.approx(column.bar.y, abs=0.02)
    assert grams(drawn, column.hand.y) == pytest.approx(0.5, abs=2e-3)


def test_a_day_that_is_not_known_is_a_mark_and_no_bar() -> None:
    drawn = chart(a_week(d4={"dispensed_g": None, "dispensed_sd_g": None, "flags": ["lost doses"]}))
    column = drawn.columns[4]
    assert column.bar is None
    assert column.whiskers == ()
    assert column.open_top is None
    assert column.unknown is not None


def test_a_known_zero_is_a_bar_without_height_and_no_mark() -> None:
    drawn = chart(a_week(d4={"dispensed_g": 0.0, "dispensed_sd_g": 0.0}))
    column = drawn.columns[4]
    assert column.bar is not None
    assert column.bar.height == 0
    assert column.unknown is None


@pytest.mark.parametrize("flag", ["unweighed", "lost doses"])
def test_a_sum_with_something_missing_is_an_open_arrow(flag: str) -> None:
    drawn = chart(a_week(d4={"dispensed_g": 0.6, "flags": [flag]}))
    column = drawn.columns[4]
    assert column.bar is not None
    assert column.open_top is not None
    assert column.unknown is not None
    tip = float(column.open_top.split("L")[1].split()[1])
    assert column.unknown[1] < tip < min(w.high for w in column.whiskers) < column.bar.y
    assert column.unknown[1] > 12, "the mark would be cut off at the picture's upper edge"


def test_a_dose_that_was_not_weighed_is_known_by_its_estimate() -> None:
    unweighed = dose("2026-03-13T08:00:00+01:00", mass_g=None, estimate_g=0.31)
    lost = dose("2026-03-13T18:00:00+01:00", mass_g=None)
    for doses, unknown in (([unweighed], False), ([unweighed, lost], True)):
        column = chart(a_week(d4={"flags": ["unweighed"], "doses": doses})).columns[4]
        assert (column.unknown is not None, column.open_top is not None) == (unknown, unknown)
        assert len(column.whiskers) == 1


def test_a_day_to_come_has_a_budget_and_nothing_else() -> None:
    drawn = chart(a_week(d6={"dispensed_g": 0.0, "dispensed_sd_g": 0.0, "flags": ["future"]}))
    column = drawn.columns[6]
    assert (column.bar, column.hand, column.whiskers, column.unknown) == (None, None, (), None)
    assert drawn.budget_path.endswith(f"H{drawn.right}")


def test_the_budget_is_one_line_of_steps_that_a_day_without_ration_interrupts() -> None:
    steps = chart(a_week(d3={"budget_g": 0.4}, d4={"budget_g": 0.4})).budget_path
    assert steps.count("M") == 1
    assert steps.count("V") == 6
    drawn = chart(a_week(d3={"budget_g": None}))
    assert drawn.budget_path.count("M") == 2
    gap = drawn.columns[3]
    pieces = re.split("(?=M)", drawn.budget_path)[1:]
    assert pieces[0].endswith(f"H{gap.x}")
    assert pieces[1].startswith(f"M{drawn.columns[4].x} ")
    assert chart(a_week(**{f"d{i}": {"budget_g": None} for i in range(7)})).budget_path == ""


@pytest.mark.parametrize(
    ("zone", "on", "hours"),
    [
        # IANA time zone database.
        ("Europe/Berlin", date(2026, 3, 29), 23.0),
        ("Europe/Berlin", date(2026, 10, 25), 25.0),
        ("America/New_York", date(2025, 11, 2), 25.0),
        ("Australia/Lord_Howe", date(2025, 4, 6), 24.5),
        ("Australia/Lord_Howe", date(2025, 10, 5), 23.5),
    ],
)
def test_a_day_is_as_wide_as_it_is_long(zone: str, on: date, hours: float) -> None:
    monday = on - timedelta(days=on.weekday())
    drawn = chart(a_week(monday, zone))
    usual, changed = drawn.columns[0], drawn.columns[on.weekday()]
    assert changed.width / usual.width == pytest.approx(hours / 24, abs=1e-3)
    assert changed.hours == f"{hours:g} h"
    assert usual.hours == ""
    for one, next_one in zip(drawn.columns, drawn.columns[1:], strict=False):
        assert one.x + one.width == pytest.approx(next_one.x, abs=0.02)
    assert drawn.columns[0].x == drawn.left
    assert drawn.columns[6].x + drawn.columns[6].width == pytest.approx(drawn.right, abs=0.02)


def dose(at: str, **fields: Any) -> DoseAnswer:
    unknown = dict.fromkeys(DoseAnswer.model_fields)
    known = {"entry": 1, "at": at, "feeder": "feeder", "mass_g": 0.3, "outcome": "ok", "count": 1}
    return DoseAnswer.model_validate({**unknown, **known, **fields})


def held(start: str, end: str | None, kind: str) -> HoldPeriod:
    return HoldPeriod.model_validate({"from": start, "to": end, "kind": kind, "reduce_to": None, "text": "why"})


def test_the_hour_that_happens_twice_has_two_places() -> None:
    # Europe/Berlin 2026-10-25 02:30 happens at 00:30Z and at 01:30Z: IANA time zone database.
    doses = [dose("2026-10-25T02:30:00+02:00"), dose("2026-10-25T02:30:00+01:00")]
    drawn = chart(a_week(date(2026, 10, 19), d6={"doses": doses}))
    first, second = drawn.marks
    assert (second.x - first.x) / drawn.columns[6].width == pytest.approx(1 / 25, abs=1e-3)


def test_marks_tell_weighed_unmoved_unweighed_and_hand_apart() -> None:
    doses = [
        dose("2026-03-10T08:00:00+01:00"),
        dose("2026-03-10T10:00:00+01:00", outcome="held", mass_g=0.0),
        dose("2026-03-10T12:00:00+01:00", outcome="interrupted", mass_g=None),
    ]
    hand = [{"entry": 2, "at": "2026-03-10T14:00:00+01:00", "mass_g": 0.1, "sd_g": None, "by": None, "food": None}]
    drawn = chart(a_week(d1={"doses": doses, "handfeeds": hand}))
    assert [mark.kind for mark in drawn.marks] == ["weighed", "unmoved", "unweighed", "hand"]
    assert all(mark.from_x == mark.x == mark.to_x for mark in drawn.marks)


def test_a_dose_of_a_device_without_clock_has_its_time_as_an_interval() -> None:
    vague = dose("2026-03-10T12:00:00+01:00", at_low="2026-03-10T06:00:00+01:00", at_high="2026-03-10T18:00:00+01:00")
    drawn = chart(a_week(d1={"doses": [vague]}))
    (mark,) = drawn.marks
    assert (mark.to_x - mark.from_x) / drawn.columns[1].width == pytest.approx(0.5, abs=1e-3)
    assert mark.from_x < mark.x < mark.to_x


def test_holds_are_clipped_to_the_week_and_last_until_now() -> None:
    week = a_week()
    holds = [
        held("2026-03-01T00:00:00+01:00", "2026-03-10T00:00:00+01:00", "hold"),
        held("2026-03-12T12:00:00+01:00", None, "reduce"),
        held("2026-04-01T00:00:00+02:00", None, "hold"),
    ]
    now_s = from_ms(day_start_ms(date(2026, 3, 14), ZONE), ZONE).timestamp()
    before, lasting = chart(week, now_s, holds).bands
    columns = chart(week, now_s, holds).columns
    assert (before.x, before.open, before.kind) == (columns[0].x, False, "hold")
    assert before.x + before.width == pytest.approx(columns[1].x, abs=0.02)
    assert lasting.x == pytest.approx(columns[3].middle, abs=0.02)
    assert lasting.x + lasting.width == pytest.approx(columns[5].x, abs=0.02)
    assert (lasting.open, lasting.kind) == (True, "reduce")


def test_labels_of_holds_that_begin_together_lie_in_rows() -> None:
    noon, before = "2026-03-12T12:00:00+01:00", "2026-03-09T08:00:00+01:00"
    at = [(noon, "reduce"), (noon, "hold"), (before, "hold")]
    holds = [held(start, None, kind) for start, kind in at]
    assert [band.row for band in chart(a_week(), holds=holds).bands] == [0, 0, 1]


def test_a_hold_of_a_moment_is_still_seen() -> None:
    moment = held("2026-03-11T08:00:00+01:00", "2026-03-11T08:00:30+01:00", "hold")
    (band,) = chart(a_week(), holds=[moment]).bands
    assert band.width >= 2


def test_a_days_bar_keeps_the_scale_it_is_given() -> None:
    small = day_bar(a_day(date(2026, 3, 10), dispensed_g=0.5), 1.0)
    same = day_bar(a_day(date(2026, 3, 10), dispensed_g=0.5), 2.0)
    assert small.bar is not None
    assert same.bar is not None
    assert small.bar.width == pytest.approx(2 * same.bar.width, abs=0.05)
    assert small.budget_x is not None
    assert small.budget_x > small.bar.width
    lost = day_bar(a_day(date(2026, 3, 10), dispensed_g=None, dispensed_sd_g=None), 1.0)
    assert lost.bar is None
    assert lost.unknown is not None
    assert day_bar(a_day(date(2026, 3, 10), budget_g=None), 1.0).budget_x is None


def test_the_top_of_a_day_has_room_for_its_interval() -> None:
    day = a_day(date(2026, 3, 10), budget_g=0.1, dispensed_g=0.5, dispensed_sd_g=0.05)
    assert day_top_g(day) == pytest.approx(0.6)


def a_reading(value: float, low: float, high: float | None, *does: Action, detected: bool = True) -> ReadingAnswer:
    line = {"analyte": "nitrate", "above": 1.0, "below": None, "unit": "mg/L", "basis": "N", "reduce_to": None}
    crossed = [CrossingAnswer.model_validate({**line, "do": do, "text": "crossed"}) for do in does]
    canonical = CanonicalAnswer(value=value, low=low, high=high, unit="mg/L", basis="N")
    return ReadingAnswer(
        entry=1, at="2026-03-10T09:00:00+01:00", analyte="nitrate", value=value, unit="mg/L", basis="N", low=low,
        high=high, detected=detected, canonical=canonical, kit=None, by=None, crossed=crossed,
    )  # fmt: skip


def test_a_chart_reading_is_drawn_as_its_interval() -> None:
    days = cells()
    strip = reading_strip([a_reading(0.5, 0.25, 1.0)], days)
    (mark,) = strip.marks
    ys = [float(y) for y in re.findall(r"V(\S+?)M", mark.interval)]
    scale = Scale(float(strip.ticks[0].label), float(strip.ticks[-1].label), strip.base, strip.top)
    assert ys == [pytest.approx(scale(1.0), abs=0.02)]
    assert f"M{mark.x} {scale(0.25)}" in mark.interval
    assert mark.open_end is None
    assert mark.y == pytest.approx(scale(0.5), abs=0.02)


def test_a_reading_with_no_upper_end_is_an_arrow_beyond_the_scale() -> None:
    (mark,) = reading_strip([a_reading(4.0, 2.0, None)], cells()).marks
    assert mark.open_end is not None
    tip = float(mark.open_end.split("L")[1].split()[1])
    assert tip < mark.y
    assert mark.interval.endswith(f"V{tip:g}"), "the stem runs from the lower end to the arrow"


def test_a_value_without_an_interval_is_a_point() -> None:
    (mark,) = reading_strip([a_reading(7.2, 7.2, 7.2)], cells()).marks
    assert (mark.interval, mark.open_end) == ("", None)


def test_the_strongest_of_the_crossed_lines_colours_a_reading() -> None:
    (mark,) = reading_strip([a_reading(4.0, 2.0, 8.0, "notify", "hold", "reduce")], cells()).marks
    assert mark.does == "hold"


def test_a_line_far_above_does_not_flatten_the_readings() -> None:
    days = cells()
    strip = reading_strip(
        [a_reading(0.25, 0.0, 0.5)], days, [Limit(0.5, "notifies", "notify"), Limit(50.0, "holds", "hold")]
    )
    assert [line.label for line in strip.lines] == ["0.5 notifies"]


def test_a_concentration_begins_at_nothing_and_ph_close_to_its_values() -> None:
    days = cells()
    nitrate = reading_strip([a_reading(12.5, 12.5, 12.5)], days)
    ph = reading_strip([a_reading(7.1, 7.1, 7.1), a_reading(7.4, 7.4, 7.4)], days, from_zero=False)
    assert float(nitrate.ticks[0].label) == 0
    assert 6 < float(ph.ticks[0].label) < 7.1
    assert 7.4 < float(ph.ticks[1].label) < 8.5
    assert all(ph.top < mark.y < ph.base for mark in ph.marks)


def test_a_detection_limit_is_an_interval_from_nothing_with_a_mark_of_its_own() -> None:
    strip = reading_strip([a_reading(0.05, 0.0, 0.05, detected=False)], cells())
    (mark,) = strip.marks
    assert not mark.detected
    assert mark.interval.startswith(f"M{mark.x - 4:g} {strip.base}H")
    assert mark.interval.endswith(f"M{mark.x - 4:g} {mark.y}H{mark.x + 4:g}")


def months() -> list[Cell]:
    days = cells()
    return [Cell(days[0].start, days[6].end, "Mar")]


def test_a_tall_strip_shows_the_next_line_and_names_what_lies_above() -> None:
    limits = [Limit(0.5, "notifies", "notify"), Limit(2.0, "holds", "hold"), Limit(1.9, "criterion", "guide")]
    strip = reading_strip([a_reading(0.1, 0.0, 0.1)], months(), limits, tall=True)
    assert [line.label for line in strip.lines] == ["0.5 notifies"]
    assert strip.above == ("\N{UPWARDS ARROW} 2 holds", "\N{UPWARDS ARROW} 1.9 criterion")
    assert strip.top > reading_strip([a_reading(3.0, 2.0, 3.0)], months(), limits, tall=True).top
    assert reading_strip([a_reading(0.1, 0.0, 0.1)], cells(), limits).above == ()


def test_labels_of_lines_close_together_do_not_lie_on_each_other() -> None:
    limits = [Limit(1 + i / 100, "notifies", "guide" if i % 2 else "notify") for i in range(6)]
    lines = reading_strip([a_reading(1.0, 1.0, 1.0)], months(), limits, tall=True).lines
    for side in (False, True):
        heights = sorted(line.label_y for line in lines if line.at_end is side)
        assert len(heights) >= 2
        assert all(b - a >= 11.9 for a, b in pairwise(heights))


def test_daily_means_are_a_line_in_a_band_and_break_where_days_are_missing() -> None:
    days = [MeanAnswer(at=f"2026-03-{d:02}T00:00:00+01:00", value=24.0, low=23.0, high=25.0) for d in (9, 10, 14, 15)]
    strip = reading_strip([], months(), (), False, days, tall=True)
    assert len(strip.traces) == len(strip.bands) == 2
    scale = Scale(float(strip.ticks[0].label), float(strip.ticks[-1].label), strip.base, strip.top)
    assert strip.traces[0].startswith("M")
    assert float(strip.traces[0].split("L")[0].split()[1]) == pytest.approx(scale(24.0), abs=0.02)
    ys = {float(y) for y in re.findall(r" ([\d.]+)", strip.bands[0])}
    assert sorted(ys) == pytest.approx([scale(25.0), scale(23.0)], abs=0.02)


def samples(*values: float) -> list[MeanAnswer]:
    return [MeanAnswer(at=f"2026-03-10T{i:02}:00:00+01:00", value=v, low=v, high=v) for i, v in enumerate(values)]


def test_a_sparkline_breaks_where_nothing_came() -> None:
    start, end = "2026-03-09T00:00:00+01:00", "2026-03-16T00:00:00+01:00"
    whole = sparkline(samples(1, 2, 3, 4), start, end)
    silent = samples(1, 2, 3, 4, 5, 6, 7, 8)
    del silent[3:7]
    assert len(whole.lines) == 1
    assert len(sparkline(silent, start, end).lines) == 2
    assert sparkline([], start, end).last is None


def test_a_sparkline_of_one_value_stays_inside_its_picture() -> None:
    spark = sparkline(samples(0.0, 0.0), "2026-03-09T00:00:00+01:00", "2026-03-16T00:00:00+01:00")
    assert spark.last is not None
    assert 0 < spark.last[1] < spark.height
