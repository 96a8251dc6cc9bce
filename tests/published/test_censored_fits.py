"""Maximum likelihood from intervals, against fits by R survreg, lifelines and SciPy.

Figures: R survival 3.5-3, lifelines 0.30.3 and SciPy 1.17.1 agree on them to the digits given; standard errors by R.
The four intervals are SciPy's test_continuous_fit_censored.py (there from R fitdistrplus).
"""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from tareline.core.trends import censored

DATA = Path(__file__).parent / "data"


def table(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def ammonium() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Logarithms of low and high ends, and the week."""
    rows = table("ammonium_nh4.csv")
    high = np.log([float(row["mg_per_l"]) for row in rows])
    low = np.where([row["censored"] == "1" for row in rows], -math.inf, high)
    assert (len(rows), int(np.isinf(low).sum())) == (102, 46)
    return low, high, np.array([float(row["week"]) for row in rows])


def test_a_normal_distribution_from_four_intervals() -> None:
    low, high = np.array([0.10, 0.50, 0.75, 0.80]), np.array([0.20, 0.55, 0.90, 0.95])
    found = censored.fit(low, high, np.ones((4, 1)))
    assert found.coefficients[0] == pytest.approx(0.591999, abs=5e-6)
    assert found.sd == pytest.approx(0.2868042, abs=5e-7)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx([0.1444432, 0.1029451], abs=1e-5)


def test_ammonium_of_which_nearly_half_lies_below_four_detection_limits() -> None:
    low, high, _ = ammonium()
    found = censored.fit(low, high, np.ones((102, 1)))
    assert found.coefficients[0] == pytest.approx(-4.714494, abs=1e-6)
    assert found.sd == pytest.approx(1.25335, abs=5e-6)
    of_values = found.log_likelihood - float(
        high[np.isfinite(low)].sum()
    )  # a lognormal density, not that of logarithms
    assert of_values == pytest.approx(88.1644, abs=5e-5)


def test_its_slope_over_the_weeks() -> None:
    low, high, week = ammonium()
    found = censored.fit(low, high, np.column_stack([np.ones(102), week]))
    assert found.coefficients == pytest.approx([-4.99061906, 0.003651], abs=1e-6)
    assert math.sqrt(found.covariance[1, 1]) == pytest.approx(0.00287557, abs=1e-8)


def test_two_columns_and_values_open_at_either_end() -> None:
    rows = table("botulinum_lag_days.csv")
    with np.errstate(divide="ignore"):
        low, high = (np.log([float(row[name]) for row in rows]) for name in ("low_days", "high_days"))
    nacl, ph = (np.array([float(row[name]) for row in rows]) for name in ("nacl_percent", "ph"))
    found = censored.fit(low, high, np.column_stack([np.ones(25), nacl, ph]))
    assert found.coefficients[1:] == pytest.approx([2.51327, -4.556006], rel=1e-5)
    assert np.sqrt(np.diag(found.covariance))[1:3] == pytest.approx([0.756565, 1.567410], rel=1e-4)
    exact = low == high
    assert found.log_likelihood - float(low[exact].sum()) == pytest.approx(-25.4, abs=0.05)


def test_numbers_alone_give_mean_and_deviation_of_the_sample() -> None:
    values = np.random.default_rng(3).normal(7.0, 0.2, 50)
    found = censored.fit(values, values, np.ones((50, 1)))
    assert found.coefficients[0] == pytest.approx(values.mean(), rel=1e-9)
    assert found.sd == pytest.approx(values.std(), rel=1e-6)


def test_intervals_that_share_a_point_leave_no_spread_to_be_found() -> None:
    with pytest.raises(ValueError, match="spread"):
        censored.fit(np.array([0.0, 0.25, 0.25]), np.array([0.5, 1.0, 1.0]), np.ones((3, 1)))


@pytest.mark.parametrize(
    ("low", "high"),
    [
        ([0.0, 0.0, 0.0], [1.0, 2.0, 3.0]),
        ([-math.inf] * 3, [1.0, 2.0, 3.0]),
        ([1.0, 1.0, 1.0], [1.0, 1.0, 1.0]),
        ([-math.inf, -math.inf, 5.0], [1.0, 2.0, math.inf]),
        ([-math.inf, 5.0], [1.0, math.inf]),
    ],
    ids=["all share a point", "all only below", "all the same", "ends that any spread fits", "one below, one above"],
)
def test_what_has_no_maximum_is_refused(low: list[float], high: list[float]) -> None:
    """By the likelihood itself: it rises as the spread shrinks to nothing, or as it grows without end."""
    with pytest.raises(ValueError, match="a spread to be found"):
        censored.fit(np.array(low), np.array(high), np.ones((len(low), 1)))


def test_columns_that_say_the_same_are_refused() -> None:
    with pytest.raises(ValueError, match="a spread to be found"):
        censored.fit(np.array([1.0, 2.0, 4.0]), np.array([1.0, 2.0, 4.0]), np.ones((3, 2)))


def test_numbers_alone_give_their_mean_and_deviation() -> None:
    """Maximum likelihood in closed form, also for one value far from the others, which full steps would overshoot."""
    values = np.array([1.0, 1.0, 1.0, 1.0, 1e6])
    found = censored.fit(values, values, np.ones((5, 1)))
    assert found.coefficients[0] == pytest.approx(values.mean())
    assert found.sd == pytest.approx(values.std())
