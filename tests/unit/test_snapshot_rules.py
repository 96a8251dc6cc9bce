"""What is decided of a tank's snapshot, without a store: what is carried over, how holds go on, stops, known water."""

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from tareline.core.calendar import day_start_ms
from tareline.core.feeding.absence import Absence, rations_from
from tareline.core.feeding.books import Feedings, Span, carried_over_g, fed_today, sized
from tareline.core.feeding.doses import LARGEST_MEAL_G, Dose, HandFeed
from tareline.core.feeding.ration import Meal, Ration
from tareline.core.safety.hold import Reason, Release, fold
from tareline.core.safety.known_water import SampledLine, SampleSummary, check_lines, known_now, newest_temperature
from tareline.core.safety.lines import Circumstances, KnownValue, Line
from tareline.core.safety.stops import IssuedHold, Stop
from tareline.core.water.readings import Reading

ZONE = "Europe/Berlin"
BEFORE, TODAY = date(2025, 6, 14), date(2025, 6, 15)
BEFORE_MS, TODAY_MS = day_start_ms(BEFORE, ZONE), day_start_ms(TODAY, ZONE)
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
MEALS = (Meal("08:00", 0.75, "one", "08:00"), Meal("18:00", 0.25, "two", "18:00"))
RATION = Ration(1.0, 1.5, MEALS, BEFORE_MS - 10 * DAY_MS, carry_over=0.5)
FED = Feedings(
    (Dose(1, BEFORE_MS + 8 * HOUR_MS, "one", "ok", 0.25, 250), Dose(4, TODAY_MS + HOUR_MS, "two", "ok", 0.25, 250)),
    (HandFeed(2, BEFORE_MS + 9 * HOUR_MS, 0.125), HandFeed(5, TODAY_MS + 2 * HOUR_MS, 0.0625)),
    ((BEFORE_MS + 10 * HOUR_MS, "two", 0.0625), (TODAY_MS + 3 * HOUR_MS, "one", 0.03125)),
)
HOLD = Reason(7, BEFORE_MS, "person", "hold", "a look at the fish")
REDUCTION = Reason(8, BEFORE_MS + HOUR_MS, "line", "reduce", "ammonia", 0.5, "ammonia", True, 1.0)


# -- carried over ------------------------------------------------------------------------------------------------------


def test_half_of_what_remained_of_the_day_before_is_carried_over() -> None:
    remained_g = 1.0 - 0.25 - 0.125 - 0.0625
    assert carried_over_g(TODAY, ZONE, [RATION], [], FED, []) == pytest.approx(remained_g / 2)


def test_no_more_is_carried_over_than_the_cap_allows() -> None:
    assert carried_over_g(TODAY, ZONE, [replace(RATION, cap_g=1.1)], [], FED, []) == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("held", "carries"),
    [
        (Span(BEFORE_MS - HOUR_MS, BEFORE_MS), True),  # over as the day began
        (Span(BEFORE_MS - HOUR_MS, BEFORE_MS + 1), False),
        (Span(TODAY_MS - 1, None), False),
        (Span(TODAY_MS, None), True),
    ],
)
def test_nothing_is_carried_over_from_a_day_with_a_hold(held: Span, carries: bool) -> None:
    assert (carried_over_g(TODAY, ZONE, [RATION], [], FED, [held]) > 0) is carries


def test_nothing_is_carried_into_the_first_day_with_a_ration_or_into_an_absence() -> None:
    first = replace(RATION, decided_ms=TODAY_MS)
    absence = Absence(TODAY, TODAY, 0.5, None, 9, BEFORE_MS - DAY_MS)
    assert carried_over_g(TODAY, ZONE, [first], [], FED, []) == 0
    assert carried_over_g(TODAY, ZONE, [RATION], [absence], FED, []) == 0


def test_a_plan_takes_off_what_went_in_today_and_tells_what_others_gave() -> None:
    today = fed_today("one", None, FED.within(TODAY_MS, TODAY_MS + DAY_MS), 0.5, 0.2)
    assert (today.counted_g, today.others_g, today.carried_g) == (0.25 + 0.0625 + 0.03125, 0.25 + 0.0625, 0.2)


def test_a_dose_of_which_nothing_is_known_is_the_largest_meal_of_its_day_at_most() -> None:
    lost = Dose(3, TODAY_MS + HOUR_MS, "one", "unknown")
    later = replace(RATION, daily_g=4.0, cap_g=4.0, decided_ms=TODAY_MS + 2 * DAY_MS)
    (known,), (unknown,) = sized([lost], ZONE, [RATION, later], []), sized([lost], ZONE, [later], [])
    assert (known.largest_g, unknown.largest_g) == (0.75, LARGEST_MEAL_G)


def test_of_earlier_rations_and_absences_only_what_still_matters_is_left() -> None:
    older = replace(RATION, daily_g=0.2, decided_ms=BEFORE_MS - 20 * DAY_MS)
    past = Absence(date(2025, 6, 5), date(2025, 6, 6), 0.1, None, 3, BEFORE_MS - 19 * DAY_MS)
    assert rations_from([older, RATION], [past], ZONE, TODAY_MS) == [RATION]


# -- holds -------------------------------------------------------------------------------------------------------------


