"""The ration: grams a day, divided into meals, with a daily cap.

A change to less is valid at once; a change to more is valid from the next local midnight. So each figure of the ration
in force today is the smallest of those that were in force when the day began and that were decided since. The first
ration is valid at once.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date

from tareline.core.calendar import day_end_ms, day_of
from tareline.errors import FieldError

CONFIRM_ABOVE = 1.5  # a ration over this many times the last one needs a person's confirmation (contract)
MEALS_A_DAY = 14  # for one feeder: a week of them must fit into a message of 8 KiB (contract)
_TIME = re.compile(r"([01]\d|2[0-3]):[0-5]\d")


@dataclass(frozen=True, slots=True)
class Meal:
    """One planned feeding: local time "HH:MM", share of the day's ration (0 to 1), feeder, and the slot's name.

    feeder is None where the tank's one feeder is meant, whichever that is.
    """

    at: str
    share: float
    feeder: str | None
    slot: str


@dataclass(frozen=True, slots=True)
class Ration:
    """Grams a day for a tank, its daily cap, its meals in order of time, and the instant it was decided.

    carry_over: the share, 0 to 1, of what remained of yesterday's ration that is fed today besides, under the cap.
    """

    daily_g: float
    cap_g: float
    meals: tuple[Meal, ...]
    decided_ms: int
    carry_over: float = 0.0


def make_ration(
    daily_g: float,
    cap_g: float,
    meals: Sequence[tuple[str, float, str | None]],
    feeders: Sequence[str],
    decided_ms: int,
    carry_over: float = 0.0,
) -> Ration:
    """A checked ration from (time, share, feeder or None) triples and the tank's feeders.

    Raises FieldError naming the field.
    """
    if not 0 <= daily_g <= 1000:
        raise FieldError("daily_g", f"expected 0 to 1000 g; found {daily_g}")
    if not daily_g <= cap_g <= 1000:
        raise FieldError("cap_g", f"expected at least daily_g ({daily_g}) and at most 1000 g; found {cap_g}")
    if not 0 <= carry_over <= 1:
        raise FieldError("carry_over", f"expected a share from 0 (none) to 1; found {carry_over}")
    named: list[tuple[str, float, str | None]] = []
    for i, (at, share, feeder) in enumerate(meals):
        if not _TIME.fullmatch(at):
            raise FieldError(f"meals.{i}.at", f'expected a local time like "08:00"; found {at!r}')
        if not 0 < share <= 1:
            raise FieldError(f"meals.{i}.share", f"expected above 0 and at most 1; found {share}")
        if feeder is None and len(feeders) > 1:
            raise FieldError(f"meals.{i}.feeder", f"expected the feeder's id: this tank has {', '.join(feeders)}")
        if feeder is not None and feeder not in feeders:
            raise FieldError(f"meals.{i}.feeder", f"expected one of {', '.join(feeders) or 'none'}; found {feeder!r}")
        owner = _owner(feeder, feeders)
        if any(at == other and owner == _owner(named_one, feeders) for other, _, named_one in named):
            raise FieldError(f"meals.{i}.at", f"expected one meal at a time and feeder; {at} is there twice")
        named.append((at, share, feeder))
    if daily_g > 0 and abs(sum(share for _, share, _ in named) - 1) > 0.001:
        total = round(sum(share for _, share, _ in named), 6)
        raise FieldError("meals", f"expected shares that sum to 1; found {total}")
    owners = [_owner(feeder, feeders) for _, _, feeder in named]
    if any(owners.count(owner) > MEALS_A_DAY for owner in owners):
        raise FieldError("meals", f"expected at most {MEALS_A_DAY} a day for one feeder; found more")
    named.sort(key=lambda meal: (meal[0], meal[2] or ""))
    return Ration(daily_g, cap_g, tuple(_slots(named)), decided_ms, carry_over)


def _owner(feeder: str | None, feeders: Sequence[str]) -> str | None:
    """The feeder of a meal; a meal that names none belongs to the tank's only feeder."""
    return feeders[0] if feeder is None and feeders else feeder


def _slots(named: Sequence[tuple[str, float, str | None]]) -> Iterator[Meal]:
    """Meals with the names of their slots: the time, and a number where several feeders have the same time."""
    times = [at for at, _, _ in named]
    for i, (at, share, feeder) in enumerate(named):
        slot = at if times.count(at) == 1 else f"{at}.{times[:i].count(at) + 1}"
        yield Meal(at, share, feeder, slot)


def needs_confirmation(last: Ration | None, new: Ration) -> bool:
    """Whether an increase is so large that a person must confirm it."""
    if last is None:
        return False
    pairs = ((new.daily_g, last.daily_g), (new.cap_g, last.cap_g))
    # The tolerance makes sure that 0.45 g is not taken as more than 1.5 times 0.3 g because of rounding.
    return any(new_g > CONFIRM_ABOVE * last_g * (1 + 1e-9) for new_g, last_g in pairs)


def ration_on(day: date, zone: str, history: Sequence[Ration]) -> Ration | None:
    """The ration in force on a local day, given all rations in the order they were decided.

    Returns None before the first. On the day of a change the figures are the least in force that day, the meals those
    decided last.
    """
    force: Ration | None = None
    for ration in history:
        decided = day_of(ration.decided_ms, zone)
        if decided > day:
            break
        if force is None or decided < day:
            force = ration
        else:
            force = replace(
                ration,
                daily_g=min(force.daily_g, ration.daily_g),
                cap_g=min(force.cap_g, ration.cap_g),
                carry_over=min(force.carry_over, ration.carry_over),
            )
    return force


def scaled(last: Ration, daily_g: float, decided_ms: int) -> Ration:
    """A ration with another daily mass: the same meals and shares, and a cap in proportion. last.daily_g is above 0."""
    cap_g = max(daily_g, round(last.cap_g * daily_g / last.daily_g, 6))
    return replace(last, daily_g=daily_g, cap_g=min(cap_g, 1000.0), decided_ms=decided_ms)


def in_force_since_ms(history: Sequence[Ration], zone: str) -> int | None:
    """Since when the daily mass that was decided last is in force without interruption, in UNIX ms; None without a
    ration."""
    start_ms: int | None = None
    before: Ration | None = None
    for ration in history:
        if before is None or ration.daily_g < before.daily_g:
            start_ms = ration.decided_ms
        elif ration.daily_g > before.daily_g:
            start_ms = day_end_ms(day_of(ration.decided_ms, zone), zone)
        before = ration
    return start_ms


def carried_g(ration: Ration, remained_g: float) -> float:
    """The grams that a day is fed in addition to its ration, from what remained of the day before, within the cap.

    What was not fed during a hold is not fed later, because the water was the reason.
    """
    return max(0.0, min(ration.carry_over * remained_g, ration.cap_g - ration.daily_g))
