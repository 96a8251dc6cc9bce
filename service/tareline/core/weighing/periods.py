"""Closed periods: their estimate is not calculated again until an entry changes one of their events.

A feeder's past is divided into periods. Each closed period was estimated once, from its own events and the state at the
end of the period before (`SettledState`), and its sums were stored with the ledger's position. A new dose changes the
open period only, which is one to two months long. An entry about a closed period, such as a late weigh-in or a
correction, reopens that period and all later ones, but no earlier one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tareline.core.units import DAY_MS
from tareline.core.weighing.history import WeighIn
from tareline.core.weighing.model import SettledState

KEPT_OPEN_DAYS = 28  # so that a weigh-in that is entered late usually reopens nothing (judgement)
LONGEST_DAYS = 56


@dataclass(frozen=True, slots=True)
class ClosedPeriod:
    """A closed period: the state at its end, and the ledger's position up to which entries are included in it."""

    settled: SettledState
    position: int


def still_closed(closed: Sequence[ClosedPeriod], touched_ms: Sequence[int]) -> list[ClosedPeriod]:
    """The closed periods, oldest first, that stay closed when events at these instants are entered or corrected.

    touched_ms: UNIX ms; for a correction, the instants of the old entry and of the new one. A weigh-in just after the
    end of a period does not reopen it, because the state at its end includes its own uncertainty.
    """
    first_ms = min(touched_ms, default=None)
    ordered = sorted(closed, key=lambda one: one.settled.at_ms)
    return ordered if first_ms is None else [one for one in ordered if one.settled.at_ms < first_ms]


def next_closing_ms(begin_ms: int, now_ms: int, weighins: Sequence[WeighIn]) -> int | None:
    """At which instant to close a period that has been open since `begin_ms`; None while it can stay open.

    A period that is longer than eight weeks is closed at its last weigh-in that is at least four weeks old, because the
    content is known best there, or else four weeks after its beginning.
    """
    if now_ms - begin_ms <= LONGEST_DAYS * DAY_MS:
        return None
    latest_ms = min(begin_ms + LONGEST_DAYS * DAY_MS, now_ms) - KEPT_OPEN_DAYS * DAY_MS
    known = [w.at_ms for w in weighins if begin_ms + KEPT_OPEN_DAYS * DAY_MS // 2 <= w.at_ms <= latest_ms]
    return max(known, default=latest_ms)


def to_body(settled: SettledState) -> dict[str, object]:
    """A settled state as plain numbers, to be stored as JSON."""
    return {
        "at_ms": settled.at_ms,
        "mean": settled.mean.tolist(),
        "cov": settled.cov.tolist(),
        "figures": settled.figures.tolist(),
        "figures_cov": settled.figures_cov.tolist(),
    }


def from_body(body: dict[str, object]) -> SettledState:
    """The inverse of `to_body`. Raises ValueError where the shapes of the numbers do not fit this model."""
    arrays = {name: np.array(body[name], float) for name in ("mean", "cov", "figures", "figures_cov")}
    at_ms = body["at_ms"]
    shapes = {name: array.shape for name, array in arrays.items()}
    if not isinstance(at_ms, int) or shapes != {"mean": (5,), "cov": (5, 5), "figures": (6,), "figures_cov": (6, 6)}:
        raise ValueError(f"expected a state of 5 values and 6 figures; found {shapes}")
    return SettledState(at_ms, **arrays)
