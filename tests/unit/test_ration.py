"""The ration: what is accepted, and which one is in force on a day."""

import math
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger_text import Ledger, at, parse
from tareline.core.calendar import day_end_ms, day_of, day_start_ms
from tareline.core.feeding.ration import (
    MEALS_A_DAY,
    Meal,
    Ration,
    in_force_since_ms,
    make_ration,
    needs_confirmation,
    ration_on,
    scaled,
)
from tareline.errors import FieldError
from zones import DAY_MS, clock_times, places

Named = tuple[str, float, str | None]
MORNING: list[Named] = [("08:00", 1.0, None)]


def made(daily_g: float = 1.0, cap_g: float = 2.0, meals: Sequence[Named] = MORNING, feeders: Sequence[str] = ("a",)):
    return make_ration(daily_g, cap_g, meals, feeders, 0)


def refused(field: str, **changes: Any) -> str:
    with pytest.raises(FieldError) as caught:
        made(**changes)
    assert caught.value.field == field
    assert caught.value.status == 422
    return caught.value.message


# What a ration may be


def test_meals_stand_in_order_of_time_with_their_slots() -> None:
    ration = made(meals=[("20:00", 0.25, None), ("08:00", 0.75, None)])
    assert ration.meals == (Meal("08:00", 0.75, None, "08:00"), Meal("20:00", 0.25, None, "20:00"))


def test_feeders_that_share_a_time_have_slots_of_their_own() -> None:
    ration = made(meals=[("08:00", 0.5, "b"), ("08:00", 0.3, "a"), ("09:00", 0.2, "a")], feeders=("a", "b"))
    assert [(m.slot, m.feeder) for m in ration.meals] == [("08:00.1", "a"), ("08:00.2", "b"), ("09:00", "a")]


@pytest.mark.parametrize("daily_g", [-0.01, 1000.1, math.nan, math.inf])
def test_a_daily_mass_that_cannot_be_is_refused(daily_g: float) -> None:
    refused("daily_g", daily_g=daily_g, cap_g=1000.0)


@pytest.mark.parametrize("cap_g", [0.99, 1000.1, math.nan, -1.0])
def test_a_cap_below_the_ration_or_beyond_reason_is_refused(cap_g: float) -> None:
    refused("cap_g", cap_g=cap_g)


def test_a_cap_equal_to_the_ration_is_accepted() -> None:
    assert made(1.0, 1.0).cap_g == 1.0


@pytest.mark.parametrize("clock", ["8:00", "24:00", "08:60", "08:00:00", "", "noon", "08:00\n", "٠٨:00"])
def test_a_time_that_is_none_is_refused(clock: str) -> None:
    assert repr(clock) in refused("meals.0.at", meals=[(clock, 1.0, None)])


@pytest.mark.parametrize("clock", ["00:00", "09:09", "19:59", "23:59"])
def test_every_time_of_the_day_is_accepted(clock: str) -> None:
    assert made(meals=[(clock, 1.0, None)]).meals[0].at == clock


@pytest.mark.parametrize("share", [0.0, -0.5, 1.1, math.nan])
def test_a_share_that_is_none_is_refused(share: float) -> None:
    refused("meals.0.share", meals=[("08:00", share, None)])


@pytest.mark.parametrize("shares", [(0.5, 0.4), (0.6, 0.5)])
def test_shares_that_are_not_the_whole_are_refused(shares: tuple[float, float]) -> None:
    refused("meals", meals=[("08:00", shares[0], None), ("20:00", shares[1], None)])


def test_thirds_written_with_three_digits_are_the_whole() -> None:
    assert len(made(meals=[(f"{h:02}:00", 0.333, None) for h in (8, 12, 18)]).meals) == 3


def test_no_food_needs_no_meals_and_food_does() -> None:
    assert made(0.0, 0.0, []).meals == ()
    refused("meals", meals=[])


def test_beyond_one_feeder_every_meal_names_its_own() -> None:
    assert "a, b" in refused("meals.0.feeder", feeders=("a", "b"))
    assert "c" in refused("meals.0.feeder", meals=[("08:00", 1.0, "c")])
    assert made(feeders=()).meals[0].feeder is None


def test_one_feeder_has_one_meal_at_a_time_however_it_is_named() -> None:
    for first, second in ((None, None), ("a", "a"), (None, "a"), ("a", None)):
        refused("meals.1.at", meals=[("08:00", 0.5, first), ("08:00", 0.5, second)])


