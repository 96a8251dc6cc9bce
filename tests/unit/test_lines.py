"""Lines: what crosses them, what is then done, and what is never done."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.errors import FieldError
from tareline.guard.lines import (
    AMMONIA_LINES,
    Crossing,
    Known,
    Line,
    crossings,
    holds_on_ammonia,
    known_water,
    make_line,
    reaches,
)
from tareline.units import CANONICAL, bases, from_canonical
from tareline.water.chemistry import FRESH_MS
from tareline.water.readings import Reading, Stated, make_reading

NOW_MS = 1_780_000_000_000
WARM = Reading(3, NOW_MS, "temperature", 25.0)
PH_7 = Reading(2, NOW_MS, "ph", 7.0)


def found(
    *readings: Reading,
    stage: str = "stocked",
    temperature: Reading | None = WARM,
    lines: tuple[Line, ...] = AMMONIA_LINES,
) -> list[Crossing]:
    return crossings(lines, known_water({r.analyte: r for r in readings}, temperature, NOW_MS), stage)


def done(*readings: Reading, **place: Any) -> list[tuple[str, str]]:
    return [(crossing.line.analyte, crossing.do) for crossing in found(*readings, **place)]


def ammonia(value: float, at_ms: int = NOW_MS) -> Reading:
    return Reading(1, at_ms, "ammonia", value)


# The defaults


def test_the_defaults_step_by_step() -> None:
    """At pH 7.0 and 25 degC 0.57 % is un-ionised, so that total ammonia's own lines are seen alone."""
    assert done(ammonia(0.49), PH_7) == []
    assert done(ammonia(0.5), PH_7) == [("ammonia", "notify")]
    assert done(ammonia(1.0), PH_7) == [("ammonia", "notify"), ("ammonia", "reduce")]
    assert done(ammonia(2.0), PH_7) == [("ammonia", "notify"), ("ammonia", "reduce"), ("ammonia", "hold")]
    assert found(ammonia(1.0), PH_7)[1].line.reduce_to == 0.5


def test_un_ionised_ammonia_holds_long_before_the_total_does_where_ph_is_high() -> None:
    at_9 = Reading(2, NOW_MS, "ph", 9.0)  # 36 % un-ionised at 25 degC
    assert done(ammonia(0.05), at_9) == []
    assert done(ammonia(0.06), at_9) == [("free_ammonia", "notify")]
    assert done(ammonia(0.15), at_9) == [("free_ammonia", "notify"), ("free_ammonia", "hold")]


def test_what_rests_on_an_assumption_notifies_and_never_holds() -> None:
    """1.5 mg/L at the assumed pH 8.0 is 0.08 mg/L un-ionised, beyond the line at 0.05."""
    assumed = done(ammonia(1.5))
    assert ("free_ammonia", "notify") in assumed
    assert ("free_ammonia", "hold") not in assumed
    assert ("ammonia", "reduce") in assumed  # the total itself is not assumed
    old = Reading(2, NOW_MS - FRESH_MS - 1, "ph", 9.0)
    assert ("free_ammonia", "hold") not in done(ammonia(1.5), old)
    assert ("free_ammonia", "hold") not in done(ammonia(1.5), Reading(2, NOW_MS, "ph", 9.0), temperature=None)
    assert ("free_ammonia", "hold") in done(ammonia(1.5), Reading(2, NOW_MS - FRESH_MS, "ph", 9.0))


def test_an_assumption_is_said_with_whatever_is_done() -> None:
    texts = {crossing.line.do: crossing.text for crossing in found(ammonia(1.5)) if crossing.known.assumed}
    assert texts["notify"].endswith("pH assumed")
    assert texts["hold"].endswith("pH assumed, so it only notifies")
    both = [c.text for c in found(ammonia(1.5), temperature=None) if c.known.assumed]
    assert both[0].endswith("pH and temperature assumed")
    assert not any("assumed" in c.text for c in found(ammonia(2.5), PH_7))


