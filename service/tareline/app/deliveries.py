"""Sends the messages of the outbox to each target, until the target accepts them.

Each target has a thread of its own, so that one that is slow or unreachable delays no other. Messages about a tank
reach a target in order. A message counts as sent once the target has answered, so that a crash repeats at most the one
that is being sent. After a start everything that waits is tried at once; then after 1, 2, 4, 8, 16 and 30 s, no further
apart in the first ten minutes, and from then on at longer and longer pauses, of an hour at most. A new message resets
them.
"""

import logging
import threading
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from tareline.app.answers.alerts import AddressState, TestedAddress
from tareline.app.context import ChangeNotice, Context
from tareline.core.calendar import from_ms, rfc3339
from tareline.locks import Order, OrderedLock
from tareline.notify.targets import Addresses, Letter, Target, tell
from tareline.store import alerts as store
from tareline.store.alerts import Queued
from tareline.store.engine import StoreError

log = logging.getLogger(__name__)

EAGER_S = 600.0
EAGER_PAUSE_S = 30.0
LONGEST_PAUSE_S = 3600.0
LOOK_AGAIN_S = 60.0
# A receiver that answers late may have accepted the message all the same, and each further try would repeat it: so the
# first try waits long for an answer, and the others longer.
FIRST_READ_S = 30.0
READ_S = 120.0
TEST_READ_S = 10.0
LEAVE_S = 5.0


def next_pause_s(last_s: float, since_first_s: float) -> float:
    """How long after a failed try the next one follows. last_s: the pause before it, 0 where there was none."""
    longest_s = EAGER_PAUSE_S if since_first_s < EAGER_S else LONGEST_PAUSE_S
    return min(max(1.0, 2 * last_s), longest_s)


@dataclass(slots=True)
class _RetrySchedule:
    """When the messages about one tank are tried again.

    newest: the number of the newest message that waits. first_s, next_s: the first and the next try (monotonic).
    pause_s: the pause before the next try, 0 before the first one failed.
    """

    newest: int
    first_s: float
    next_s: float
    pause_s: float = 0.0


class TargetQueue:
    """One target and the messages that wait for it. Used by one thread only."""

    def __init__(self, context: Context, target: Target, ended: threading.Event, writing: OrderedLock) -> None:
        self._context = context
        self._target = target
        self._ended = ended
        self._writing = writing
        self._schedules: dict[str | None, _RetrySchedule] = {}

    def turn(self) -> float:
        """Try everything that is due. Returns in how many seconds something is due again, at most a minute.

        Raises StoreError when an outcome could not be written down.
        """
        with self._context.store.read() as tx:
            heads = store.heads(tx, self._target.name)
        self._schedules = {queued.tank: self._schedule(queued, newest) for queued, newest in heads}
        sent = False
        for queued, _ in heads:
            if self._ended.is_set():
                return 0.0
            schedule = self._schedules[queued.tank]
            if self._context.clock.monotonic_s() >= schedule.next_s:
                sent |= self._try(queued, schedule)
        if sent:
            return 0.0  # the next message about that tank is due
        waits = [schedule.next_s - self._context.clock.monotonic_s() for schedule in self._schedules.values()]
        return max(0.0, min([*waits, LOOK_AGAIN_S]))

    def _schedule(self, queued: Queued, newest: int) -> _RetrySchedule:
        kept = self._schedules.get(queued.tank)
        if kept is not None and kept.newest == newest:
            return kept
        now_s = self._context.clock.monotonic_s()
        return _RetrySchedule(newest, now_s, now_s)

    def _try(self, queued: Queued, schedule: _RetrySchedule) -> bool:
        """Send a message to the target. Returns whether the next message about the tank may follow."""
        now_ms = self._context.clock.now_ms()
        if now_ms >= queued.until_ms:
            self._note(queued, "given up", "too old to be of use")
            return True
        why = tell(self._target, _letter(queued), now_ms, FIRST_READ_S if schedule.pause_s == 0 else READ_S)
        if why is not None:
            now_s = self._context.clock.monotonic_s()
            schedule.pause_s = next_pause_s(schedule.pause_s, now_s - schedule.first_s)
            schedule.next_s = now_s + schedule.pause_s
            self._note(queued, "waiting", why)
            log.warning("message %s could not be told to %s: %s", queued.id, self._target.name, why)
            return False
        self._note(queued, "sent", None)
        schedule.pause_s, schedule.first_s = 0.0, self._context.clock.monotonic_s()
        return True

    def _note(self, queued: Queued, state: Any, error: str | None) -> None:
        with self._writing:
            if self._ended.is_set():
                return  # the store is closing: it will be tried again after the next start
            with self._context.store.write() as tx:
                store.note_try(tx, queued.id, self._target.name, self._context.clock.now_ms(), state, error)
                if state == "given up":
                    _note_loss(tx, queued, self._target.name, str(error))


