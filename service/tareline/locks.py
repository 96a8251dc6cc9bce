"""The locks of the service, and the order in which they may be taken.

A thread that holds a lock may take another only if that one stands further down in `Order`, or if it holds that very
lock already. So no two threads can wait for each other. Each lock checks this whenever it is taken, which costs about
two microseconds, so that every test and every day of service tests the order. In the tests a wrong order is an error.
In service it is logged, and the lock is taken all the same: two threads may then wait for each other one day, but a
refusal would lose what was to be entered, which may be a hold.

There is no lock for results that are kept ready (`Projection`), nor for works (the supervisor gives each one thread),
nor for what only the link's thread uses.
"""

import logging
import threading
from collections.abc import Callable
from enum import IntEnum
from types import TracebackType


class Order(IntEnum):
    """A lock may be taken while locks before it in this list are held, but not the other way round."""

    # One request at a time of a process, over its pipes: it may last for minutes, so that nothing else may be held.
    PROCESS = 1
    # The accounts are calculated, or a finding is decided and the accounts after it: a second decision must see the
    # accounts after the first, and it comes from another thread than the work's.
    ACCOUNTS = 2
    # A commit and the sending of what follows from it, so that devices are told in the order of the commits; with it
    # which updates are offered, since an offer is issued and kept as one.
    IN_ORDER = 3
    # The result of sending a message is being stored: the store is closed only when no thread does so any more.
    DELIVERIES = 4
    # The one writer of the store.
    STORE = 5
    # The newest time that was written down and when that was, which change together.
    CLOCK = 6
    # A module of the firmware is being imported: the plain names of its modules are defined for that moment only.
    FIRMWARE = 7


def _tell(text: str) -> None:
    logging.getLogger(__name__).critical("locks are taken in a wrong order: %s", text)


on_wrong_order: Callable[[str], None] = _tell


class OrderedLock:
    """A lock that the thread which holds it may take again, and that reports when it is taken out of order."""

    def __init__(self, order: Order) -> None:
        self.order = order
        self._lock = threading.RLock()

    def acquire(self, blocking: bool = True, timeout: float = -1) -> bool:
        """Take the lock; returns whether that succeeded. timeout: in seconds, -1 for no limit."""
        held = _of_this_thread.held
        if self not in held:
            for other in held:
                if other.order >= self.order:
                    on_wrong_order(f"{self.order.name} was to be taken while {other.order.name} was held")
        taken = self._lock.acquire(blocking, timeout)
        if taken:
            held.append(self)
        return taken

    def release(self) -> None:
        """Release the lock; raises RuntimeError where this thread does not hold it."""
        self._lock.release()
        held = _of_this_thread.held
        del held[len(held) - 1 - held[::-1].index(self)]

    def __enter__(self) -> None:
        self.acquire()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


class _OfThisThread(threading.local):
    def __init__(self) -> None:
        self.held: list[OrderedLock] = []


_of_this_thread = _OfThisThread()
