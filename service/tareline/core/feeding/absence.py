"""A planned absence: on its local days less is fed, with a lower cap, and no decision during it feeds more.

Absences are decided like rations: each decision replaces the previous one, a smaller ration is valid at once, and a
larger one from the next local midnight. So a day that began in an absence ends in it, and after an early end the usual
ration returns at the next midnight. The recorded rations do not change; `with_absences` applies the absences to them,
so that plans, caps and records agree.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from tareline.core.calendar import ONE_DAY, day_of, day_start_ms
from tareline.core.feeding.ration import Ration
from tareline.errors import FieldError

CAP_TO_DAILY = 1.5  # nobody is there to notice what a larger day does to the water (judgement)
MOST_DAYS = 60  # hopper, filter and evaporation cannot be left to a visitor for longer (judgement)
AHEAD_DAYS = 366


@dataclass(frozen=True, slots=True)
class Absence:
    """Local days from start to end, both included, on which at most `daily_g` is fed.

    end before start: this decision ends the previous absence. tell: name of the addresses that receive the alerts
    instead of the keeper. entry, recorded_ms: of the ledger.
    """

    start: date
    end: date
    daily_g: float
    tell: str | None
    entry: int
    recorded_ms: int

    def covers(self, day: date) -> bool:
        return self.start <= day <= self.end


def check_absence(
    start: date, end: date, daily_g: float, today: date, last: Ration | None, running: Absence | None,
    proven_g: float | None,
) -> None:  # fmt: skip
    """Raise FieldError naming the field where an absence is not allowed.

    last: the ration that was decided last. running: an absence that covers today; it may be changed although its start
    has passed. proven_g: the ration that is proven for the tank, None where none is.
    """
    if start < today and not (running is not None and start >= running.start):
        raise FieldError("start", f"expected today ({today}) or later; found {start}")
    if start > today + timedelta(days=AHEAD_DAYS):
        raise FieldError("start", f"expected at most {AHEAD_DAYS} days ahead; found {start}")
    if end < max(start, today):
        raise FieldError("end", f"expected a date from {max(start, today)} on; found {end}")
    if (end - start).days >= MOST_DAYS:
        raise FieldError("end", f"expected at most {MOST_DAYS} days; found {(end - start).days + 1}")
    if last is None:
        raise FieldError("daily_g", "no ration has been decided that an absence could reduce", 409)
    for most_g, what in ((last.daily_g, "the ration"), (proven_g, "what this tank is proven to carry")):
        if most_g is not None and daily_g > most_g * (1 + 1e-9):
            raise FieldError("daily_g", f"expected at most {what}, {most_g:g} g a day; found {daily_g:g} g", 409)


def settled(decided: Sequence[Absence], zone: str) -> list[Absence]:
    """The days on which each absence is in force, in the order of the decisions: from the day of its decision at the
    earliest, to the day of the next decision at the latest. Absences that were never in force are left out."""
    found = []
    for i, absence in enumerate(decided):
        start = max(absence.start, day_of(absence.recorded_ms, zone))
        end = absence.end
        if i + 1 < len(decided):
            end = min(end, day_of(decided[i + 1].recorded_ms, zone))
        if start <= end:
            found.append(replace(absence, start=start, end=end))
    return found


def with_absences(rations: Sequence[Ration], absences: Sequence[Absence], zone: str) -> list[Ration]:
    """Rations (oldest first) with settled absences applied, oldest first.

    Each absence begins with its own ration at its first midnight. Rations decided during it are limited. The last one
    of them returns in the last instant of the absence's last day, to be valid from the following midnight.
    """
    made = [_within(ration, absences, day_of(ration.decided_ms, zone)) for ration in rations]
    for absence in absences:
        begins_ms = day_start_ms(absence.start, zone)
        ends_ms = day_start_ms(absence.end + ONE_DAY, zone) - 1
        # An absence that begins at that midnight adds its own ration; added here it would reduce the day before.
        still = [one for one in absences if one.start <= absence.end]
        for at_ms, day in ((begins_ms, absence.start), (ends_ms, absence.end + ONE_DAY)):
            before = [ration for ration in rations if ration.decided_ms <= at_ms]
            if before:
                made.append(replace(_within(before[-1], still, day), decided_ms=at_ms))
    return sorted(made, key=lambda ration: ration.decided_ms)


def rations_from(decided: Sequence[Ration], absences: Sequence[Absence], zone: str, since_ms: int) -> list[Ration]:
    """The rations from the beginning of a local day on, oldest first: the one in force then, and later ones, with the
    settled absences of that day and later ones applied.

    decided: the rations as they were decided, oldest first. since_ms: the beginning of the day in UNIX ms.
    """
    before = [ration for ration in decided if ration.decided_ms < since_ms]
    kept = [*before[-1:], *(ration for ration in decided if ration.decided_ms >= since_ms)]
    day = day_of(since_ms, zone)
    return with_absences(kept, [absence for absence in absences if absence.end >= day], zone)


def _within(ration: Ration, absences: Sequence[Absence], day: date) -> Ration:
    """A ration as it is on a day; during an absence it is limited, and nothing is carried over from the day before."""
    limits = [absence.daily_g for absence in absences if absence.covers(day)]
    if not limits:
        return ration
    daily_g = min(ration.daily_g, *limits)
    return replace(ration, daily_g=daily_g, cap_g=min(ration.cap_g, CAP_TO_DAILY * daily_g), carry_over=0.0)
