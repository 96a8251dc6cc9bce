"""Closed periods: what is settled is not worked out again, until an entry speaks about it.

A feeder's past is cut at instants. Each closed period was estimated once, from its own events and what the period
before left (`Settled`), and its sums were kept with the ledger's position. The open period, one to two months long, is
all that a new dose makes anew. An entry about a closed period, a late weigh-in or a correction, reopens that period
and those after it, and none before.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tareline.core.units import DAY_MS
from tareline.core.weighing.model import Settled, WeighIn

KEPT_OPEN_DAYS = 28  # a weigh-in forgotten and made up for still finds its weeks open (judgement)
LONGEST_DAYS = 56


@dataclass(frozen=True, slots=True)
class Closed:
    """A closed period: what it left at its end, and the ledger's position up to which entries are in it."""

    settled: Settled
    position: int


def standing(closed: Sequence[Closed], touched_ms: Sequence[int]) -> list[Closed]:
    """The closed periods, oldest first, that stay closed when events at these instants are entered or corrected.

    touched_ms: of a correction, the instants of the old entry and of the new one. A weigh-in just after a period's end
    does not reopen it: the state it left carries its own uncertainty.
    """
    first_ms = min(touched_ms, default=None)
    ordered = sorted(closed, key=lambda one: one.settled.at_ms)
    return ordered if first_ms is None else [one for one in ordered if one.settled.at_ms < first_ms]


def next_closing_ms(begin_ms: int, now_ms: int, weighins: Sequence[WeighIn]) -> int | None:
    """Where to close a period that has been open since `begin_ms`; None while it need not be closed.

    Where it grows longer than eight weeks: at its last weigh-in that is four weeks old, for there the content is known
    best, or else four weeks after it began.
    """
    if now_ms - begin_ms <= LONGEST_DAYS * DAY_MS:
        return None
    latest_ms = min(begin_ms + LONGEST_DAYS * DAY_MS, now_ms) - KEPT_OPEN_DAYS * DAY_MS
    known = [w.at_ms for w in weighins if begin_ms + KEPT_OPEN_DAYS * DAY_MS // 2 <= w.at_ms <= latest_ms]
    return max(known, default=latest_ms)


def to_body(settled: Settled) -> dict[str, object]:
    """A settled state as plain numbers, for keeping as JSON."""
    return {
        "at_ms": settled.at_ms,
        "mean": settled.mean.tolist(),
        "cov": settled.cov.tolist(),
        "figures": settled.figures.tolist(),
        "figures_cov": settled.figures_cov.tolist(),
    }


def from_body(body: dict[str, object]) -> Settled:
    """The inverse of `to_body`. Raises ValueError where the numbers are of another model."""
    arrays = {name: np.array(body[name], float) for name in ("mean", "cov", "figures", "figures_cov")}
    at_ms = body["at_ms"]
    shapes = {name: array.shape for name, array in arrays.items()}
    if not isinstance(at_ms, int) or shapes != {"mean": (5,), "cov": (5, 5), "figures": (6,), "figures_cov": (6, 6)}:
        raise ValueError(f"expected a state of 5 values and 6 figures; found {shapes}")
    return Settled(at_ms, **arrays)