def test_a_feeder_has_as_many_meals_as_fit_its_message_however_it_is_named() -> None:
    def even(n: int, *names: str | None) -> list[Named]:
        return [(f"{i:02}:00", 1 / n, names[i % len(names)]) for i in range(n)]

    assert len(made(meals=even(MEALS_A_DAY, None)).meals) == MEALS_A_DAY
    assert "14" in refused("meals", meals=even(MEALS_A_DAY + 1, None))
    refused("meals", meals=even(MEALS_A_DAY + 1, None, "a"))
    assert len(made(meals=even(20, "a", "b"), feeders=("a", "b")).meals) == 20


# A large step needs a person's word


@given(st.integers(1, 100_000), st.integers(0, 100_000))
def test_only_more_than_one_and_a_half_times_needs_confirmation(last_mg: int, new_mg: int) -> None:
    last, new = made(last_mg / 1000, 100.0), made(new_mg / 1000, 100.0)
    assert needs_confirmation(last, new) is (2 * new_mg > 3 * last_mg)


def test_exactly_one_and_a_half_times_needs_no_word() -> None:
    # 1.5 x 0.3 is 0.44999999999999996 in floats.
    assert not needs_confirmation(made(0.3, 1.0), made(0.45, 1.0))
    assert needs_confirmation(made(0.3, 1.0), made(0.451, 1.0))


def test_a_cap_that_leaps_needs_confirmation_too_and_a_first_ration_none() -> None:
    assert needs_confirmation(made(1.0, 1.0), made(1.0, 1.6))
    assert not needs_confirmation(made(1.0, 1.0), made(1.0, 1.5))
    assert not needs_confirmation(None, made(100.0, 100.0))
    assert needs_confirmation(made(0.0, 0.0), made(0.1, 0.1))


# Which ration is in force


def figures(ledger: Ledger, day: str) -> tuple[float, float] | None:
    ration = ration_on(date.fromisoformat(day), ledger.zone, ledger.rations)
    return None if ration is None else (ration.daily_g, ration.cap_g)


def test_a_first_ration_holds_at_once_and_not_before_its_day() -> None:
    ledger = parse("""
        2026-05-04 Europe/Berlin
        15:00 ration 1.00 g cap 1.50 g at 08:00 20:00
    """)
    assert figures(ledger, "2026-05-03") is None
    assert figures(ledger, "2026-05-04") == (1.0, 1.5)
    assert figures(ledger, "2027-01-01") == (1.0, 1.5)


def test_less_holds_at_once_and_more_waits_for_the_next_local_midnight_figure_by_figure() -> None:
    ledger = parse("""
        2026-05-04 Europe/Berlin
        15:00 ration 1.00 g cap 1.50 g at 08:00 20:00
        2026-05-05
        10:00 ration 1.20 g cap 1.40 g at 08:00
        2026-05-06
        23:59 ration 0.50 g cap 3.00 g at 18:00
        2026-05-07
        00:00 ration 2.00 g cap 2.00 g at 09:00
    """)
    assert figures(ledger, "2026-05-05") == (1.0, 1.4)
    assert figures(ledger, "2026-05-06") == (0.5, 1.4)
    assert figures(ledger, "2026-05-07") == (0.5, 2.0)  # decided at midnight is decided on the new day
    assert figures(ledger, "2026-05-08") == (2.0, 2.0)


def test_less_and_more_again_on_one_day_stays_less_until_midnight() -> None:
    ledger = parse("""
        2026-05-04 UTC
        06:00 ration 1.00 g cap 1.00 g at 08:00
        2026-05-05
        10:00 ration 0.40 g cap 0.40 g at 08:00
        10:05 ration 1.00 g cap 1.00 g at 08:00
    """)
    assert figures(ledger, "2026-05-05") == (0.4, 0.4)
    assert figures(ledger, "2026-05-06") == (1.0, 1.0)


def test_on_the_day_of_a_change_the_meals_are_those_decided_last() -> None:
    ledger = parse("""
        2026-05-04 UTC
        06:00 ration 1.00 g cap 1.00 g at 08:00 20:00
        2026-05-05
        10:00 ration 1.00 g cap 1.00 g at 12:00 18:00
    """)
    ration = ration_on(date(2026, 5, 5), "UTC", ledger.rations)
    assert ration is not None
    assert [m.at for m in ration.meals] == ["12:00", "18:00"]
    assert ration.decided_ms == at(ledger, "2026-05-05", "10:00")


