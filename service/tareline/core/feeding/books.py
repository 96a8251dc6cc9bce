"""The records of a day and of a week: the budget, and what was dispensed, with its standard deviation.

The dispensed mass comes from the estimate of the feeder, which uses more data than each dose's own weighing. A day with
doses that were not weighed is marked; where nothing is known about them, its mass is unknown, not zero.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from tareline.core.calendar import ONE_DAY, day_end_ms, day_of, day_start_ms
from tareline.core.feeding.absence import Absence, rations_from
from tareline.core.feeding.doses import LARGEST_MEAL_G, Dose, HandFeed
from tareline.core.feeding.plan import FedToday, largest_meal_g
from tareline.core.feeding.ration import Ration, carried_g, ration_on


@dataclass(frozen=True, slots=True)
class Span:
    """A span of time in UNIX ms; to_ms is None while it lasts."""

    from_ms: int
    to_ms: int | None

    def overlap_ms(self, start_ms: int, end_ms: int, now_ms: int) -> int:
        """How much of [start, end) it covers until now, in ms."""
        to_ms = now_ms if self.to_ms is None else self.to_ms
        return max(0, min(to_ms, end_ms) - max(self.from_ms, start_ms))


@dataclass(frozen=True, slots=True)
class DayBook:
    """One local day: what was budgeted, dispensed, fed by hand, and what is left, in grams.

    budget_g is None before the first ration; dispensed_g is None where doses moved food and none was weighed.
    """

    day: date
    start_ms: int
    end_ms: int
    budget_g: float | None
    dispensed_g: float | None
    dispensed_sd_g: float | None
    handfed_g: float
    handfed_sd_g: float
    remaining_g: float | None
    held_s: int
    flags: tuple[str, ...]
    doses: tuple[Dose, ...]
    handfeeds: tuple[HandFeed, ...]
    unweighed: int
    provisional: bool


@dataclass(frozen=True, slots=True)
class Dispensed:
    """The dispensed mass of a day in grams, and its standard deviation; None where unknown. provisional: whether it may
    still change; doubtful: whether a finding without a decision lies in the day."""

    mass_g: float | None
    sd_g: float | None
    provisional: bool
    doubtful: bool


@dataclass(frozen=True, slots=True)
class Feedings:
    """All feeding of a tank in some time: doses (with gaps), hand feeds, and mass that left hoppers without a motor
    step as (UNIX ms, feeder, grams); each in order of time. The feeder of a loss is empty where the board that lost the
    food has been replaced: the one in its place does not count it."""

    doses: tuple[Dose, ...] = ()
    handfeeds: tuple[HandFeed, ...] = ()
    losses: tuple[tuple[int, str, float], ...] = ()

    def within(self, start_ms: int, end_ms: int) -> "Feedings":
        """The part that lies in [start, end)."""
        return Feedings(
            tuple(d for d in self.doses if start_ms <= d.at_ms < end_ms),
            tuple(h for h in self.handfeeds if start_ms <= h.at_ms < end_ms),
            tuple(loss for loss in self.losses if start_ms <= loss[0] < end_ms),
        )

    def counted_g(self, unknown_g: float) -> float:
        """The mass that counts against a day's ration, in grams; a dose of unknown size counts as `unknown_g`."""
        counted_g = sum(d.counted_g(unknown_g) for d in self.doses) + sum(h.mass_g for h in self.handfeeds)
        return counted_g + sum(grams for _, _, grams in self.losses)


def unknown_dose_g(ration: Ration | None) -> float:
    """What a dose of unknown size counts as on a day, in grams: the largest meal of the day's ration.

    Without a ration, or with one of nothing, a usual meal: what is unknown is not nothing.
    """
    return largest_meal_g(ration) or LARGEST_MEAL_G


def sized(doses: Sequence[Dose], zone: str, decided: Sequence[Ration], absences: Sequence[Absence]) -> list[Dose]:
    """The doses of a tank; a dose whose steps and grams are both unknown gets the largest meal of its day."""
    found = []
    for one in doses:
        if one.target_g is None and one.moved:
            day = day_of(one.at_ms, zone)
            rations = rations_from(decided, absences, zone, day_start_ms(day, zone))
            found.append(replace(one, largest_g=unknown_dose_g(ration_on(day, zone, rations))))
        else:
            found.append(one)
    return found


def carried_over_g(
    day: date, zone: str, decided: Sequence[Ration], absences: Sequence[Absence], fed: Feedings, held: Sequence[Span]
) -> float:
    """The grams that a day is fed in addition to its ration, from what remained of the day before; nothing after a day
    with a hold.

    decided, absences: as in `rations_from`. fed: at least of the day before. held: the spans of holds and reductions.
    """
    before = day - ONE_DAY
    start_ms, end_ms = day_start_ms(before, zone), day_end_ms(before, zone)
    rations = rations_from(decided, absences, zone, start_ms)
    then, now = ration_on(before, zone, rations), ration_on(day, zone, rations)
    if then is None or now is None or not now.carry_over:
        return 0.0
    if any(span.from_ms < end_ms and (span.to_ms is None or span.to_ms > start_ms) for span in held):
        return 0.0
    remained_g = then.daily_g - fed.within(start_ms, end_ms).counted_g(unknown_dose_g(then))
    return carried_g(now, max(0.0, remained_g))


