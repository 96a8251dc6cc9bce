"""Mann-Kendall's test and Sen's slope, with ties, intervals and non-detects, against published figures and SciPy."""

import numpy as np
import pytest
from scipy.stats import norm, theilslopes

from tareline.core.trends import kendall

# US EPA QA/G-9S (2006), p. 109: ties of four and of two. pymannkendall 1.4.3 (original_test) says the same.
EPA = np.array([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15], dtype=float)


def test_the_example_of_epa_qa_g_9s() -> None:
    at = np.arange(11.0)
    found = kendall.mann_kendall(at, EPA, EPA, EPA)
    assert found.s == 22
    assert found.variance == pytest.approx(155.33, abs=0.005)
    assert found.z == pytest.approx(1.685, abs=0.0005)
    assert found.p == pytest.approx(0.0920, abs=5e-5)
    assert kendall.slope(at, EPA, EPA, EPA, found.variance).mid == 1.0


def test_unevenly_spaced_times_and_the_interval_of_the_slope_as_scipy_has_them() -> None:
    rng = np.random.default_rng(5)
    at = np.sort(rng.uniform(0, 100, 40))
    value = 0.01 * at + rng.normal(size=40)
    found = kendall.mann_kendall(at, value, value, value)
    slope = kendall.slope(at, value, value, value, found.variance)
    expected = theilslopes(value, at, alpha=0.8)
    assert (slope.mid, slope.low, slope.high) == pytest.approx(
        (expected.slope, expected.low_slope, expected.high_slope), rel=1e-12
    )


# R package NADA, cenken: "<1 then 0.5 is a tie, <1 then <5 is a tie, <1 then 10 is an increase".
@pytest.mark.parametrize(("later", "s"), [((0.5, 0.5, 0.5), 0), ((0.0, 5.0, 5.0), 0), ((10.0, 10.0, 10.0), 1)])
def test_a_value_below_its_detection_limit_against_a_later_one(later: tuple[float, float, float], s: int) -> None:
    low, high, value = (np.array(pair) for pair in zip((0.0, 1.0, 1.0), later, strict=True))
    assert kendall.mann_kendall(np.array([0.0, 1.0]), low, high, value).s == s
    assert kendall.mann_kendall(np.array([1.0, 0.0]), low, high, value).s == -s


def test_neighbouring_steps_of_a_chart_differ_and_the_same_step_is_a_tie() -> None:
    low, high, value = np.array([0.0, 0.0, 0.25, 0.25]), np.array([0.25, 0.5, 1.0, 1.0]), np.array([0, 0.25, 0.5, 0.5])
    assert kendall.scores(low, high, value)[0].tolist() == [0, 1, 1, 1]
    assert kendall.scores(low, high, value)[2].tolist() == [-1, -1, 0, 0]


def test_the_variance_under_partial_ties_is_that_over_all_orders() -> None:
    """By counting: six observations, two of them non-detects, in all 720 orders."""
    from itertools import permutations

    low = np.array([0.0, 0.0, 0.5, 2.0, 3.0, 3.0])
    high = np.array([1.0, 5.0, 0.5, 2.0, 3.0, 4.0])
    value = np.array([1.0, 5.0, 0.5, 2.0, 3.0, 3.5])
    at = np.arange(6.0)
    found = [kendall.mann_kendall(at, low[p], high[p], value[p]).s for p in map(list, permutations(range(6)))]
    assert kendall.mann_kendall(at, low, high, value).variance == pytest.approx(np.var(found), rel=1e-12)


@pytest.mark.parametrize("correlation_d", [4.0, 12.0])
def test_correlated_series_without_a_trend_pass_about_as_often_as_the_inflated_variance_says(
    correlation_d: float,
) -> None:
    """Weekly values with exponential correlation, 1 500 series of 26: seed fixed."""
    rng = np.random.default_rng(7)
    at = 7.0 * np.arange(26)
    alike = np.exp(-np.abs(at[:, None] - at[None, :]) / correlation_d)
    series = rng.normal(size=(1500, 26)) @ np.linalg.cholesky(alike).T
    inflated = kendall.inflation(at, correlation_d)
    z = np.array([kendall.mann_kendall(at, one, one, one, inflated).z for one in series])
    plain = z * np.sqrt(inflated)
    nominal = float(norm.sf(1.2816))
    assert float((z > 1.2816).mean()) == pytest.approx(nominal, abs=0.025)
    assert float((plain > 1.2816).mean()) > nominal + 0.02  # what would come of not allowing for it


def test_the_correlation_time_of_long_series_is_found() -> None:
    rng = np.random.default_rng(11)
    at = np.arange(400.0)
    noise = np.empty(400)
    noise[0] = rng.normal()
    alike = np.exp(-1 / 6.0)
    for i in range(1, 400):
        noise[i] = alike * noise[i - 1] + np.sqrt(1 - alike**2) * rng.normal()
    assert kendall.correlation_time(at, noise - noise.mean(), 3.0, 14.0) == pytest.approx(6.0, rel=0.35)
