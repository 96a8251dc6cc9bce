"""The store: one writer, many readers, migrations at start.

A transaction that cannot be committed is never retried in place: what is on disk is then unknown. The store declares
itself broken, every later write is refused, and the service ends, so that the broker delivers again.
"""

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from importlib import resources

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, func, select
from sqlalchemy.exc import DBAPIError, IntegrityError

from tareline.locks import Order, OrderedLock
from tareline.store import dialect
from tareline.store.tables import ledger, meta, register


class StoreError(Exception):
    """The store cannot be used: newer than the code, not to be opened, or broken by a failed commit."""


class Store:
    """A database by URL, migrated to this code's tables. Raises StoreError where that cannot be.

    on_broken: called once, from the thread that saw it, when a transaction could not be committed.
    """

    def __init__(self, url: str, on_broken: Callable[[str], None] | None = None) -> None:
        self._lock = OrderedLock(Order.STORE)
        self._on_broken = on_broken
        self._broken: str | None = None
        with ExitStack() as undo:
            try:
                self._writer, self._reader = dialect.engines(url)
                self._held = undo.enter_context(dialect.lock(url))
                undo.callback(self._writer.dispose)
                with self._writer.begin() as connection:
                    _migrate(connection)
            except (DBAPIError, ValueError) as error:
                raise StoreError(f"the store {url} cannot be opened: {_plain(error)}") from error
            undo.pop_all()

    @contextmanager
    def write(self, committed: Callable[[], None] = lambda: None) -> Iterator[Connection]:
        """A transaction of the one writer; commits at the end, rolls back on an exception.

        committed: called after the commit, before another transaction can begin.
        """
        with self._lock:
            if self._broken is not None:
                raise StoreError(self._broken)
            try:
                connection = self._writer.connect()
                transaction = connection.begin()
            except DBAPIError as error:
                raise self._break(error) from error
            try:
                try:
                    yield connection
                except IntegrityError:
                    raise  # a rule of the tables refused it: the disk is sound, and nothing of it was written
                except DBAPIError as error:
                    raise self._break(error) from error
                try:
                    transaction.commit()
                except DBAPIError as error:
                    raise self._break(error) from error
                committed()
            finally:
                if transaction.is_active:
                    transaction.rollback()
                connection.close()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A read-only snapshot."""
        with self._reader.connect() as connection, connection.begin():
            yield connection

    @property
    def broken(self) -> str | None:
        """Why the store refuses to write; None while it is sound."""
        return self._broken

    def describe(self) -> dict[str, str]:
        """Engine, version and durability, read from the writer's connection."""
        with self._lock, self._writer.connect() as connection:
            return dialect.describe(connection)

    def close(self) -> None:
        """Close all connections; the last one checkpoints."""
        with self._lock:
            self._reader.dispose()
            self._writer.dispose()
            self._held.close()

    def _break(self, error: DBAPIError) -> StoreError:
        if self._broken is None:
            self._broken = f"a write to the store failed, so nothing more is written: {_plain(error)}"
            if self._on_broken is not None:
                self._on_broken(self._broken)
        return StoreError(self._broken)


def _plain(error: Exception) -> str:
    return str(error.orig) if isinstance(error, DBAPIError) and error.orig is not None else str(error)


def _migrate(connection: Connection) -> None:
    """Bring the tables up to this code's, or raise StoreError when they are newer."""
    config = Config()
    config.set_main_option("script_location", str(resources.files("tareline.store") / "migrations"))
    config.attributes["connection"] = connection
    known = {revision.revision for revision in ScriptDirectory.from_config(config).walk_revisions()}
    current = MigrationContext.configure(connection).get_current_revision()
    if current is not None and current not in known:
        raise StoreError(
            f"the store was written by a newer Tareline (its tables are at {current}, this one knows up to "
            f"{max(known)}): install that version or a later one"
        )
    command.upgrade(config, "head")


def get_meta(connection: Connection, key: str) -> str | None:
    """A value kept beside the ledger."""
    return connection.execute(select(meta.c.value).where(meta.c.key == key)).scalar()


def put_meta(connection: Connection, key: str, value: str) -> None:
    """Keep a value beside the ledger."""
    dialect.upsert(connection, meta, [{"key": key, "value": value}])


_NEWEST = [
    select(table.c.recorded_ms).where(table.c.id == select(func.max(table.c.id)).scalar_subquery())
    for table in (ledger, register)
]


def newest_recorded_ms(connection: Connection) -> int:
    """The time at which the last entry of the ledger or the register was recorded; 0 in an empty store.

    An earlier entry may have a slightly later time, because a writer takes its time before its turn comes. The
    difference is far less than the time by which a clock must be behind to count as wrong.
    """
    return max(connection.execute(query).scalar() or 0 for query in _NEWEST)
