"""The books of a day and a week, read from ledgers as text."""

import math
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger_text import Ledger, at, parse
from tareline.core.calendar import day_end_ms, day_start_ms
from tareline.core.feeding.books import DayBook, Span, WeekTotals, week_totals
from tareline.core.feeding.doses import Dose, total

MONDAY = date(2026, 5, 4)
DAY_MS = 86_400_000
RATION = """
    2026-05-04 Europe/Berlin
    06:00 ration 1.00 g cap 1.50 g at 08:00 20:00
"""


def book(text: str, day: date = MONDAY, now: tuple[str, str] | None = None) -> DayBook:
    ledger = parse(RATION + text)
    return ledger.book(day, at(ledger, *now) if now else day_end_ms(day + timedelta(days=1), ledger.zone))


def test_a_good_day() -> None:
    found = book("""
        08:00 dose 0.49 g sd 0.03 ok asked 0.50 g
        18:00 hand 0.20 g sd 0.12
        19:00 hand 0.10 g sd 0.05
        20:00 dose 0.20 g sd 0.04 ok
    """)
    assert (found.budget_g, found.handfed_g) == (1.0, pytest.approx(0.3))
    assert found.dispensed_g == pytest.approx(0.69)
    assert found.dispensed_sd_g == pytest.approx(0.05)
    assert found.handfed_sd_g == pytest.approx(0.13)
    assert found.remaining_g == 0.0  # 0.5 asked, 0.2 asked, 0.3 by hand
    assert found.flags == ()
    assert (len(found.doses), len(found.handfeeds), found.unweighed, found.held_s) == (2, 2, 0, 0)


def test_what_remains_counts_what_was_asked_and_stops_at_nothing() -> None:
    assert book("08:00 dose 0.31 g sd 0.02 short asked 0.50 g").remaining_g == pytest.approx(0.5)
    assert book("08:00 dose ? jam asked 0.50 g").remaining_g == pytest.approx(0.5)
    assert book("08:00 dose 0.90 g sd 0.02 ok asked 0.50 g").remaining_g == pytest.approx(0.1)
    assert book("08:00 dose none held asked 0.50 g").remaining_g == 1.0
    assert book("08:00 dose ? unknown").remaining_g == pytest.approx(0.5)
    assert book("08:00 dose ? unknown x3").remaining_g == 0.0


def test_a_dose_belongs_to_the_local_day_it_fell_in() -> None:
    text = """
        23:59 dose 0.10 g sd 0.02 ok
        2026-05-05
        00:00 dose 0.20 g sd 0.02 ok
        2026-05-05
        23:30 hand 0.30 g
        2026-05-06
        00:00 hand 0.40 g
    """
    assert book(text).dispensed_g == pytest.approx(0.1)
    tuesday = book(text, MONDAY + timedelta(days=1))
    assert tuesday.dispensed_g == pytest.approx(0.2)
    assert tuesday.handfed_g == pytest.approx(0.3)


def test_a_day_that_was_not_weighed_is_unknown_and_not_zero() -> None:
    found = book("08:00 dose ? ok asked 0.50 g")
    assert (found.dispensed_g, found.dispensed_sd_g, found.unweighed) == (None, None, 1)
    assert found.flags == ("unweighed",)


def test_a_day_weighed_in_part_takes_the_rest_as_about_what_was_asked_and_says_so() -> None:
    found = book("""
        08:00 dose ? ok asked 0.50 g
        20:00 dose 0.48 g sd 0.02 ok asked 0.50 g
    """)
    assert found.dispensed_g == pytest.approx(0.48 + 0.50)
    assert found.dispensed_sd_g == pytest.approx(math.hypot(0.02, 0.5 * 0.50))  # half of what was asked (judgement)
    assert (found.unweighed, found.flags) == (1, ("unweighed",))


def test_a_day_without_doses_dispensed_nothing_and_knows_it() -> None:
    assert book("08:00 dose none held asked 0.50 g").dispensed_g == 0.0
    assert book("").dispensed_g == 0.0


def test_doses_that_never_came_are_lost_and_not_unweighed() -> None:
    found = book("08:00 dose ? unknown x3")
    assert (found.flags, found.unweighed, found.dispensed_g) == (("lost doses",), 3, None)


@pytest.mark.parametrize("outcome", ["jam", "empty", "short"])
def test_a_dose_that_fell_short_is_flagged(outcome: str) -> None:
    assert book(f"08:00 dose 0.10 g sd 0.02 {outcome} asked 0.50 g").flags == ("fell short",)


