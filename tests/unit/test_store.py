"""The store: what the database itself refuses, what survives, and reading against naive models."""

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Connection, create_engine, select, text
from sqlalchemy.exc import IntegrityError, OperationalError

from tareline.core.units import HOUR_MS
from tareline.store import devices, ledger, register, series
from tareline.store.engine import Store, StoreError, get_meta, newest_recorded_ms, put_meta
from tareline.store.series import SCALE, Value
from tareline.store.tables import APPEND_ONLY, hour, metadata, sample
from tareline.store.tables import series as series_table

T0 = 1_750_000_000_000


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "books.db"


@pytest.fixture
def store(file: Path) -> Iterator[Store]:
    made = Store(f"sqlite:///{file}")
    yield made
    made.close()


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """One store for many examples; each undoes what it did."""
    made = Store(f"sqlite:///{tmp_path_factory.mktemp('shared')}/books.db")
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


def dose_row(seq: int, at_ms: int = T0, device: str = "front", journal: str = "j", **other: Any) -> dict[str, Any]:
    row = {"at_ms": at_ms, "at_low_ms": None, "at_high_ms": None, "recorded_ms": T0, "kind": "dose", "device": device}
    return {**row, "journal": journal, "seq": seq, "void": False, "body": "{}", **other}


def add_one_of_each(store: Store) -> None:
    with store.write() as tx:
        ledger.add_doses(tx, [dose_row(1)])
        register.add(tx, "tank", "shelf", T0, T0, {"name": "shelf"})


# -- append-only -------------------------------------------------------------------------------------------------------

REFUSED = [
    statement.format(table=table)
    for table in ("ledger", "register")
    for statement in (
        "UPDATE {table} SET at_ms = 1",
        "DELETE FROM {table}",
        "UPDATE {table} SET id = id + 1 WHERE id > 0",
    )
]
REPLACED = [
    "INSERT OR REPLACE INTO ledger (id, at_ms, recorded_ms, kind, void, body) VALUES (1, 1, 1, 'note', 0, '{}')",
    "REPLACE INTO ledger (at_ms, recorded_ms, kind, device, journal, seq, void, body) "
    "VALUES (1, 1, 'dose', 'front', 'j', 1, 0, '{}')",
    "INSERT INTO ledger (id, at_ms, recorded_ms, kind, void, body) VALUES (1, 1, 1, 'note', 0, '{}') "
    "ON CONFLICT (id) DO UPDATE SET body = '{}', at_ms = 1",
    "INSERT OR REPLACE INTO register (id, kind, ref, at_ms, recorded_ms, body) VALUES (1, 'tank', 'shelf', 1, 1, '{}')",
]


def test_the_tables_that_must_be_append_only_are_the_ones_tested_here() -> None:
    assert [table.name for table in APPEND_ONLY] == ["ledger", "register"]


@pytest.mark.parametrize("statement", REFUSED + REPLACED)
def test_the_database_refuses_to_change_what_was_written(store: Store, statement: str) -> None:
    add_one_of_each(store)
    with pytest.raises(IntegrityError, match="is append-only: a correction is one more entry"), store.write() as tx:
        tx.execute(text(statement.replace("'{}'", "'{\"other\": 1}'")))
    with store.read() as tx:
        assert tx.execute(text("SELECT at_ms, body FROM ledger")).all() == [(T0, "{}")]
        assert tx.execute(text("SELECT at_ms, body FROM register")).all() == [(T0, '{"name": "shelf"}')]
    assert store.broken is None


@pytest.mark.parametrize("statement", REFUSED)
def test_it_refuses_whoever_opens_the_file(store: Store, file: Path, statement: str) -> None:
    """A plain connection, with none of the service's settings."""
    add_one_of_each(store)
    store.close()
    with sqlite3.connect(file) as plain:
        with pytest.raises(sqlite3.IntegrityError, match="is append-only"):
            plain.execute(statement)
        assert plain.execute("SELECT at_ms FROM ledger").fetchall() == [(T0,)]