class Deliveries:
    """The threads that send messages to people."""

    def __init__(self, context: Context, addresses: Addresses) -> None:
        self._context = context
        self._addresses = addresses
        self._ended = threading.Event()
        self._writing = OrderedLock(Order.DELIVERIES)
        self._moved = {name: threading.Event() for name in addresses.targets}
        self._threads = [
            threading.Thread(target=self._work, args=(target,), name=f"post-{i}", daemon=True)
            for i, target in enumerate(addresses.targets.values())
        ]

    def start(self) -> None:
        """Give up what waits for addresses that are no longer in the settings, and start the threads."""
        with self._context.store.write() as tx:
            for target in store.waiting_targets(tx):
                if target not in self._addresses.targets:
                    n = _drop(tx, target, self._context.clock.now_ms())
                    log.warning("%s is no longer told; %d messages that waited for it are dropped", target, n)
        self._context.listen(self._note_change)
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Begin no new try; a message that is being sent has a few seconds to be answered."""
        self._ended.set()
        self.wake()
        for thread in self._threads:
            if thread.is_alive():
                thread.join(LEAVE_S / len(self._threads))
        with self._writing:
            pass  # the thread that was writing has ended; a later one sees that the store is closing

    def wake(self) -> None:
        """Look for messages now."""
        for moved in self._moved.values():
            moved.set()

    def test(self, letter: Letter) -> list[TestedAddress]:
        """Send a test message to every address now, without the outbox. Returns each result, in order."""
        targets = list(self._addresses.make().values())
        if not targets:
            return []

        def told(target: Target) -> TestedAddress:
            why = tell(target, letter, self._context.clock.now_ms(), TEST_READ_S)
            return TestedAddress(target=target.name, ok=why is None, detail=why)

        with ThreadPoolExecutor(len(targets)) as pool:
            return list(pool.map(told, targets))

    def state(self) -> list[AddressState]:
        """For each address: its name, the time of the last try, whether it accepted the message, and why not."""
        with self._context.store.read() as tx:
            tried: Mapping[str, tuple[int, str, str | None]] = store.last_tries(tx)
        found = []
        for name in self._addresses.targets:
            at_ms, state, error = tried.get(name, (None, "", None))
            at = None if at_ms is None else rfc3339(at_ms, "UTC")
            ok = None if at is None else state == "sent"
            found.append(AddressState(target=name, tried_at=at, ok=ok, why=error))
        return found

    def _note_change(self, change: ChangeNotice) -> None:
        if change.what == "alert":
            self.wake()

    def _work(self, target: Target) -> None:
        queue = TargetQueue(self._context, target, self._ended, self._writing)
        moved = self._moved[target.name]
        while not self._ended.is_set():
            moved.clear()
            try:
                pause_s = queue.turn()
            except StoreError:
                return  # the store has told why, and the service is ending
            except Exception:  # whatever failed, the thread must go on sending messages
                log.exception("the post to %s stumbled", target.name)
                pause_s = LOOK_AGAIN_S
            moved.wait(pause_s)


def _letter(queued: Queued) -> Letter:
    at = rfc3339(queued.queued_ms, "UTC")
    return Letter(f"{queued.id}", queued.kind, queued.tank, queued.title, queued.text, at, queued.alerts)


def _drop(tx: Connection, target: str, now_ms: int) -> int:
    """Give up what waits for a target. Returns the number of messages."""
    n = 0
    while heads := store.heads(tx, target):
        for queued, _ in heads:
            store.note_try(tx, queued.id, target, now_ms, "given up", "no longer in the settings")
            _note_loss(tx, queued, target, "no longer in the settings")
            n += 1
    return n


def _note_loss(tx: Connection, queued: Queued, target: str, why: str) -> None:
    at = from_ms(queued.queued_ms, "UTC").date().isoformat()
    store.note_undelivered(tx, [one["id"] for one in queued.alerts], f"{target} was not told on {at}: {why}")
