"""The plan of one feeder, made from the ration: days with caps, coming meals, and a fallback when they run out.

A plan never contains a meal that is past. What was fed today, by hand or by any feeder, is subtracted from the rest of
today: the coming meals share the rest in proportion, and never exceed their share of the ration and of what was carried
over from yesterday. The cap of a day is reduced by what was fed by hand and by other feeders of the tank; the feeder
counts its own doses itself.
"""

import math
from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass
from datetime import date, timedelta

from tareline.core.calendar import ONE_DAY, day_end_ms, day_of, day_start_ms, meal_ms
from tareline.core.feeding.ration import Ration, ration_on

MEAL_DAYS = 7
DAYS = 9  # the contract requires at least 8; one more keeps a plan complete until it is renewed after midnight
# When the meals run out, Tareline does not watch the water either, so the fallback feeds half: weeks with little food
# harm less than overfeeding (judgement of ours).
FALLBACK_SHARE = 0.5
FALLBACK_DAYS = 28
BLIND_DAYS = 7
_PER_G = 1_000_000  # whole micrograms on the wire


@dataclass(frozen=True, slots=True)
class PlannedMeal:
    id: str
    at_ms: int
    target_g: float


@dataclass(frozen=True, slots=True)
class PlannedDay:
    start_ms: int
    cap_g: float


@dataclass(frozen=True, slots=True)
class Fallback:
    """What a feeder does when its meals have run out: it feeds once a UTC day at a second of that day, until an
    instant; without a clock it feeds once in 24 hours of uptime, for at most `blind_days`."""

    daily_g: float
    at_utc_s: tuple[int, ...]
    until_ms: int
    blind_days: int


@dataclass(frozen=True, slots=True)
class Plan:
    days: tuple[PlannedDay, ...]
    meals: tuple[PlannedMeal, ...]
    fallback: Fallback


@dataclass(frozen=True, slots=True)
class FedToday:
    """What today's plan must take into account, in grams.

    counted_g: everything fed to the tank today, as it counts against the ration.
    others_g: of that, what the one planned for does not count itself: fed by hand, by other feeders, and by a board
    that stood in its place before.
    carried_g: what today is fed besides its ration, from what remained of yesterday's.
    """

    counted_g: float = 0.0
    others_g: float = 0.0
    carried_g: float = 0.0


def meal_id(day: date, slot: str) -> str:
    """A meal's id: the local date and the slot's name, which do not change with the plan."""
    return f"{day.isoformat()}/{slot}"


def _down(mass_g: float) -> float:
    """Grams rounded down to whole micrograms, so that the sum of rounded meals is never more than the whole.

    A millionth of a microgram is added first, because floating-point results can be slightly too small: 0.3 - 0.1.
    """
    return math.floor(mass_g * _PER_G + 1e-6) / _PER_G


def _coming_days(today: date, zone: str) -> Iterator[date]:
    """The local days of a plan, today first; a date that the time zone skipped is left out."""
    day, found = today, 0
    while found < DAYS:
        if day_start_ms(day, zone) < day_end_ms(day, zone):
            yield day
            found += 1
        day += ONE_DAY


def empty_plan(now_ms: int, zone: str) -> Plan:
    """The plan of a feeder that must not feed: days with a cap of zero, no meal, no fallback."""
    today = day_of(now_ms, zone)
    days = tuple(PlannedDay(day_start_ms(day, zone), 0.0) for day in _coming_days(today, zone))
    return Plan(days, (), Fallback(0.0, (), days[0].start_ms, 0))


def make_plan(feeder: str, sole: bool, zone: str, rations: Sequence[Ration], fed: FedToday, now_ms: int) -> Plan:
    """The plan of one feeder from the tank's rations (oldest first), as of `now_ms`.

    sole: whether meals that name no feeder belong to this one, because it is the tank's only or first feeder.

    Returns the empty plan where no ration has been decided.
    """
    owners = {feeder, None} if sole else {feeder}
    today = day_of(now_ms, zone)
    if ration_on(today, zone, rations) is None:
        return empty_plan(now_ms, zone)
    days: list[PlannedDay] = []
    meals: list[PlannedMeal] = []
    for i, day in enumerate(_coming_days(today, zone)):
        ration = ration_on(day, zone, rations)
        assert ration is not None  # a ration never ends; the next one replaces it
        cap_g = ration.cap_g - (fed.others_g if i == 0 else 0.0)
        days.append(PlannedDay(day_start_ms(day, zone), _down(max(cap_g, 0.0))))
        if i < MEAL_DAYS:
            carried_g = fed.carried_g if i == 0 else 0.0
            left_g = ration.daily_g + carried_g - (fed.counted_g if i == 0 else 0.0)
            meals.extend(_meals(owners, day, zone, ration, ration.daily_g + carried_g, left_g, now_ms))
    return Plan(tuple(days), tuple(meals), _fallback(owners, zone, rations, today))


def _meals(
    owners: Set[str | None], day: date, zone: str, ration: Ration, daily_g: float, left_g: float, now_ms: int
) -> list[PlannedMeal]:
    """The coming meals of one feeder on a day: none is larger than its share of `daily_g`, and all fit in `left_g`."""
    coming = [
        (meal, at_ms) for meal in ration.meals if (at_ms := meal_ms(day, meal.at, zone)) is not None and at_ms > now_ms
    ]
    asked_g = daily_g * sum(meal.share for meal, _ in coming)
    scale = min(1.0, max(left_g, 0.0) / asked_g) if asked_g > 0 else 0.0
    planned = [
        PlannedMeal(meal_id(day, meal.slot), at_ms, _down(daily_g * meal.share * scale))
        for meal, at_ms in coming
        if meal.feeder in owners
    ]
    # A time that the clocks skipped can move behind later meals; readers of a plan may stop at the first coming meal.
    return sorted((meal for meal in planned if meal.target_g > 0), key=lambda meal: meal.at_ms)


def _fallback(owners: Set[str | None], zone: str, rations: Sequence[Ration], today: date) -> Fallback:
    """The fallback: half of this feeder's part of the ration at the end of the plan, at the time of its first meal.

    Where less is to be fed later, as in a planned absence, it is half of that, because the feeder might then be
    unreachable.
    """
    last = today + timedelta(days=DAYS - 1)
    ration = ration_on(last, zone, rations)
    until_ms = day_start_ms(today + timedelta(days=FALLBACK_DAYS), zone)
    own = [meal for meal in ration.meals if meal.feeder in owners] if ration else []
    if ration is None or not own or ration.daily_g == 0:
        return Fallback(0.0, (), until_ms, 0)
    first = today + timedelta(days=MEAL_DAYS)
    later = [r for r in rations if day_start_ms(first, zone) <= r.decided_ms < until_ms]
    least_g = min(r.daily_g for r in (ration, ration_on(first, zone, rations) or ration, *later))
    daily_g = _down(FALLBACK_SHARE * least_g * sum(meal.share for meal in own))
    if daily_g == 0:
        return Fallback(0.0, (), until_ms, 0)
    first_ms = meal_ms(last, own[0].at, zone)
    at_utc_s = ((first_ms // 1000) % 86_400,) if first_ms is not None else (0,)
    return Fallback(daily_g, at_utc_s, until_ms, BLIND_DAYS)


def largest_meal_g(ration: Ration | None) -> float:
    """The largest meal of a ration in grams; 0 without one, or without meals."""
    return max((ration.daily_g * meal.share for meal in ration.meals), default=0.0) if ration else 0.0
