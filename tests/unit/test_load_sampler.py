"""The sampler against closed forms and against importance sampling from the prior, which needs no chain to trust."""

from dataclasses import replace

import numpy as np
import pytest

from tareline.core.load import nitrogen, particles
from tareline.core.load.particles import prior_particles, quantiles, update
from tareline.core.load.posterior import NitrogenTarget, posterior
from tareline.core.load.record import Change, DailyFeed, Food, Record, RecordedReading

FLAKES = (Food("flakes", 45.0),)


class Line:
    """Standard normal figures, read through known rows with normal errors: the posterior is normal and known."""

    def __init__(self, rows: np.ndarray, read: np.ndarray, sd: float) -> None:
        self.rows, self.read, self.sd = rows, read, sd
        self.dims, self.blocks = rows.shape[1], len(rows)

    def begin(self, z: np.ndarray) -> np.ndarray:
        return np.zeros((1, len(z)))

    def advance(self, z: np.ndarray, carry: np.ndarray, first: int, last: int) -> tuple[np.ndarray, np.ndarray]:
        error = (self.read[first:last, None] - self.rows[first:last] @ z.T) / self.sd
        return carry, -0.5 * np.sum(error**2, axis=0)

    def mixing_statistic(self, z: np.ndarray) -> np.ndarray:
        return z[:, 0]

    def exact(self) -> tuple[np.ndarray, np.ndarray]:
        precision = np.eye(self.dims) + self.rows.T @ self.rows / self.sd**2
        cov = np.linalg.inv(precision)
        return cov @ self.rows.T @ self.read / self.sd**2, cov


@pytest.mark.parametrize("sd", [0.5, 0.02], ids=["gentle readings", "readings that must be tempered"])
def test_a_normal_posterior_is_found(sd: float) -> None:
    """Mean within four deviations of its own error, covariance within what 2 000 draws can tell."""
    rng = np.random.default_rng(4)
    rows, truth = rng.standard_normal((12, 5)), rng.standard_normal(5)
    problem = Line(rows, rows @ truth + sd * rng.standard_normal(12), sd)
    particle_set = update(problem, prior_particles(problem, 2000, 1), 1)
    mean, cov = problem.exact()
    error = (particle_set.z.mean(axis=0) - mean) / np.sqrt(np.diag(cov) / particle_set.effective)
    assert particle_set.effective > 500
    assert np.all(np.abs(error) < 4.5)
    found = np.cov(particle_set.z.T)
    scale = np.sqrt(np.outer(np.diag(cov), np.diag(cov)))
    assert np.max(np.abs(found - cov) / scale) < 0.15


def test_half_the_trust_is_twice_the_variance() -> None:
    """A power of a normal likelihood is a normal likelihood of a larger deviation."""
    rng = np.random.default_rng(6)
    rows = rng.standard_normal((10, 3))
    read = rows @ rng.standard_normal(3)
    particle_set = update(Line(rows, read, 0.2), prior_particles(Line(rows, read, 0.2), 2000, 1), 1, trust=0.5)
    mean, cov = Line(rows, read, 0.2 * np.sqrt(2)).exact()
    assert np.all(np.abs(particle_set.z.mean(axis=0) - mean) / np.sqrt(np.diag(cov) / particle_set.effective) < 4.5)
    assert particle_set.z.std(axis=0) == pytest.approx(np.sqrt(np.diag(cov)), rel=0.12)


def test_effective_draws_are_not_boasted_of() -> None:
    """Over 60 seeds the posterior mean scatters as the effective number says, within a factor of 1.5."""
    rng = np.random.default_rng(7)
    rows = rng.standard_normal((15, 3))
    problem = Line(rows, rows @ rng.standard_normal(3), 0.3)
    clouds = [update(problem, prior_particles(problem, 200, seed), seed) for seed in range(60)]
    mean, cov = problem.exact()
    scatter = np.std([particle_set.z[:, 0].mean() - mean[0] for particle_set in clouds])
    stated = np.sqrt(cov[0, 0] / np.median([particle_set.effective for particle_set in clouds]))
    assert scatter < 1.5 * stated


