"""Gross errors: differences that random scatter does not explain. They are found and explained, never corrected here.

The strongest suspected error becomes a constant of unknown size in the model, and the search is repeated (serial
compensation; Narasimhan & Jordache 2000, ch. 8), so that sums stay correct, with wider intervals, until somebody
decides. The feeder's figures are learned with all suspected errors left out: otherwise a missed refill would look like
a zero that varies strongly. Only then each suspected error is tested.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tareline.core.feeding.doses import HUNG_G, Dose
from tareline.core.weighing.causes import Cause, CorrectingEntry, Explanation, explanations
from tareline.core.weighing.history import History
from tareline.core.weighing.hyperparameters import Mode, mode
from tareline.core.weighing.hypotheses import Key, ShiftEstimate, around, key_of, shift_sizes, single_shifts
from tareline.core.weighing.linear_gaussian import Floats
from tareline.core.weighing.model import UNSTATED_SD_G, Chain, SettledState, Shift, lay_out, prior

# For each kind of error: the least number of standard deviations for a finding, and the natural logarithm of how often
# it happens compared with a step of the content (judgement). With some hundred statements a week, a limit of 4.3
# standard deviations gives one false finding in a thousand weeks, and some more because the figures are uncertain.
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
LOOSER = 0.8  # subtracted from the limits while the figures are learned
MANY = 400  # number of events for which the limits above are meant: one or two months
MOST = 12  # findings in one open period: with more, the feeder itself needs attention
STUCK = 3  # doses in a row whose weighings are identical although the motor turned
NOTHING_SD = 6.0  # deviations: a smaller difference may be none, whatever the noise (judgement)


@dataclass(frozen=True, slots=True)
class Finding:
    """A gross error between two events, or in one event.

    from_ms, to_ms: when. after_entry, before_entry: the entries before and after it; for an error in one event, its
    entry twice. size_g, sd_g: the surplus (above zero) or the missing mass in grams, with its standard deviation;
    relative for a gain. deviations: the size in standard deviations, None where the error has no size. causes: the most
    probable first. mend: the entry that would correct the books, if there is one.
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
    mend: CorrectingEntry | None

    @property
    def key(self) -> Key:
        """The identity of the finding, which does not change with figures and sizes: kind and place."""
        return (self.kind, self.after_entry, self.before_entry)

    def touches(self, start_ms: int, end_ms: int) -> bool:
        """Whether it may lie in [start, end): the estimate of that time is in doubt until somebody decides."""
        return self.from_ms < end_ms and self.to_ms >= start_ms


@dataclass(frozen=True, slots=True)
class SearchResult:
    """The result of a search: the chain without weighings of a stuck cell or without a hopper, the shifts, the most
    probable figures, and the findings."""

    chain: Chain
    shifts: tuple[Shift, ...]
    mode: Mode
    findings: tuple[Finding, ...]


def search(history: History, until_ms: int, settled: SettledState | None, dismissed: Collection[Key]) -> SearchResult:
    """Find the gross errors of a history up to `until_ms`.

    A dismissed finding stays in the model as an unknown constant and is not reported, so that its error is not
    attributed to other events. Only a weigh-in whose finding was dismissed is used again.
    """
    history, findings = _without_stuck(history, dismissed)
    chain = lay_out(_without_hopper_off(history), settled, [until_ms])
    found = mode(chain)
    quiet = _of_keys(chain, found.figures, dismissed)
    shifts = list(quiet)
    if quiet:
        found = mode(chain, shifts)
    usual, cov = prior(chain)
    worst = usual + 2 * np.maximum(np.sqrt(np.diag(cov)), 0.5)
    while len(shifts) < MOST + len(quiet):
        # The figures are limited, so that large figures do not hide an error. One error is added at a time, because its
        # effect on the figures can cause others to be found falsely.
        strongest = _strongest(chain, np.minimum(found.figures, worst), shifts, dismissed)
        if strongest is None:
            break
        shifts.append(strongest)
        found = mode(chain, shifts)
    figures = found.figures
    limits = _limits(chain)
    while len(shifts) > len(quiet):
        told_of = shift_sizes(chain, figures, shifts)[len(quiet) :]
        weakest = min(told_of, key=lambda s: abs(s.z) - limits[s.shift.kind])
        if abs(weakest.z) >= limits[weakest.shift.kind]:
            break
        shifts.remove(weakest.shift)
    told = []
    for i in range(len(quiet), len(shifts)):
        others = {*shifts[:i], *shifts[i + 1 :]}
        possible = [
            explanation
            for explanation in explanations(chain, figures, shifts, shifts[i], dismissed)
            if explanation.shift_estimate.shift not in others
        ]
        shifts[i] = possible[0].shift_estimate.shift  # the most probable explanation decides what stays unknown
        told.append(_finding(chain, possible))
    told.sort(key=lambda finding: -(finding.deviations or 0.0))
    return SearchResult(chain, tuple(shifts), found, tuple(told + findings))


