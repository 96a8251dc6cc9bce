"""What may lie behind a gross error: stories, each weighed by how well it foretells the error's place and size.

A story's weight is the likelihood of all data under it: that of the shift, times the probability of a size like that
(a doubled refill foretells its size to a few per cent, a spill only that it is no more than a hopper), times how often
such a thing happens (judgement of ours). The weights of stories about the same place can be compared, and the
likeliest decides what is left open in the model.
"""

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from tareline.core.units import DAY_MS
from tareline.core.weighing.hypotheses import Key, Suspect, around, key_of, sizes, suspects
from tareline.core.weighing.linear_gaussian import Floats
from tareline.core.weighing.model import WEIGHIN_SD_G, Chain, Shift

PLAUSIBLE = 3.5  # deviations from which another shift at the same place is a story worth telling
HOPPER_G = 100.0  # the most that is poured in or spilled (judgement)
TWINS_DAYS = 2  # two refills of the same mass within this time may be one, entered twice (judgement)


@dataclass(frozen=True, slots=True)
class Cause:
    """One explanation: its share of the probability among those listed, and what speaks for it."""

    name: str
    share: float
    evidence: str


@dataclass(frozen=True, slots=True)
class Mend:
    """The one entry that would mend the books: a new one of a kind, or a correction of an entry."""

    kind: str
    at_ms: int
    corrects: int | None = None
    mass_g: float | None = None
    sd_g: float | None = None


class Story(NamedTuple):
    """A cause: what it shifts, the logarithm of its weight, and the entry that would mend the books if it is true."""

    suspect: Suspect
    name: str
    log_weight: float
    evidence: str
    mend: Mend | None


def stories(
    chain: Chain, figures: Floats, shifts: Sequence[Shift], found: Shift, dismissed: Collection[Key]
) -> list[Story]:
    """What may lie behind a shift, likeliest first: also other shifts at the same place."""
    others = [shift for shift in shifts if shift != found]
    alone = {
        suspect.shift: suspect
        for suspect in suspects(chain, figures, others)
        if _worth_telling(chain, suspect, dismissed)
    }
    alone |= {suspect.shift: suspect for suspect in sizes(chain, figures, shifts) if suspect.shift == found}
    first, last = around(chain, found)
    weighins = [n for n, i in enumerate(chain.weighins) if i in (first, last)]
    step = found.index if found.kind in ("content", "zero") else last - 1
    found_stories: list[Story] = []
    if found.kind in ("content", "zero", "weigh-in"):
        kinds = (("content", [step], _content_stories), ("zero", [step], _zero_stories))
        for kind, places, tell in (*kinds, ("weigh-in", weighins, _weighin_stories)):
            for place in places:
                if (suspect := alone.get(Shift(kind, place))) is not None:
                    found_stories += tell(chain, suspect)
    else:
        found_stories += _other_stories(chain, alone[found])
    return sorted(found_stories, key=lambda story: -story.log_weight)


def _worth_telling(chain: Chain, suspect: Suspect, dismissed: Collection[Key]) -> bool:
    return abs(suspect.z) > PLAUSIBLE and key_of(chain, suspect.shift) not in dismissed


def _fits(found: Suspect, size: float, sd: float) -> float:
    """Log weight of a cause that foretells the size, give or take a deviation."""
    total = math.hypot(sd, found.sd)
    return found.z**2 / 2 - ((found.size - size) / total) ** 2 / 2 + math.log(found.sd / total)


def _free(found: Suspect) -> float:
    """Log weight of a cause that foretells nothing of the size, but for the density of a size at all."""
    return found.z**2 / 2 + math.log(math.sqrt(2 * math.pi) * found.sd)


def _any(found: Suspect, most: float) -> float:
    """Log weight of a cause that may have any size up to `most`, and hardly a larger one."""
    return _free(found) - math.log(most if abs(found.size) <= most else 1000.0 * most)


def _log_density(off: float, sd: float) -> float:
    return -((off / sd) ** 2) / 2 - math.log(math.sqrt(2 * math.pi) * sd)


