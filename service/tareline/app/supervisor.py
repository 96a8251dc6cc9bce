"""Works that are done again and again, each in a thread of its own, and continue after any exception.

They have a thread each because none may delay another: the load waits for its process for minutes, an account takes
seconds on a small board, and the monitor enters holds. What fails is logged, told by `states`, and tried again: soon at
first, then at longer and longer intervals. Only a broken store ends a work, since the service is ending then.
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

    do: does all that is to be done. Returns the failures by what they concern, where the rest was done all the same;
    None or an empty mapping where everything was done. late_s: a lag that is longer is an alert. wakes_on: whether a
    kind of change brings something to do. every_s: how long it waits for a change, None for no limit. pause_s: how long
    after a change it begins, so that changes that come together are handled together. rest_s(took_s): how long it rests
    after a run that took so long.
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
    """The state of a work: when it was last completed, when and why it last failed (UNIX ms; None: never).

    failing_s: for how long it has not been completed since it failed; None where it does not fail. lag_s: how long the
    oldest change has waited that is not covered yet; 0 where none waits.
    """

    done_ms: int | None
    failed_ms: int | None
    error: str | None
    failing_s: float | None
    lag_s: float


class Supervisor:
    """Runs works; `states` gives their states. May be used by any thread."""

    def __init__(self, clock: Clock, works: Iterable[Work]) -> None:
        self.works = {work.name: work for work in works}
        self._runners = {work.name: _Runner(work, clock) for work in self.works.values()}

    def start(self) -> None:
        """Start each work; it is done once at the beginning."""
        for runner in self._runners.values():
            runner.wake()
            runner.start()

    def stop(self) -> None:
        """End each work after its present run."""
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
        """The state of each work, by its name."""
        return {name: runner.state() for name, runner in self._runners.items()}


class _Runner(threading.Thread):
    """The thread of one work. Only this thread writes its fields, except `_waiting_s`.

    They need no lock: each is a single value. A wake between the reading of `_waiting_s` and its reset loses only the
    time of that moment, because the work is done again all the same.
    """

    def __init__(self, work: Work, clock: Clock) -> None:
        super().__init__(name=work.name, daemon=True)
        self._work, self._clock = work, clock
        self._done_ms: int | None = None
        self._failed: tuple[int, str] | None = None
        self._failing_since_s: float | None = None
        self._waiting_s: float | None = None  # since when a change waits for which no run has begun
        self._since_s: float | None = None  # the same of the oldest change of the present run, or of a run that failed
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
                # Only the next try of what failed must wait; the rest was done.
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
