"""A process beside the service for long computations, so that they delay neither feeding nor holding.

It is started by the first request, gets its data by a pipe and answers by another, opens no database, and ends when
nothing was asked for a while. Each request carries all that it needs: a process that dies or hangs loses nothing, and
the next request starts another. It also ends when its pipe closes, however the service ends.
"""

import contextlib
import os
import pickle
import subprocess
import sys
import threading
from typing import Any

from tareline.locks import Order, OrderedLock

IDLE_S = 600.0
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), "1")


class ProcessError(Exception):
    """The process died, hung, or could not calculate something."""


class Process:
    """One such process, for one request at a time; `ask` may be called by any thread.

    module: what runs in it. idle_s: for how long it stays without a request.
    """

    def __init__(self, module: str, idle_s: float = IDLE_S) -> None:
        self._module = module
        self._idle_s = idle_s
        self._asking = OrderedLock(Order.PROCESS)
        self._process: subprocess.Popen[bytes] | None = None
        self._closed = False
        self._rest: threading.Timer | None = None

    @property
    def pid(self) -> int | None:
        """The process that runs now; None where none does."""
        process = self._process
        return process.pid if process is not None and process.poll() is None else None

    def ask(self, what: str, *given: Any, within_s: float) -> Any:
        """Send a request and return its answer. Raises ProcessError where none came in time, the process ended, or it
        failed."""
        with self._asking:
            if self._rest is not None:
                self._rest.cancel()
            process = self._running()
            # A blocked pipe has no time limit of its own: killing the process ends whatever waits for it.
            too_late = threading.Event()
            late = threading.Timer(within_s, _kill_late, (process, too_late))
            late.daemon = True
            late.start()
            try:
                assert process.stdin is not None
                assert process.stdout is not None
                pickle.dump((what, given), process.stdin)
                process.stdin.flush()
                ok, answer = pickle.load(process.stdout)
            except (OSError, EOFError, pickle.UnpicklingError) as error:
                self._end()
                why = f"no answer within {within_s:g} s" if too_late.is_set() else "the process ended"
                raise ProcessError(f"{what}: {why}") from error
            finally:
                late.cancel()
            self._rest = threading.Timer(self._idle_s, self._end_idle)
            self._rest.daemon = True
            self._rest.start()
        if not ok:
            raise ProcessError(f"{what}: {answer}")
        return answer

    def close(self) -> None:
        """End the process, also during a request, whose caller gets a ProcessError; no further request is possible."""
        self._closed = True
        while not self._asking.acquire(timeout=0.05):
            process = self._process
            if process is not None:
                process.kill()
        try:
            if self._rest is not None:
                self._rest.cancel()
            self._end()
        finally:
            self._asking.release()

    def _running(self) -> subprocess.Popen[bytes]:
        if self._closed:
            raise ProcessError("the service is ending")
        if self._process is not None and self._process.poll() is not None:
            self._end()
        if self._process is None:
            self._process = subprocess.Popen(
                [sys.executable, "-m", self._module],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                env={**os.environ, **ONE_THREAD},
            )
        return self._process

    def _end_idle(self) -> None:
        # During a request the process is not idle, and that request sets the next timer.
        if self._asking.acquire(blocking=False):
            try:
                self._end()
            finally:
                self._asking.release()

    def _end(self) -> None:
        """End the process and close its pipes; `_asking` is held."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):  # what was still to be written to a process that has ended
                    pipe.close()


def _kill_late(process: subprocess.Popen[bytes], too_late: threading.Event) -> None:
    too_late.set()  # first, so that whoever sees the process end knows why
    process.kill()