@st.composite
def histories(draw: st.DrawFn) -> tuple[str, list[Ration]]:
    """A zone and rations decided over a few days from some instant on, in order."""
    zone, first_ms = draw(places())
    gaps = draw(st.lists(st.integers(0, 2 * DAY_MS), min_size=1, max_size=8))
    history = []
    for gap in gaps:
        first_ms += gap
        daily_g = draw(st.integers(0, 40)) / 10
        cap_g = daily_g + draw(st.integers(0, 10)) / 10
        history.append(make_ration(daily_g, cap_g, [(draw(clock_times), 1.0, None)], ["a"], first_ms))
    return zone, history


@given(histories())
def test_the_ration_in_force_against_a_naive_model(place: tuple[str, list[Ration]]) -> None:
    """Walk through the decisions and midnights in order of time, as somebody with a notebook would."""
    zone, history = place
    day = day_of(history[0].decided_ms, zone)
    assert ration_on(day - timedelta(days=1), zone, history) is None
    for _ in range(20):
        opening = [r for r in history if r.decided_ms < day_start_ms(day, zone)]
        today = [r for r in history if day_start_ms(day, zone) <= r.decided_ms < day_end_ms(day, zone)]
        candidates = [*opening[-1:], *today]
        found = ration_on(day, zone, history)
        assert found is not None
        assert found.daily_g == min(r.daily_g for r in candidates)
        assert found.cap_g == min(r.cap_g for r in candidates)
        assert found.meals == candidates[-1].meals
        assert found.daily_g <= found.cap_g
        day += timedelta(days=1)


@given(histories())
def test_nothing_decided_today_feeds_more_today(place: tuple[str, list[Ration]]) -> None:
    zone, history = place
    for i, ration in enumerate(history):
        day = day_of(ration.decided_ms, zone)
        before = ration_on(day, zone, history[:i])
        after = ration_on(day, zone, history[: i + 1])
        assert after is not None
        if before is not None:
            assert after.daily_g <= before.daily_g
            assert after.cap_g <= before.cap_g


# Another daily mass


@pytest.mark.parametrize(
    ("daily_g", "cap_g", "wanted_g", "scaled_cap_g"),
    [
        (1.0, 1.5, 2.0, 3.0),
        (0.3, 0.4, 0.1, 0.133333),  # to the microgram
        (1.0, 1.0, 0.1234564, 0.1234564),  # never under the ration, however it is rounded
        (600.0, 900.0, 700.0, 1000.0),  # the most that a ration may have
    ],
)
def test_a_ration_with_another_mass_has_its_cap_in_proportion(
    daily_g: float, cap_g: float, wanted_g: float, scaled_cap_g: float
) -> None:
    last = Ration(daily_g, cap_g, (Meal("08:00", 1.0, None, "08:00"),), 1, 0.5)
    assert scaled(last, wanted_g, 7) == Ration(wanted_g, scaled_cap_g, last.meals, 7, 0.5)


def test_a_mass_is_in_force_since_it_was_decided_or_since_the_next_midnight() -> None:
    """Less holds at once, more from midnight; the same again goes on."""
    noon_ms = day_start_ms(date(2025, 6, 15), "UTC") + DAY_MS // 2
    midnight_ms = noon_ms + DAY_MS // 2

    def since(*masses_g: float) -> int | None:
        decided = [Ration(mass_g, 2 * mass_g, (), noon_ms + i) for i, mass_g in enumerate(masses_g)]
        return in_force_since_ms(decided, "UTC")

    assert since() is None
    assert since(1.0) == noon_ms
    assert since(1.0, 0.5) == noon_ms + 1
    assert since(1.0, 1.5) == midnight_ms
    assert since(1.0, 0.5, 0.5) == noon_ms + 1
    assert since(1.0, 1.5, 1.5) == midnight_ms
    assert since(1.0, 1.5, 1.2) == noon_ms + 2


def test_what_is_carried_over_on_the_day_of_a_change_is_the_least_decided() -> None:
    noon_ms = day_start_ms(date(2025, 6, 15), "UTC") + DAY_MS // 2
    history = [Ration(1.0, 1.5, (), noon_ms, 0.5), Ration(1.0, 1.5, (), noon_ms + 1, 0.25)]
    force = ration_on(date(2025, 6, 15), "UTC", history)
    assert force is not None
    assert force.carry_over == 0.25
    assert Ration(1.0, 1.5, (), noon_ms).carry_over == 0.0


def test_a_first_ration_needs_no_confirmation() -> None:
    assert needs_confirmation(None, Ration(5.0, 5.0, (), 0)) is False


def test_the_sum_of_shares_is_told_to_six_places() -> None:
    assert refused("meals", meals=[("08:00", 1 / 3, None)]).endswith("found 0.333333")
