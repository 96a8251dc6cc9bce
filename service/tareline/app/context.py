"""What every part of the shell shares: the store, the clock, the register in memory, and the time to stamp with."""

import secrets
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from tareline.clock import Clock
from tareline.errors import FieldError
from tareline.locks import Order, OrderedLock
from tareline.store.engine import Store, get_meta, newest_recorded_ms, put_meta
from tareline.store.register import Register
from tareline.store.register import add as append_version

BEHIND_MS = 60_000  # a clock that steps back less than this is only being corrected
ERROR_LETTERS = 200  # of why a feeder cannot be told


@dataclass(frozen=True, slots=True)
class ChangeNotice:
    """A change that pages may show: its kind, and its tank (None: no particular tank)."""

    what: str
    tank: str | None


@dataclass(frozen=True, slots=True)
class DispatchFault:
    """Since when a feeder cannot be told what is in force, and the newest reason."""

    since_ms: int
    error: str


class DispatchFaults:
    """The feeders for which no plan or hold could be calculated, so that they cannot be told what is in force.

    Written within transactions of the store, read by any thread. It needs no lock: the mapping is replaced as a whole.
    """

    def __init__(self) -> None:
        self._faults: Mapping[str, DispatchFault] = {}

    def faults(self) -> Mapping[str, DispatchFault]:
        """The present faults, by feeder."""
        return self._faults

    def note(self, feeder: str, error: Exception, now_ms: int) -> None:
        """A feeder could not be told."""
        before = self._faults.get(feeder)
        since_ms = now_ms if before is None else before.since_ms
        text = f"{type(error).__name__}: {error}"[:ERROR_LETTERS]
        self._faults = {**self._faults, feeder: DispatchFault(since_ms, text)}

    def end(self, feeder: str) -> None:
        """A feeder was told, or nothing new was to be told."""
        if feeder in self._faults:
            self._faults = {name: fault for name, fault in self._faults.items() if name != feeder}


class _Uncommitted(threading.local):
    """The register as the transaction of this thread has changed it; None where it has not, or none is under way."""

    register: Register | None = None


class Context:
    """Store, clock and register of one installation. Raises StoreError where the store cannot be opened."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self.store = store
        self.clock = clock
        self.in_order = OrderedLock(Order.IN_ORDER)  # held over a commit and the sending of what follows from it
        self._lock = OrderedLock(Order.CLOCK)
        self._written_s = clock.monotonic_s()
        self._listeners: list[Callable[[ChangeNotice], None]] = []
        self._uncommitted = _Uncommitted()
        self.dispatch_faults = DispatchFaults()
        with store.write() as tx:
            self._newest_ms = newest_recorded_ms(tx)
            installation = get_meta(tx, "installation")
            if installation is None:
                installation = secrets.token_hex(8)
                put_meta(tx, "installation", installation)
            self.installation = installation
            self._register = Register(tx)

    @property
    def register(self) -> Register:
        """The register as it is committed; within a transaction that has added to it, with what that added."""
        own = self._uncommitted.register
        return self._register if own is None else own

    def stamp_ms(self) -> int:
        """The time to write down: the clock's, but always after the newest entry, so that "newer" stays true.

        While the clock is behind, this time advances by a millisecond for each transaction. With larger steps, entries
        would keep the newest time ahead of the clock, and the clock would never be right again.
        """
        with self._lock:
            now_ms = self.clock.now_ms()
            return self._newest_ms + 1 if self._newest_ms - now_ms > BEHIND_MS else max(self._newest_ms, now_ms)

    def waiting_ms(self, since_ms: int) -> int:
        """How long ago a stamped instant was. It grows also while the clock is behind, and is never stored."""
        with self._lock:
            if self._newest_ms - self.clock.now_ms() > BEHIND_MS:
                return self._newest_ms - since_ms + int((self.clock.monotonic_s() - self._written_s) * 1000)
            return self.clock.now_ms() - since_ms

    def behind_ms(self) -> int:
        """How far the clock lies behind the newest entry; 0 where the clock may be right."""
        with self._lock:
            behind_ms = self._newest_ms - self.clock.now_ms()
            return behind_ms if behind_ms > BEHIND_MS else 0

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A write transaction. Others see what it adds to the register only once it is committed."""
        newest_ms = 0

        def committed() -> None:
            self._register = self.register
            with self._lock:
                if newest_ms - self.clock.now_ms() <= BEHIND_MS:
                    self._written_s = self.clock.monotonic_s()
                self._newest_ms = max(self._newest_ms, newest_ms)

        try:
            with self.store.write(committed) as tx:
                yield tx
                newest_ms = newest_recorded_ms(tx)
        finally:
            self._uncommitted.register = None

    def add_version(self, tx: Connection, kind: str, ref: str, at_ms: int, body: dict[str, Any]) -> None:
        """Append a version to the register, within the transaction of `write`."""
        append_version(tx, kind, ref, at_ms, self.stamp_ms(), body)
        self._uncommitted.register = Register(tx)

    def need(self, kind: str, ref: str) -> dict[str, Any]:
        """The newest version of a thing; raises FieldError (404) where there is none."""
        found = self.register.now(kind, ref)
        if found is None:
            raise FieldError(kind, f"there is no {kind} {ref!r}", 404)
        return found

    def refer(self, kind: str, ref: str) -> None:
        """Raises FieldError, naming the field, where a request refers to a thing that does not exist."""
        if self.register.now(kind, ref) is None:
            raise FieldError(kind, f"expected the id of a {kind}; there is none called {ref!r}")

    def zone(self, tank: str) -> str:
        """The tank's time zone."""
        return str(self.need("tank", tank)["timezone"])

    def tank_of(self, feeder: str, at_ms: int) -> str | None:
        """The tank a feeder was on at an instant."""
        found = self.register.at("feeder", feeder, at_ms)
        return None if found is None else found.get("tank")

    def listen(self, listener: Callable[[ChangeNotice], None]) -> None:
        """Call `listener` after every change, from whichever thread made it."""
        self._listeners.append(listener)

    def announce(self, what: str, tank: str | None) -> None:
        """Tell the listeners that something changed."""
        for listener in self._listeners:
            listener(ChangeNotice(what, tank))