def chart(day: float, value: float, steps: tuple[float, ...] = (0.0, 1.13, 2.26, 4.52, 9.04)) -> RecordedReading:
    at = steps.index(value)
    low, high = (steps[at - 1] if at else 0.0), (steps[at + 1] if at + 1 < len(steps) else None)
    return RecordedReading(day, "nitrate", low, high, value, at > 0)


def small_cases() -> dict[str, Record]:
    days = 84
    fed = tuple(DailyFeed(day, 0.06 if day < 42 else 0.12) for day in range(days))
    rising = (0.0, 1.13, 1.13, 1.13, 2.26, 4.52, 4.52)
    readings = tuple(chart(12.0 * (i + 1), value) for i, value in enumerate(rising))
    clear = tuple(RecordedReading(d, "ammonia", 0.0, 0.25, 0.0, False) for d in (20.0, 40.0, 60.0, 80.0))
    nitrite = tuple(RecordedReading(d, "nitrite", 0.0, 0.08, 0.0, False) for d in (30.0, 70.0))
    return {
        "rising nitrate": Record(20.0, 84.0, foods=FLAKES, fed=fed, readings=readings + clear + nitrite),
        "nothing ever seen": Record(
            20.0,
            84.0,
            new=True,
            foods=FLAKES,
            fed=fed,
            readings=tuple(chart(d, 0.0) for d in (40.0, 60.0, 75.0, 83.0)) + clear[2:],
            changes=(Change(50.0, 5.0, nitrate_mg_n_per_l=0.2),),
        ),
    }


@pytest.mark.parametrize("case", ["rising nitrate", "nothing ever seen"])
def test_the_same_posterior_by_importance_sampling(case: str) -> None:
    """120 000 draws from the prior, weighted by the whole likelihood. Quantiles of the log removal at 5 mg N/l and of
    the nitrate now, within four deviations of both errors."""
    record = small_cases()[case]
    problem = NitrogenTarget(nitrogen.timeline(record))
    rng = np.random.default_rng(11)
    marks, states, logs = [], [], []
    for _ in range(12):
        z = rng.standard_normal((10_000, problem.dims))
        carry, log_lik = problem.advance(z, problem.begin(z), 0, problem.blocks)
        marks.append(problem.mixing_statistic(z))
        states.append(carry[nitrogen.NITRATE])
        logs.append(log_lik)
    log = np.concatenate(logs)
    weights = np.exp(log - log.max())
    weights /= weights.sum()
    worth = 1 / np.sum(weights**2)
    assert worth > 400
    particle_set = update(problem, prior_particles(problem, 2000, 2), 2)
    found = (problem.mixing_statistic(particle_set.z), particle_set.carry[nitrogen.NITRATE])
    for exact, mine in zip((np.concatenate(marks), np.concatenate(states)), found, strict=True):
        for q in (0.05, 0.25, 0.5, 0.75, 0.95):
            at = quantiles(exact, weights, (q,))[0]
            share = float(particle_set.weights @ (mine <= at))
            error = np.sqrt(q * (1 - q) * (1 / worth + 1 / particle_set.effective))
            assert abs(share - q) < 4 * error, (q, share, error)


def test_deterministic_for_a_seed() -> None:
    record = small_cases()["rising nitrate"]
    one, two, other = posterior(record, 200, 1), posterior(record, 200, 1), posterior(record, 200, 2)
    assert np.array_equal(one.particle_set.z, two.particle_set.z)
    assert np.array_equal(one.state, two.state)
    assert not np.array_equal(one.particle_set.z, other.particle_set.z)


def upto(record: Record, day: float) -> Record:
    return replace(
        record,
        now=day,
        fed=tuple(one for one in record.fed if one.day < day),
        readings=tuple(one for one in record.readings if one.day <= day),
        changes=tuple(one for one in record.changes if one.day <= day),
    )


def test_weighted_quantiles() -> None:
    assert particles.quantiles(np.array([3.0, 1.0, 2.0]), np.ones(3) / 3, (0.5,))[0] == pytest.approx(2.0)
    both = particles.quantiles(np.array([[1.0, 10.0], [2.0, 20.0], [3.0, 30.0]]), np.ones(3) / 3, (0.5, 0.5))
    assert both == pytest.approx(np.array([[2.0, 20.0], [2.0, 20.0]]))
