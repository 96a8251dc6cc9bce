"""Local days and meal times against the IANA time zone database.

Lengths: computed outside this project with Python's zoneinfo over tzdata 2026.6 (DERIVED; rules to come may change
those that lie in the future). The two Berlin instants: the same database.
"""

from datetime import UTC, date, datetime, timedelta

import pytest

from tareline.core.calendar import day_end_ms, day_start_ms, days_between, meal_ms, to_ms
from tareline.core.feeding.books import Dispensed, day_book
from tareline.core.feeding.plan import FedToday, make_plan
from tareline.core.feeding.ration import make_ration

HOUR_MS = 3_600_000
BERLIN = "Europe/Berlin"
LENGTHS_H = [
    ("Europe/Berlin", "2025-03-30", 23),
    ("Europe/Berlin", "2025-10-26", 25),
    ("Europe/Berlin", "2026-03-29", 23),
    ("Europe/Berlin", "2026-10-25", 25),
    ("Europe/London", "2025-03-30", 23),
    ("Europe/London", "2025-10-26", 25),
    ("America/New_York", "2025-03-09", 23),
    ("America/New_York", "2025-11-02", 25),
    ("Australia/Sydney", "2025-04-06", 25),
    ("Australia/Sydney", "2025-10-05", 23),
    ("Australia/Lord_Howe", "2025-04-06", 24.5),
    ("Australia/Lord_Howe", "2025-10-05", 23.5),
    ("Africa/Casablanca", "2025-02-23", 25),
    ("Africa/Casablanca", "2025-04-06", 23),
    ("Africa/Cairo", "2025-04-25", 23),
    ("Africa/Cairo", "2025-10-30", 25),
    ("America/Santiago", "2025-04-05", 25),
    ("America/Santiago", "2025-09-07", 23),
    ("America/Sao_Paulo", "2018-11-04", 23),
    ("Pacific/Apia", "2011-12-30", 0),
    ("Pacific/Kwajalein", "1993-08-21", 0),
]


@pytest.mark.parametrize(("zone", "day", "hours"), LENGTHS_H)
def test_a_local_day_is_as_long_as_its_zone_says(zone: str, day: str, hours: float) -> None:
    when = date.fromisoformat(day)
    assert (day_end_ms(when, zone) - day_start_ms(when, zone)) / HOUR_MS == hours
    if hours:
        for ordinary in (when - timedelta(days=2), when + timedelta(days=2)):
            assert (day_end_ms(ordinary, zone) - day_start_ms(ordinary, zone)) / HOUR_MS == 24


@pytest.mark.parametrize("zone", ["Asia/Kolkata", "UTC"])
def test_where_no_clock_changes_every_day_of_2025_has_24_hours(zone: str) -> None:
    for day in days_between(date(2025, 1, 1), date(2025, 12, 31)):
        assert (day_end_ms(day, zone) - day_start_ms(day, zone)) / HOUR_MS == 24


@pytest.mark.parametrize(("zone", "day", "hours"), [row for row in LENGTHS_H if row[2]])
def test_plan_and_books_have_the_same_day(zone: str, day: str, hours: float) -> None:
    when = date.fromisoformat(day)
    noon_before_ms = day_start_ms(when, zone) - 12 * HOUR_MS
    ration = make_ration(1.0, 1.0, [("12:00", 1.0, None)], ["a"], noon_before_ms)
    days = make_plan("a", True, zone, [ration], FedToday(), noon_before_ms).days
    nothing = Dispensed(0.0, 0.0, False, False)
    book = day_book(when, zone, [ration], [], [], [], 0.5, nothing, 0.0, noon_before_ms)
    assert (days[1].start_ms, days[2].start_ms) == (book.start_ms, book.end_ms)
    assert (book.end_ms - book.start_ms) / HOUR_MS == hours
    assert "hour change" in book.flags


def test_berlin_in_2026() -> None:
    """02:30 does not exist on 29 March; on 25 October it happens at 00:30Z and again at 01:30Z."""
    spring = to_ms(datetime(2026, 3, 29, 1, 30, tzinfo=UTC))
    assert meal_ms(date(2026, 3, 29), "02:30", BERLIN) == spring  # which the clock on the wall calls 03:30
    assert meal_ms(date(2026, 3, 29), "03:30", BERLIN) == spring
    first = to_ms(datetime(2026, 10, 25, 0, 30, tzinfo=UTC))
    assert meal_ms(date(2026, 10, 25), "02:30", BERLIN) == first
    assert meal_ms(date(2026, 10, 25), "03:30", BERLIN) == first + 2 * HOUR_MS
