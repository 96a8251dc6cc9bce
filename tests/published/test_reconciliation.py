"""Reconciliation and gross errors against a worked network, and the smoother against the Nile's local level.

The network: six measured flows F1 = F2 + F3, F2 = F4, F3 = F5, F4 + F5 = F6 with unit variances, and the same with +4
on F2 (Narasimhan & Jordache 2000, Data Reconciliation & Gross Error Detection, ch. 1 and 7; measurements and results
from memory, every figure recomputed by linear algebra).

The Nile: annual flow 1871 to 1970 as a local level (Durbin & Koopman 2001, section 2; data from statsmodels). Filtered
and forecast figures at variances 15099 and 1469.1 from memory; statsmodels is the second witness.
"""

import numpy as np
import pytest
import statsmodels.api as sm

from tareline.core.weighing.linear_gaussian import Statements, solve

MEASURED_A = np.array([101.91, 64.45, 34.65, 64.20, 36.44, 98.88])
RECONCILED_A = [100.22, 64.50, 35.72, 64.50, 35.72, 100.22]
Z_A = [2.0698, 0.0612, 1.3105, 0.3674, 0.8818, 1.6412]
MEASURED_B = MEASURED_A + 4 * np.eye(6)[1]
RECONCILED_B = [100.8867, 65.8333, 35.0533, 65.8333, 35.0533, 100.8867]
GLR_B = [1.5708, 10.2704, 0.244, 4.0017, 2.8843, 6.0401]
BIAS_B = [1.535, 3.925, -0.605, -2.45, 2.08, -3.01]
CRITICAL = 2.6310  # |z| at an overall 5 %, six tests (Sidak)

EXACT = 1e-9
LAWS = (
    Statements(
        "three", np.array([[0, 1, 2], [5, 3, 4]]), np.array([[1.0, -1, -1]] * 2), np.zeros(2), np.full(2, EXACT)
    ),
    Statements("two", np.array([[1, 3], [2, 4]]), np.array([[1.0, -1]] * 2), np.zeros(2), np.full(2, EXACT)),
)


def flows(measured: np.ndarray) -> Statements:
    return Statements("flow", np.arange(6)[:, None], np.ones((6, 1)), measured, np.ones(6))


@pytest.mark.parametrize(
    ("measured", "reconciled", "global_test"), [(MEASURED_A, RECONCILED_A, 6.4075), (MEASURED_B, RECONCILED_B, 16.6742)]
)
def test_flows_that_add_up(measured: np.ndarray, reconciled: list[float], global_test: float) -> None:
    found = solve([flows(measured), *LAWS], 6, 0)
    assert found.mean[0] == pytest.approx(reconciled, abs=0.005)
    left = sum((found.residual(group) ** 2 / group.variance).sum() for group in (flows(measured), *LAWS))
    assert left == pytest.approx(global_test, abs=0.0005)


def test_no_flow_is_suspected_without_an_error() -> None:
    size, sd = solve([flows(MEASURED_A), *LAWS], 6, 0).shifts(flows(MEASURED_A))
    assert np.abs(size / sd)[0] == pytest.approx(Z_A, abs=0.0005)
    assert np.abs(size / sd).max() < CRITICAL


def test_the_flow_with_the_error_stands_out_and_its_size_is_told() -> None:
    size, sd = solve([flows(MEASURED_B), *LAWS], 6, 0).shifts(flows(MEASURED_B))
    assert ((size / sd) ** 2)[0] == pytest.approx(GLR_B, abs=0.002)
    assert size[0] == pytest.approx(BIAS_B, abs=0.0005)
    assert np.abs(size / sd)[0].argmax() == 1
    assert np.abs(size / sd)[0, 1] > CRITICAL


def test_a_suspected_flow_taken_in_as_a_constant_has_the_same_size() -> None:
    """Serial compensation: a free constant on F2 instead of the question after the fact."""
    suspected = Statements("flow", np.arange(6)[:, None], np.ones((6, 1)), MEASURED_B, np.ones(6), np.eye(6)[:, [1]])
    found = solve([suspected, *LAWS, anything(1)], 6, 1)
    assert found.constants[0, 0] == pytest.approx(3.925, abs=0.0005)
    assert np.sqrt(found.constants_cov[0, 0, 0]) == pytest.approx(3.925 / np.sqrt(10.2704), rel=0.001)


