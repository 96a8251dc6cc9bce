"""Which single error would explain best what does not fit.

Each statement of the model (`model`) is asked whether shifting it alone, by an unknown size, would make everything else
fit better: the generalised likelihood ratio of data reconciliation (Narasimhan & Mah 1987), which for one statement is
the square of its residual over that residual's own deviation. A shift of the content between two events is food added
or lost there; of the zero, a hopper that was knocked; of a weigh-in, a slip of the pen. Food that takes up moisture
after a refill shifts the content a little at each step.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from tareline.core.units import DAY_MS
from tareline.core.weighing.hyperparameters import solved
from tareline.core.weighing.linear_gaussian import Floats
from tareline.core.weighing.model import CONSTANTS, DAMP_DAYS, SHIFTS, Chain, Moment, Shift, statements

Key = tuple[str, int, int]  # kind, and the entries before and after
SINGLE = frozenset(SHIFTS)  # kinds of which any one statement may be shifted


class Suspect(NamedTuple):
    """A shift, its size and the size's deviation, and how many deviations that is."""

    shift: Shift
    size: float
    sd: float

    @property
    def z(self) -> float:
        return self.size / self.sd


def suspects(chain: Chain, figures: Floats, shifts: Sequence[Shift] = ()) -> list[Suspect]:
    """Every single shift that could be added, with the size that fits best."""
    posterior = solved(chain, figures, shifts)
    found = []
    for group in statements(chain, figures, shifts):
        if group.kind not in SINGLE or not len(group.value):
            continue
        size, sd = posterior.shifts(group)
        found += [
            Suspect(Shift(group.kind, int(i)), SHIFTS[group.kind] * float(size[0, i]), float(sd[0, i]))
            for i in np.flatnonzero(np.isfinite(sd[0]))
        ]
    for step in np.flatnonzero([len(refills) > 0 for refills in chain.refills]):
        damp = Shift("moisture", int(step))
        if damp not in shifts:
            found.append(sizes(chain, figures, [*shifts, damp])[-1])
    return found


def sizes(chain: Chain, figures: Floats, shifts: Sequence[Shift]) -> list[Suspect]:
    """The shifts that are taken into the model, with their sizes."""
    posterior = solved(chain, figures, shifts)
    mean, var = posterior.constants[0, CONSTANTS:], np.diag(posterior.constants_cov[0])[CONSTANTS:]
    return [Suspect(shift, float(size), math.sqrt(v)) for shift, size, v in zip(shifts, mean, var, strict=True)]


def around(chain: Chain, shift: Shift) -> tuple[int, int]:
    """The events that a shift lies between, as far as anything was read there; of one event, that event twice."""
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
    """The event's entry; 0 for the moment at which the chain begins or ends."""
    found = chain.events[event]
    return 0 if isinstance(found, Moment) else found.entry


def key_of(chain: Chain, shift: Shift) -> Key:
    """What names a shift as long as the events around it stay: its kind and their entries."""
    first, last = around(chain, shift)
    if shift.kind == "weigh-in":
        entry = chain.weighed_in[shift.index].entry
        return shift.kind, entry, entry
    if shift.kind == "moisture":
        last = first + 1  # how far it reaches changes with every event
    return shift.kind, entry_of(chain, first), entry_of(chain, last)
