"""A planned absence: what the feeders are told on its days, what comes back after, and what cannot be planned."""

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from house import DAY_MS, FEEDER, FOOD, HOUR_MS, NOON_MS, TANK, House
from hypothesis import given, settings
from hypothesis import strategies as st

from present import present
from tareline.core.calendar import day_of, day_start_ms, to_ms
from tareline.core.feeding.absence import Absence, check_absence, rations_from, settled, with_absences
from tareline.core.feeding.plan import FedToday, make_plan
from tareline.core.feeding.ration import Meal, Ration, ration_on
from tareline.errors import FieldError

BERLIN = "Europe/Berlin"
FULL = os.environ.get("TARELINE_FULL") == "1"
MEALS = [("08:00", 0.5), ("18:00", 0.5)]
MEAL = (Meal("08:00", 1.0, None, "08:00"),)


def june(day: int) -> str:
    return f"2025-06-{day:02}"


def plan_absence(house: House, start: int, end: int, daily_g: float, **other: Any) -> None:
    body = {"start": june(start), "end": june(end), "daily_g": daily_g, **other}
    house.service.feeding.put_absence(TANK, body)


def end_absence(house: House) -> None:
    house.service.feeding.put_absence(TANK, {"daily_g": None})


def go_to(house: House, day: int, hour: int = 12) -> None:
    house.clock.set(to_ms(datetime(2025, 6, day, hour, tzinfo=UTC)))
    house.service.tick()


def told(house: House) -> dict[int, tuple[list[float], float]]:
    """What the feeder is told of each day of June: the portions of its meals to come, and its cap."""
    plan = house.last("plan")
    assert plan is not None
    found: dict[int, tuple[list[float], float]] = {}
    for one in plan["days"]:
        day = day_of(one["start_ms"], "UTC")
        own = [m["target_g"] for m in plan["meals"] if m["id"].startswith(day.isoformat())]
        found[day.day] = (own, one["cap_g"])
    return found


def budgets(house: House, first: int, last: int) -> list[float | None]:
    days = house.service.books.days(TANK, date(2025, 6, first), date(2025, 6, last))
    return [day.budget_g for day in days]


# -- what feeders are told: noon of 15 June, 1 g a day under a cap of 2 g in two meals ---------------------------------


def test_the_days_of_an_absence_are_planned_with_less_and_the_days_after_as_before(house: House) -> None:
    plan_absence(house, 17, 19, 0.4)
    days = told(house)
    assert days[16] == ([0.5, 0.5], 2.0)
    for day in (17, 18, 19):
        assert days[day] == ([0.2, 0.2], pytest.approx(0.6))
    assert days[20] == ([0.5, 0.5], 2.0)
    assert budgets(house, 16, 20) == [1.0, 0.4, 0.4, 0.4, 1.0]


def test_the_days_stay_so_as_they_come_and_the_ration_returns_by_itself(house: House) -> None:
    plan_absence(house, 17, 19, 0.4)
    go_to(house, 19, 7)
    assert told(house)[19] == ([0.2, 0.2], pytest.approx(0.6))
    house.restart()
    assert told(house)[19] == ([0.2, 0.2], pytest.approx(0.6))
    go_to(house, 20, 0)
    assert told(house)[20] == ([0.5, 0.5], 2.0)


def test_an_absence_from_today_on_feeds_less_at_once(house: House) -> None:
    plan_absence(house, 15, 16, 0.4)
    assert told(house)[15] == ([0.2], pytest.approx(0.6))


def test_hand_feeds_still_count_in_an_absence(house: House) -> None:
    plan_absence(house, 17, 19, 0.4)
    go_to(house, 17)
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.3, "food": FOOD, "by": "a neighbour"})
    assert told(house)[17] == ([pytest.approx(0.1)], pytest.approx(0.3))
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.3, "food": FOOD, "by": "a neighbour"})
    assert told(house)[17] == ([], 0.0)
    assert told(house)[18] == ([0.2, 0.2], pytest.approx(0.6))


