"""A dose: what left the hopper, what it counts as, and sums that carry their deviation."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger_text import parse
from tareline.core.feeding.doses import MOVED, UNMOVED, Dose, total
from tareline.mqtt.messages import Outcome


def dose(line: str) -> Dose:
    (found,) = parse(f"2026-05-04\n08:00 dose {line}").doses
    return found


def test_the_mass_is_before_minus_after() -> None:
    assert Dose(1, 0, "a", "ok", 0.5, 50, 12.5, 12.125, 0.02).mass_g == 0.375


def test_a_cell_that_saw_the_hopper_gain_says_so() -> None:
    assert Dose(1, 0, "a", "ok", 0.5, 50, 12.0, 12.25, 0.02).mass_g == -0.25


def test_a_hopper_that_is_taken_off_or_hung_during_a_dose_leaves_no_difference() -> None:
    """A cell that was tared with its empty hopper of 120 g, and 40 g of food in it."""
    taken_off = Dose(1, 0, "a", "over", 0.5, 50, 40.0, -120.0, 0.02)
    hung = Dose(2, 0, "a", "jam", 0.5, 50, -120.0, 40.0, 0.02)
    off = Dose(3, 0, "a", "jam", 0.5, 50, -120.0, -120.125, 0.02)
    assert (taken_off.mass_g, hung.mass_g, off.mass_g) == (None, None, 0.125)
    assert taken_off.counted_g(unknown_g=9.0) == 2.0
    assert hung.expected()[0] == 0.25


@pytest.mark.parametrize("line", ["none held asked 0.5 g", "none missed asked 0.5 g", "none capped asked 0.5 g"])
def test_where_no_step_was_made_nothing_left_the_hopper(line: str) -> None:
    assert not dose(line).moved
    assert dose(line).mass_g == 0.0
    assert dose(line).counted_g(unknown_g=9.0) == 0.0


def test_a_held_or_missed_meal_moved_nothing_whatever_its_steps_say() -> None:
    for outcome in ("held", "missed"):
        planned = Dose(1, 0, "a", outcome, 0.5, 50, 12.0, 11.5, 0.02)
        assert (planned.moved, planned.mass_g, planned.counted_g(1.0)) == (False, 0.0, 0.0)


@pytest.mark.parametrize("outcome", ["ok", "short", "over", "jam", "empty", "capped", "interrupted"])
def test_every_outcome_that_moved_counts(outcome: str) -> None:
    unweighed = dose(f"? {outcome} asked 0.50 g")
    assert unweighed.moved
    assert unweighed.mass_g is None
    assert unweighed.counted_g(unknown_g=9.0) == (2.0 if outcome == "over" else 0.5)


def test_every_outcome_on_the_wire_either_moves_or_does_not() -> None:
    assert set(Outcome.__args__) | {"unknown"} == MOVED | UNMOVED  # type: ignore[attr-defined]
    assert not MOVED & UNMOVED


def test_a_dose_of_unknown_size_counts_as_what_it_may_have_been_and_a_gap_as_all_of_its_doses() -> None:
    assert dose("? unknown").counted_g(unknown_g=0.4) == 0.4
    assert dose("? unknown x3").counted_g(unknown_g=0.4) == pytest.approx(1.2)


@pytest.mark.parametrize(
    ("line", "counted_g"),
    [
        ("0.50 g sd 0.02 ok", 0.5),
        ("0.31 g sd 0.02 short asked 0.50 g", 0.5),  # never less than what was asked
        ("0.55 g sd 0.02 ok asked 0.50 g", 0.5),  # within the noise of the cell
        ("0.57 g sd 0.02 ok asked 0.50 g", 0.57),  # beyond three deviations
        ("0.51 g sd 0.00 ok asked 0.50 g", 0.51),
        ("-0.10 g sd 0.02 jam asked 0.50 g", 0.5),
    ],
)
def test_what_a_dose_counts_as(line: str, counted_g: float) -> None:
    assert dose(line).counted_g(unknown_g=9.0) == pytest.approx(counted_g)


def test_the_noise_of_a_cell_ends_at_three_deviations() -> None:
    asked = Dose(1, 0, "a", "ok", 0.5, 50, 10.0, 9.0, 0.125)  # weighed 1.0 g: four deviations above
    assert asked.counted_g(9.0) == 1.0
    assert replace(asked, after_g=9.125).counted_g(9.0) == 0.5  # three


doses = st.builds(
    Dose,
    entry=st.integers(1, 9),
    at_ms=st.integers(0, 10**12),
    feeder=st.just("a"),
    outcome=st.sampled_from(sorted(MOVED | UNMOVED)),
    target_g=st.none() | st.floats(0, 10),
    steps=st.none() | st.integers(0, 100),
    before_g=st.none() | st.floats(0, 100),
    after_g=st.none() | st.floats(0, 100),
    sd_g=st.none() | st.floats(0, 1),
    count=st.integers(1, 5),
)


@given(doses, st.floats(0, 10))
def test_what_moved_counts_as_no_less_than_was_asked(one: Dose, unknown_g: float) -> None:
    asked_g = unknown_g * one.count if one.target_g is None else one.target_g
    counted_g = one.counted_g(unknown_g)
    if one.moved:
        assert counted_g >= asked_g
        assert one.mass_g is None or counted_g >= one.mass_g - 3 * (one.sd_g or 0.0) - 1e-12
    else:
        assert counted_g == 0.0


@given(st.lists(doses, max_size=8))
def test_a_sum_counts_every_dose_once_as_weighed_or_not(some: list[Dose]) -> None:
    fed = total(some)
    moved = [d for d in some if d.moved]
    weighed = [d for d in moved if d.mass_g is not None]
    assert fed.weighed == len(weighed)
    assert fed.unweighed == sum(d.count for d in moved if d.mass_g is None)
    assert fed.mass_g == pytest.approx(sum(d.expected()[0] for d in moved), abs=1e-12)
    assert fed.sd_g == pytest.approx(math.hypot(*(d.expected()[1] for d in moved)))


@given(st.lists(doses, max_size=6), st.lists(doses, max_size=6))
def test_sums_of_parts_make_the_sum_of_the_whole(one: list[Dose], other: list[Dose]) -> None:
    a, b, both = total(one), total(other), total(one + other)
    assert both.mass_g == pytest.approx(a.mass_g + b.mass_g, abs=1e-9)
    assert both.sd_g == pytest.approx(math.hypot(a.sd_g, b.sd_g))
    assert both.unweighed == a.unweighed + b.unweighed


def test_nothing_fed_is_a_sum_of_nothing() -> None:
    fed = total([])
    assert (fed.mass_g, fed.sd_g, fed.weighed, fed.unweighed) == (0.0, 0.0, 0, 0)


@given(doses)
def test_a_moved_dose_is_never_certainly_nothing_unless_it_was_weighed(one: Dose) -> None:
    mass_g, sd_g = one.expected()
    if one.moved and one.mass_g is None and one.target_g != 0:
        assert mass_g > 0
        assert sd_g > 0