def test_a_state_that_goes_on_is_the_state_that_the_ledger_tells() -> None:
    at_ms = TODAY_MS + HOUR_MS
    state = fold([HOLD], []).with_reason(REDUCTION)
    assert state == fold([HOLD, REDUCTION], [])
    assert state.released([7], at_ms) == fold([HOLD, REDUCTION], [Release(9, at_ms, (7,))])
    both = state.released([7], at_ms).released([7, 8], at_ms + 1)
    assert both == fold([HOLD, REDUCTION], [Release(9, at_ms, (7,)), Release(10, at_ms + 1, (7, 8))])
    assert (both.held, both.reduce_to, both.since_ms) == (False, 1.0, None)


@pytest.mark.parametrize(
    ("told", "confirmed_version", "waits", "goes_on"),
    [
        (None, -1, True, False),
        (IssuedHold(5, True, True), 5, True, False),  # a hold that went out before the stop
        (IssuedHold(5, False, True), 5, True, False),
        (IssuedHold(6, True, False), 5, True, False),
        (IssuedHold(6, True, True), 6, False, False),
        (IssuedHold(7, True, False), 6, False, False),  # it has seen an earlier hold since its stop
        (IssuedHold(7, False, False), 6, False, False),
        (IssuedHold(7, False, True), 7, False, True),
    ],
)
def test_a_stop_lasts_until_a_release_after_it_is_confirmed(
    told: IssuedHold | None, confirmed_version: int, waits: bool, goes_on: bool
) -> None:
    stop = Stop(1, TODAY_MS, "stopped_over", hold_version=5)
    assert (stop.awaits_hold(told, confirmed_version), stop.goes_on(told)) == (waits, goes_on)


# -- water -------------------------------------------------------------------------------------------------------------

WARM = Line("temperature", True, 30.0, "degC", None, "hold")
OFTEN = Line("ammonia", True, 2.0, "mg/L", "N", "hold")


def reading(analyte: str, value: float, at_ms: int) -> Reading:
    return Reading(11, at_ms, analyte, value)


def beyond(at_ms: int) -> SampleSummary:
    """A probe that is believed, beyond the line on warmth since an instant."""
    known = KnownValue("temperature", 31.0, at_ms, 0, True)
    return SampleSummary(
        (SampledLine(WARM, known, "probe", True),), {"temperature": (31.0, at_ms)}, {"temperature": (31.0, at_ms)}
    )


def seen(
    latest: dict[str, Reading], sampled: SampleSummary, probes: tuple[str, ...] = ("probe",), **other: Any
) -> list[Line]:
    given: dict[str, Any] = {"lines": (WARM, OFTEN), "stage": "stocked", "since_ms": 0, **other}
    found = check_lines(latest, sampled, probes=probes, why=Circumstances(), now_ms=TODAY_MS, **given).found
    return [crossing.line for crossing in found]


def test_samples_count_until_a_newer_reading_is_clear_and_readings_until_newer_samples_are() -> None:
    sampled = beyond(TODAY_MS - HOUR_MS)
    assert seen({}, sampled) == [WARM]
    assert seen({"temperature": reading("temperature", 25.0, TODAY_MS - 2 * HOUR_MS)}, sampled) == [WARM]
    at_once = {"temperature": reading("temperature", 25.0, TODAY_MS - HOUR_MS)}
    assert seen(at_once, sampled) == [WARM], "of one moment the samples' word stands"
    assert seen({"temperature": reading("temperature", 25.0, TODAY_MS)}, sampled) == []
    clear = SampleSummary(recent={"temperature": (25.0, TODAY_MS)})
    assert seen({"temperature": reading("temperature", 31.0, TODAY_MS - HOUR_MS)}, clear) == []
    assert seen({"temperature": reading("temperature", 31.0, TODAY_MS - HOUR_MS)}, SampleSummary()) == [WARM]


def test_samples_of_a_probe_that_is_gone_or_by_a_line_that_is_another_do_not_count() -> None:
    sampled = beyond(TODAY_MS - HOUR_MS)
    assert seen({}, sampled, probes=()) == []
    assert seen({}, sampled, lines=(replace(WARM, limit=32.0),)) == []


def test_of_an_empty_tank_only_what_was_known_since_counts() -> None:
    latest = {"ammonia": reading("ammonia", 3.0, TODAY_MS - HOUR_MS)}
    assert seen(latest, SampleSummary(), stage="empty") == [OFTEN]
    assert seen(latest, SampleSummary(), stage="empty", since_ms=TODAY_MS) == []
    assert seen(latest, SampleSummary(), stage="empty", since_ms=TODAY_MS - HOUR_MS) == [OFTEN]


def test_the_newest_temperature_is_a_reading_or_a_probe_whichever_is_newer() -> None:
    sampled = beyond(TODAY_MS - HOUR_MS)
    old, new = (reading("temperature", 25.0, TODAY_MS - k * HOUR_MS) for k in (2, 0))
    values = [
        getattr(newest_temperature(latest, sampled), "value", None)
        for latest in ({"temperature": old}, {"temperature": new})
    ]
    assert values == [31.0, 25.0]
    assert newest_temperature({}, SampleSummary()) is None
    # A thermometer of plus or minus 0.5 K (DS18B20 data sheet), and no entry of a person.
    assert newest_temperature({}, sampled) == Reading(0, TODAY_MS - HOUR_MS, "temperature", 31.0, resolution=1.0)
    assert known_now({"temperature": new}, sampled, TODAY_MS)["temperature"].counted == 25.0
    assert known_now({"temperature": old}, sampled, TODAY_MS)["temperature"].counted == 31.0
