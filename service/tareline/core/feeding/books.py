"""The books of a day and of a week: budget against what was dispensed, and how sure that is.

What was dispensed comes from the feeder's account (`estimate`), which knows more than each dose's own difference. A day
with doses that were not weighed says so; where nothing at all is known of them its mass is unknown, not zero.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from tareline.core.calendar import ONE_DAY, day_end_ms, day_start_ms
from tareline.core.feeding.doses import Dose, HandFeed
from tareline.core.feeding.ration import Ration, ration_on


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time; to_ms is None while it lasts."""

    from_ms: int
    to_ms: int | None

    def overlap_ms(self, start_ms: int, end_ms: int, now_ms: int) -> int:
        """How much of [start, end) it covers, up to now."""
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
    """What is known of a day's doses: grams and deviation, None where nothing is; whether that may still change, and
    whether an undecided finding lies in it."""

    mass_g: float | None
    sd_g: float | None
    provisional: bool
    doubtful: bool


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
    """The book of one day from everything around it; doses and hand feeds outside the day are left aside.

    lost_g: what left hoppers without a step that day, as their feeders told.
    unknown_g: what a dose of unknown size counts as when the rest of the budget is worked out. carried_g: what the day
    may be fed besides its ration, from what remained of the day before.
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