def test_a_larger_ration_decided_inside_waits_for_the_end(house: House) -> None:
    plan_absence(house, 17, 19, 0.4)
    go_to(house, 18)
    house.ration(1.4, 2.4, MEALS)
    assert told(house)[18] == ([0.2], pytest.approx(0.6))
    assert told(house)[19] == ([0.2, 0.2], pytest.approx(0.6))
    assert told(house)[20] == ([0.7, 0.7], 2.4)
    view = house.service.feeding.put_ration(
        TANK, {"daily_g": 1.4, "cap_g": 2.4, "meals": [{"at": "08:00", "share": 1}]}
    )
    assert (view.daily_g, view.today.daily_g) == (1.4, 0.4)
    assert told(house)[20] == ([1.4], 2.4)


def test_a_smaller_ration_decided_inside_holds_at_once(house: House) -> None:
    plan_absence(house, 17, 19, 0.4)
    go_to(house, 18)
    house.ration(0.2, 0.2, MEALS)
    assert told(house)[18] == ([0.1], 0.2)
    assert told(house)[19] == ([0.1, 0.1], 0.2)
    assert told(house)[20] == ([0.1, 0.1], 0.2)


def test_an_absence_ended_early_gives_the_ration_back_from_the_next_midnight(house: House) -> None:
    plan_absence(house, 17, 25, 0.4)
    go_to(house, 18)
    end_absence(house)
    assert told(house)[18] == ([0.2], pytest.approx(0.6))
    assert told(house)[19] == ([0.5, 0.5], 2.0)
    assert budgets(house, 16, 19) == [1.0, 0.4, 0.4, 1.0]
    go_to(house, 19, 7)
    assert told(house)[19] == ([0.5, 0.5], 2.0)


def test_an_absence_taken_back_before_it_begins_changes_nothing(house: House) -> None:
    before = told(house)
    plan_absence(house, 17, 19, 0.4)
    end_absence(house)
    assert told(house) == before


def test_another_absence_replaces_the_one_before(house: House) -> None:
    plan_absence(house, 17, 19, 0.4)
    plan_absence(house, 18, 20, 0.6)
    days = told(house)
    assert [days[day][0] for day in (17, 18, 20, 21)] == [[0.5, 0.5], [0.3, 0.3], [0.3, 0.3], [0.5, 0.5]]


def test_one_that_runs_may_be_made_longer_with_its_own_first_day(house: House) -> None:
    plan_absence(house, 17, 19, 0.4)
    go_to(house, 18)
    plan_absence(house, 17, 21, 0.4)
    assert budgets(house, 16, 22) == [1.0, 0.4, 0.4, 0.4, 0.4, 0.4, 1.0]


def test_nothing_is_carried_over_into_an_absence(house: House) -> None:
    house.ration(1.0, 2.0, MEALS, carry_over=1.0)
    plan_absence(house, 17, 18, 0.4)
    go_to(house, 17, 7)
    assert told(house)[17] == ([0.2, 0.2], pytest.approx(0.6)), "the 16th was not fed at all"
    go_to(house, 19, 7)
    assert sum(told(house)[19][0]) == pytest.approx(1.4), "what remained of the last day, by the ration it had"


def test_without_the_service_the_fallback_knows_of_the_absence_to_come(house: House) -> None:
    """A feeder that loses the service feeds its fallback, half the ration, from the eighth day on (contract)."""
    plan = house.last("plan")
    assert plan is not None
    assert plan["fallback"]["daily_g"] == 0.5
    for start, end, fallback_g in ((16, 20, 0.5), (20, 22, 0.2), (30, 30, 0.2)):
        plan_absence(house, start, end, 0.4)
        plan = house.last("plan")
        assert plan is not None
        assert plan["fallback"]["daily_g"] == fallback_g, f"absence from {start} to {end}"
    plan_absence(house, 30, 30, 0.0)
    plan = house.last("plan")
    assert plan is not None
    assert (plan["fallback"]["daily_g"], plan["fallback"]["at_utc_s"]) == (0.0, [])


# -- what cannot be planned --------------------------------------------------------------------------------------------


def refused(house: House, **body: Any) -> tuple[str, int, str]:
    before = house.ledger("absence")
    with pytest.raises(FieldError) as caught:
        house.service.feeding.put_absence(TANK, body)
    assert house.ledger("absence") == before
    return caught.value.field, caught.value.status, caught.value.message