def test_a_dose_that_gave_too_much_is_flagged_and_leaves_nothing_of_what_it_took() -> None:
    found = book("08:00 dose 2.00 g sd 0.02 over asked 0.50 g")
    assert found.flags == ("gave too much",)
    assert found.remaining_g == pytest.approx(max(0.0, (found.budget_g or 0.0) - 2.0))


def test_a_dose_of_a_board_without_a_clock_is_flagged_also_where_nothing_bounds_it_from_below() -> None:
    found = book("08:00 dose 0.50 g sd 0.02 ok about")
    assert found.doses[0].at_low_ms is None
    assert found.flags == ("clock uncertain",)


def test_today_and_the_days_to_come_are_marked() -> None:
    tuesday = MONDAY + timedelta(days=1)
    assert book("", now=("2026-05-04", "00:00")).flags == ("today",)
    assert book("", now=("2026-05-04", "23:59")).flags == ("today",)
    assert book("", now=("2026-05-05", "00:00")).flags == ()
    assert book("", tuesday, now=("2026-05-04", "23:59")).flags == ("future",)
    assert book("", tuesday, now=("2026-05-05", "00:00")).flags == ("today",)


@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25)])
def test_a_day_on_which_the_clocks_change_says_so_and_holds_all_its_doses(day: str, hours: int) -> None:
    ledger = parse(f"""
        {day} Europe/Berlin
        00:00 dose 0.10 g sd 0.02 ok
        02:30 dose 0.20 g sd 0.02 ok
        23:59 dose 0.30 g sd 0.02 ok
    """)
    found = ledger.book(date.fromisoformat(day), at(ledger, day, "23:59") + DAY_MS)
    assert found.end_ms - found.start_ms == hours * 3_600_000
    assert found.flags == ("hour change",)
    assert found.dispensed_g == pytest.approx(0.6)


def test_before_the_first_ration_there_is_no_budget_and_nothing_remains_of_it() -> None:
    found = book("", MONDAY - timedelta(days=1))
    assert (found.budget_g, found.remaining_g) == (None, None)


def test_a_skipped_date_has_no_budget() -> None:
    ledger = parse("""
        2011-12-28 Pacific/Apia
        08:00 ration 1.00 g cap 1.00 g at 08:00
        2012-01-02
        08:00 dose 0.10 g sd 0.02 ok
    """)
    now_ms = at(ledger, "2012-01-02", "09:00")
    assert ledger.book(date(2011, 12, 30), now_ms).budget_g is None
    assert ledger.book(date(2011, 12, 31), now_ms).budget_g == 1.0


# Held


def held_s(text: str, day: date = MONDAY, now: tuple[str, str] = ("2026-05-07", "00:00")) -> int:
    return book(text, day, now).held_s


def test_a_hold_counts_within_the_day() -> None:
    text = """
        22:00 hold
        2026-05-05
        03:30 release
        12:00 hold
        12:10 release
    """
    assert held_s(text) == 2 * 3600
    assert held_s(text, MONDAY + timedelta(days=1)) == 3.5 * 3600 + 600
    assert held_s(text, MONDAY + timedelta(days=2)) == 0
    assert held_s(text, MONDAY - timedelta(days=1)) == 0


def test_a_hold_that_lasts_counts_up_to_now() -> None:
    assert held_s("22:00 hold", now=("2026-05-04", "22:05")) == 300
    assert held_s("22:00 hold", now=("2026-05-05", "06:00")) == 2 * 3600
    assert held_s("22:00 hold", MONDAY + timedelta(days=1), ("2026-05-05", "06:00")) == 6 * 3600
    assert held_s("22:00 hold", MONDAY + timedelta(days=1), ("2026-05-04", "23:00")) == 0


@given(st.integers(0, 100), st.integers(0, 100), st.integers(0, 100), st.integers(0, 100))
def test_an_overlap_is_what_counting_says(start: int, length: int, first: int, width: int) -> None:
    inside = len(set(range(start, start + length)) & set(range(first, first + width)))
    assert Span(start, start + length).overlap_ms(first, first + width, now_ms=0) == inside
    assert Span(start, None).overlap_ms(first, first + width, now_ms=start + length) == inside


# A week


def week(text: str, now: tuple[str, str]) -> WeekTotals:
    """A week whose doses are as the cell weighed them, independent of each other."""
    ledger: Ledger = parse(RATION + text)
    now_ms = at(ledger, *now)
    days = [ledger.book(MONDAY + timedelta(days=i), now_ms) for i in range(7)]
    known = total(d for d in ledger.doses if days[0].start_ms <= d.at_ms < days[-1].end_ms)
    return week_totals(days, (known.mass_g, known.sd_g), now_ms)


