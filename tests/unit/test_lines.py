"""Lines: what crosses them, what is then done, and what is never done."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.core.safety.lines import (
    AMMONIA_LINES,
    NAMES,
    Circumstances,
    Crossing,
    KnownValue,
    Line,
    crossings,
    default_lines,
    holds_on_ammonia,
    known_water,
    make_line,
    raised,
    reaches,
    sampled_crossing,
    stale,
    with_samples,
)
from tareline.core.units import CANONICAL, bases, from_canonical
from tareline.core.water.freshness import FRESH_DAYS, FRESH_MS
from tareline.core.water.readings import Reading, StatedReading, make_reading
from tareline.errors import FieldError

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
    assert crossed[2].text.endswith("a tank without animals only gets notifications")


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
    reading = make_reading(1, NOW_MS, StatedReading(analyte, low, unit, basis, True, low - 1, high))
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
    assert known["ammonia"] == KnownValue("ammonia", 2.5, NOW_MS + 1, 1, True)


def test_without_a_total_nothing_is_known_of_the_un_ionised() -> None:
    assert set(known_water({"ph": PH_7}, WARM, NOW_MS)) == {"ph"}


# Below detection


def test_below_detection_no_upper_line_is_crossed_however_high_the_detection_limit() -> None:
    unseen = Reading(1, NOW_MS, "ammonia", 5.0, detected=False)
    assert found(unseen, Reading(2, NOW_MS, "ph", 8.9), lines=default_lines(40.0)) == []


def test_below_detection_a_lower_line_is_crossed_where_all_that_it_may_be_lies_beyond_it() -> None:
    line = make_line("kh", None, 1.0, "dKH", None, "notify", None)
    assert done(Reading(1, NOW_MS, "kh", 1.0, detected=False), lines=(line,)) == [("kh", "notify")]
    assert done(Reading(1, NOW_MS, "kh", 1.5, detected=False), lines=(line,)) == []


# The other defaults


def test_beside_ammonia_the_defaults_only_notify() -> None:
    lines = default_lines(40.0)
    assert lines[: len(AMMONIA_LINES)] == AMMONIA_LINES
    others = lines[len(AMMONIA_LINES) :]
    assert {line.do for line in others} == {"notify"}
    sides = {(line.analyte, line.above) for line in others}
    assert {("nitrite", True), ("nitrate", True), ("ph", False), ("ph", True)} <= sides
    assert {("temperature", False), ("temperature", True), ("kh", False)} <= sides


def test_nitrate_notifies_at_the_tanks_own_ceiling() -> None:
    """As ion, 4.4266 times as much as nitrogen (IUPAC masses)."""
    for ceiling in (20.0, 40.0):
        below, at = Reading(1, NOW_MS, "nitrate", ceiling / 4.43), Reading(1, NOW_MS, "nitrate", ceiling / 4.42)
        assert done(below, lines=default_lines(ceiling)) == []
        assert done(at, lines=default_lines(ceiling)) == [("nitrate", "notify")]


@pytest.mark.parametrize(
    ("analyte", "value", "crossed"),
    [
        *[("ph", 6.5, 1), ("ph", 6.6, 0), ("ph", 8.9, 0), ("ph", 9.0, 1)],
        *[("temperature", 17.9, 1), ("temperature", 24.0, 0), ("temperature", 30.0, 1)],
        *[("nitrite", 0.29, 0), ("nitrite", 0.3, 1), ("kh", 1.0, 1), ("kh", 1.1, 0)],
    ],
)
def test_the_other_defaults(analyte: str, value: float, crossed: int) -> None:
    assert len(found(Reading(1, NOW_MS, analyte, value), lines=default_lines(40.0))) == crossed


# While nobody is there


def test_in_an_absence_too_much_ammonia_or_nitrite_does_one_step_more() -> None:
    lines = default_lines(40.0)
    stricter = raised(lines)
    assert [line.limit for line in stricter] == [line.limit for line in lines]
    for before, after in zip(lines, stricter, strict=True):
        toxic = before.analyte in ("ammonia", "free_ammonia", "nitrite")
        step = {"notify": ("reduce", 0.5), "reduce": ("hold", None), "hold": ("hold", None)}[before.do]
        assert (after.do, after.reduce_to) == (step if toxic else (before.do, before.reduce_to))
    assert done(ammonia(1.0), PH_7, lines=stricter) == [("ammonia", "reduce"), ("ammonia", "hold")]


def test_too_little_is_no_poison() -> None:
    line = make_line("ammonia", None, 0.1, "mg/L", "N", "notify", None)
    assert raised([line]) == (line,)


# What explains a crossing


def explained(**context: Any) -> list[str]:
    known = known_water({"ammonia": ammonia(1.2), "ph": PH_7}, WARM, NOW_MS)
    return [c.text for c in crossings(AMMONIA_LINES, known, "stocked", Circumstances(**context))]


def test_in_a_young_tank_more_ammonia_is_to_be_expected_and_the_line_stays() -> None:
    """Undetectable by about the fourth month: common practice, no source."""
    plain, young = explained(), explained(age_days=30.4)
    assert len(plain) == len(young) == 2
    assert all("the tank is 30 days old" in text and "the line still applies" in text for text in young)
    assert explained(age_days=121.0) == plain
    assert found(ammonia(1.2), PH_7)[1].do == "reduce"


@pytest.mark.parametrize(("hours", "named"), [(0, True), (47, True), (48, True), (49, False), (-1, False)])
def test_within_two_days_of_water_with_chloramine_that_is_the_likely_cause(hours: int, named: bool) -> None:
    texts = explained(chloramine_ms=NOW_MS - hours * 3_600_000)
    assert all((f"chloramine was added {hours} h before" in text) is named for text in texts)


def test_nothing_but_ammonia_is_explained_by_them() -> None:
    known = known_water({"nitrite": Reading(1, NOW_MS, "nitrite", 2.0)}, None, NOW_MS)
    (one,) = crossings(default_lines(40.0), known, "stocked", Circumstances(3.0, NOW_MS))
    assert one.text == "nitrite counts as 2 mg/L as N, at or above the line at 0.3"


# Readings grow old


@pytest.mark.parametrize("analyte", CANONICAL)
def test_a_reading_says_its_age_once_it_says_little_else(analyte: str) -> None:
    fresh_ms = FRESH_DAYS[analyte] * 86_400_000
    assert stale(analyte, NOW_MS - fresh_ms, NOW_MS) is None
    text = stale(analyte, NOW_MS - fresh_ms - 1, NOW_MS)
    assert text is not None
    assert text.startswith(f"{NAMES[analyte]} was measured {FRESH_DAYS[analyte]} days ago")
    assert FRESH_DAYS["ph"] == 14  # contract


# Probes


def test_a_newer_sample_stands_before_a_reading_and_an_older_one_does_not() -> None:
    known = known_water({"temperature": Reading(4, NOW_MS, "temperature", 31.0)}, None, NOW_MS)
    newer = with_samples(known, {"temperature": (25.0, NOW_MS + 1), "tds": (210.0, NOW_MS)})
    assert (newer["temperature"].counted, newer["temperature"].entry, newer["tds"].counted) == (25.0, 0, 210.0)
    assert with_samples(known, {"temperature": (25.0, NOW_MS)}) == known


# A keeper's own lines


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        (("ammonia", None, None, "mg/L", "N", "hold", None), "above"),
        (("ammonia", 1.0, 0.5, "mg/L", "N", "hold", None), "above"),
        (("ammonia", 1.0, None, "mg/L", None, "hold", None), "basis"),
        (("ammonia", 1.0, None, "g/L", "N", "hold", None), "unit"),
        (("tds", 300.0, None, "uS/cm", None, "notify", None), "unit"),  # the tank's factor would move it
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


def test_a_line_in_other_units_says_so_in_its_text() -> None:
    line = make_line("temperature", 86.0, None, "degF", None, "notify", None)
    (crossed,) = found(Reading(1, NOW_MS, "temperature", 31.0), lines=(line,))
    assert crossed.text == "temperature counts as 87.8 degF, at or above the line at 86"


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


# Samples


HOUR_MS = 3_600_000
HOT = Line("temperature", True, 30.0, "degC", None, "hold")
SOUR = Line("ph", False, 6.5, "1", None, "notify")


@pytest.mark.parametrize(
    ("line", "value", "hours", "proven", "stage", "do", "text"),
    [
        (HOT, 31.0, 5, True, "stocked", "hold", "temperature by sill is 31 degC, at or above the line at 30 for 5 h"),
        (
            HOT, 29.9, 5, True, "stocked", "hold",
            "temperature by sill is 29.9 degC, still close to the line at 30, after having crossed it for 5 h",
        ),
        (
            HOT, 31.0, 1, False, "stocked", "notify",
            "temperature by sill is 31 degC, at or above the line at 30 for 1 h; this probe has not been confirmed by "
            "a reading or by a day of steady values, so it only notifies",
        ),
        (
            HOT, 31.0, 1, True, "empty", "notify",
            "temperature by sill is 31 degC, at or above the line at 30 for 1 h; a tank without animals only gets "
            "notifications",
        ),
        (SOUR, 6.2, 0, False, "empty", "notify",
         "pH by sill is 6.2, at or below the line at 6.5 for less than an hour"),
    ],
)  # fmt: skip
def test_a_line_that_samples_cross_does_and_says_what_it_may(
    line: Line, value: float, hours: int, proven: bool, stage: str, do: str, text: str
) -> None:
    known = KnownValue(line.analyte, value, NOW_MS - hours * HOUR_MS, 0, True)
    assert sampled_crossing(line, known, "sill", proven, stage, NOW_MS) == Crossing(line, known, do, text)  # type: ignore[arg-type]


def test_a_newer_sample_stands_for_the_value_and_may_cross_a_line() -> None:
    known = with_samples({}, {"temperature": (24.0, NOW_MS)})
    assert known == {"temperature": KnownValue("temperature", 24.0, NOW_MS, 0, True)}


# Boundaries


@pytest.mark.parametrize("above", [True, False])
def test_a_value_on_a_limit_of_nothing_reaches_it(above: bool) -> None:
    assert reaches(0.0, 0.0, above)


@pytest.mark.parametrize(
    ("age_days", "young"), [(-1.0, False), (0.0, True), (0.5, True), (119.5, True), (120.0, False)]
)
def test_until_its_fourth_month_a_tank_is_young(age_days: float, young: bool) -> None:
    known = known_water({"ammonia": ammonia(3.0)}, WARM, NOW_MS)
    (text,) = {one.text for one in crossings(AMMONIA_LINES[2:3], known, "stocked", Circumstances(age_days))}
    assert ("days old" in text) is young


def test_water_is_cold_at_18_degrees() -> None:
    """A heater that failed: common practice, no source."""
    cold = [line for line in default_lines(40.0) if line.analyte == "temperature" and not line.above]
    assert [line.crossed_by(value) for line in cold for value in (18.0, 18.1)] == [True, False]
