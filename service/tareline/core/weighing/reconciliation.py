"""The reconciliation of a printed report: whether the masses between two weigh-ins agree.

Opening content plus refills minus closing content is the mass that left the hopper according to the kitchen scale; the
sum of the doses is the mass that left it according to the load cell. The limit of their difference is calculated from
independent contributions (GUM, JCGM 100:2008, 5.1.2), each with its source. It is a comparison that a keeper can repeat
by hand; the estimate itself uses all data together.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tareline.core.feeding.doses import Dose
from tareline.core.units import DAY_MS
from tareline.core.weighing.estimate import Estimate
from tareline.core.weighing.history import WeighIn
from tareline.core.weighing.model import FIGURES, SPAN_SD, UNSTATED_SD_G, WEIGHIN_SD_G, refill_sd_g

COVERAGE = 1.96  # of a normal distribution, 95 %


@dataclass(frozen=True, slots=True)
class LimitPart:
    """A contribution to the limit: its source, and its standard deviation in grams."""

    source: str
    sd_g: float


@dataclass(frozen=True, slots=True)
class Balance:
    """Two weigh-ins and the doses between them, in grams.

    by_scale_g: opening + added - closing. by_cell_g: the sum of the doses; doses that were not weighed are included by
    their estimate. limit_g: 95 % of the differences between the two are at most this large.
    """

    opening: WeighIn
    closing: WeighIn
    added_g: float
    doses: int
    unweighed: int
    by_cell_g: float
    parts: tuple[LimitPart, ...]

    @property
    def by_scale_g(self) -> float:
        return self.opening.mass_g + self.added_g - self.closing.mass_g

    @property
    def difference_g(self) -> float:
        return self.by_cell_g - self.by_scale_g

    @property
    def limit_g(self) -> float:
        return COVERAGE * math.sqrt(sum(part.sd_g**2 for part in self.parts))

    @property
    def within(self) -> bool:
        return abs(self.difference_g) <= self.limit_g


def balances(*parts: Estimate) -> list[Balance]:
    """A balance for each two successive weigh-ins; parts: the estimates of successive periods."""
    weighins = [weighin for part in parts for weighin in part.chain.weighed_in]
    return [_balance(parts, first, last) for first, last in pairwise(weighins)]


def _balance(parts: Sequence[Estimate], first: WeighIn, last: WeighIn) -> Balance:
    found = [part for part in parts if part.chain.at_ms[-1] >= first.at_ms and part.chain.at_ms[0] <= last.at_ms]
    figures = dict(zip(FIGURES, np.exp(found[-1].learned.mean).tolist(), strict=True))
    estimates = {dose.entry: dose for part in found for dose in part.doses}
    events = [event for part in found for event in part.chain.events]
    doses = [e for e in events if isinstance(e, Dose) and first.at_ms <= e.at_ms < last.at_ms]
    weighed = [(dose.mass_g, dose.sd_g) for dose in doses if dose.mass_g is not None]
    unweighed = [estimates[dose.entry] for dose in doses if dose.mass_g is None]
    refills = [r for part in found for r in part.chain.history.refills if first.at_ms < r.at_ms <= last.at_ms]
    by_cell_g = math.fsum(mass_g for mass_g, _ in weighed)
    days = (last.at_ms - first.at_ms) / DAY_MS
    content_g = (abs(first.mass_g) + abs(last.mass_g)) / 2
    contributions = (
        LimitPart("opening weigh-in, as stated", first.sd_g or WEIGHIN_SD_G),
        LimitPart("closing weigh-in, as stated", last.sd_g or WEIGHIN_SD_G),
        LimitPart("refills, as stated or a kitchen scale's", math.hypot(*(refill_sd_g(refill) for refill in refills))),
        LimitPart(
            "the cell's noise, as stated for each dose times what was learned of it",
            figures["noise"] * math.hypot(*(sd_g or UNSTATED_SD_G for _, sd_g in weighed)),
        ),
        LimitPart("the slope of the cell's calibration", SPAN_SD * abs(by_cell_g)),
        LimitPart("doses that were not weighed, as estimated", math.hypot(*(dose.sd_g for dose in unweighed))),
        LimitPart("moisture, as learned", figures["moisture"] * content_g * math.sqrt(days)),
    )
    return Balance(
        first,
        last,
        math.fsum(refill.added_g for refill in refills),
        len(doses),
        len(unweighed),
        by_cell_g + math.fsum(dose.mass_g for dose in unweighed),
        tuple(part for part in contributions if part.sd_g > 0),
    )
