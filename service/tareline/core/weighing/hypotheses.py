"""Tests of which single error would best explain the differences.

For each statement of the model (`model`) it is calculated how much better everything else fits if this statement alone
is shifted by an unknown size: the generalised likelihood ratio of data reconciliation (Narasimhan & Mah 1987), which
for one statement is the square of its residual divided by the residual's standard deviation. A shift of the content
between two events means that food was added or lost there; of the zero, that the hopper was moved; of a weigh-in, that
a wrong value was entered. Food that takes up moisture after a refill shifts the content a little at each step.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from tareline.core.units import DAY_MS
from tareline.core.weighing.history import Instant
from tareline.core.weighing.hyperparameters import solve_chain
from tareline.core.weighing.linear_gaussian import Floats
from tareline.core.weighing.model import CONSTANTS, DAMP_DAYS, SHIFTS, Chain, Shift, statements

Key = tuple[str, int, int]  # kind, and the entries before and after
SINGLE = frozenset(SHIFTS)  # kinds of which any one statement may be shifted


class ShiftEstimate(NamedTuple):
    """A shift with its estimated size and the standard deviation of the size; z: the size in standard deviations."""

    shift: Shift
    size: float
    sd: float

    @property
    def z(self) -> float:
        return self.size / self.sd


def single_shifts(chain: Chain, figures: Floats, shifts: Sequence[Shift] = ()) -> list[ShiftEstimate]:
    """Every single shift that could be added to `shifts`, each with the size that fits best."""
    posterior = solve_chain(chain, figures, shifts)
    found = []
    for group in statements(chain, figures, shifts):
        if group.kind not in SINGLE or not len(group.value):
            continue
        size, sd = posterior.shifts(group)
        found += [
            ShiftEstimate(Shift(group.kind, int(i)), SHIFTS[group.kind] * float(size[0, i]), float(sd[0, i]))
            for i in np.flatnonzero(np.isfinite(sd[0]))
        ]
    for step in np.flatnonzero([len(refills) > 0 for refills in chain.refills]):
        damp = Shift("moisture", int(step))
        if damp not in shifts:
            found.append(shift_sizes(chain, figures, [*shifts, damp])[-1])
    return found


def shift_sizes(chain: Chain, figures: Floats, shifts: Sequence[Shift]) -> list[ShiftEstimate]:
    """The shifts that are already in the model, with their sizes."""
    posterior = solve_chain(chain, figures, shifts)
    mean, var = posterior.constants[0, CONSTANTS:], np.diag(posterior.constants_cov[0])[CONSTANTS:]
    return [ShiftEstimate(shift, float(size), math.sqrt(v)) for shift, size, v in zip(shifts, mean, var, strict=True)]


def around(chain: Chain, shift: Shift) -> tuple[int, int]:
    """The indices of the events between which a shift lies, by the weighings around it; for an error in one event, that
    event twice."""
    if shift.kind == "moisture":
        last = np.searchsorted(chain.at_ms, chain.at_ms[shift.index] + DAMP_DAYS * DAY_MS, "right") - 1
        return shift.index, max(int(last), shift.index + 1)
    if shift.kind == "gain":
        return shift.index, shift.index + 1
    if shift.kind in ("content", "zero"):
        read = np.union1d(chain.weighed, chain.weighins)
        after = int(np.searchsorted(read, shift.index + 1))
        first = int(read[after - 1]) if after else 0
        return first, int(read[after]) if after < len(read) else len(chain.events) - 1
    among = {"weigh-in": chain.weighins, "dose": chain.told}.get(shift.kind, chain.weighed)
    return int(among[shift.index]), int(among[shift.index])


def entry_of(chain: Chain, event: int) -> int:
    """The event's entry; 0 for an instant at which the chain begins or ends."""
    found = chain.events[event]
    return 0 if isinstance(found, Instant) else found.entry


def key_of(chain: Chain, shift: Shift) -> Key:
    """The identity of a shift: its kind and the entries of the events around it."""
    first, last = around(chain, shift)
    if shift.kind == "weigh-in":
        entry = chain.weighed_in[shift.index].entry
        return shift.kind, entry, entry
    if shift.kind == "moisture":
        last = first + 1  # how far it reaches changes with every event
    return shift.kind, entry_of(chain, first), entry_of(chain, last)