@pytest.mark.parametrize("stage", ["no animals", "empty"])
def test_a_tank_without_animals_is_only_notified_of_every_line(stage: str) -> None:
    crossed = found(ammonia(2.5), PH_7, stage=stage)
    assert [c.do for c in crossed] == ["notify"] * 3
    assert [c.line.do for c in crossed] == ["notify", "reduce", "hold"]
    assert crossed[2].text.endswith("a tank that holds no animals is only notified")


def test_a_crossing_says_what_counts_and_which_line() -> None:
    (crossed,) = found(ammonia(0.75), PH_7)
    assert crossed.text == "total ammonia counts as 0.75 mg/L as N, at or above the line at 0.5"
    below = make_line("ph", None, 6.5, "1", None, "hold", None)
    (crossed,) = found(Reading(2, NOW_MS, "ph", 6.4), lines=(below,))
    assert crossed.text == "pH counts as 6.4, at or below the line at 6.5"


# Charts


def test_a_chart_reading_counts_as_the_midpoint_to_its_upper_neighbour() -> None:
    assert ("ammonia", "hold") in done(Reading(1, NOW_MS, "ammonia", 1.0, True, 0.5, 3.0), PH_7)
    assert ("ammonia", "hold") not in done(Reading(1, NOW_MS, "ammonia", 1.0, True, 0.5, 2.9), PH_7)
    assert ("ammonia", "hold") in done(Reading(1, NOW_MS, "ammonia", 2.0, True, 1.0, None), PH_7)


def test_a_charts_lowest_step_never_crosses_a_line_of_any_kind() -> None:
    lowest = Reading(1, NOW_MS, "ammonia", 0.0, True, None, 8.0)
    assert found(lowest, Reading(2, NOW_MS, "ph", 9.0)) == []
    below = make_line("kh", None, 3.0, "dKH", None, "notify", None)
    assert found(Reading(1, NOW_MS, "kh", 1.0, True, None, 2.0), lines=(below,)) == []


@given(
    analyte_basis=st.sampled_from([(a, b) for a in CANONICAL for b in bases(a) or (None,)]),
    value=st.integers(0, 400),
    up=st.integers(1, 200),
    above=st.booleans(),
)
def test_a_midpoint_on_the_line_as_stated_crosses_it_on_every_basis(
    analyte_basis: tuple[str, str | None], value: int, up: int, above: bool
) -> None:
    """Steps 1 and 3 as ion lie about a line at 2 as ion: what the conversion to N does to the last digit is no news."""
    analyte, basis = analyte_basis
    unit, scale = CANONICAL[analyte].unit, 20 if analyte != "ph" else 50
    low, high = value / scale, (value + up) / scale
    reading = make_reading(1, NOW_MS, Stated(analyte, low, unit, basis, True, low - 1, high))
    limit = (low + high) / 2
    line = make_line(analyte, limit if above else None, None if above else limit, unit, basis, "hold", None)
    assert line.crossed_by(reading.counted)


@given(st.floats(0.001, 1000), st.floats(1e-6, 1), st.booleans())
def test_a_limit_is_reached_from_its_own_side_only(limit: float, part: float, above: bool) -> None:
    beyond, short = limit * (1 + part), limit * (1 - part)
    assert reaches(limit, limit, above)
    assert reaches(beyond, limit, above) is above
    assert reaches(short, limit, above) is not above


# Which water is known


def test_a_measurement_of_free_ammonia_stands_before_a_total_no_newer_and_a_newer_total_before_it() -> None:
    measured = Reading(5, NOW_MS, "free_ammonia", 0.001)
    known = known_water({"ammonia": ammonia(2.5, NOW_MS), "free_ammonia": measured, "ph": PH_7}, WARM, NOW_MS)
    assert known["free_ammonia"].entry == 5
    newer = ammonia(2.5, NOW_MS + 1)
    known = known_water({"ammonia": newer, "free_ammonia": measured, "ph": PH_7}, WARM, NOW_MS + 1)
    assert (known["free_ammonia"].entry, known["free_ammonia"].at_ms) == (1, NOW_MS + 1)
    assert known["ammonia"] == Known("ammonia", 2.5, NOW_MS + 1, 1, True)