def anything(constants: int) -> Statements:
    """Priors that say next to nothing."""
    nowhere = np.zeros((constants, 1), np.int64)
    return Statements(
        "prior", nowhere, np.zeros((constants, 1)), np.zeros(constants), np.full(constants, 1e8), np.eye(constants)
    )


# -- the Nile ----------------------------------------------------------------------------------------------------------

NILE = np.asarray(sm.datasets.nile.load_pandas().data["volume"], float)
NOISE, CHANGE, VAGUE = 15099.0, 1469.1, 1e7


def local_level(flow: np.ndarray, noise: float = NOISE, change: float = CHANGE) -> list[Statements]:
    years = np.arange(len(flow))
    ones = np.ones((len(flow), 1))
    steps = np.tile([1.0, -1.0], (len(flow) - 1, 1))
    return [
        Statements("begin", years[:1, None], ones[:1], np.zeros(1), np.array([VAGUE])),
        Statements("flow", years[:, None], ones, flow, np.full(len(flow), noise)),
        Statements(
            "level",
            np.stack([years[1:], years[:-1]], 1),
            steps,
            np.zeros(len(flow) - 1),
            np.full(len(flow) - 1, change),
        ),
    ]


def test_the_data_are_the_nile() -> None:
    assert (len(NILE), NILE.sum()) == (100, 91935)


def test_the_evidence_is_the_published_likelihood() -> None:
    assert solve(local_level(NILE), 100, 0).log_evidence[0] == pytest.approx(-641.59, abs=0.005)


@pytest.mark.parametrize(
    ("years", "filtered"), [(1, 1120), (2, 1140.928), (3, 1072.799), (4, 1117.309), (5, 1129.972), (100, 798.370)]
)
def test_filtered_levels(years: int, filtered: float) -> None:
    """The last level, given the years up to it (the first by a prior of variance 1e7 instead of a diffuse one)."""
    found = solve(local_level(NILE[:years]), years, 0)
    assert found.mean[0, -1] == pytest.approx(filtered, rel=0.002 if years < 6 else 1e-6)
    if years == 100:
        level_var = found.spread(local_level(NILE)[1])[0, -1]
        assert np.sqrt(level_var + CHANGE + NOISE) == pytest.approx(143.528, abs=0.005)


def test_smoothed_levels_and_deviations_as_statsmodels_has_them() -> None:
    model = sm.tsa.UnobservedComponents(NILE, "local level")
    model.initialize_known(np.zeros(1), np.array([[VAGUE]]))
    witness = model.smooth([NOISE, CHANGE])
    model.ssm.loglikelihood_burn = 0
    found = solve(local_level(NILE), 100, 0)
    assert found.mean[0] == pytest.approx(witness.smoothed_state[0], rel=1e-9)
    assert found.spread(local_level(NILE)[1])[0] == pytest.approx(witness.smoothed_state_cov[0, 0], rel=1e-9)


def test_several_sets_of_variances_at_once_are_each_alone() -> None:
    """As statsmodels' likelihoods, at the variance ratios of Durbin & Koopman's table 2.1."""
    ratios = np.array([1.0, 0.036, 0.0745, 0.0974])
    noises = np.array([8517.04, 17136.6, 15687.67, 15096.32])
    groups = local_level(NILE)
    groups[1] = Statements("flow", groups[1].at, groups[1].coef, NILE, np.tile(noises[:, None], 100))
    groups[2] = Statements(
        "level", groups[2].at, groups[2].coef, groups[2].value, np.tile((ratios * noises)[:, None], 99)
    )
    model = sm.tsa.UnobservedComponents(NILE, "local level")
    model.initialize_known(np.zeros(1), np.array([[VAGUE]]))
    model.ssm.loglikelihood_burn = 0
    witness = [model.loglike([noise, ratio * noise]) for noise, ratio in zip(noises, ratios, strict=True)]
    assert solve(groups, 100, 0).log_evidence == pytest.approx(witness, rel=1e-9)
