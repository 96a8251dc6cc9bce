"""Simulation-based calibration of the nitrogen posterior (Talts et al. 2018, "Validating Bayesian inference algorithms
with simulation-based calibration"): truths from the prior, readings from the model itself, the posterior untempered.
Then the truth's rank among the draws is uniform, whatever the readings.

200 truths in the check, 2 000 with TARELINE_FULL=1. Test: chi-square over 10 bins of ranks for each of eight figures;
none of them below p = 0.001 / 8 (Bonferroni), which a sound sampler fails once in a thousand runs. `-s` prints them.
"""

import numpy as np
import pytest
from scipy.stats import chisquare
from tanks import CHARTS, FULL, Floats, step_seen

from tareline.core.load import likelihood, nitrogen, particles
from tareline.core.load.nitrogen import MATURITY, NITRATE, Simulation, removal
from tareline.core.load.posterior import DRAWS, NitrogenTarget
from tareline.core.load.record import Change, DailyFeed, Food, Record, RecordedReading

pytestmark = pytest.mark.timeout(7200 if FULL else 1800)  # on a busy machine it takes many minutes
TRUTHS = 2000 if FULL else 200
RANKED = 19  # draws kept of each posterior, far apart: ranks 0 to 19
FIGURES = ("limit", "capacity", "order", "half", "reaching", "bias", "room", "nitrate now")


def schedule(rng: np.random.Generator) -> Record:
    """What one invented keeper does in 18 weeks, all but what the kits show."""
    grams = rng.choice([0.02, 0.05, 0.15])
    fed = tuple(DailyFeed(day, float(grams * (1 + day // 42))) for day in range(126))
    looks = []
    for week in range(1, 18):
        looks.append(RecordedReading(7.0 * week, "nitrate", 0.0, None, 0.0))
        looks.append(RecordedReading(7.0 * week, "nitrite" if week % 2 else "ammonia", 0.0, None, 0.0))
    changes = (Change(60.0, 6.0),) if rng.uniform() < 0.5 else ()
    return Record(20.0, 126.0, bool(rng.uniform() < 0.5), 40.0, (Food("flakes", 45.0),), fed, tuple(looks), changes)


def read(record: Record, z: Floats, rng: np.random.Generator) -> Record:
    """The record with readings of the model's own law, blunders and all."""
    cut = nitrogen.timeline(record)
    run, water = Simulation(cut, z), np.empty((len(cut.readings), 1))
    run.look(run.through(run.start(), 0, len(cut.edges) - 1, water), len(cut.edges) - 1, water)
    seen = []
    order = sorted(record.readings, key=lambda one: one.day)
    for one, content in zip(order, water[:, 0], strict=True):
        if one.analyte == "nitrate":
            content = content * run.figures["bias"][0]  # noqa: PLW2901
        sd = np.hypot(likelihood.SHARES[one.analyte] * content, likelihood.FLOOR[one.analyte])
        perceived = content + sd * rng.standard_normal()
        if rng.uniform() < likelihood.BLUNDER:  # G(x) = x / (x + scale)
            u = rng.uniform()
            perceived = likelihood.SCALE[one.analyte] * u / (1 - u)
        seen.append(step_seen(one.day, one.analyte, float(perceived), CHARTS[one.analyte]))
    return Record(**{**{f: getattr(record, f) for f in record.__slots__}, "readings": tuple(seen)})


def figures(cut: nitrogen.Timeline, z: Floats, carry: Floats) -> dict[str, Floats]:
    f = cut.priors.values(z)
    limit = removal(9.0, f["capacity"] * carry[MATURITY], f["half"], f["order"]) / f["reaching"] / f["label_0"]
    return {"limit": limit, "nitrate now": carry[NITRATE]} | {n: f[n] for n in FIGURES if n in f}


@pytest.fixture(scope="module")
def ranks() -> dict[str, list[int]]:
    found: dict[str, list[int]] = {name: [] for name in FIGURES}
    for truth in range(TRUTHS):
        rng = np.random.default_rng([21, truth])
        record = schedule(rng)
        true_z = rng.standard_normal((1, len(nitrogen.timeline(record).priors)))
        record = read(record, true_z, rng)
        problem = NitrogenTarget(nitrogen.timeline(record))
        true_carry, _ = problem.advance(true_z, problem.begin(true_z), 0, problem.blocks)
        particle_set = particles.update(problem, particles.prior_particles(problem, DRAWS, truth), truth)
        kept = rng.choice(DRAWS, RANKED, replace=False)
        true = figures(problem.timeline, true_z, true_carry)
        drawn = figures(problem.timeline, particle_set.z[kept], particle_set.carry[:, kept])
        for name in FIGURES:
            found[name].append(int(np.sum(drawn[name] < true[name])))
    return found


def test_ranks_are_uniform(ranks: dict[str, list[int]]) -> None:
    p = {name: float(chisquare(np.bincount(np.array(of) // 2, minlength=10)).pvalue) for name, of in ranks.items()}
    print("\n" + ", ".join(f"{name} p {value:.3f}" for name, value in p.items()))
    assert min(p.values()) > 0.001 / len(FIGURES), p


def test_the_test_sees_a_posterior_that_is_too_sure() -> None:
    """Ranks drawn towards both ends, as from intervals a third too narrow, fail it."""
    rng = np.random.default_rng(1)
    narrow = rng.standard_normal((TRUTHS, RANKED)) * 0.67
    off = (narrow < rng.standard_normal((TRUTHS, 1))).sum(axis=1)
    assert chisquare(np.bincount(off // 2, minlength=10)).pvalue < 0.001 / len(FIGURES)