def test_a_dose_is_entered_once(store: Store) -> None:
    with store.write() as tx:
        ledger.add_doses(tx, [dose_row(1), dose_row(2), dose_row(1, journal="k"), dose_row(1, device="back")])
    with pytest.raises(IntegrityError), store.write() as tx:
        ledger.add_doses(tx, [dose_row(3), dose_row(2)])
    with store.read() as tx:
        assert ledger.seqs_above(tx, "front", "j", 0) == {1, 2}


def test_a_correction_points_at_an_entry_that_is_there(store: Store) -> None:
    with pytest.raises(IntegrityError), store.write() as tx:
        ledger.add(tx, "note", T0, T0, {}, tank="shelf", corrects=99)


# -- tables and opening ------------------------------------------------------------------------------------------------


def schema(connection: Connection) -> dict[str, str]:
    """Every table and index as the database has it, spaces evened out."""
    found = connection.execute(text("SELECT name, sql FROM sqlite_master WHERE type IN ('table', 'index')"))
    return {name: re.sub(r"\s+", " ", sql or "") for name, sql in found if "alembic_version" not in name}


def test_migrations_make_exactly_the_tables_of_the_code(store: Store, tmp_path: Path) -> None:
    with store.read() as tx:
        assert compare_metadata(MigrationContext.configure(tx), metadata) == []
        migrated = schema(tx)
    # What the comparison does not look at: conditions of indexes, tables without row ids, ids never used again.
    engine = create_engine(f"sqlite:///{tmp_path}/made.db")
    metadata.create_all(engine)
    with engine.connect() as connection:
        assert migrated == schema(connection)
    engine.dispose()


def test_a_store_opened_again_is_as_it_was(file: Path) -> None:
    for _ in range(2):
        store = Store(f"sqlite:///{file}")
        with store.write() as tx:
            put_meta(tx, "installation", get_meta(tx, "installation") or "first")
        store.close()
    with sqlite3.connect(file) as plain:
        assert plain.execute("SELECT value FROM meta").fetchall() == [("first",)]


def test_a_database_newer_than_the_code_is_refused_and_left_as_it_is(store: Store, file: Path) -> None:
    add_one_of_each(store)
    store.close()
    with sqlite3.connect(file) as plain:
        plain.execute("UPDATE alembic_version SET version_num = '0999'")
    plain.close()
    before = file.read_bytes()
    with pytest.raises(StoreError, match=r"written by a newer Tareline \(its tables are at 0999, this one knows up to"):
        Store(f"sqlite:///{file}")
    assert file.read_bytes() == before
    assert sorted(path.name for path in file.parent.iterdir()) == ["books.db", "books.db.lock"]
    with sqlite3.connect(file) as plain:
        assert plain.execute("SELECT count(*) FROM ledger").fetchone() == (1,)


def test_what_is_no_database_is_refused_in_one_line_and_left_as_it_is(file: Path) -> None:
    file.write_text("a shopping list, and a rather long one at that\n" * 200)
    before = file.read_bytes()
    with pytest.raises(StoreError, match="cannot be opened: file is not a database"):
        Store(f"sqlite:///{file}")
    assert file.read_bytes() == before


@pytest.mark.parametrize(
    ("url", "named"),
    [
        ("sqlite:///{folder}/none/books.db", "cannot be opened"),
        ("sqlite:///:memory:", "sqlite:///FILE"),
        ("sqlite://", "sqlite:///FILE"),
        ("nonsense", "nonsense"),
        ("postgresql://localhost/tareline", "sqlite:///FILE"),
    ],
)
def test_a_store_that_cannot_be_is_refused(tmp_path: Path, url: str, named: str) -> None:
    with pytest.raises(StoreError, match=re.escape(named)):
        Store(url.format(folder=tmp_path))


