"""Zones, instants and days for properties: anywhere, and where clocks change."""

from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, available_timezones

from hypothesis import strategies as st

from tareline.core.calendar import day_of, to_ms

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
FIRST = datetime(1990, 1, 1, tzinfo=UTC)
LAST = datetime(2100, 1, 1, tzinfo=UTC)
ZONES = sorted(available_timezones())


@lru_cache(maxsize=4096)
def changes_ms(zone: str, year: int) -> tuple[int, ...]:
    """The instants of a UTC year, to the second, at which a zone's clocks changed."""
    tz = ZoneInfo(zone)
    found = []
    before = datetime(year, 1, 1, tzinfo=UTC)
    end = datetime(year + 1, 1, 1, tzinfo=UTC)
    while before < end:
        after = before + timedelta(days=4)
        if before.astimezone(tz).utcoffset() != after.astimezone(tz).utcoffset():
            low, high = before, after
            while high - low > timedelta(seconds=1):
                middle = low + (high - low) // 2
                same = middle.astimezone(tz).utcoffset() == before.astimezone(tz).utcoffset()
                low, high = (middle, high) if same else (low, middle)
            found.append(-(-to_ms(high) // 1000) * 1000)
        before = after
    return tuple(found)


@st.composite
def places(draw: st.DrawFn) -> tuple[str, int]:
    """A zone and an instant (UNIX ms) between 1990 and 2100, half of them within two days of a change of clocks."""
    zone = draw(st.sampled_from(ZONES))
    if draw(st.booleans()):
        found = changes_ms(zone, draw(st.integers(1990, 2037)))
        if found:
            return zone, draw(st.sampled_from(found)) + draw(st.integers(-2 * DAY_MS, 2 * DAY_MS))
    return zone, draw(st.integers(to_ms(FIRST), to_ms(LAST)))


@st.composite
def dates(draw: st.DrawFn) -> tuple[str, date]:
    """A zone and a local date in it."""
    zone, at_ms = draw(places())
    return zone, day_of(at_ms, zone)


clock_times = st.builds(lambda hour, minute: f"{hour:02}:{minute:02}", st.integers(0, 23), st.integers(0, 59))