@pytest.mark.parametrize(
    ("body", "field", "status", "found"),
    [
        ({"start": june(17), "end": june(19), "daily_g": 1.01}, "daily_g", 409, "at most the ration, 1 g a day"),
        ({"start": june(14), "end": june(19), "daily_g": 0.4}, "start", 422, "today (2025-06-15) or later"),
        ({"start": june(17), "end": june(16), "daily_g": 0.4}, "end", 422, "a date from 2025-06-17 on"),
        ({"start": june(17), "end": "2025-09-17", "daily_g": 0.4}, "end", 422, "at most 60 days; found 93"),
        ({"start": "9999-12-31", "end": "9999-12-31", "daily_g": 0.4}, "start", 422, "at most 366 days ahead"),
        ({"start": june(17), "daily_g": 0.4}, "end", 422, "expected a date"),
        ({"start": june(17), "end": june(19)}, "daily_g", 422, "expected, and not there"),
        ({"start": june(17), "end": june(19), "daily_g": -0.1}, "daily_g", 422, "greater than or equal to 0"),
        ({"start": 17, "end": june(19), "daily_g": 0.1}, "start", 422, "a date like"),
        ({"start": june(17), "end": june(19), "daily_g": 0.1, "grams": 1}, "grams", 422, "not a field"),
        ({"daily_g": None}, "daily_g", 409, "no absence is planned"),
    ],
)
def test_what_cannot_be_is_refused_by_name(
    house: House, body: dict[str, Any], field: str, status: int, found: str
) -> None:
    told_field, told_status, message = refused(house, **body)
    assert (told_field, told_status) == (field, status)
    assert found in message


def test_no_absence_can_reduce_a_ration_that_was_never_decided(tmp_path: Path) -> None:
    house = House(tmp_path)
    house.add("tank", id=TANK, name="reading room", volume_l=60, timezone="UTC")
    assert refused(house, start=june(17), end=june(19), daily_g=0.4)[:2] == ("daily_g", 409)
    house.close()


def test_what_is_not_proven_is_not_fed_unwatched(house: House) -> None:
    body = {"start": june(17), "end": june(19), "daily_g": 0.8}
    with pytest.raises(FieldError, match=r"proven to carry, 0\.7 g a day"):
        house.service.feeding.put_absence(TANK, body, proven_g=0.7)
    house.service.feeding.put_absence(TANK, body, proven_g=0.8)


def test_an_absence_sent_twice_is_one_entry(house: House) -> None:
    for _ in range(2):
        plan_absence(house, 17, 19, 0.4, client_ref="one")
    assert len(house.ledger("absence")) == 1


# -- against a statement of its own ------------------------------------------------------------------------------------

NOW_MS = to_ms(datetime(2026, 3, 27, 10, tzinfo=UTC))
instants = st.integers(NOW_MS - 4 * DAY_MS, NOW_MS + 8 * DAY_MS)
days = st.integers(-3, 9).map(lambda n: day_of(NOW_MS, BERLIN) + timedelta(days=n))
rations = st.builds(
    lambda at_ms, daily_g, more_g, carry: Ration(daily_g, daily_g + more_g, (Meal("08:00", 1.0, None, "08:00"),), at_ms,
                                                 carry),
    instants, st.sampled_from([0.0, 0.2, 0.5, 1.0]), st.sampled_from([0.0, 0.5]), st.sampled_from([0.0, 0.5]),
)  # fmt: skip
absences = st.builds(
    lambda start, n, daily_g, at_ms: Absence(start, start + timedelta(days=n), daily_g, None, 0, at_ms),
    days, st.integers(-1, 6), st.sampled_from([0.0, 0.1, 0.4]), instants,
)  # fmt: skip


