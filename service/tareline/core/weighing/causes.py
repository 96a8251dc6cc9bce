"""Possible explanations of a gross error, each with a weight for how well it predicts the error's place and size.

The weight of an explanation is the likelihood of all data under it: the likelihood of the shift, times the probability
density of its size, times how often such a thing happens (judgement of ours). For example, a refill entered twice
predicts the size within a few percent; a spill only predicts that it is at most the content of a hopper. The weights
of explanations about the same place can be compared, and the most probable one decides what stays unknown in the model.
"""

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from tareline.core.units import DAY_MS
from tareline.core.weighing.hypotheses import Key, ShiftEstimate, around, key_of, shift_sizes, single_shifts
from tareline.core.weighing.linear_gaussian import Floats
from tareline.core.weighing.model import WEIGHIN_SD_G, Chain, Shift

PLAUSIBLE = 3.5  # least standard deviations for another shift at the same place to be a possible explanation
HOPPER_G = 100.0  # the most that is added or spilled at once (judgement)
TWINS_DAYS = 2  # two refills of the same mass within this time may be one, entered twice (judgement)


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause as it is shown to people: its probability among those listed, and the evidence for it."""

    name: str
    share: float
    evidence: str


@dataclass(frozen=True, slots=True)
class CorrectingEntry:
    """The one entry that would correct the books: a new entry of some kind, or a correction of entry `corrects`."""

    kind: str
    at_ms: int
    corrects: int | None = None
    mass_g: float | None = None
    sd_g: float | None = None


class Explanation(NamedTuple):
    """A possible explanation: what it shifts, the natural logarithm of its weight, the evidence in words, and the entry
    that would correct the books if it is true."""

    shift_estimate: ShiftEstimate
    name: str
    log_weight: float
    evidence: str
    mend: CorrectingEntry | None


def explanations(
    chain: Chain, figures: Floats, shifts: Sequence[Shift], found: Shift, dismissed: Collection[Key]
) -> list[Explanation]:
    """The possible explanations of a shift, the most probable first; they may be other shifts at the same place."""
    others = [shift for shift in shifts if shift != found]
    alone = {
        shift_estimate.shift: shift_estimate
        for shift_estimate in single_shifts(chain, figures, others)
        if _is_plausible(chain, shift_estimate, dismissed)
    }
    alone |= {
        shift_estimate.shift: shift_estimate
        for shift_estimate in shift_sizes(chain, figures, shifts)
        if shift_estimate.shift == found
    }
    first, last = around(chain, found)
    weighins = [n for n, i in enumerate(chain.weighins) if i in (first, last)]
    step = found.index if found.kind in ("content", "zero") else last - 1
    explanations: list[Explanation] = []
    if found.kind in ("content", "zero", "weigh-in"):
        kinds = (("content", [step], _content_explanations), ("zero", [step], _zero_explanations))
        for kind, places, explain in (*kinds, ("weigh-in", weighins, _weighin_explanations)):
            for place in places:
                if (shift_estimate := alone.get(Shift(kind, place))) is not None:
                    explanations += explain(chain, shift_estimate)
    else:
        explanations += _other_explanations(chain, alone[found])
    return sorted(explanations, key=lambda explanation: -explanation.log_weight)


def _is_plausible(chain: Chain, shift_estimate: ShiftEstimate, dismissed: Collection[Key]) -> bool:
    return abs(shift_estimate.z) > PLAUSIBLE and key_of(chain, shift_estimate.shift) not in dismissed


def _weight_of_size(found: ShiftEstimate, size: float, sd: float) -> float:
    """Log weight of an explanation that predicts the size with a standard deviation."""
    total = math.hypot(sd, found.sd)
    return found.z**2 / 2 - ((found.size - size) / total) ** 2 / 2 + math.log(found.sd / total)


def _weight_of_any_size(found: ShiftEstimate) -> float:
    """Log weight of an explanation that predicts nothing about the size; the density of the size is still missing."""
    return found.z**2 / 2 + math.log(math.sqrt(2 * math.pi) * found.sd)


def _weight_up_to(found: ShiftEstimate, most: float) -> float:
    """Log weight of an explanation under which any size up to `most` is equally probable, and a larger one hardly."""
    return _weight_of_any_size(found) - math.log(most if abs(found.size) <= most else 1000.0 * most)


def _log_density(off: float, sd: float) -> float:
    return -((off / sd) ** 2) / 2 - math.log(math.sqrt(2 * math.pi) * sd)


def _content_explanations(chain: Chain, found: ShiftEstimate) -> Iterator[Explanation]:
    step = found.shift.index
    middle_ms = int(chain.at_ms[step] + chain.at_ms[step + 1]) // 2
    size = f"{abs(found.size):.3g} g"
    if found.size > 0:
        yield Explanation(
            found,
            "refill not recorded",
            _weight_up_to(found, HOPPER_G),
            f"the content rose by {size} between two events, and no refill is entered there",
            CorrectingEntry("refill", middle_ms, mass_g=found.size, sd_g=found.sd),
        )
    else:
        yield Explanation(
            found,
            "food lost or spilled",
            _weight_up_to(found, HOPPER_G) - 1,
            f"the content fell by {size} between two events, and no dose explains it",
            CorrectingEntry("loss", middle_ms, mass_g=-found.size, sd_g=found.sd),
        )
    content_g = abs(float(chain.shown_g[step]))
    yield Explanation(
        found,
        "moisture",
        _weight_of_size(found, 0.0, 0.02 * content_g) - 3,
        f"it is {100 * abs(found.size) / max(content_g, 1.0):.2g} % of the content, as food can take up or give off",
        None,
    )
    for refill in chain.refills[step]:
        twins = [r for r in chain.history.refills if r.entry != refill.entry and r.added_g == refill.added_g]
        near = any(abs(r.at_ms - refill.at_ms) <= TWINS_DAYS * DAY_MS for r in twins)
        yield Explanation(
            found,
            "refill entered twice" if near else "refill entered but not made",
            _weight_of_size(found, -refill.added_g, 0.02 * refill.added_g) - (0 if near else 2),
            f"the missing mass is the {refill.added_g:g} g of an entry" + (", entered twice" if near else ""),
            CorrectingEntry("void", refill.at_ms, refill.entry),
        )
        for power in (-1, 1):
            true_g = refill.added_g * 10.0**power
            yield Explanation(
                found,
                "refill with a slipped decimal",
                _weight_of_size(found, true_g - refill.added_g, 0.01 * true_g) - 2,
                f"{true_g:g} g instead of {refill.added_g:g} g would fit",
                CorrectingEntry("correction", refill.at_ms, refill.entry, true_g),
            )


def _zero_explanations(chain: Chain, found: ShiftEstimate) -> Iterator[Explanation]:
    step = found.shift.index
    middle_ms = int(chain.at_ms[step] + chain.at_ms[step + 1]) // 2
    held = "the weigh-ins" if len(chain.weighins) else "the size"
    yield Explanation(
        found,
        "hopper knocked or hung otherwise",
        _weight_of_size(found, 0.0, 0.5) - 1.5,
        f"the cell shows {found.size:+.3g} g from one event to the next; {held} would allow an unchanged content",
        CorrectingEntry("handling", middle_ms),
    )
    shown_g = float(chain.shown_g[step])
    yield Explanation(
        found,
        "cell tared with food in the hopper",
        _weight_of_size(found, -shown_g, 0.5) - 2,
        f"the cell shows {found.size:+.3g} g, about all that it showed before",
        CorrectingEntry("handling", middle_ms),
    )


def _weighin_explanations(chain: Chain, found: ShiftEstimate) -> Iterator[Explanation]:
    weighin = chain.weighed_in[found.shift.index]
    true_g = weighin.mass_g - found.size
    for power in (-3, -2, -1, 1, 2, 3):
        meant_g = weighin.mass_g * 10.0**power
        name = {3: "weigh-in in kilograms", -3: "weigh-in in milligrams"}.get(power, "weigh-in with a slipped decimal")
        yield Explanation(
            found,
            name,
            _weight_of_size(found, weighin.mass_g - meant_g, (weighin.sd_g or WEIGHIN_SD_G) * max(1.0, 10.0**power))
            + power * math.log(10),
            f"{meant_g:g} g would agree with the cell and the doses: {true_g:.4g} g",
            CorrectingEntry("correction", weighin.at_ms, weighin.entry, meant_g),
        )
    for feeder, content_g, sd_g in chain.history.elsewhere.get(weighin.entry, ()):
        yield Explanation(
            found,
            "weigh-in of another hopper",
            _weight_of_any_size(found) + _log_density(weighin.mass_g - content_g, sd_g) - 2,
            f"the hopper of {feeder} held {content_g:.4g} g then",
            CorrectingEntry("void", weighin.at_ms, weighin.entry),
        )
    container_g = chain.history.container_g
    if found.size > 0:
        container = "a container" if container_g is None else f"its {container_g:g} g"
        weight = _weight_up_to(found, 3 * HOPPER_G) if container_g is None else _weight_of_size(found, container_g, 0.1)
        yield Explanation(
            found,
            "weighed with its container",
            weight - 1,
            f"{found.size:.3g} g too much, as {container} would add",
            CorrectingEntry("correction", weighin.at_ms, weighin.entry, true_g, found.sd),
        )
    yield Explanation(
        found,
        "weigh-in misread",
        _weight_up_to(found, 2 * HOPPER_G),
        f"{weighin.mass_g:g} g was entered, but all other data indicate {true_g:.4g} g",
        CorrectingEntry("void", weighin.at_ms, weighin.entry),
    )


def _other_explanations(chain: Chain, found: ShiftEstimate) -> Iterator[Explanation]:
    """Explanations for moisture, a gain, a dose or one weighing, which no entry could correct."""
    size = found.size
    if found.shift.kind == "moisture":
        evidence = f"{size:+.3g} g over the days after the refill, most of it in the first"
        yield Explanation(
            found, "moisture taken up by a new bag" if size > 0 else "a new bag dried", 0.0, evidence, None
        )
    elif found.shift.kind == "gain":
        refilled = bool(chain.refills[found.shift.index])
        evidence = f"a step gives {100 * size:+.2g} % of the reference gain from one event to the next"
        blocked = "outlet partly blocked" if size < 0 else "outlet cleared"
        yield Explanation(found, blocked, -1.0 if refilled else 0.0, evidence, None)
        yield Explanation(found, "other food, or packed otherwise", 0.0 if refilled else -1.0, evidence, None)
    elif found.shift.kind == "dose":
        evidence = f"{size:+.3g} g against what its steps should give"
        yield Explanation(found, "outlet blocked for one dose" if size < 0 else "a clump came out", 0.0, evidence, None)
    else:
        yield Explanation(
            found, "hopper touched while it was weighed", 0.0, f"{size:+.3g} g in one weighing only", None
        )
