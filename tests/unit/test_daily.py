"""Daily summaries of a series: each sample once, on its own local day, whatever the zone and whoever sent it."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Connection, event

from tareline.core.calendar import day_of, day_start_ms
from tareline.core.units import HOUR_MS
from tareline.store import series
from tareline.store.engine import Store
from tareline.store.series import Value

FIRST = date(2026, 3, 27)  # two days before clocks change in Berlin
DAYS = 6


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    made = Store(f"sqlite:///{tmp_path_factory.mktemp('daily')}/books.db")
    yield made
    made.close()


class UndoneError(Exception):
    pass


@contextmanager
def undone(store: Store) -> Iterator[Connection]:
    """A transaction that leaves nothing behind."""
    with suppress(UndoneError), store.write() as tx:
        yield tx
        raise UndoneError


def starts_of(zone: str, days: int = DAYS) -> list[int]:
    return [day_start_ms(FIRST + timedelta(days=n), zone) for n in range(days + 1)]


SAMPLES = st.lists(
    st.tuples(st.integers(-12 * HOUR_MS, (24 * DAYS + 12) * HOUR_MS), st.floats(-5, 40), st.sampled_from(["a", "b"])),
    min_size=1,
    max_size=80,
    unique_by=lambda s: (s[0], s[2]),
)
ZONES = ["Europe/Berlin", "Asia/Kolkata", "Australia/Lord_Howe", "UTC"]  # the second is at half past, the third as well


@given(SAMPLES, st.sampled_from(ZONES), st.integers(-HOUR_MS, 24 * DAYS * HOUR_MS))
def test_each_sample_counts_once_on_its_own_day(
    store: Store, taken: list[tuple[int, float, str]], zone: str, moved: int
) -> None:
    """One probe stays, the other is taken off at some moment; the naive answer is worked out sample by sample."""
    starts = starts_of(zone)
    origin, until = starts[0], starts[0] + moved
    stays = [("a", 0, None), ("b", 0, until)]
    with undone(store) as tx:
        for device in ("a", "b"):
            series.add(tx, device, [Value("x", "1", origin + at, v) for at, v, d in taken if d == device])
        found = series.daily(tx, stays, "x", starts)
        every = series.samples(tx, stays, "x", starts[0], starts[-1])
    expected: dict[int, list[float]] = {}
    kept = 0
    for at, value, device in taken:
        at_ms = origin + at
        if starts[0] <= at_ms < starts[-1] and (device == "a" or at_ms < until):
            expected.setdefault(day_start_ms(day_of(at_ms, zone), zone), []).append(value)
            kept += 1
    assert [point.at_ms for point in found] == sorted(expected)
    for point in found:
        values = expected[point.at_ms]
        assert point.n == len(values)
        assert point.mean == pytest.approx(sum(values) / len(values), abs=1e-8)
        assert (point.low, point.high) == pytest.approx((min(values), max(values)), abs=1e-8)
    assert sum(len(own) for own in every.values()) == kept
    for own in every.values():
        assert own == sorted(own)


def test_a_day_of_23_hours_has_23(store: Store) -> None:
    """Europe/Berlin, 2026-03-29: clocks go from 02:00 to 03:00 (zone database)."""
    starts = starts_of("Europe/Berlin")
    with undone(store) as tx:
        hours = range((starts[-1] - starts[0]) // HOUR_MS)
        series.add(tx, "c", [Value("x", "1", starts[0] + h * HOUR_MS, 1.0) for h in hours])
        found = series.daily(tx, [("c", 0, None)], "x", starts)
    assert [point.n for point in found] == [24, 24, 23, 24, 24, 24]


def test_two_years_are_read_from_the_hours_with_one_statement(tmp_path: Path) -> None:
    """In a zone of whole hours nothing but the roll-ups is read: two statements, the key's and this one."""
    starts = starts_of("Europe/Berlin", 730)
    seen: list[str] = []
    made = Store(f"sqlite:///{tmp_path}/long.db")
    try:
        with made.write() as tx:
            series.add(tx, "a", [Value("x", "1", at, 7.0) for at in range(starts[0], starts[-1], 6 * HOUR_MS)])
            event.listen(tx, "before_cursor_execute", lambda _c, _k, statement, *_: seen.append(statement))
            found = series.daily(tx, [("a", 0, None)], "x", starts)
        assert len(found) == 730
        assert len(seen) == 2
        assert not any("sample" in statement for statement in seen)
    finally:
        made.close()