def test_one_process_at_a_time(store: Store, file: Path) -> None:
    with pytest.raises(StoreError, match="another process uses it"):
        Store(f"sqlite:///{file}")
    store.close()
    Store(f"sqlite:///{file}").close()


# -- writing and reading -----------------------------------------------------------------------------------------------


def test_durability_is_full_and_the_log_is_written_ahead(store: Store) -> None:
    found = store.describe()
    assert (found["engine"], found["journal_mode"], found["synchronous"]) == ("sqlite", "wal", "full")
    assert found["version"] == sqlite3.sqlite_version


def test_readers_cannot_write(store: Store) -> None:
    add_one_of_each(store)
    for statement in ("INSERT INTO meta VALUES ('a', 'b')", "CREATE TABLE x (y)", "DELETE FROM device"):
        with pytest.raises(OperationalError, match="readonly"), store.read() as tx:
            tx.execute(text(statement))
    with store.read() as tx:
        tx.execute(text("PRAGMA query_only = OFF"))  # the file itself is open for reading only
        with pytest.raises(OperationalError, match="readonly"):
            tx.execute(text("INSERT INTO meta VALUES ('a', 'b')"))


def test_only_the_writer_moves_its_log_into_the_database(store: Store, file: Path) -> None:
    add_one_of_each(store)
    log = file.with_name("books.db-wal")
    before = file.read_bytes(), log.read_bytes()
    assert before[1]
    with store.read() as tx:
        raw = tx.connection.driver_connection
        assert raw is not None
        with suppress(sqlite3.OperationalError):  # refused, or reported as not done
            raw.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    store._reader.dispose()
    assert (file.read_bytes(), log.read_bytes()) == before
    store.close()
    assert not log.exists()
    assert file.read_bytes() != before[0]


def test_a_reader_sees_one_moment(store: Store) -> None:
    with store.read() as tx:
        assert get_meta(tx, "a") is None
        with store.write() as writing:
            put_meta(writing, "a", "1")
        assert get_meta(tx, "a") is None
    with store.read() as tx:
        assert get_meta(tx, "a") == "1"


def test_a_transaction_is_all_or_nothing(store: Store) -> None:
    with undone(store) as tx:
        put_meta(tx, "a", "1")
    with store.read() as tx:
        assert get_meta(tx, "a") is None
    assert store.broken is None


def write_to_nowhere(store: Store) -> None:
    with store.write() as tx:
        put_meta(tx, "a", "1")
        tx.execute(text("INSERT INTO nowhere VALUES (1)"))


def test_a_write_that_fails_breaks_the_store_for_good(file: Path) -> None:
    told: list[str] = []
    store = Store(f"sqlite:///{file}", told.append)
    for _ in range(2):
        with pytest.raises(StoreError, match="a write to the store failed, so nothing more is written"):
            write_to_nowhere(store)
    assert told == [store.broken]
    with store.read() as tx:
        assert get_meta(tx, "a") is None
    store.close()


def test_the_newest_entry_of_either_table_is_known(store: Store) -> None:
    with store.write() as tx:
        assert newest_recorded_ms(tx) == 0
        register.add(tx, "tank", "shelf", T0 - 9, T0 + 1, {})
        assert newest_recorded_ms(tx) == T0 + 1
        ledger.add(tx, "note", T0 - 9, T0 + 2, {}, tank="shelf")
        assert newest_recorded_ms(tx) == T0 + 2


def test_a_message_not_understood_is_kept_once_and_counted(store: Store) -> None:
    with store.write() as tx:
        first = devices.add_reject(tx, "front", "t/front/up/dose", b"\xff\x00", "not JSON", T0)
        assert devices.add_reject(tx, "front", "t/front/up/dose", b"\xff\x00", "not JSON", T0 + 5) == first
        large = devices.add_reject(tx, None, "t//up/", b"x" * 300_000, "too long", T0 + 3)
    with store.read() as tx:
        again, big = devices.rejects(tx, 10)
        assert (again.id, again.count, again.first_ms, again.last_ms) == (first, 2, T0, T0 + 5)
        assert (big.id, big.size, len(big.payload)) == (large, 300_000, devices.KEPT_BYTES)
        assert devices.rejected_payloads(tx, "t/front/up/dose") == [b"\xff\x00"]


