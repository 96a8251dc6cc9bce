"""Gross errors: what no scatter explains. Found, placed, sized, and named with their likeliest causes; never mended.

The strongest suspicion is taken into the model as a constant of unknown size, and the rest is asked again (serial
compensation; Narasimhan & Jordache 2000, ch. 8), so that the sums stay right and their deviations widen while nobody
has decided. A feeder's figures are learned with everything suspicious left out, or a missed refill would pass for a
restless zero; only then is each suspicion judged.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tareline.core.feeding.doses import Dose
from tareline.core.weighing.causes import Cause, Mend, Story, stories
from tareline.core.weighing.hyperparameters import Mode, mode
from tareline.core.weighing.hypotheses import Key, Suspect, around, key_of, sizes, suspects
from tareline.core.weighing.linear_gaussian import Floats
from tareline.core.weighing.model import Chain, History, Settled, Shift, lay_out, prior

# Deviations from which a suspicion is told, and how much rarer than a content's step it is taken to be (natural
# logarithm; judgement). With some hundred statements a week, 4.3 of a normal distribution lets through one in a
# thousand weeks; what the figures are uncertain by comes on top.
KINDS = {
    "content": (4.3, 0.0),
    "weigh-in": (4.2, 0.5),
    "zero": (4.3, -1.5),
    "moisture": (4.5, -1.0),
    "gain": (5.5, -2.0),
    "dose": (6.0, -2.0),
    "difference": (5.5, -3.0),
    "level": (5.5, -3.0),
}
LOOSER = 0.8  # deviations by which less is enough to leave something out while the figures are learned
MANY = 400  # events for which the limits above are meant: a month or two
MOST = 12  # findings in one open period: more are a feeder to be looked at, not books to be mended
STUCK = 3  # weighings in a row that show the same to the last digit while the motor turned


@dataclass(frozen=True, slots=True)
class Finding:
    """A gross error between two events, or in one.

    from_ms, to_ms: when. after_entry, before_entry: the events around it; of an error in one event, that event twice.
    size_g, sd_g: what is too much (above zero) or missing, in grams; of a gain, relative. deviations: how far that lies
    from nothing, None where it was not a matter of size. causes: likeliest first.
    """

    kind: str
    from_ms: int
    to_ms: int
    after_entry: int
    before_entry: int
    size_g: float
    sd_g: float
    deviations: float | None
    causes: tuple[Cause, ...]
    mend: Mend | None

    @property
    def key(self) -> Key:
        """What stays when figures and sizes change: kind and place."""
        return (self.kind, self.after_entry, self.before_entry)

    def touches(self, start_ms: int, end_ms: int) -> bool:
        """Whether it may lie in [start, end): what is said of that time is in doubt until somebody decides."""
        return self.from_ms < end_ms and self.to_ms >= start_ms


@dataclass(frozen=True, slots=True)
class Search:
    """What a search leaves: the chain without readings of a stuck cell, the shifts, and the likeliest figures."""

    chain: Chain
    shifts: tuple[Shift, ...]
    mode: Mode
    findings: tuple[Finding, ...]


def search(history: History, until_ms: int, settled: Settled | None, dismissed: Collection[Key]) -> Search:
    """Find the gross errors of a history up to `until_ms`.

    Dismissed ones are left open in the model and not told: what nobody wants to mend must not be blamed on others. Only
    a weigh-in whose finding was dismissed is believed again.
    """
    history, findings = _without_stuck(history, dismissed)
    chain = lay_out(history, settled, [until_ms])
    found = mode(chain)
    quiet = _of_keys(chain, found.figures, dismissed)
    shifts = list(quiet)
    if quiet:
        found = mode(chain, shifts)
    usual, cov = prior(chain)
    worst = usual + 2 * np.maximum(np.sqrt(np.diag(cov)), 0.5)
    while len(shifts) < MOST + len(quiet):
        # No figure is believed to be so bad that it explains an error away; and one error at a time, since what it has
        # done to the figures makes others up.
        strongest = _strongest(chain, np.minimum(found.figures, worst), shifts, dismissed)
        if strongest is None:
            break
        shifts.append(strongest)
        found = mode(chain, shifts)
    figures = found.figures
    limits = _limits(chain)
    while len(shifts) > len(quiet):
        told_of = sizes(chain, figures, shifts)[len(quiet) :]
        weakest = min(told_of, key=lambda s: abs(s.z) - limits[s.shift.kind])
        if abs(weakest.z) >= limits[weakest.shift.kind]:
            break
        shifts.remove(weakest.shift)
    told = []
    for i in range(len(quiet), len(shifts)):
        others = {*shifts[:i], *shifts[i + 1 :]}
        possible = [
            story
            for story in stories(chain, figures, shifts, shifts[i], dismissed)
            if story.suspect.shift not in others
        ]
        shifts[i] = possible[0].suspect.shift  # the likeliest story decides what is left open
        told.append(_finding(chain, possible))
    told.sort(key=lambda finding: -(finding.deviations or 0.0))
    return Search(chain, tuple(shifts), found, tuple(told + findings))


def _limits(chain: Chain) -> dict[str, float]:
    """Deviations from which a suspicion of each kind is told; more in a chain so long that chance finds more.

    The tail of a normal distribution falls by a factor of k where the square of its bound grows by about 2 ln k.
    """
    more = 2 * math.log(max(max(len(chain.events), len(chain.weighed_in)) / MANY, 1.0))
    return {kind: math.sqrt(limit**2 + more) for kind, (limit, _) in KINDS.items()}


def _of_keys(chain: Chain, figures: Floats, keys: Collection[Key]) -> list[Shift]:
    """The shifts that some findings were about, as far as this chain has them: of several at one place the largest."""
    found: dict[Key, Suspect] = {}
    for suspect in suspects(chain, figures) if keys else ():
        key = key_of(chain, suspect.shift)
        if (
            suspect.shift.kind != "weigh-in"
            and key in keys
            and (key not in found or abs(suspect.z) > abs(found[key].z))
        ):
            found[key] = suspect
    return [suspect.shift for suspect in found.values()]


def _strongest(chain: Chain, figures: Floats, shifts: Sequence[Shift], dismissed: Collection[Key]) -> Shift | None:
    """The likeliest of the shifts that are suspicious, with those before it taken into account."""
    asked, limits = suspects(chain, figures, shifts), _limits(chain)
    found = [
        suspect
        for suspect in asked
        if abs(suspect.z) > limits[suspect.shift.kind] - LOOSER and key_of(chain, suspect.shift) not in dismissed
    ]
    return max(found, key=lambda s: s.z**2 / 2 + KINDS[s.shift.kind][1]).shift if found else None


def _finding(chain: Chain, told: Sequence[Story]) -> Finding:
    suspect = told[0].suspect
    first, last = around(chain, suspect.shift)
    weights = np.exp([story.log_weight - told[0].log_weight for story in told])
    shares = (weights / weights.sum()).tolist()
    return Finding(
        suspect.shift.kind,
        int(chain.at_ms[first]),
        int(chain.at_ms[last]),
        *key_of(chain, suspect.shift)[1:],
        suspect.size,
        suspect.sd,
        abs(suspect.z),
        tuple(Cause(s.name, share, s.evidence) for s, share in zip(told, shares, strict=True) if share >= 0.001),
        told[0].mend,
    )


def _without_stuck(history: History, dismissed: Collection[Key]) -> tuple[History, list[Finding]]:
    """The history with readings of a stuck cell taken out, and a finding for each run of them."""
    doses = sorted((d for d in history.doses if d.moved), key=lambda d: (d.at_ms, d.entry))
    runs: list[list[Dose]] = [[]]
    for dose in doses:
        if dose.before_g is None or dose.before_g != dose.after_g:
            runs.append([])
            continue
        if runs[-1] and runs[-1][-1].after_g != dose.before_g:
            runs.append([])
        runs[-1].append(dose)
    findings = []
    stuck: set[int] = set()
    for run in runs:
        if len(run) < STUCK or ("stuck cell", run[0].entry, run[-1].entry) in dismissed:
            continue
        stuck |= {dose.entry for dose in run}
        evidence = f"{len(run)} doses in a row, each with {run[0].before_g:g} g before and after"
        findings.append(
            Finding(
                "stuck cell",
                run[0].at_ms,
                run[-1].at_ms,
                run[0].entry,
                run[-1].entry,
                0.0,
                0.0,
                None,
                (Cause("stuck cell", 1.0, evidence),),
                None,
            )
        )
    if stuck:
        kept = [replace(d, before_g=None, after_g=None, sd_g=None) if d.entry in stuck else d for d in history.doses]
        history = replace(history, doses=kept)
    return history, findings
