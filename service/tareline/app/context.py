"""What every part of the shell shares: the store, the clock, the register in memory, and the time to stamp with."""

import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from tareline.clock import Clock
from tareline.errors import FieldError
from tareline.locks import Order, OrderedLock
from tareline.store import register
from tareline.store.engine import Store, get_meta, newest_recorded_ms, put_meta

BEHIND_MS = 60_000  # a clock that steps back less than this is being corrected, not lost


@dataclass(frozen=True, slots=True)
class ChangeNotice:
    """Something a page may want to know of: what kind of thing, and of which tank (None: of none in particular)."""

    what: str
    tank: str | None


class Context:
    """Store, clock and register of one installation. Raises StoreError where the store cannot be opened."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self.store = store
        self.clock = clock
        self.in_order = OrderedLock(Order.IN_ORDER)  # held over a commit and the sending of what follows from it
        self._lock = OrderedLock(Order.CLOCK)
        self._written_s = clock.monotonic_s()
        self._listeners: list[Callable[[ChangeNotice], None]] = []
        with store.write() as tx:
            self._newest_ms = newest_recorded_ms(tx)
            installation = get_meta(tx, "installation")
            if installation is None:
                installation = secrets.token_hex(8)
                put_meta(tx, "installation", installation)
            self.installation = installation
            self.register = register.Register(tx)

    def stamp_ms(self) -> int:
        """The time to write down: the clock's, but always after the newest entry, so that "newer" stays true.

        While the clock is behind, that is a millisecond more for each transaction: were it more, entries would push
        the newest one on before the clock, and it would never be right again.
        """
        with self._lock:
            now_ms = self.clock.now_ms()
            return self._newest_ms + 1 if self._newest_ms - now_ms > BEHIND_MS else max(self._newest_ms, now_ms)

    def waiting_ms(self, since_ms: int) -> int:
        """How long ago something was stamped; goes on while the clock is behind, and is never written down."""
        with self._lock:
            if self._newest_ms - self.clock.now_ms() > BEHIND_MS:
                return self._newest_ms - since_ms + int((self.clock.monotonic_s() - self._written_s) * 1000)
            return self.clock.now_ms() - since_ms

    def behind_ms(self) -> int:
        """How far the clock lies behind the newest entry; 0 while it can be right."""
        with self._lock:
            behind_ms = self._newest_ms - self.clock.now_ms()
            return behind_ms if behind_ms > BEHIND_MS else 0

    @contextmanager
    def write(self) -> Iterator[Connection]:
        """A write transaction; the register in memory goes back with it when it fails."""
        with self.store.write() as tx:
            before = self.register
            try:
                yield tx
                newest_ms = newest_recorded_ms(tx)
            except BaseException:
                self.register = before
                raise
        with self._lock:
            if newest_ms - self.clock.now_ms() <= BEHIND_MS:
                self._written_s = self.clock.monotonic_s()
            self._newest_ms = max(self._newest_ms, newest_ms)

    def add_version(self, tx: Connection, kind: str, ref: str, at_ms: int, body: dict[str, Any]) -> None:
        """Append a version to the register, in the store and in memory."""
        register.add(tx, kind, ref, at_ms, self.stamp_ms(), body)
        self.register = register.Register(tx)

    def need(self, kind: str, ref: str) -> dict[str, Any]:
        """What holds now of a thing; raises FieldError (404) where there is none."""
        found = self.register.now(kind, ref)
        if found is None:
            raise FieldError(kind, f"there is no {kind} {ref!r}", 404)
        return found

    def refer(self, kind: str, ref: str) -> None:
        """Raises FieldError, naming the field, where a request refers to a thing that there is not."""
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