# -- the register ------------------------------------------------------------------------------------------------------


def versions(tx: Connection, *told: tuple[str, int, dict[str, Any]], kind: str = "feeder") -> register.Register:
    for ref, at_ms, body in told:
        register.add(tx, kind, ref, at_ms, T0, body)
    return register.Register(tx)


def test_a_thing_is_what_it_was_at_each_instant_and_older_than_its_first_mention(store: Store) -> None:
    with store.write() as tx:
        found = versions(tx, ("front", 100, {"tank": "a"}), ("front", 200, {"tank": "b"}))
    assert [found.at("feeder", "front", ms) for ms in (0, 100, 199, 200, 10**15)] == [
        {"tank": "a"}, {"tank": "a"}, {"tank": "a"}, {"tank": "b"}, {"tank": "b"},
    ]  # fmt: skip
    assert found.now("feeder", "front") == {"tank": "b"}
    assert found.at("feeder", "back", 100) is None
    assert found.now("probe", "front") is None
    assert found.known_device("front")
    assert not found.known_device("back")


def test_a_move_told_late_takes_its_place_in_the_past(store: Store) -> None:
    with store.write() as tx:
        found = versions(
            tx, ("front", 100, {"tank": "a"}), ("front", 300, {"tank": "c"}), ("front", 200, {"tank": "b"})
        )
    assert [v.at_ms for v in found.history("feeder", "front")] == [100, 200, 300]
    assert found.now("feeder", "front") == {"tank": "c"}
    assert found.stays("feeder", "a") == [("front", 0, 200)]
    assert found.stays("feeder", "b") == [("front", 200, 300)]
    assert found.stays("feeder", "c") == [("front", 300, None)]


def test_two_versions_of_one_instant_the_later_told_holds(store: Store) -> None:
    with store.write() as tx:
        found = versions(tx, ("front", 100, {"tank": "a"}), ("front", 100, {"tank": "b"}))
    assert found.at("feeder", "front", 100) == {"tank": "b"}
    assert found.now("feeder", "front") == {"tank": "b"}


def test_things_are_listed_in_the_order_they_were_told_of(store: Store) -> None:
    with store.write() as tx:
        versions(tx, ("z", 200, {"tank": "a"}), ("a", 100, {"tank": "a"}), ("m", 300, {"tank": "b"}))
        versions(tx, ("z", 50, {"tank": "a"}))  # told late, of an earlier time
        found = versions(tx, ("p", 1, {"tank": "a"}), kind="probe")
    assert found.refs("feeder") == ["z", "a", "m"]
    assert found.devices_of("feeder", "a") == ["z", "a"]
    assert found.devices_of("probe", "a") == ["p"]


MOVES = st.lists(
    st.tuples(st.sampled_from(["f", "g"]), st.integers(0, 20), st.sampled_from(["a", "b", None])), max_size=12
)


@given(MOVES)
def test_stays_say_where_a_device_was_at_every_instant(shared: Store, moves: list[tuple[str, int, str | None]]) -> None:
    with undone(shared) as tx:
        found = versions(tx, *((ref, at, {"tank": tank}) for ref, at, tank in moves))
    for tank in ("a", "b"):
        stays = found.stays("feeder", tank)
        for ref in ("f", "g"):
            for at in range(-1, 22):
                there = (found.at("feeder", ref, at) or {}).get("tank") == tank
                inside = sum(
                    r == ref and (since <= max(at, 0)) and (until is None or at < until) for r, since, until in stays
                )
                assert inside == (1 if there else 0), (tank, ref, at, stays)


