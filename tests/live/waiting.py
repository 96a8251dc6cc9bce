"""The one place where a live test waits: for a condition, and never for a length of time."""

import threading
import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

LOOK_AGAIN_S = 0.02


def until(condition: Callable[[], T | None], timeout: float = 20.0, what: str | Callable[[], object] = "") -> T:
    """The first truthy value of `condition`; AssertionError when it has not become true after `timeout` seconds.

    An AssertionError inside the condition counts as "not yet" and is what is raised in the end.
    """
    idle = threading.Event()
    end = time.monotonic() + timeout
    while True:
        failed: AssertionError | None = None
        try:
            found = condition()
            if found:
                return found
        except AssertionError as error:
            failed = error
        if time.monotonic() >= end:
            told = what() if callable(what) else what
            raise failed or AssertionError(f"not within {timeout} s: {told or condition}")
        idle.wait(LOOK_AGAIN_S)