def fed_today(feeder: str, journal: str | None, fed: Feedings, unknown_g: float, carried_g: float) -> FedToday:
    """What a feeder's plan for today must take into account.

    journal: the one that the feeder keeps now. What stands in another was given by a board that was replaced, or before
    its flash was formatted: the feeder's own counter of the day does not know of it. None where it has named none.
    fed: of today. unknown_g: the mass as which a dose of unknown size counts. carried_g: what today is fed in addition
    to its ration.
    """
    by_hand_g = sum(h.mass_g for h in fed.handfeeds)
    counted = [(d.feeder == feeder and journal in (None, d.journal), d.counted_g(unknown_g)) for d in fed.doses]
    counted += [(owner == feeder, grams) for _, owner, grams in fed.losses]
    others_g = sum(grams for own, grams in counted if not own)
    return FedToday(sum(grams for _, grams in counted) + by_hand_g, others_g + by_hand_g, carried_g)


def day_book(
    day: date,
    zone: str,
    rations: Sequence[Ration],
    doses: Sequence[Dose],
    handfeeds: Sequence[HandFeed],
    held: Sequence[Span],
    unknown_g: float,
    dispensed: Dispensed,
    carried_g: float,
    now_ms: int,
    lost_g: float = 0.0,
) -> DayBook:
    """The record of one day; doses and hand feeds outside the day are ignored.

    unknown_g: the mass as which a dose of unknown size counts when the rest of the budget is calculated. carried_g:
    what the day may be fed in addition to its ration, from what remained of the day before. lost_g: the mass that left
    hoppers without a motor step that day, as their feeders report it.
    """
    start_ms, end_ms = day_start_ms(day, zone), day_end_ms(day, zone)
    own = tuple(d for d in doses if start_ms <= d.at_ms < end_ms)
    by_hand = tuple(h for h in handfeeds if start_ms <= h.at_ms < end_ms)
    ration = ration_on(day, zone, rations) if start_ms < end_ms else None
    budget_g = ration.daily_g + carried_g if ration else None
    handfed_g = sum(h.mass_g for h in by_hand)
    counted_g = sum(d.counted_g(unknown_g) for d in own) + handfed_g + lost_g
    held_ms = sum(span.overlap_ms(start_ms, end_ms, now_ms) for span in held)
    return DayBook(
        day=day,
        start_ms=start_ms,
        end_ms=end_ms,
        budget_g=budget_g,
        dispensed_g=dispensed.mass_g,
        dispensed_sd_g=dispensed.sd_g,
        handfed_g=handfed_g,
        handfed_sd_g=math.sqrt(sum((h.sd_g or 0.0) ** 2 for h in by_hand)),
        remaining_g=None if budget_g is None else max(0.0, budget_g - counted_g),
        held_s=round(held_ms / 1000),
        flags=_flags(start_ms, end_ms, own, dispensed, now_ms),
        doses=own,
        handfeeds=by_hand,
        unweighed=sum(d.count for d in own if d.moved and d.mass_g is None),
        provisional=dispensed.provisional,
    )


def _flags(start_ms: int, end_ms: int, doses: Sequence[Dose], fed: Dispensed, now_ms: int) -> tuple[str, ...]:
    flags = []
    if start_ms > now_ms:
        flags.append("future")
    elif now_ms < end_ms:
        flags.append("today")
    if end_ms - start_ms != ONE_DAY.total_seconds() * 1000:
        flags.append("hour change")
    if any(d.moved and d.mass_g is None and d.outcome != "unknown" for d in doses):
        flags.append("unweighed")
    if any(d.outcome == "unknown" for d in doses):
        flags.append("lost doses")
    if any(d.at_high_ms is not None for d in doses):  # the upper bound is always known, the lower one not
        flags.append("clock uncertain")
    if any(d.outcome in ("jam", "empty", "short") for d in doses):
        flags.append("fell short")
    if any(d.outcome == "over" for d in doses):
        flags.append("gave too much")
    if fed.doubtful:
        flags.append("finding")
    return tuple(flags)


@dataclass(frozen=True, slots=True)
class WeekTotals:
    """Sums over the days of a week, in grams; provisional until the week is over and weighed in."""

    budget_g: float | None
    dispensed_g: float | None
    dispensed_sd_g: float | None
    handfed_g: float
    provisional: bool


def week_totals(days: Sequence[DayBook], joined: tuple[float, float], now_ms: int) -> WeekTotals:
    """Sums of some days. joined: grams and deviation of all their doses together, from the joint account: that is not
    the sum of the days' deviations, nor the root of their squares."""
    budgets = [d.budget_g for d in days if d.budget_g is not None]
    known = any(d.dispensed_g is not None and d.start_ms <= now_ms for d in days)
    return WeekTotals(
        budget_g=sum(budgets) if budgets else None,
        dispensed_g=joined[0] if known else None,
        dispensed_sd_g=joined[1] if known else None,
        handfed_g=sum(d.handfed_g for d in days),
        provisional=now_ms < days[-1].end_ms or any(d.provisional for d in days),
    )


def joined_spans(spans: Sequence[Span]) -> list[Span]:
    """Overlapping spans as one, so that two reasons at once are not two holds."""
    joined: list[Span] = []
    for span in sorted(spans, key=lambda s: s.from_ms):
        last = joined[-1] if joined else None
        if last is not None and (last.to_ms is None or span.from_ms <= last.to_ms):
            to_ms = None if last.to_ms is None or span.to_ms is None else max(last.to_ms, span.to_ms)
            joined[-1] = Span(last.from_ms, to_ms)
        else:
            joined.append(span)
    return joined