def _limits(chain: Chain) -> dict[str, float]:
    """The least number of standard deviations for a finding of each kind; larger in a long chain with more tests.

    The tail probability of a normal distribution falls by a factor k when the square of the limit grows by about 2 ln
    k.
    """
    more = 2 * math.log(max(max(len(chain.events), len(chain.weighed_in)) / MANY, 1.0))
    return {kind: math.sqrt(limit**2 + more) for kind, (limit, _) in KINDS.items()}


def _of_keys(chain: Chain, figures: Floats, keys: Collection[Key]) -> list[Shift]:
    """The shifts that belong to the keys of findings, as far as this chain has them; the largest one of each key."""
    found: dict[Key, ShiftEstimate] = {}
    for shift_estimate in single_shifts(chain, figures) if keys else ():
        key = key_of(chain, shift_estimate.shift)
        if (
            shift_estimate.shift.kind != "weigh-in"
            and key in keys
            and (key not in found or abs(shift_estimate.z) > abs(found[key].z))
        ):
            found[key] = shift_estimate
    return [shift_estimate.shift for shift_estimate in found.values()]


def _strongest(chain: Chain, figures: Floats, shifts: Sequence[Shift], dismissed: Collection[Key]) -> Shift | None:
    """The most probable further shift beyond its limit, given the shifts so far; None where there is none."""
    asked, limits = single_shifts(chain, figures, shifts), _limits(chain)
    found = [
        shift_estimate
        for shift_estimate in asked
        if abs(shift_estimate.z) > limits[shift_estimate.shift.kind] - LOOSER
        and key_of(chain, shift_estimate.shift) not in dismissed
    ]
    return max(found, key=lambda s: s.z**2 / 2 + KINDS[s.shift.kind][1]).shift if found else None


def _finding(chain: Chain, told: Sequence[Explanation]) -> Finding:
    shift_estimate = told[0].shift_estimate
    first, last = around(chain, shift_estimate.shift)
    weights = np.exp([explanation.log_weight - told[0].log_weight for explanation in told])
    shares = (weights / weights.sum()).tolist()
    return Finding(
        shift_estimate.shift.kind,
        int(chain.at_ms[first]),
        int(chain.at_ms[last]),
        *key_of(chain, shift_estimate.shift)[1:],
        shift_estimate.size,
        shift_estimate.sd,
        abs(shift_estimate.z),
        tuple(Cause(s.name, share, s.evidence) for s, share in zip(told, shares, strict=True) if share >= 0.001),
        told[0].mend,
    )


def _without_hopper_off(history: History) -> History:
    """The history in which a dose with the hopper off the cell has no weights, and gave anything up to what its steps
    should give: what such a cell shows, and the outcome that was judged by it, say nothing of the content.

    The cell shows far below zero then, all at once, and no less after the dose. A cell that was tared with food in the
    hopper comes to show less than nothing as well, but dose by dose.
    """
    kept: list[Dose] = []
    last_g = math.inf  # what the cell showed last with the hopper on it
    for dose in sorted(history.doses, key=lambda d: (d.at_ms, d.entry)):
        if dose.moved and dose.before_g is not None and dose.after_g is not None:
            nothing = abs(dose.before_g - dose.after_g) <= NOTHING_SD * (dose.sd_g or UNSTATED_SD_G)
            if max(dose.before_g, dose.after_g) < HUNG_G and nothing and last_g - dose.before_g > -HUNG_G:
                kept.append(replace(dose, outcome="unknown", before_g=None, after_g=None, sd_g=None))
                continue
            taken_off = dose.after_g < HUNG_G <= dose.before_g
            last_g = dose.before_g if taken_off else dose.after_g
        kept.append(dose)
    return replace(history, doses=kept)


def _without_stuck(history: History, dismissed: Collection[Key]) -> tuple[History, list[Finding]]:
    """The history without the weighings of a stuck cell, and a finding for each run of them."""
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