# -- the series --------------------------------------------------------------------------------------------------------

SAMPLES = st.lists(
    st.tuples(st.integers(0, 12 * HOUR_MS), st.floats(-60, 125), st.sampled_from(["p", "q"])), min_size=1, max_size=60
)


def add_samples(tx: Connection, samples: list[tuple[int, float, str]], split: int) -> dict[tuple[str, int], float]:
    """Add in two goes; what must be there after: the first value told for each instant."""
    for part in (samples[:split], samples[split:]):
        for device in ("p", "q"):
            own = [Value("temperature", "Cel", T_HOUR + at, value) for at, value, d in part if d == device]
            if own:
                series.add(tx, device, own)
    kept: dict[tuple[str, int], float] = {}
    for at, value, device in samples:
        kept.setdefault((device, T_HOUR + at), value)
    return kept


T_HOUR = T0 - T0 % HOUR_MS


@given(SAMPLES, st.integers(0, 60))
def test_hours_are_what_their_samples_make_them(
    shared: Store, samples: list[tuple[int, float, str]], split: int
) -> None:
    with undone(shared) as tx:
        kept = add_samples(tx, samples, split)
        names = {row.id: row.device for row in tx.execute(select(series_table))}
        stored = {(names[row.series], row.at_ms): row.value for row in tx.execute(select(sample))}
        hours = {(names[row.series], row.hour_ms): row for row in tx.execute(select(hour))}
    assert stored == {key: round(value * SCALE) for key, value in kept.items()}
    grouped: dict[tuple[str, int], list[int]] = {}
    for (device, at_ms), value in stored.items():
        grouped.setdefault((device, at_ms - at_ms % HOUR_MS), []).append(value)
    assert set(hours) == set(grouped)
    for key, values in grouped.items():
        row = hours[key]
        assert (row.n, row.low, row.high) == (len(values), min(values), max(values))
        assert row.mean == pytest.approx(sum(values) / len(values), rel=1e-12, abs=1e-3)