WEEK = """
    08:00 dose 0.50 g sd 0.03 ok
    2026-05-05
    08:00 dose 0.50 g sd 0.04 ok
    12:00 hand 0.20 g
    2026-05-10
    08:00 dose 0.25 g sd 0.12 ok
"""


def test_a_week_adds_its_days_up_with_deviations_in_quadrature() -> None:
    found = week(WEEK, ("2026-05-12", "00:00"))
    assert found.budget_g == 7.0
    assert found.dispensed_g == pytest.approx(1.25)
    assert found.dispensed_sd_g == pytest.approx(0.13)
    assert found.handfed_g == pytest.approx(0.2)
    assert found.provisional is False


def test_a_week_is_provisional_until_it_is_over_and_while_one_of_its_days_is() -> None:
    assert week(WEEK, ("2026-05-10", "23:59")).provisional is True
    assert week(WEEK, ("2026-05-11", "00:00")).provisional is False
    ledger = parse(RATION + WEEK)
    now_ms = at(ledger, "2026-05-12", "00:00")
    days = [ledger.book(MONDAY + timedelta(days=i), now_ms) for i in range(7)]
    days[3] = replace(days[3], provisional=True)
    assert week_totals(days, (1.25, 0.13), now_ms).provisional is True


def test_a_weeks_deviation_is_that_of_the_joint_account() -> None:
    ledger = parse(RATION + WEEK)
    now_ms = at(ledger, "2026-05-12", "00:00")
    days = [ledger.book(MONDAY + timedelta(days=i), now_ms) for i in range(7)]
    found = week_totals(days, (1.3, 0.04), now_ms)  # less than any root of squares: its days lean on each other
    assert (found.dispensed_g, found.dispensed_sd_g) == (1.3, 0.04)


def test_a_week_with_a_dose_that_was_not_weighed_stays_provisional_and_takes_it_as_about_what_was_asked() -> None:
    found = week(WEEK + "20:00 dose ? ok asked 0.50 g", ("2026-05-12", "00:00"))
    assert found.provisional is True
    assert found.dispensed_g == pytest.approx(1.25 + 0.50)


def test_a_week_in_which_nothing_was_weighed_is_unknown() -> None:
    text = "".join(f"\n2026-05-{d:02}\n08:00 dose ? ok asked 0.50 g" for d in range(4, 11))
    found = week(text, ("2026-05-12", "00:00"))
    assert (found.dispensed_g, found.dispensed_sd_g) == (None, None)


def test_a_week_before_the_first_ration_has_no_budget_and_one_begun_midway_the_budget_of_its_days() -> None:
    ledger = parse("2026-05-08 UTC\n08:00 ration 1.00 g cap 1.00 g at 08:00")
    now_ms = at(ledger, "2026-05-20", "00:00")
    days = [ledger.book(MONDAY + timedelta(days=i), now_ms) for i in range(7)]
    assert week_totals(days, (0.0, 0.0), now_ms).budget_g == 3.0
    assert week_totals(days[:4], (0.0, 0.0), now_ms).budget_g is None


def test_days_to_come_neither_add_nor_take_from_what_was_dispensed() -> None:
    found = week("08:00 dose 0.50 g sd 0.03 ok", ("2026-05-04", "12:00"))
    assert (found.dispensed_g, found.budget_g, found.provisional) == (0.5, 7.0, True)


# Anything


@given(st.lists(st.tuples(st.integers(0, 3 * DAY_MS), st.floats(0, 2), st.floats(0, 0.1)), max_size=12))
def test_every_dose_stands_in_the_book_of_exactly_one_day(some: list[tuple[int, float, float]]) -> None:
    zone = "Europe/Berlin"
    first = date(2026, 10, 24)
    start_ms = day_start_ms(first, zone)
    doses = [
        Dose(i, start_ms + after, "a", "ok", mass, 50, 50.0, 50.0 - mass, sd)
        for i, (after, mass, sd) in enumerate(some)
    ]
    ledger = Ledger(zone=zone, doses=doses)
    books = [ledger.book(first + timedelta(days=i), start_ms + 9 * DAY_MS) for i in range(4)]
    assert sorted(d.entry for b in books for d in b.doses) == list(range(len(doses)))
    assert sum(b.dispensed_g or 0.0 for b in books) == pytest.approx(sum(mass for _, mass, _ in some), abs=1e-9)


def test_a_line_that_cannot_be_read_fails_the_test_that_wrote_it() -> None:
    for line in ("08:00 dose 0.50 sd 0.02 ok", "08:00 feast 3 g", "8 dose ? ok", "08:00 hold on"):
        with pytest.raises(ValueError, match=r"not a line of a ledger|Invalid isoformat"):
            parse(f"2026-05-04\n{line}")
