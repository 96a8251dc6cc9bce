"""A ledger as text, for tests that read like a page of it.

    2026-10-24 Europe/Berlin              a date, with the zone the first time
    07:00 ration 1.00 g cap 1.20 g at 08:00 20:00      meals of equal shares
    08:00 dose 0.50 g sd 0.02 ok          what was weighed, and how it ended
    20:00 dose 0.31 g sd 0.02 short asked 0.50 g       where less or more came than was asked
    20:30 dose ? jam asked 0.50 g         nothing was weighed
    20:40 dose ? unknown x3               messages that never came
    20:50 dose none held asked 0.50 g     no step was made
    20:55 dose 0.50 g sd 0.02 ok about    told by a board without a clock
    21:00 hand 0.20 g sd 0.05
    21:10 hold
    21:40 release

A time is local, its first occurrence where it happens twice; with a Z behind it is UTC. Every line is an entry, and the
entries are numbered from 1.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time

from tareline.core.calendar import day_end_ms, day_start_ms, meal_ms, to_ms
from tareline.core.feeding.books import DayBook, Dispensed, Span, day_book
from tareline.core.feeding.doses import Dose, HandFeed, total
from tareline.core.feeding.ration import Ration, make_ration

DATE = re.compile(r"(\d{4}-\d{2}-\d{2})(?: (\S+))?")
RATION = re.compile(r"(\S+) ration (\S+) g cap (\S+) g at (.+)")
DOSE = re.compile(
    r"(\S+) dose (?:(?P<mass>-?[\d.]+) g sd (?P<sd>[\d.]+)|(?P<bare>\?|none)) (?P<outcome>[a-z]+)"
    r"(?: asked (?P<asked>[\d.]+) g)?(?: x(?P<count>\d+))?(?P<late> about)?"
)
HAND = re.compile(r"(\S+) hand ([\d.]+) g(?: sd ([\d.]+))?")
HOLD = re.compile(r"(\S+) (hold|release)")
HOPPER_G = 50.0


@dataclass
class Ledger:
    """What a text says, as the core takes it."""

    zone: str = "UTC"
    rations: list[Ration] = field(default_factory=list)
    doses: list[Dose] = field(default_factory=list)
    handfeeds: list[HandFeed] = field(default_factory=list)
    held: list[Span] = field(default_factory=list)

    def book(self, day: date, now_ms: int, unknown_g: float = 0.5) -> DayBook:
        """The book of one of its days, its doses as each tells by itself."""
        start_ms, end_ms = day_start_ms(day, self.zone), day_end_ms(day, self.zone)
        fed = total(dose for dose in self.doses if start_ms <= dose.at_ms < end_ms)
        known = fed.weighed > 0 or not fed.unweighed
        told = Dispensed(fed.mass_g if known else None, fed.sd_g if known else None, fed.unweighed > 0, False)
        handfeeds, held = self.handfeeds, self.held
        return day_book(day, self.zone, self.rations, self.doses, handfeeds, held, unknown_g, told, 0.0, now_ms)


def parse(text: str, feeder: str = "feeder") -> Ledger:
    """Read a ledger. Raises ValueError with the line that cannot be read."""
    ledger = Ledger()
    day: date | None = None
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    entry = 0
    for line in lines:
        if found := DATE.fullmatch(line):
            day = date.fromisoformat(found[1])
            ledger.zone = found[2] or ledger.zone
            continue
        entry += 1
        if day is None or not _enter(ledger, entry, day, line, feeder):
            raise ValueError(f"not a line of a ledger: {line!r}")
    return ledger


def at(ledger: Ledger, day: str, clock: str) -> int:
    """The instant of a time as it is written in a ledger."""
    return _instant(ledger.zone, date.fromisoformat(day), clock)


def _instant(zone: str, day: date, clock: str) -> int:
    if clock.endswith("Z"):
        return to_ms(datetime.combine(day, time.fromisoformat(clock[:-1]), UTC))
    found = meal_ms(day, clock, zone)
    if found is None:
        raise ValueError(f"{day} was skipped in {zone}")
    return found


def _enter(ledger: Ledger, entry: int, day: date, line: str, feeder: str) -> bool:
    at_ms = _instant(ledger.zone, day, line.partition(" ")[0])
    if found := RATION.fullmatch(line):
        times = found[4].split()
        meals: Sequence[tuple[str, float, str | None]] = [(clock, 1 / len(times), None) for clock in times]
        ledger.rations.append(make_ration(float(found[2]), float(found[3]), meals, [feeder], at_ms))
    elif found := DOSE.fullmatch(line):
        ledger.doses.append(_dose(entry, at_ms, feeder, found))
    elif found := HAND.fullmatch(line):
        ledger.handfeeds.append(HandFeed(entry, at_ms, float(found[2]), None if found[3] is None else float(found[3])))
    elif found := HOLD.fullmatch(line):
        if found[2] == "hold":
            ledger.held.append(Span(at_ms, None))
        else:
            ledger.held[-1] = Span(ledger.held[-1].from_ms, at_ms)
    else:
        return False
    return True


def _dose(entry: int, at_ms: int, feeder: str, found: re.Match[str]) -> Dose:
    mass_g = None if found["mass"] is None else float(found["mass"])
    asked_g = mass_g if found["asked"] is None else float(found["asked"])
    return Dose(
        entry=entry,
        at_ms=at_ms,
        feeder=feeder,
        outcome=found["outcome"],
        target_g=asked_g,
        steps=0 if found["bare"] == "none" else None if found["outcome"] == "unknown" else 50,
        before_g=None if mass_g is None else HOPPER_G,
        after_g=None if mass_g is None else HOPPER_G - mass_g,
        sd_g=None if found["sd"] is None else float(found["sd"]),
        at_high_ms=at_ms if found["late"] else None,
        count=int(found["count"] or 1),
    )
