"""Local days and meal times, wherever a tank stands and whatever its clocks do."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tareline.core.calendar import (
    ONE_DAY,
    day_end_ms,
    day_of,
    day_start_ms,
    days_between,
    from_ms,
    meal_ms,
    to_ms,
    week_of,
)
from zones import DAY_MS, HOUR_MS, clock_times, dates, places

MINUTE_MS = 60_000
BERLIN = "Europe/Berlin"


def local(at_ms: int | None, zone: str) -> str:
    assert at_ms is not None
    return from_ms(at_ms, zone).strftime("%Y-%m-%d %H:%M:%S")


def first_minute_of(day: date, zone: str) -> int:
    """The naive model: walk minute by minute until the calendar on the wall shows the date, or a later one."""
    at_ms = to_ms(datetime(day.year, day.month, day.day, tzinfo=UTC)) - 15 * HOUR_MS
    while from_ms(at_ms, zone).date() < day:
        at_ms += MINUTE_MS
    return at_ms


@given(dates())
@example((BERLIN, date(2026, 3, 29)))
@example(("Africa/Cairo", date(2025, 4, 25)))  # midnight itself is skipped
@example(("America/St_Johns", date(2010, 11, 7)))  # clocks went back at one minute past midnight
@example(("America/Toronto", date(1919, 3, 31)))  # 23:30 became 00:30: midnight lies within what was skipped
@example(("Pacific/Apia", date(2011, 12, 30)))
@example(("America/Nuuk", date(2026, 3, 28)))  # the hour before midnight is skipped
def test_a_day_begins_with_the_first_minute_that_carries_its_date(place: tuple[str, date]) -> None:
    zone, day = place
    assert day_start_ms(day, zone) == first_minute_of(day, zone)


@given(places())
def test_every_instant_lies_in_exactly_one_day(place: tuple[str, int]) -> None:
    zone, at_ms = place
    day = day_of(at_ms, zone)
    assert day_start_ms(day, zone) <= at_ms < day_end_ms(day, zone)
    for other in (day - ONE_DAY, day + ONE_DAY):
        assert not day_start_ms(other, zone) <= at_ms < day_end_ms(other, zone)


@given(dates())
def test_days_follow_each_other_without_gap_or_overlap_and_last_a_day_give_or_take(place: tuple[str, date]) -> None:
    zone, day = place
    assert day_end_ms(day, zone) == day_start_ms(day + ONE_DAY, zone)
    length_ms = day_end_ms(day, zone) - day_start_ms(day, zone)
    assert 0 <= length_ms <= 49 * HOUR_MS
    if length_ms:
        assert day_of(day_start_ms(day, zone), zone) == day
        assert day_of(day_end_ms(day, zone) - 1, zone) == day


@given(places())
def test_an_instant_survives_being_read_as_local_time(place: tuple[str, int]) -> None:
    zone, at_ms = place
    assert to_ms(from_ms(at_ms, zone)) == at_ms
    assert from_ms(at_ms, zone).tzinfo == ZoneInfo(zone)


@given(dates(), clock_times)
@example(("America/Nuuk", date(2026, 3, 28)), "23:30")
def test_a_meal_never_leaves_its_date(place: tuple[str, date], at: str) -> None:
    zone, day = place
    start_ms, end_ms = day_start_ms(day, zone), day_end_ms(day, zone)
    found = meal_ms(day, at, zone)
    if start_ms == end_ms:
        assert found is None
    else:
        assert found is not None
        assert start_ms <= found < end_ms


@given(dates(), clock_times)
def test_a_meal_time_that_exists_is_what_the_clock_on_the_wall_shows_for_the_first_time(
    place: tuple[str, date], at: str
) -> None:
    zone, day = place
    start_ms, end_ms = day_start_ms(day, zone), day_end_ms(day, zone)
    shown = [
        at_ms for at_ms in range(start_ms, end_ms, MINUTE_MS) if local(at_ms, zone) == f"{day.isoformat()} {at}:00"
    ]
    if shown:
        assert meal_ms(day, at, zone) == shown[0]


def test_a_time_that_does_not_exist_moves_behind_the_change_and_meals_keep_their_distance() -> None:
    day = date(2026, 3, 29)  # 02:00 became 03:00
    assert local(meal_ms(day, "01:59", BERLIN), BERLIN) == "2026-03-29 01:59:00"
    assert local(meal_ms(day, "02:00", BERLIN), BERLIN) == "2026-03-29 03:00:00"
    assert local(meal_ms(day, "02:30", BERLIN), BERLIN) == "2026-03-29 03:30:00"
    early, late = meal_ms(day, "02:10", BERLIN), meal_ms(day, "02:50", BERLIN)
    assert early is not None
    assert late is not None
    assert late - early == 40 * MINUTE_MS


def test_a_time_that_happens_twice_is_its_first_occurrence() -> None:
    assert meal_ms(date(2026, 10, 25), "02:30", BERLIN) == to_ms(datetime(2026, 10, 25, 0, 30, tzinfo=UTC))


def test_a_skipped_date_has_no_meal_and_no_length() -> None:
    apia, day = "Pacific/Apia", date(2011, 12, 30)
    assert meal_ms(day, "08:00", apia) is None
    assert day_start_ms(day, apia) == day_end_ms(day, apia) == to_ms(datetime(2011, 12, 30, 10, tzinfo=UTC))
    assert day_of(day_start_ms(day, apia), apia) == date(2011, 12, 31)
    assert day_of(day_start_ms(day, apia) - 1, apia) == date(2011, 12, 29)


def test_a_day_whose_midnight_is_skipped_begins_at_the_change_and_a_midnight_meal_with_it() -> None:
    day = date(2025, 4, 25)
    assert local(day_start_ms(day, "Africa/Cairo"), "Africa/Cairo") == "2025-04-25 01:00:00"
    assert meal_ms(day, "00:00", "Africa/Cairo") == day_start_ms(day, "Africa/Cairo")
    assert local(meal_ms(day, "00:30", "Africa/Cairo"), "Africa/Cairo") == "2025-04-25 01:30:00"


def test_a_meal_in_a_skipped_last_hour_stays_on_its_date() -> None:
    day = date(2026, 3, 28)  # in Nuuk 23:00 became 00:00 of the next date
    assert meal_ms(day, "23:30", "America/Nuuk") == day_end_ms(day, "America/Nuuk") - 1


def test_milliseconds_are_exact_and_rounded_towards_the_past() -> None:
    assert to_ms(datetime(1970, 1, 1, tzinfo=UTC)) == 0
    assert to_ms(datetime(2026, 1, 1, 0, 0, 0, 1999, UTC)) == 1_767_225_600_001
    assert to_ms(datetime(1969, 12, 31, 23, 59, 59, 999_999, UTC)) == -1
    assert to_ms(datetime.fromisoformat("2026-01-01T01:00:00+01:00")) == 1_767_225_600_000


def test_dates_between_include_both_ends() -> None:
    assert list(days_between(date(2026, 2, 27), date(2026, 3, 1))) == [
        date(2026, 2, 27),
        date(2026, 2, 28),
        date(2026, 3, 1),
    ]
    assert list(days_between(date(2026, 3, 2), date(2026, 3, 1))) == []


@given(st.dates(date(1990, 1, 1), date(2100, 1, 1)))
def test_a_week_is_the_iso_week_of_its_days(day: date) -> None:
    monday, sunday = week_of(day)
    assert monday <= day <= sunday
    assert (monday.isoweekday(), sunday.isoweekday()) == (1, 7)
    assert monday.isocalendar()[:2] == sunday.isocalendar()[:2] == day.isocalendar()[:2]
    assert sunday - monday == timedelta(days=6)


@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "Pacific/Kwajalein", "Pacific/Enderbury", "Pacific/Fakaofo"])
def test_a_zone_that_crossed_the_date_line_lost_one_date_and_no_hour(zone: str) -> None:
    lost = [
        day
        for day in days_between(date(1993, 1, 1), date(2012, 12, 31))
        if day_start_ms(day, zone) == day_end_ms(day, zone)
    ]
    assert len(lost) == 1
    around_ms = day_start_ms(lost[0] + 2 * ONE_DAY, zone) - day_start_ms(lost[0] - 2 * ONE_DAY, zone)
    assert abs(around_ms - 3 * DAY_MS) <= 3 * HOUR_MS
