"""Work that is done again and again in a thread of its own, and goes on whatever it raises.

What fails is logged, told by `state`, and tried again: soon at first, then more and more seldom. Only a broken store
ends it, since the service is ending then.
"""

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass

from tareline.clock import Clock
from tareline.store.engine import StoreError

log = logging.getLogger(__name__)

AGAIN_FIRST_S, AGAIN_LAST_S = 1.0, 60.0


@dataclass(frozen=True, slots=True)
class State:
    """When the work was last done whole, and since when and why it fails; times are UNIX milliseconds, None: never."""

    done_ms: int | None = None
    failing_since_ms: int | None = None
    error: str | None = None


class Worker:
    """One such work.

    every_s: how long it waits to be woken, None for as long as it takes. pause_s: what it leaves to others before it
    begins. rest_s(took_s): how long it rests after it has taken so long.
    """

    def __init__(
        self,
        name: str,
        work: Callable[[], None],
        clock: Clock,
        every_s: float | None = None,
        pause_s: float = 0.0,
        rest_s: Callable[[float], float] = lambda took_s: 0.0,
    ) -> None:
        self.name = name
        self.state = State()
        self._work, self._clock = work, clock
        self._every_s, self._pause_s, self._rest_s = every_s, pause_s, rest_s
        self._again_s = AGAIN_FIRST_S
        self._news = threading.Event()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin, with the work itself."""
        self._news.set()
        self._thread.start()

    def wake(self) -> None:
        """There is something to do. May be called by any thread, at any time."""
        self._news.set()

    def stop(self) -> None:
        """End after what is under way."""
        self._ended.set()
        self._news.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        while not self._ended.is_set():
            self._news.wait(self._every_s)
            self._news.clear()
            if self._ended.wait(self._pause_s):
                return
            began_s = self._clock.monotonic_s()
            try:
                self._work()
            except StoreError:
                return  # the store has told why, and the service is ending
            except Exception as error:
                log.exception("the %s has failed; it is tried again", self.name)
                self._note_failure(error)
                self._ended.wait(self._again_s)
                self._again_s = min(2 * self._again_s, AGAIN_LAST_S)
                self._news.set()
            else:
                self.state = State(done_ms=self._clock.now_ms())
                self._again_s = AGAIN_FIRST_S
                self._ended.wait(self._rest_s(self._clock.monotonic_s() - began_s))

    def _note_failure(self, error: Exception) -> None:
        since_ms = self.state.failing_since_ms
        text = f"{type(error).__name__}: {error}"[:200]
        self.state = State(self.state.done_ms, self._clock.now_ms() if since_ms is None else since_ms, text)
