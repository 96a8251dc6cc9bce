"""The estimate of how much was really fed: the posterior of doses and of any sums of them.

Everything comes from one joint posterior, so that doses, days and weeks are consistent: the standard deviation of a
week is that of the sum, neither the sum of its days' standard deviations nor the root of the sum of their squares. The
feeder's figures are uncertain too; the result is the mixture over weighted sets of them (law of total variance).

Cost: linear in the number of events after the settled past. `Estimate.settle` closes a period: its sums can be stored,
and the next period starts from five means and a 5 x 5 covariance.
"""

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tareline.core.weighing.gross_errors import Finding, SearchResult, search
from tareline.core.weighing.history import History
from tareline.core.weighing.hyperparameters import LearnedFigures, learn, solve_chain
from tareline.core.weighing.hypotheses import Key
from tareline.core.weighing.linear_gaussian import Floats, GaussianPosterior, Ints, Statements
from tareline.core.weighing.model import CONSTANTS, Chain, SettledState, Shift

FORGET_SD = 0.1  # added to the log of each figure from one settled period to the next: feeders age (judgement)


@dataclass(frozen=True, slots=True)
class DoseEstimate:
    """One dose: the mass that left the hopper in grams, and its standard deviation."""

    entry: int
    at_ms: int
    mass_g: float
    sd_g: float


@dataclass(frozen=True, slots=True)
class Sums:
    """The sums of doses over K time spans. mass_g: (K,); cov: covariance (K, K) in g2."""

    mass_g: Floats
    cov: Floats

    @property
    def sd_g(self) -> Floats:
        sd: Floats = np.sqrt(np.diag(self.cov))
        return sd

    def joined(self) -> tuple[float, float]:
        """The sum over all spans: grams and standard deviation."""
        return float(self.mass_g.sum()), float(np.sqrt(self.cov.sum()))


@dataclass(frozen=True)
class Estimate:
    """The estimate from all events of one feeder.

    learned: the feeder's figures. findings: gross errors, the strongest first. shifts: the unknown constants that the
    model has for them. weighed_until_ms: the last weigh-in that is not in doubt; later results are provisional.
    """

    chain: Chain
    learned: LearnedFigures
    findings: tuple[Finding, ...]
    shifts: tuple[Shift, ...]
    weighed_until_ms: int | None
    _posterior: GaussianPosterior

    @cached_property
    def doses(self) -> tuple[DoseEstimate, ...]:
        """Every dose that may have moved food, in order of time."""
        place = self._dose_places
        count = len(place)
        own = Statements("", place[:, None], np.ones((count, 1)), np.zeros(count), np.ones(count))
        mean, variance = self._posterior.mean[:, place], self._posterior.spread(own)
        mass = self.learned.weights @ mean
        sd = np.sqrt(self.learned.weights @ (variance + (mean - mass) ** 2))
        found = zip(self.chain.doses, mass.tolist(), sd.tolist(), strict=True)
        return tuple(
            DoseEstimate(self.chain.dose(i).entry, self.chain.dose(i).at_ms, mass_g, sd_g) for i, mass_g, sd_g in found
        )

    def content_at(self, at_ms: int) -> tuple[float, float]:
        """The content of the hopper in grams and its standard deviation, just before the first event at or after an
        instant in UNIX ms."""
        event = min(int(np.searchsorted(self.chain.at_ms, at_ms)), len(self.chain.at_ms) - 1)
        place = self.chain.place[event : event + 1]
        own = Statements("", place[:, None], np.ones((1, 1)), np.zeros(1), np.ones(1))
        mean, variance = self._posterior.mean[:, place[0]], self._posterior.spread(own)[:, 0]
        content_g = float(self.learned.weights @ mean)
        return content_g, math.sqrt(float(self.learned.weights @ (variance + (mean - content_g) ** 2)))

    @property
    def _dose_places(self) -> Ints:
        return self.chain.place[self.chain.doses] + 3

    def provisional(self, start_ms: int, end_ms: int) -> bool:
        """Whether the estimate of [start, end) is provisional: doses in it have no later weigh-in, or a finding lies in
        it. The caller has to know whether that time is over."""
        own_ms = self.chain.at_ms[self.chain.doses]
        last_ms = own_ms[(own_ms >= start_ms) & (own_ms < end_ms)].max(initial=start_ms)
        weighed = self.weighed_until_ms is not None and self.weighed_until_ms >= last_ms
        return not weighed or any(finding.touches(start_ms, end_ms) for finding in self.findings)

    def sums(self, spans: Sequence[tuple[int, int]]) -> Sums:
        """Grams dispensed in each span [start, end) of UNIX ms, with their joint covariance.

        Doses in the settled past are not included.
        """
        at_ms, place = self.chain.at_ms[self.chain.doses], self._dose_places
        weights = np.zeros((len(spans), self.chain.size))
        for k, (start_ms, end_ms) in enumerate(spans):
            weights[k, place[(at_ms >= start_ms) & (at_ms < end_ms)]] = 1.0
        return Sums(*self._mixed(*self._posterior.sums(weights)))

    def _mixed(self, means: Floats, covs: Floats) -> tuple[Floats, Floats]:
        """Mean and covariance of the mixture over the sets of figures."""
        weights = self.learned.weights
        mean = weights @ means
        off = means - mean
        return mean, np.einsum("s,sij->ij", weights, covs) + (weights[:, None] * off).T @ off

    def settle(self) -> SettledState:
        """The state at the end, from which the next period starts; it contains all that this estimate knows."""
        last = int(self.chain.place[-1])
        weights = np.zeros((3 + CONSTANTS, self.chain.size))
        weights[np.arange(3), last + np.arange(3)] = 1.0
        shifts = self._posterior.constants.shape[1] - CONSTANTS
        constants = np.vstack([np.zeros((3, CONSTANTS + shifts)), np.eye(CONSTANTS, CONSTANTS + shifts)])
        mean, cov = self._mixed(*self._posterior.sums(weights, constants))
        figures_cov = self.learned.cov + FORGET_SD**2 * np.eye(len(self.learned.mean))
        return SettledState(int(self.chain.at_ms[-1]), mean, cov, self.learned.mean, figures_cov)


def estimate(
    history: History, until_ms: int, settled: SettledState | None = None, dismissed: Collection[Key] = ()
) -> Estimate:
    """The estimate from a feeder's events up to `until_ms`, and from the settled past before them if there is one.

    dismissed: keys (`Finding.key`) of findings that a person has dismissed.
    """
    history = history.between(None, until_ms)
    found: SearchResult = search(history, until_ms, settled, dismissed)
    learned = learn(found.chain, found.shifts, found.mode)
    posterior = solve_chain(found.chain, learned.figures, found.shifts)
    wrong = {shift.index for shift in found.shifts if shift.kind == "weigh-in"}
    believed = [weighin.at_ms for n, weighin in enumerate(found.chain.weighed_in) if n not in wrong]
    return Estimate(found.chain, learned, found.findings, found.shifts, max(believed, default=None), posterior)