@pytest.mark.slow
@settings(max_examples=2000 if FULL else 200)
@given(st.lists(rations, max_size=4), st.lists(absences, max_size=3))
def test_on_each_day_the_ration_is_the_decided_one_cut_by_the_absences_of_that_day(
    decided: list[Ration], planned: list[Absence]
) -> None:
    """Over the clock change of 29 March 2026 in Europe/Berlin (IANA time zone database)."""
    decided.sort(key=lambda r: r.decided_ms)
    planned.sort(key=lambda a: a.recorded_ms)
    history = with_absences(decided, settled(planned, BERLIN), BERLIN)
    for n in range(-5, 18):
        day = day_of(NOW_MS, BERLIN) + timedelta(days=n)
        plain, found = ration_on(day, BERLIN, decided), ration_on(day, BERLIN, history)
        if plain is None:
            assert found is None
            continue
        assert found is not None
        limits = []
        for i, one in enumerate(planned):
            decided_on = day_of(one.recorded_ms, BERLIN)
            until = day_of(planned[i + 1].recorded_ms, BERLIN) if i + 1 < len(planned) else date.max
            if one.start <= day <= one.end and decided_on <= day <= until:
                limits.append(one.daily_g)
        daily_g = min([plain.daily_g, *limits])
        cap_g = min(plain.cap_g, 1.5 * daily_g) if limits else plain.cap_g
        carry = 0.0 if limits else plain.carry_over
        assert (found.daily_g, found.cap_g, found.carry_over) == (daily_g, cap_g, carry)
        assert found.meals == plain.meals


def test_a_plan_through_a_date_that_was_skipped_keeps_the_absence() -> None:
    """Samoa had no 30 December 2011 (IANA time zone database)."""
    zone, now_ms = "Pacific/Apia", to_ms(datetime(2011, 12, 28, 22, tzinfo=UTC))
    ration = Ration(1.0, 2.0, (Meal("08:00", 1.0, None, "08:00"),), now_ms - 9 * DAY_MS)
    away = Absence(date(2011, 12, 29), date(2011, 12, 30), 0.4, None, 0, now_ms)
    found = make_plan(FEEDER, True, zone, with_absences([ration], settled([away], zone), zone), FedToday(), now_ms)
    caps = {day_of(d.start_ms, zone).isoformat(): d.cap_g for d in found.days[:4]}
    assert caps == {"2011-12-28": 2.0, "2011-12-29": pytest.approx(0.6), "2011-12-31": 2.0, "2012-01-01": 2.0}
    assert day_start_ms(date(2011, 12, 30), zone) == day_start_ms(date(2011, 12, 31), zone)


def test_hours_of_the_house_are_what_the_tests_say() -> None:
    assert day_of(NOON_MS, "UTC") == date(2025, 6, 15)
    assert (NOON_MS // HOUR_MS) % 24 == 12


# -- the borders of what can be planned --------------------------------------------------------------------------------


def check(start: date, days: int) -> None:
    last = Ration(1.0, 2.0, (Meal("08:00", 1.0, None, "08:00"),), 0)
    check_absence(start, start + timedelta(days=days - 1), 0.5, date(2025, 6, 15), last, None, None)


def test_an_absence_begins_within_366_days() -> None:
    check(date(2025, 6, 15) + timedelta(days=366), 1)
    with pytest.raises(FieldError) as refused:
        check(date(2025, 6, 15) + timedelta(days=367), 1)
    assert refused.value.field == "start"


def test_an_absence_lasts_sixty_days_at_most() -> None:
    check(date(2025, 6, 15), 60)
    with pytest.raises(FieldError) as refused:
        check(date(2025, 6, 15), 61)
    assert refused.value.field == "end"


def test_a_ration_decided_at_midnight_matters_from_that_day_on_once() -> None:
    midnight_ms = day_start_ms(date(2025, 6, 15), "UTC")
    meals = (Meal("08:00", 1.0, None, "08:00"),)
    older, old, at_midnight = (Ration(g, 2.0, meals, midnight_ms + ms) for g, ms in ((1.0, -2), (1.1, -1), (1.2, 0)))
    assert rations_from([older, old, at_midnight], [], "UTC", midnight_ms) == [old, at_midnight]


def test_a_ration_of_the_last_instant_of_an_absence_is_whole_on_the_day_after() -> None:
    decided = [Ration(1.0, 1.5, MEAL, 0), Ration(2.0, 3.0, MEAL, day_start_ms(date(2025, 6, 13), "UTC") - 1)]
    away = Absence(date(2025, 6, 10), date(2025, 6, 12), 0.5, None, 1, 0)
    history = with_absences(decided, settled([away], "UTC"), "UTC")
    rations_g = [present(ration_on(date(2025, 6, day), "UTC", history)).daily_g for day in (9, 10, 12, 13)]
    assert rations_g == [1.0, 0.5, 0.5, 2.0]
