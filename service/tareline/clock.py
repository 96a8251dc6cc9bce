"""The one place that reads the time. Everything else is handed a clock or an instant."""

import time
from typing import Protocol


class Clock(Protocol):
    """Wall time in UNIX milliseconds, and a monotonic count of seconds for delays."""

    def now_ms(self) -> int: ...

    def monotonic_s(self) -> float: ...


class SystemClock:
    """The machine's own clocks."""

    def now_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def monotonic_s(self) -> float:
        return time.monotonic()


class ManualClock:
    """A clock that moves only when it is told to: for tests and for inventing a past."""

    def __init__(self, now_ms: int) -> None:
        self._now_ms = now_ms
        self._elapsed_ms = 0

    def now_ms(self) -> int:
        return self._now_ms

    def monotonic_s(self) -> float:
        return self._elapsed_ms / 1000

    def advance(self, ms: int) -> None:
        """Let time pass."""
        self._now_ms += ms
        self._elapsed_ms += ms

    def set(self, now_ms: int) -> None:
        """Set the wall clock, as a person or a time server does; no time passes."""
        self._now_ms = now_ms