def _content_stories(chain: Chain, found: Suspect) -> Iterator[Story]:
    step = found.shift.index
    middle_ms = int(chain.at_ms[step] + chain.at_ms[step + 1]) // 2
    size = f"{abs(found.size):.3g} g"
    if found.size > 0:
        yield Story(
            found,
            "refill not recorded",
            _any(found, HOPPER_G),
            f"the content rose by {size} between two events, and no refill is entered there",
            Mend("refill", middle_ms, mass_g=found.size, sd_g=found.sd),
        )
    else:
        yield Story(
            found,
            "food lost or spilled",
            _any(found, HOPPER_G) - 1,
            f"the content fell by {size} between two events, and no dose explains it",
            Mend("loss", middle_ms, mass_g=-found.size, sd_g=found.sd),
        )
    content_g = abs(float(chain.shown_g[step]))
    yield Story(
        found,
        "moisture",
        _fits(found, 0.0, 0.02 * content_g) - 3,
        f"it is {100 * abs(found.size) / max(content_g, 1.0):.2g} % of the content, as food takes up or gives off",
        None,
    )
    for refill in chain.refills[step]:
        twins = [r for r in chain.history.refills if r.entry != refill.entry and r.added_g == refill.added_g]
        near = any(abs(r.at_ms - refill.at_ms) <= TWINS_DAYS * DAY_MS for r in twins)
        yield Story(
            found,
            "refill entered twice" if near else "refill entered but not made",
            _fits(found, -refill.added_g, 0.02 * refill.added_g) - (0 if near else 2),
            f"what is missing is the {refill.added_g:g} g of an entry" + (", entered twice" if near else ""),
            Mend("void", refill.at_ms, refill.entry),
        )
        for power in (-1, 1):
            true_g = refill.added_g * 10.0**power
            yield Story(
                found,
                "refill with a slipped decimal",
                _fits(found, true_g - refill.added_g, 0.01 * true_g) - 2,
                f"{true_g:g} g instead of {refill.added_g:g} g would fit",
                Mend("correction", refill.at_ms, refill.entry, true_g),
            )


def _zero_stories(chain: Chain, found: Suspect) -> Iterator[Story]:
    step = found.shift.index
    middle_ms = int(chain.at_ms[step] + chain.at_ms[step + 1]) // 2
    held = "the weigh-ins" if len(chain.weighins) else "the size"
    yield Story(
        found,
        "hopper knocked or hung otherwise",
        _fits(found, 0.0, 0.5) - 1.5,
        f"the cell shows {found.size:+.3g} g from one event to the next; {held} would allow the content to be the same",
        Mend("handling", middle_ms),
    )
    shown_g = float(chain.shown_g[step])
    yield Story(
        found,
        "cell tared with food in the hopper",
        _fits(found, -shown_g, 0.5) - 2,
        f"the cell shows {found.size:+.3g} g, about all that it showed before",
        Mend("handling", middle_ms),
    )


def _weighin_stories(chain: Chain, found: Suspect) -> Iterator[Story]:
    weighin = chain.weighed_in[found.shift.index]
    true_g = weighin.mass_g - found.size
    for power in (-3, -2, -1, 1, 2, 3):
        meant_g = weighin.mass_g * 10.0**power
        name = {3: "weigh-in in kilograms", -3: "weigh-in in milligrams"}.get(power, "weigh-in with a slipped decimal")
        yield Story(
            found,
            name,
            _fits(found, weighin.mass_g - meant_g, (weighin.sd_g or WEIGHIN_SD_G) * max(1.0, 10.0**power))
            + power * math.log(10),
            f"{meant_g:g} g would fit what the cell and the doses say: {true_g:.4g} g",
            Mend("correction", weighin.at_ms, weighin.entry, meant_g),
        )
    for feeder, content_g, sd_g in chain.history.elsewhere.get(weighin.entry, ()):
        yield Story(
            found,
            "weigh-in of another hopper",
            _free(found) + _log_density(weighin.mass_g - content_g, sd_g) - 2,
            f"the hopper of {feeder} held {content_g:.4g} g then",
            Mend("void", weighin.at_ms, weighin.entry),
        )
    container_g = chain.history.container_g
    if found.size > 0:
        container = "a container" if container_g is None else f"its {container_g:g} g"
        weight = _any(found, 3 * HOPPER_G) if container_g is None else _fits(found, container_g, 0.1)
        yield Story(
            found,
            "weighed with its container",
            weight - 1,
            f"{found.size:.3g} g too much, as {container} would add",
            Mend("correction", weighin.at_ms, weighin.entry, true_g, found.sd),
        )
    yield Story(
        found,
        "weigh-in misread",
        _any(found, 2 * HOPPER_G),
        f"{weighin.mass_g:g} g was entered where the rest says {true_g:.4g} g",
        Mend("void", weighin.at_ms, weighin.entry),
    )


def _other_stories(chain: Chain, found: Suspect) -> Iterator[Story]:
    """Of moisture, a gain, a dose or one weighing: nothing that an entry could mend."""
    size = found.size
    if found.shift.kind == "moisture":
        evidence = f"{size:+.3g} g over the days after the refill, most of it in the first"
        yield Story(found, "moisture taken up by a new bag" if size > 0 else "a new bag dried", 0.0, evidence, None)
    elif found.shift.kind == "gain":
        refilled = bool(chain.refills[found.shift.index])
        evidence = f"a step gives {100 * size:+.2g} % of the reference gain from one event to the next"
        blocked = "outlet partly blocked" if size < 0 else "outlet cleared"
        yield Story(found, blocked, -1.0 if refilled else 0.0, evidence, None)
        yield Story(found, "other food, or packed otherwise", 0.0 if refilled else -1.0, evidence, None)
    elif found.shift.kind == "dose":
        evidence = f"{size:+.3g} g against what its steps should give"
        yield Story(found, "outlet blocked for one dose" if size < 0 else "a clump came out", 0.0, evidence, None)
    else:
        yield Story(found, "hopper touched while it was weighed", 0.0, f"{size:+.3g} g in one weighing only", None)