@given(
    SAMPLES,
    st.integers(-HOUR_MS, 12 * HOUR_MS),
    st.integers(1, 14 * HOUR_MS),
    st.integers(1, 30),
    st.sampled_from([None, 5 * HOUR_MS]),
)
def test_points_are_never_more_than_asked_and_leave_no_sample_out(
    shared: Store, samples: list[tuple[int, float, str]], start: int, length: int, count: int, moved: int | None
) -> None:
    """Where points are an hour wide or more, the hours at both ends count whole; narrower ones are exact."""
    low, high = T_HOUR + start, T_HOUR + start + length
    stays = [("p", 0, None), ("q", 0, None if moved is None else T_HOUR + moved)]
    wide = -(-length // count) >= HOUR_MS
    with undone(shared) as tx:
        kept = add_samples(tx, samples, 30)
        found = series.points(tx, stays, "temperature", low, high, count)

    def seen(device: str, at: int) -> bool:
        until = high if device == "p" or moved is None else min(high, T_HOUR + moved)
        if wide:
            return low - low % HOUR_MS <= at and at - at % HOUR_MS < until and low < until
        return low <= at < until

    values = [value for (device, at), value in kept.items() if seen(device, at)]
    assert len(found) <= count
    assert sum(point.n for point in found) == len(values)
    assert [point.at_ms for point in found] == sorted({point.at_ms for point in found})
    if values:
        assert min(p.low for p in found) == pytest.approx(min(values), abs=2 / SCALE)
        assert max(p.high for p in found) == pytest.approx(max(values), abs=2 / SCALE)
        mean = sum(p.mean * p.n for p in found) / len(values)
        assert mean == pytest.approx(sum(values) / len(values), abs=1e-6)
    for point in found:
        assert point.low - 2 / SCALE <= point.mean <= point.high + 2 / SCALE


@pytest.mark.parametrize(("count", "expected"), [(48, 24), (24, 24), (23, 12), (25, 24)])
def test_both_sides_of_points_one_hour_wide(store: Store, count: int, expected: int) -> None:
    """A day with a sample at every full hour; the width is 30, 60, 62.6 and 57.6 minutes."""
    with store.write() as tx:
        series.add(tx, "p", [Value("temperature", "Cel", T_HOUR + h * HOUR_MS, float(h)) for h in range(24)])
    with store.read() as tx:
        found = series.points(tx, [("p", 0, None)], "temperature", T_HOUR, T_HOUR + 24 * HOUR_MS, count)
    assert len(found) == expected
    assert sum(point.n for point in found) == 24


def test_points_that_begin_within_an_hour_keep_the_last_one(store: Store) -> None:
    with store.write() as tx:
        series.add(tx, "p", [Value("temperature", "Cel", T_HOUR + h * HOUR_MS, float(h)) for h in range(12)])
    half = HOUR_MS // 2
    with store.read() as tx:
        found = series.points(tx, [("p", 0, None)], "temperature", T_HOUR + half, T_HOUR + 10 * HOUR_MS + half, 10)
    assert found[-1].high == 10.0
    assert len(found) <= 10


def test_the_newest_value_of_a_metric(store: Store) -> None:
    with store.write() as tx:
        series.add(tx, "p", [Value("voltage", "V", T0 + at, float(at)) for at in (5, 9, 2)])
    with store.read() as tx:
        assert series.newest(tx, "p", "voltage") == (9.0, T0 + 9)
        assert series.newest(tx, "p", "temperature") is None
        assert series.newest(tx, "other", "voltage") is None
        assert series.metrics_of(tx, ["p", "other"]) == [("p", "voltage", "V")]


# -- the ledger against a naive model ----------------------------------------------------------------------------------


@dataclass
class Row:
    """An entry as the model keeps it."""

    id: int
    kind: str
    at: int
    tank: str | None
    device: str | None
    subject: str | None
    void: bool
    root: int


@dataclass
class Model:
    """A list of rows and nothing else."""

    rows: list[Row] = field(default_factory=list)

    def last(self, root: int) -> Row:
        return [row for row in self.rows if row.root == root][-1]

    def standing(self) -> list[Row]:
        lasts = [self.last(root) for root in dict.fromkeys(row.root for row in self.rows)]
        return sorted((row for row in lasts if not row.void), key=lambda row: (row.at, row.id))


KINDS = ("reading", "note", "dose", "refill")
ADDED = st.tuples(
    st.just("add"), st.sampled_from(KINDS), st.sampled_from(["a", "b"]), st.integers(0, 12), st.sampled_from(["x", "y"])
)
CORRECTED = st.tuples(
    st.just("correct"), st.integers(0, 30), st.booleans(), st.integers(0, 12), st.sampled_from(["x", "y"])
)
STAYS = {"a": [("f-a", 0, 6), ("f-b", 4, None)], "b": [("f-a", 6, None), ("f-b", 0, 4)]}


def play(tx: Connection, steps: list[Any]) -> Model:
    """Enter and correct, in the store and in the model."""
    model = Model()
    for what, *told in steps:
        if what == "add":
            kind, owner, at, subject = told
            of_device = kind in ("dose", "refill")
            tank, device = (None, f"f-{owner}") if of_device else (owner, None)
            about = subject if kind == "reading" else None
            made = ledger.add(tx, kind, at, T0, {}, tank=tank, device=device, subject=about)
            model.rows.append(Row(made, kind, at, tank, device, about, False, made))
        elif model.rows:
            which, void, at, subject = told
            chosen = model.rows[which % len(model.rows)]
            entry = ledger.get(tx, chosen.id)
            assert entry is not None
            assert entry.root == chosen.root
            about = subject if chosen.kind == "reading" else None
            made = ledger.correct(tx, entry, T0, at_ms=at, void=void, subject=about)
            model.rows.append(Row(made, chosen.kind, at, chosen.tank, chosen.device, about, void, chosen.root))
    return model


def of_tank(row: Row, tank: str) -> bool:
    if row.device is None:
        return row.tank == tank
    return any(
        d == row.device and since <= row.at and (until is None or row.at < until) for d, since, until in STAYS[tank]
    )


@given(st.lists(ADDED | CORRECTED, max_size=30), st.integers(0, 12), st.integers(0, 13))
def test_what_stands_is_what_a_naive_model_says(shared: Store, steps: list[Any], start: int, end: int) -> None:
    with undone(shared) as tx:
        model = play(tx, steps)
        stand = model.standing()
        for tank in ("a", "b"):
            for kinds in (["reading"], ["dose", "note"], list(KINDS)):
                found = ledger.standing(tx, tank, STAYS[tank], kinds, start, end)
                right = [r.id for r in stand if r.kind in kinds and of_tank(r, tank) and start <= r.at < end]
                assert [e.id for e in found] == right
            for kind in ("reading", "note"):
                newest = [r for r in reversed(stand) if r.kind == kind and r.tank == tank]
                found = ledger.newest(tx, kind, tank=tank, limit=3)
                assert [e.id for e in found] == [r.id for r in newest][:3]
                found = ledger.newest(tx, kind, tank=tank, before_ms=end)
                assert [e.id for e in found] == [r.id for r in newest if r.at < end][:1]
            about = [r.id for r in reversed(stand) if r.tank == tank and r.subject == "x"]
            assert [e.id for e in ledger.newest(tx, "reading", tank=tank, subject="x")] == about[:1]
        for device in ("f-a", "f-b"):
            right = [r.id for r in reversed(stand) if r.kind == "dose" and r.device == device]
            assert [e.id for e in ledger.newest(tx, "dose", device=device, limit=100)] == right


@given(st.lists(ADDED | CORRECTED, max_size=30), st.integers(1, 5), st.sampled_from([None, *KINDS]))
def test_pages_show_every_row_once_and_in_order(shared: Store, steps: list[Any], limit: int, kind: str | None) -> None:
    with undone(shared) as tx:
        model = play(tx, steps)
        for tank in ("a", "b"):
            right = [r.id for r in model.rows if of_tank(r, tank) and kind in (None, r.kind)]
            seen: list[ledger.Entry] = []
            while page := ledger.page(
                tx, tank, STAYS[tank], kind, None, None, (seen[-1].at_ms, seen[-1].id) if seen else None, limit
            ):
                assert len(page) <= limit
                seen += page
            assert sorted(e.id for e in seen) == right
            assert [(e.at_ms, e.id) for e in seen] == sorted((e.at_ms, e.id) for e in seen)
        roots = sorted({row.root for row in model.rows})
        chains = ledger.corrections_of(tx, roots)
        assert {root: [e.id for e in chain] for root, chain in chains.items()} == {
            root: ids for root in roots if (ids := [r.id for r in model.rows if r.root == root and r.id != root])
        }


def test_doses_by_number_are_as_last_corrected(store: Store) -> None:
    with store.write() as tx:
        ledger.add_doses(tx, [dose_row(seq, T0 + seq) for seq in range(1, 1203)])
        first = ledger.doses_by_seq(tx, "front", "j", [700])[700]
        ledger.correct(tx, first, T0, at_ms=T0 - 1)
        last = ledger.correct(tx, first, T0, at_ms=T0 - 2)
    with store.read() as tx:
        found = ledger.doses_by_seq(tx, "front", "j", range(1, 1300))
        assert sorted(found) == list(range(1, 1203))
        assert (found[700].id, found[700].at_ms) == (last, T0 - 2)
        assert ledger.seqs_above(tx, "front", "j", 1200) == {1201, 1202}
        assert ledger.neighbour(tx, "front", "j", 5) == (4, T0 + 4)
        assert ledger.neighbour(tx, "front", "j", 1) is None
