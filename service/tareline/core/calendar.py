"""Local days of a tank's time zone, as instants.

A local day begins at the first instant that carries its date, and ends where the next one begins: it may have 23, 25
or any other number of hours, or none at all (a zone that crossed the date line skipped a whole date).

A meal has a local time of day. Two rules of ours for the days on which clocks change:
- a time that does not exist (clocks skipped it) stands for the instant as many minutes after the change as it was to
  be after the skipped hour's beginning: 02:30 becomes 03:30, and two meals keep their distance;
- a time that happens twice stands for its first occurrence.
A meal never leaves its own date's day.
"""

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

ONE_DAY = timedelta(days=1)


def to_ms(moment: datetime) -> int:
    """Whole UNIX milliseconds of an aware datetime."""
    return (moment.astimezone(UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)


def from_ms(at_ms: int, zone: str) -> datetime:
    """The aware local datetime of an instant."""
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=at_ms)).astimezone(ZoneInfo(zone))


def rfc3339(at_ms: int, zone: str) -> str:
    """An instant as RFC 3339, to the millisecond, with the offset of a zone."""
    return from_ms(at_ms, zone).isoformat(timespec="milliseconds")


def _utc(naive: datetime, zone: ZoneInfo, fold: int = 0) -> datetime:
    return naive.replace(tzinfo=zone, fold=fold).astimezone(UTC)


@lru_cache(maxsize=4096)
def day_start_ms(day: date, zone: str) -> int:
    """The first instant of a local date, in UNIX milliseconds; a skipped date starts (and ends) with the next one."""
    tz = ZoneInfo(zone)
    midnight = datetime.combine(day, time())
    instant = _utc(midnight, tz)
    if instant.astimezone(tz).replace(tzinfo=None) == midnight:
        return to_ms(instant)
    # Midnight was skipped: the day begins at the change itself, which lies between the two readings of that time.
    before, after = _utc(midnight, tz, fold=1), instant
    offset = after.astimezone(tz).utcoffset()
    while after - before > timedelta(milliseconds=1):
        middle = before + (after - before) / 2
        if middle.astimezone(tz).utcoffset() == offset:
            after = middle
        else:
            before = middle
    return -((-to_ms(after)) // 1000) * 1000


def day_end_ms(day: date, zone: str) -> int:
    """The instant at which the next local day begins."""
    return day_start_ms(day + ONE_DAY, zone)


def day_of(at_ms: int, zone: str) -> date:
    """The local date whose day holds this instant."""
    day = from_ms(at_ms, zone).date()
    while at_ms < day_start_ms(day, zone):
        day -= ONE_DAY
    while at_ms >= day_end_ms(day, zone):
        day += ONE_DAY
    return day


def days_between(first: date, last: date) -> Iterator[date]:
    """The dates from first to last, both included."""
    day = first
    while day <= last:
        yield day
        day += ONE_DAY


def meal_ms(day: date, at: str, zone: str) -> int | None:
    """The instant of a local time ("08:00") on a date, by the rules above; None on a date that was skipped."""
    start, end = day_start_ms(day, zone), day_end_ms(day, zone)
    if start >= end:
        return None
    instant = to_ms(_utc(datetime.combine(day, time.fromisoformat(at)), ZoneInfo(zone)))
    return min(instant, end - 1)


def week_of(day: date) -> tuple[date, date]:
    """Monday and Sunday of the ISO 8601 week that holds a date."""
    monday = day - timedelta(days=day.weekday())
    return monday, monday + timedelta(days=6)
