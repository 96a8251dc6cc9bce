"""Everything that differs between database engines, in one place. SQLite only so far."""

import fcntl
import sqlite3
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any, BinaryIO

from sqlalchemy import Connection, Engine, Table, create_engine, event, make_url, text
from sqlalchemy.dialects.sqlite import Insert, insert
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import QueuePool, StaticPool

APPEND_ONLY_MESSAGE = "is append-only: a correction is one more entry"


def engines(url: str) -> tuple[Engine, Engine]:
    """A writing engine of one connection and a reading engine, for an SQLite database in a file.

    SQLite before 3.51.3 can lose a commit when one connection commits while another checkpoints. So the writer's one
    connection also does all checkpoints; readers open the file read-only and cannot.
    """
    try:
        parsed = make_url(url)
    except ArgumentError:
        raise ValueError(f'store.url: expected "sqlite:///FILE"; found {url!r}') from None
    if parsed.get_backend_name() != "sqlite" or not parsed.database or parsed.database == ":memory:":
        raise ValueError(f'store.url: expected "sqlite:///FILE"; found {parsed.render_as_string()!r}')
    path = Path(parsed.database).absolute()

    def open_writer() -> sqlite3.Connection:
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=30)
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "recursive_triggers=ON"):
            connection.execute(f"PRAGMA {pragma}")
        return connection

    def open_reader() -> sqlite3.Connection:
        connection = sqlite3.connect(
            f"{path.as_uri()}?mode=ro", uri=True, isolation_level=None, check_same_thread=False, timeout=30
        )
        connection.execute("PRAGMA query_only=ON")
        return connection

    writer = create_engine("sqlite://", creator=open_writer, poolclass=StaticPool)
    reader = create_engine("sqlite://", creator=open_reader, poolclass=QueuePool, pool_size=8, max_overflow=40)

    @event.listens_for(writer, "begin")
    def _begin_writing(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    @event.listens_for(reader, "begin")
    def _begin_reading(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN")

    return writer, reader


def lock(url: str) -> BinaryIO:
    """Take a database for this process until the returned file is closed. Raises ValueError where another has it.

    Two writers, or two services of one installation, would undo each other's guarantees.
    """
    path = Path(str(make_url(url).database)).absolute()
    try:
        file = path.with_name(path.name + ".lock").open("ab")
    except OSError as error:
        raise ValueError(f"{path}: {error.strerror}") from error
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        file.close()
        raise ValueError("another process uses it") from error
    return file


def protect(table: str) -> Sequence[str]:
    """The statements that make a table append-only. With recursive_triggers on, REPLACE fires the second one too."""
    return [
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'the {table} {APPEND_ONLY_MESSAGE}'); END"
        for verb in ("UPDATE", "DELETE")
    ]


def insert_new(connection: Connection, table: Table, rows: Sequence[dict[str, Any]]) -> None:
    """Insert rows, leaving alone those whose key is there already."""
    connection.execute(_insert_new(table), rows)


def upsert(connection: Connection, table: Table, rows: Sequence[dict[str, Any]]) -> None:
    """Insert whole rows by primary key, replacing what is there under the same key."""
    connection.execute(_upsert(table), rows)


@cache
def _insert_new(table: Table) -> Insert:
    return insert(table).on_conflict_do_nothing()


@cache
def _upsert(table: Table) -> Insert:
    statement = insert(table)
    keys = {column.name for column in table.primary_key}
    changed = {column.name: statement.excluded[column.name] for column in table.c if column.name not in keys}
    return statement.on_conflict_do_update(index_elements=sorted(keys), set_=changed)


def describe(connection: Connection) -> dict[str, str]:
    """The engine's name, version and durability settings, for the health page."""
    synchronous = {0: "off", 1: "normal", 2: "full", 3: "extra"}
    return {
        "engine": "sqlite",
        "version": sqlite3.sqlite_version,
        "journal_mode": str(connection.execute(text("PRAGMA journal_mode")).scalar()),
        "synchronous": synchronous.get(connection.execute(text("PRAGMA synchronous")).scalar() or 0, "?"),
    }
