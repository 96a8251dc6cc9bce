"""What runs in the worker process: the load's posterior and its forecasts, from plain values to plain values.

A request is a pickled pair of a name of `WORK` and its arguments; an answer a pickled pair of whether it went well and
the values or the reason. Posteriors leave as bytes that only this module opens again.
"""

import os
import pickle
import queue
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from dataclasses import asdict
from typing import Any, BinaryIO

import numpy as np

from tareline.core.load import forecast, guess, limit, posterior, solids
from tareline.core.load.forecast import Ahead
from tareline.core.load.guess import Other
from tareline.core.load.limit import Load
from tareline.core.load.record import Record

NICENESS = 10  # feeding and holding come first
Values = dict[str, Any]


def load(record: Record, food: int, dwell_d: float, fraction: float) -> tuple[Values, bytes]:
    """What is said of a tank's load, as plain values, and the posterior that a forecast begins from.

    `limits_g` are the limit's draws in ascending order, `at_least` the probability of each that the limit is no less.
    """
    known = posterior.posterior(record)
    told: Load = limit.load(known, dwell_d, fraction, food)
    may = limit.limits(known, food)
    order = np.argsort(may.least_g)
    at_least = np.cumsum(may.weights[order][::-1])[::-1]
    values = {
        **asdict(told),
        "limits_g": may.least_g[order].tolist(),
        "at_least": np.minimum(at_least, 1.0).tolist(),
        "solids": False,
    }
    dissolved = None
    if any(one.analyte == "tds" for one in record.seen):
        dissolved = solids.posterior(record)
        values["solids"] = dissolved.speaks
    return values, pickle.dumps((known, dissolved))


def ahead(kept: bytes, what: Ahead) -> Values:
    """A forecast from a posterior: bands per content and day, and the rest, as lists."""
    known, dissolved = pickle.loads(kept)
    found = forecast.forecast(known, what, dissolved)
    return {
        "bands": {content: band.tolist() for content, band in found.bands.items()},
        "over_ceiling": found.over_ceiling.clip(0, 1).tolist(),
        "seen": found.seen.clip(0, 1).tolist(),
        "rests_at": list(found.rests_at),
    }


def guesses(volume_l: float, planted_cm2: float | None, others: list[Other]) -> list[Values]:
    """First guesses of a tank's limit from others."""
    return [asdict(one) for one in guess.guess(volume_l, planted_cm2, others)]


WORK: dict[str, Callable[..., Any]] = {"load": load, "ahead": ahead, "guesses": guesses}


def main() -> None:
    """Answer requests until the pipe closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the service, which then closes the pipe
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
    """Take requests; end the process when the service is gone, even amid a computation."""
    while True:
        try:
            asked.put(pickle.load(pipe))
        except Exception:
            os._exit(0)


if __name__ == "__main__":
    main()
