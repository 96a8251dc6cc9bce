"""Works that are done again and again, each in a thread of its own, and continue whatever they raise.

They have a thread each because none may delay another: the load waits for its process for minutes, an account takes
seconds on a small board, and the monitor enters holds. What fails is logged, told by `states`, and tried again: soon at
first, then more and more seldom. Only a broken store ends a work, since the service is ending then.
"""

import logging
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from tareline.app.context import ChangeNotice
from tareline.clock import Clock
from tareline.store.engine import StoreError

log = logging.getLogger(__name__)

AGAIN_FIRST_S, AGAIN_LAST_S = 1.0, 60.0
ERROR_LETTERS = 200


@dataclass(frozen=True, slots=True)
class Work:
    """What is to be done, and when.

    do: does all there is to do; returns what failed, by what it is of, where the rest was done all the same; None or
    nothing where all was done.
    late_s: a lag that is longer is an alert. wakes_on: whether a kind of change brings something to do. every_s: how
    long it waits for a change, None for as long as it takes. pause_s: how long after a change it begins, so that what
    comes together is done together. rest_s(took_s): how long it rests after it has taken so long.
    """

    name: str
    do: Callable[[], Mapping[str, Exception] | None]
    late_s: float
    wakes_on: Callable[[str], bool] = lambda _: True
    every_s: float | None = None
    pause_s: float = 0.0
    rest_s: Callable[[float], float] = lambda _: 0.0


@dataclass(frozen=True, slots=True)
class WorkState:
    """How a work stands: when it was last done whole, when and why it last failed (UNIX ms; None: never).

    failing_s: for how long it has not been done whole since it failed; None where it does not fail. lag_s: how long the
    oldest change has waited that is not calculated yet; 0 where none waits.
    """

    done_ms: int | None
    failed_ms: int | None
    error: str | None
    failing_s: float | None
    lag_s: float


class Supervisor:
    """Runs works; `states` tells how they stand. May be used by any thread."""

    def __init__(self, clock: Clock, works: Iterable[Work]) -> None:
        self.works = {work.name: work for work in works}
        self._runners = {work.name: _Runner(work, clock) for work in self.works.values()}

    def start(self) -> None:
        """Begin each work, with doing it once."""
        for runner in self._runners.values():
            runner.wake()
            runner.start()

    def stop(self) -> None:
        """End each work after what is under way."""
        for runner in self._runners.values():
            runner.end()
        for runner in self._runners.values():
            if runner.is_alive():
                runner.join()

    def note(self, change: ChangeNotice) -> None:
        """Something has changed: wake the works that it concerns."""
        for name, work in self.works.items():
            if work.wakes_on(change.what):
                self._runners[name].wake()

    def states(self) -> dict[str, WorkState]:
        """How each work stands, by its name."""
        return {name: runner.state() for name, runner in self._runners.items()}


class _Runner(threading.Thread):
    """The thread of one work. Its marks are written by it alone, but for `_waiting_s`.

    They need no lock: each is one value, and a wake that falls between a look at `_waiting_s` and its reset loses the
    time of that moment only, since the work is done again because of it.
    """

    def __init__(self, work: Work, clock: Clock) -> None:
        super().__init__(name=work.name, daemon=True)
        self._work, self._clock = work, clock
        self._done_ms: int | None = None
        self._failed: tuple[int, str] | None = None
        self._failing_since_s: float | None = None
        self._waiting_s: float | None = None  # since when a change waits that nothing was begun for
        self._since_s: float | None = None  # of the oldest change that is being calculated, or could not be
        self._again_s = AGAIN_FIRST_S
        self._news = threading.Event()
        self._ended = threading.Event()

    def wake(self) -> None:
        if self._waiting_s is None:
            self._waiting_s = self._clock.monotonic_s()
        self._news.set()

    def end(self) -> None:
        self._ended.set()
        self._news.set()

    def state(self) -> WorkState:
        now_s = self._clock.monotonic_s()
        failed_ms, error = self._failed or (None, None)
        failing_s = self._failing_since_s
        oldest_s = min((since for since in (self._since_s, self._waiting_s) if since is not None), default=now_s)
        return WorkState(
            self._done_ms, failed_ms, error, None if failing_s is None else now_s - failing_s, now_s - oldest_s
        )

    def run(self) -> None:
        patience_s = self._work.every_s
        while not self._ended.is_set():
            if self._news.wait(patience_s) and self._ended.wait(self._work.pause_s):
                return
            self._news.clear()
            began_s = self._clock.monotonic_s()
            waiting_s, self._waiting_s = self._waiting_s, None
            if self._since_s is None:
                self._since_s = began_s if waiting_s is None else waiting_s
            try:
                failed = self._work.do()
            except StoreError:
                return  # the store has told why, and the service is ending
            except Exception as error:
                log.exception("the work %s has failed; it is tried again", self.name)
                self._note_failure(_in_words(error))
                self._ended.wait(self._again_s)
                self._again_s = min(2 * self._again_s, AGAIN_LAST_S)
                patience_s = 0.0
                continue
            if failed:
                # What is of others was done and is not kept waiting by this: only the next try of its own is.
                self._note_failure("; ".join(f"{name}: {_in_words(error)}" for name, error in failed.items()))
                patience_s = self._again_s if self._work.every_s is None else min(self._again_s, self._work.every_s)
                self._again_s = min(2 * self._again_s, AGAIN_LAST_S)
            else:
                self._done_ms = self._clock.now_ms()
                self._failing_since_s = self._since_s = None
                patience_s, self._again_s = self._work.every_s, AGAIN_FIRST_S
            self._ended.wait(self._work.rest_s(self._clock.monotonic_s() - began_s))

    def _note_failure(self, error: str) -> None:
        self._failed = (self._clock.now_ms(), error[:ERROR_LETTERS])
        if self._failing_since_s is None:
            self._failing_since_s = self._clock.monotonic_s()


def _in_words(error: Exception) -> str:
    return f"{type(error).__name__}: {error}"
