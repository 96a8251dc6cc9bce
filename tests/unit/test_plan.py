"""From a ration to a feeder's plan: what it may never do, whatever the zone, the hour and what was fed before."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from present import present
from tareline.app.dispatch import DOWN_BYTES, encode, plan_body
from tareline.core.calendar import day_end_ms, day_of, day_start_ms, from_ms, meal_ms, to_ms
from tareline.core.feeding.plan import (
    BLIND_DAYS,
    DAYS,
    FALLBACK_DAYS,
    MEAL_DAYS,
    FedToday,
    Plan,
    empty_plan,
    largest_meal_g,
    make_plan,
)
from tareline.core.feeding.ration import MEALS_A_DAY, Ration, make_ration, ration_on
from zones import DAY_MS, HOUR_MS, clock_times, places

FEEDERS = ("front", "rear")
FLOATS_G = 1e-9  # what sums of floats may lose; a thousandth of what the wire resolves
WIRE_G = 1e-6  # a microgram
BERLIN = "Europe/Berlin"
NOON_MS = to_ms(datetime(2026, 5, 4, 10, tzinfo=UTC))  # a Monday, 12:00 in Berlin


def ration(daily_g: float = 1.0, cap_g: float = 1.5, decided_ms: int = 0, **at: float) -> Ration:
    """A ration of one feeder: h08=0.5 is half of it at 08:00."""
    meals = [(f"{clock[1:3]}:{clock[3:] or '00'}", share, None) for clock, share in (at or {"h08": 1.0}).items()]
    return make_ration(daily_g, cap_g, meals, ["front"], decided_ms)


def plan(rations: list[Ration], fed: FedToday | None = None, now_ms: int = NOON_MS, zone: str = BERLIN) -> Plan:
    return make_plan("front", True, zone, rations, fed or FedToday(), now_ms)


@dataclass(frozen=True)
class Tank:
    """A tank with two feeders at some place and instant: its rations, and what each way of feeding gave today."""

    zone: str
    now_ms: int
    rations: list[Ration]
    fed_g: dict[str, float]
    hand_g: float

    @property
    def today(self) -> date:
        return day_of(self.now_ms, self.zone)

    @property
    def counted_g(self) -> float:
        return sum(self.fed_g.values()) + self.hand_g

    @property
    def in_force(self) -> Ration:
        found = ration_on(self.today, self.zone, self.rations)
        assert found is not None
        return found

    def plan(self, feeder: str) -> Plan:
        fed = FedToday(self.counted_g, self.counted_g - self.fed_g[feeder])
        return make_plan(feeder, feeder == FEEDERS[0], self.zone, self.rations, fed, self.now_ms)


@st.composite
def rations(draw: st.DrawFn, decided_ms: int) -> Ration:
    at = draw(st.lists(st.tuples(clock_times, st.sampled_from(FEEDERS)), min_size=1, max_size=8, unique=True))
    weights = [draw(st.integers(1, 9)) for _ in at]
    meals = [(clock, weight / sum(weights), owner) for (clock, owner), weight in zip(at, weights, strict=True)]
    daily_g = draw(st.integers(0, 5000)) / 1000
    return make_ration(daily_g, daily_g + draw(st.integers(0, 2000)) / 1000, meals, FEEDERS, decided_ms)


masses_g = st.one_of(st.just(0.0), st.integers(0, 6000).map(lambda mg: mg / 1000))


@st.composite
def tanks(draw: st.DrawFn) -> Tank:
    zone, now_ms = draw(places())
    ages = sorted(draw(st.lists(st.integers(0, 3 * DAY_MS), min_size=1, max_size=4)), reverse=True)
    history = [draw(rations(now_ms - age)) for age in ages]
    fed_g = {feeder: draw(masses_g) for feeder in FEEDERS}
    return Tank(zone, now_ms, history, fed_g, draw(masses_g))


@given(tanks())
def test_todays_meals_of_all_feeders_never_exceed_what_is_left(tank: Tank) -> None:
    end_ms = day_end_ms(tank.today, tank.zone)
    left_g = max(0.0, tank.in_force.daily_g - tank.counted_g)
    coming = [m for feeder in FEEDERS for m in tank.plan(feeder).meals if m.at_ms < end_ms]
    assert sum(m.target_g for m in coming) <= left_g + FLOATS_G


@given(tanks())
def test_todays_meals_use_what_is_left_up_to_their_own_shares(tank: Tank) -> None:
    """Meals never grow; what is too little for all of them is shared in proportion, and none of it is lost."""
    force = tank.in_force
    left_g = max(0.0, force.daily_g - tank.counted_g)
    asked = {}
    for meal in force.meals:
        at_ms = meal_ms(tank.today, meal.at, tank.zone)
        if at_ms is not None and at_ms > tank.now_ms:
            asked[present(meal.feeder), meal.slot] = force.daily_g * meal.share
    scale = min(1.0, left_g / sum(asked.values())) if sum(asked.values()) > 0 else 0.0
    planned = {
        (feeder, m.id.removeprefix(f"{tank.today}/")): m.target_g
        for feeder in FEEDERS
        for m in tank.plan(feeder).meals
        if m.id.startswith(f"{tank.today}/")
    }
    for key, mass_g in asked.items():
        assert mass_g * scale - WIRE_G - FLOATS_G <= planned.pop(key, 0.0) <= mass_g * scale + FLOATS_G
    assert not planned


@given(tanks(), st.sampled_from(FEEDERS))
def test_meals_of_the_coming_days_are_the_rations_shares_at_their_local_times(tank: Tank, feeder: str) -> None:
    tomorrow_ms = day_end_ms(tank.today, tank.zone)
    found = {m.id: m for m in tank.plan(feeder).meals if m.at_ms >= tomorrow_ms}
    days = [
        day
        for day in (tank.today + timedelta(days=i) for i in range(1, MEAL_DAYS + 1))
        if day_start_ms(day, tank.zone) < day_end_ms(day, tank.zone)
    ][: MEAL_DAYS - 1]
    for day in days:
        force = ration_on(day, tank.zone, tank.rations)
        assert force is not None
        for meal in force.meals:
            wanted_g = force.daily_g * meal.share
            if meal.feeder != feeder or wanted_g < WIRE_G:
                continue
            planned = found.pop(f"{day}/{meal.slot}")
            assert planned.at_ms == meal_ms(day, meal.at, tank.zone)
            assert wanted_g - WIRE_G - FLOATS_G <= planned.target_g <= wanted_g + FLOATS_G
    assert not found


@given(tanks(), st.sampled_from(FEEDERS))
def test_no_past_slot_is_issued_and_every_meal_feeds_something(tank: Tank, feeder: str) -> None:
    meals = tank.plan(feeder).meals
    assert all(m.at_ms > tank.now_ms for m in meals)
    assert all(m.target_g > 0 for m in meals)
    assert [m.at_ms for m in meals] == sorted(m.at_ms for m in meals)
    assert len({m.id for m in meals}) == len(meals)


@given(tanks(), st.sampled_from(FEEDERS))
def test_a_meals_id_is_its_local_date_and_slot_and_the_meal_lies_in_that_day(tank: Tank, feeder: str) -> None:
    for meal in tank.plan(feeder).meals:
        day = date.fromisoformat(meal.id.partition("/")[0])
        assert day_start_ms(day, tank.zone) <= meal.at_ms < day_end_ms(day, tank.zone)


@given(tanks(), st.integers(0, 3 * DAY_MS), st.sampled_from(FEEDERS), st.data())
def test_ids_and_times_stay_through_every_change_of_plan(
    tank: Tank, later_ms: int, feeder: str, data: st.DataObject
) -> None:
    """The same slots under other masses, later and after more was fed: what both plans hold has one id and one time."""
    last = tank.rations[-1]
    now_ms = tank.now_ms + later_ms
    daily_g = data.draw(st.integers(1, 5000)) / 1000
    meals = [(m.at, m.share, m.feeder) for m in last.meals]
    changed = make_ration(daily_g, 10.0, meals, FEEDERS, tank.now_ms + later_ms // 2)
    after = Tank(tank.zone, now_ms, [*tank.rations, changed], tank.fed_g, data.draw(masses_g)).plan(feeder)
    before = {m.id: m.at_ms for m in tank.plan(feeder).meals if m.at_ms > now_ms}
    now_there = {m.id: m.at_ms for m in after.meals}
    tomorrow_ms = day_end_ms(day_of(now_ms, tank.zone), tank.zone)
    for identifier, at_ms in before.items():
        assert now_there.get(identifier, at_ms) == at_ms
        slot_of_last = any(m.slot == identifier.partition("/")[2] and m.feeder == feeder for m in last.meals)
        if at_ms >= tomorrow_ms and slot_of_last and daily_g > 1:
            assert identifier in now_there


@given(tanks(), st.sampled_from(FEEDERS))
def test_days_begin_with_the_current_one_and_follow_each_other(tank: Tank, feeder: str) -> None:
    days = tank.plan(feeder).days
    assert len(days) == DAYS >= 8
    assert days[0].start_ms <= tank.now_ms < days[1].start_ms
    for day, following in pairwise(days):
        assert following.start_ms == day_end_ms(day_of(day.start_ms, tank.zone), tank.zone) > day.start_ms
        assert day_start_ms(day_of(day.start_ms, tank.zone), tank.zone) == day.start_ms


@given(tanks(), st.sampled_from(FEEDERS))
def test_caps_are_never_negative_and_lose_what_others_fed_today(tank: Tank, feeder: str) -> None:
    days = tank.plan(feeder).days
    others_g = tank.counted_g - tank.fed_g[feeder]
    assert days[0].cap_g == pytest.approx(max(0.0, tank.in_force.cap_g - others_g), abs=WIRE_G + FLOATS_G)
    assert days[0].cap_g <= max(0.0, tank.in_force.cap_g - others_g) + FLOATS_G
    for day in days:
        assert day.cap_g >= 0.0
    for day in days[1:]:
        force = ration_on(day_of(day.start_ms, tank.zone), tank.zone, tank.rations)
        assert force is not None
        assert day.cap_g == pytest.approx(force.cap_g, abs=WIRE_G + FLOATS_G)


@given(tanks(), st.sampled_from(FEEDERS))
def test_what_the_plan_asks_of_a_feeder_fits_under_its_cap(tank: Tank, feeder: str) -> None:
    """Otherwise the last meal of every day would end as `capped`. Rounding counts: thirds of 0.2 g are 66 666 ug."""
    found = tank.plan(feeder)
    starts = [day.start_ms for day in found.days]
    for i, day in enumerate(found.days[:-1]):
        asked_ug = sum(round(m.target_g * 1e6) for m in found.meals if starts[i] <= m.at_ms < starts[i + 1])
        own_g = tank.fed_g[feeder] if i == 0 else 0.0
        assert asked_ug == 0 or asked_ug / 1e6 <= day.cap_g - own_g + FLOATS_G


@given(tanks(), st.sampled_from(FEEDERS))
def test_the_fallback_is_half_of_the_feeders_part_and_ends(tank: Tank, feeder: str) -> None:
    fallback = tank.plan(feeder).fallback
    last = tank.rations[-1]
    own_g = last.daily_g * sum(m.share for m in last.meals if m.feeder == feeder)
    assert fallback.daily_g == pytest.approx(own_g / 2, abs=WIRE_G)
    assert fallback.daily_g <= own_g / 2 + FLOATS_G
    assert all(0 <= second < 86_400 for second in fallback.at_utc_s)
    assert fallback.until_ms == day_start_ms(tank.today + timedelta(days=FALLBACK_DAYS), tank.zone)
    assert (len(fallback.at_utc_s), fallback.blind_days) == ((1, BLIND_DAYS) if own_g > 0 else (0, 0))


@given(places())
@example(("Pacific/Apia", to_ms(datetime(2011, 12, 28, tzinfo=UTC))))
def test_without_a_ration_nothing_is_fed(place: tuple[str, int]) -> None:
    zone, now_ms = place
    found = make_plan("front", True, zone, [], FedToday(), now_ms)
    assert found == empty_plan(now_ms, zone)
    assert found.meals == ()
    assert {day.cap_g for day in found.days} == {0.0}
    assert len({day.start_ms for day in found.days}) == DAYS
    assert found.days[0].start_ms <= now_ms < found.days[1].start_ms
    assert (found.fallback.daily_g, found.fallback.at_utc_s, found.fallback.blind_days) == (0.0, (), 0)
    assert found.fallback.until_ms <= now_ms


# By example


def test_a_plain_week() -> None:
    found = plan([ration(h08=0.5, h20=0.5)])
    assert [from_ms(m.at_ms, BERLIN).strftime("%a %H:%M") for m in found.meals[:3]] == [
        "Mon 20:00",
        "Tue 08:00",
        "Tue 20:00",
    ]
    assert len(found.meals) == 13
    assert {m.target_g for m in found.meals} == {0.5}
    assert found.meals[0].id == "2026-05-04/20:00"
    assert [day.cap_g for day in found.days] == [1.5] * DAYS


def test_a_hand_feed_makes_todays_rest_smaller_and_tomorrow_not() -> None:
    found = plan([ration(h08=0.5, h18=0.3, h20=0.2)], FedToday(counted_g=0.75, others_g=0.25))
    assert [m.target_g for m in found.meals[:3]] == [0.15, 0.1, 0.5]
    assert [day.cap_g for day in found.days[:2]] == [1.25, 1.5]


def test_what_floats_lose_takes_no_microgram_from_anybody() -> None:
    found = plan([ration(0.3, 0.3, h08=0.5, h20=0.5)], FedToday(counted_g=0.2, others_g=0.1))
    assert found.days[0].cap_g == 0.2  # 0.3 - 0.1 is 0.19999999999999998 in floats
    assert found.meals[0].target_g == 0.1  # 0.3 - 0.2 is 0.09999999999999998


def test_a_missed_morning_is_not_made_up_in_the_evening() -> None:
    assert plan([ration(h08=0.5, h20=0.5)], FedToday()).meals[0].target_g == 0.5


def test_more_fed_than_budgeted_leaves_no_meal_today_and_no_negative_cap() -> None:
    found = plan([ration(h08=0.5, h20=0.5)], FedToday(counted_g=3.0, others_g=2.0))
    assert found.meals[0].id == "2026-05-05/08:00"
    assert found.days[0].cap_g == 0.0


def test_a_meal_is_issued_until_its_very_instant() -> None:
    eight_ms = to_ms(datetime(2026, 5, 4, 6, tzinfo=UTC))
    assert plan([ration()], now_ms=eight_ms - 1).meals[0].id == "2026-05-04/08:00"
    assert plan([ration()], now_ms=eight_ms).meals[0].id == "2026-05-05/08:00"


def test_less_cuts_today_and_more_waits_for_midnight() -> None:
    old = ration(1.0, 1.0, NOON_MS - DAY_MS, h08=0.5, h20=0.5)
    less = plan([old, ration(0.4, 0.4, NOON_MS - HOUR_MS, h08=0.5, h20=0.5)])
    assert [m.target_g for m in less.meals[:2]] == [0.2, 0.2]
    assert less.days[0].cap_g == 0.4
    more = plan([old, ration(1.4, 2.0, NOON_MS - HOUR_MS, h08=0.5, h20=0.5)])
    assert [m.target_g for m in more.meals[:2]] == [0.5, 0.7]
    assert [day.cap_g for day in more.days[:2]] == [1.0, 2.0]


def test_meals_without_a_feeder_are_the_first_ones_and_others_get_none() -> None:
    history = [ration(h08=1.0)]
    assert make_plan("rear", False, BERLIN, history, FedToday(), NOON_MS).meals == ()
    assert make_plan("front", True, BERLIN, history, FedToday(), NOON_MS).meals != ()


def test_a_skipped_date_takes_no_meal_of_the_next_one_with_it() -> None:
    """Samoa had no 30 December 2011: the 31st is fed like any other day, and the plan still has seven days of meals."""
    noon_ms = to_ms(datetime(2011, 12, 28, 22, tzinfo=UTC))
    found = plan([ration(h08=0.5, h20=0.5)], now_ms=noon_ms, zone="Pacific/Apia")
    dates = sorted({m.id.partition("/")[0] for m in found.meals})
    assert dates == [f"2011-12-{d}" for d in (28, 29, 31)] + [f"2012-01-{d:02}" for d in (1, 2, 3, 4)]
    assert len(found.days) == DAYS


def test_meals_stand_in_order_also_where_the_clocks_skip_an_hour() -> None:
    now_ms = to_ms(datetime(2026, 3, 28, 22, tzinfo=UTC))
    found = plan([ration(h0230=0.5, h03=0.5)], now_ms=now_ms)
    assert [m.id for m in found.meals[:2]] == ["2026-03-29/03:00", "2026-03-29/02:30"]


def test_an_hour_that_happens_twice_has_one_meal() -> None:
    now_ms = to_ms(datetime(2026, 10, 25, 0, 45, tzinfo=UTC))  # 02:45 for the first time; 02:30 is to come once more
    assert plan([ration(h0230=1.0)], now_ms=now_ms).meals[0].id == "2026-10-26/02:30"


def test_the_fallback_feeds_at_the_time_of_the_first_meal() -> None:
    found = plan([ration(h08=0.4, h20=0.6)]).fallback
    assert (found.daily_g, found.at_utc_s, found.blind_days) == (0.5, (6 * 3600,), 7)  # 08:00 in Berlin's summer
    assert from_ms(found.until_ms, BERLIN).isoformat() == "2026-06-01T00:00:00+02:00"


def test_the_largest_meal_stands_for_a_dose_of_unknown_size() -> None:
    assert largest_meal_g(ration(2.0, 2.0, h08=0.2, h12=0.7, h20=0.1)) == pytest.approx(1.4)
    assert largest_meal_g(ration(0.0, 0.0)) == 0.0
    assert largest_meal_g(None) == 0.0


def test_the_longest_plan_fits_its_message_whole() -> None:
    """14 meals a day for each of ten feeders at the same times: ids with two-digit numbers, masses with all digits."""
    names = [f"feeder-with-a-rather-long-name-{i}" for i in range(10)]
    times = [f"{1 + i:02}:07" for i in range(MEALS_A_DAY)]
    meals = [(clock, 1 / 140, name) for clock in times for name in names]
    daily_g = 999.99
    longest = make_ration(daily_g, 1000.0, meals, names, 0)
    now_ms = day_start_ms(date(2026, 10, 20), BERLIN)
    found = make_plan(names[-1], False, BERLIN, [longest], FedToday(0.0, 0.123456), now_ms)
    assert len(found.meals) == 7 * MEALS_A_DAY
    assert found.meals[0].id == "2026-10-20/01:07.10"
    assert len(str(found.meals[0].target_g)) == len("7.142785")
    body = plan_body(found, 0.00123456789)
    assert len(body["meals"]) == 7 * MEALS_A_DAY
    head = {"installation": "f" * 64, "version": now_ms, "issued_at_ms": now_ms}
    assert len(encode({**head, **body})) <= DOWN_BYTES == 8192


def test_a_plan_for_one_feeder_with_the_heaviest_ration_fits_too() -> None:
    meals = [(f"{1 + i:02}:07", 1 / MEALS_A_DAY, None) for i in range(MEALS_A_DAY)]
    heaviest = make_ration(1000.0, 1000.0, meals, ["front"], 0)
    now_ms = day_start_ms(date(2026, 10, 20), BERLIN)
    body = plan_body(plan([heaviest], now_ms=now_ms), 0.00123456789)
    assert len(body["meals"]) == 7 * MEALS_A_DAY
    assert body["meals"][0]["target_g"] == 71.428571
