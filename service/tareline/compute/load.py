"""What runs in the worker process: the load's posterior and its forecasts.

A request is a pickled pair of a name of `WORK` and its arguments; an answer a pickled pair of whether it went well and
the value or the reason. Posteriors leave as bytes that only this module opens again.
"""

import os
import pickle
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from typing import Any, BinaryIO

import numpy as np

from tareline.compute.answers import ForecastTold, LoadTold
from tareline.core.load import forecast, guess, limit, posterior, solids
from tareline.core.load.forecast import Scenario
from tareline.core.load.guess import Guess, OtherTank
from tareline.core.load.record import Record

NICENESS = 10  # feeding and holding come first


def load(record: Record, food: int, dwell_d: float, fraction: float) -> tuple[LoadTold, bytes]:
    """The result for a tank's load, and as bytes the posterior from which a forecast starts."""
    known = posterior.posterior(record)
    may = limit.limits(known, food)
    order = np.argsort(may.least_g)
    at_least = np.cumsum(may.weights[order][::-1])[::-1]
    told = LoadTold(
        limit.load(known, dwell_d, fraction, food),
        tuple(may.least_g[order].tolist()),
        tuple(np.minimum(at_least, 1.0).tolist()),
    )
    dissolved = solids.posterior(record) if any(one.analyte == "tds" for one in record.readings) else None
    return told, pickle.dumps((known, dissolved))


def ahead(kept: bytes, what: Scenario) -> ForecastTold:
    """A forecast from a posterior."""
    known, dissolved = pickle.loads(kept)
    found = forecast.forecast(known, what, dissolved)
    return ForecastTold(
        bands={content: tuple(map(tuple, band.tolist())) for content, band in found.bands.items()},
        over_ceiling=tuple(found.over_ceiling.clip(0, 1).tolist()),
        detected=tuple(found.detected.clip(0, 1).tolist()),
        rests_at=tuple(found.rests_at),
    )


def guesses(volume_l: float, planted_cm2: float | None, others: list[OtherTank]) -> list[Guess]:
    """First guesses of a tank's limit from others."""
    return list(guess.guess(volume_l, planted_cm2, others))


WORK: dict[str, Callable[..., Any]] = {"load": load, "ahead": ahead, "guesses": guesses}


def main() -> None:
    """Answer requests until the pipe closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C ends the service, which then closes the pipe
    os.nice(NICENESS)
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever is printed by mistake must not get between the answers
    asked: queue.SimpleQueue[tuple[str, tuple[Any, ...]]] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, asked), daemon=True).start()
    while True:
        what, given = asked.get()
        try:
            answer: tuple[bool, Any] = (True, WORK[what](*given))
        except Exception as error:
            traceback.print_exc()
            answer = (False, f"{type(error).__name__}: {error}")
        pickle.dump(answer, answers)
        answers.flush()


def _listen(pipe: BinaryIO, asked: queue.SimpleQueue[tuple[str, tuple[Any, ...]]]) -> None:
    """Receive requests; end the process when the service has ended, even during a computation."""
    while True:
        try:
            asked.put(pickle.load(pipe))
        except Exception:
            os._exit(0)


if __name__ == "__main__":
    main()