def test_without_a_total_nothing_is_known_of_the_un_ionised() -> None:
    assert set(known_water({"ph": PH_7}, WARM, NOW_MS)) == {"ph"}


# A keeper's own lines


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        (("ammonia", None, None, "mg/L", "N", "hold", None), "above"),
        (("ammonia", 1.0, 0.5, "mg/L", "N", "hold", None), "above"),
        (("ammonia", 1.0, None, "mg/L", None, "hold", None), "basis"),
        (("ammonia", 1.0, None, "g/L", "N", "hold", None), "unit"),
        (("iron", 1.0, None, "mg/L", None, "hold", None), "analyte"),
        (("ammonia", 1.0, None, "mg/L", "N", "reduce", None), "reduce_to"),
        (("ammonia", 1.0, None, "mg/L", "N", "reduce", 1.0), "reduce_to"),
        (("ammonia", 1.0, None, "mg/L", "N", "reduce", -0.1), "reduce_to"),
        (("ammonia", 1.0, None, "mg/L", "N", "hold", 0.5), "reduce_to"),
        (("ammonia", 1001.0, None, "mg/L", "N", "hold", None), "above"),  # out of every water's reach
        (("ammonia", -1.0, None, "mg/L", "N", "hold", None), "above"),  # crossed by every water
        (("ph", None, 15.0, "1", None, "hold", None), "below"),
        (("ph", float("nan"), None, "1", None, "hold", None), "above"),
    ],
)
def test_a_line_that_says_nothing_clear_is_refused(arguments: tuple, field: str) -> None:
    with pytest.raises(FieldError) as caught:
        make_line(*arguments)
    assert caught.value.field == field


def test_a_line_keeps_what_was_stated_and_crosses_in_the_canonical_unit() -> None:
    line = make_line("nitrate", 40.0, None, "mg/L", "ion", "reduce", 0.0)
    assert (line.limit, line.basis, line.reduce_to, line.above) == (40.0, "ion", 0.0, True)
    assert line.canonical == pytest.approx(9.04, abs=0.01)
    assert line.crossed_by(from_canonical("nitrate", 1.0, "N") * 9.1)
    assert not line.crossed_by(8.9)


def test_only_a_line_that_pauses_on_too_much_ammonia_protects() -> None:
    assert holds_on_ammonia(AMMONIA_LINES)
    assert holds_on_ammonia([make_line("free_ammonia", 0.05, None, "mg/L", "N", "hold", None)])
    assert not holds_on_ammonia([])
    assert not holds_on_ammonia([line for line in AMMONIA_LINES if line.do != "hold"])
    assert not holds_on_ammonia([make_line("nitrate", 40.0, None, "mg/L", "ion", "hold", None)])
    assert not holds_on_ammonia([make_line("ammonia", None, 0.1, "mg/L", "N", "hold", None)])


@given(
    st.floats(0, 5),
    st.floats(6, 9.5),
    st.sampled_from(["stocked", "no animals", "empty"]),
    st.booleans(),
    st.booleans(),
)
def test_nothing_but_measured_water_of_a_stocked_tank_does_more_than_notify(
    total: float, ph: float, stage: str, knows_ph: bool, knows_temperature: bool
) -> None:
    readings = [ammonia(total)] + ([Reading(2, NOW_MS, "ph", ph)] if knows_ph else [])
    for crossing in found(*readings, stage=stage, temperature=WARM if knows_temperature else None):
        assert crossing.line.crossed_by(crossing.known.counted)
        sure = crossing.line.analyte == "ammonia" or (knows_ph and knows_temperature)
        assert crossing.do == (crossing.line.do if stage == "stocked" and sure else "notify")
