"""CUSUM and EWMA, and their average run lengths, against printed examples and tables (named in each file of data)."""

import csv
from pathlib import Path

import numpy as np
import pytest

from tareline.core.trends import control_charts

DATA = Path(__file__).parent / "data"


def table(name: str) -> dict[str, np.ndarray]:
    with (DATA / name).open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert rows
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def test_the_tabular_cusum_of_montgomery_and_runger() -> None:
    """Example 16-6: target 99, K 1, no deviation divided by, H 10: no signal."""
    t = table("cusum_tabular_example.csv")
    upper, lower = control_charts.cusum(t["x"] - 99, 1.0), control_charts.cusum(99 - t["x"], 1.0)
    assert upper == pytest.approx(t["upper"], abs=1e-9)
    assert lower == pytest.approx(t["lower"], abs=1e-9)
    assert max(upper.max(), lower.max()) < 10


def test_the_ewma_of_the_nist_handbook() -> None:
    """Section 6.3.2.4: weight 0.3, start 50, deviation 2.0539, limits 52.5884 and 47.4115; no point outside."""
    t = table("ewma_nist_example.csv")
    found = control_charts.ewma(t["x"], 0.3, 50.0)
    assert found == pytest.approx(t["ewma"], abs=0.0051)  # printed to the second digit
    reach = 3 * 2.0539 * float(control_charts.ewma_sd(0.3, np.array([1000.0]))[0])
    assert 50 + reach == pytest.approx(52.5884, abs=5e-4)
    assert np.abs(found - 50).max() < reach


def test_a_shift_of_one_deviation_is_signalled_at_the_same_observation_by_both() -> None:
    """Montgomery, table 9.1: CUSUM (0.5, 5) and EWMA (0.1, 2.7) both signal first at the 29th."""
    t = table("spc_shift_example.csv")
    upper, lower = control_charts.cusum(t["x"] - 10, 0.5), control_charts.cusum(10 - t["x"], 0.5)
    means = control_charts.ewma(t["x"], 0.1, 10.0)
    assert upper == pytest.approx(t["cusum_upper"], abs=1e-9)
    assert lower == pytest.approx(t["cusum_lower"], abs=1e-9)
    assert means == pytest.approx(t["ewma_0.1"], abs=5e-6)
    assert t["i"][np.argmax(upper > 5)] == 29
    assert t["i"][np.argmax(means - 10 > 2.7 * control_charts.ewma_sd(0.1, t["i"]))] == 29


@pytest.mark.parametrize("limit", [4, 5])
def test_run_lengths_of_the_cusum(limit: int) -> None:
    """Two-sided from two one-sided ones: their rates add (Kemp 1961). Print: three digits; r-cran-spc: all."""
    t = table("arl_cusum.csv")
    for shift, printed, computed in zip(t["shift"], t[f"arl_h{limit}_print"], t[f"arl_h{limit}_spc"], strict=True):
        up, down = (control_charts.cusum_run_length(0.5, limit, side * shift) for side in (1, -1))
        found = 1 / (1 / up + 1 / down)
        assert found == pytest.approx(computed, rel=1e-6)
        assert found == pytest.approx(printed, rel=0.006)


@pytest.mark.parametrize(
    ("weight", "limit", "column"),
    [
        (0.40, 3.054, "l040_L3054"),
        (0.25, 2.998, "l025_L2998"),
        (0.20, 2.962, "l020_L2962"),
        (0.10, 2.814, "l010_L2814"),
        (0.05, 2.615, "l005_L2615"),
    ],
)
def test_run_lengths_of_the_ewma(weight: float, limit: float, column: str) -> None:
    t = table("arl_ewma.csv")
    found = [control_charts.ewma_run_length(weight, limit, shift) for shift in t["shift"]]
    assert found == pytest.approx(list(t[column]), rel=1e-6)


@pytest.mark.parametrize("run_length", [100.0, 1500.0, 20_000.0])
def test_limits_have_the_run_length_that_they_were_asked_for(run_length: float) -> None:
    assert control_charts.cusum_run_length(0.5, control_charts.cusum_limit(0.5, run_length)) == pytest.approx(
        run_length, rel=1e-4
    )
    upwards = 2 * control_charts.ewma_run_length(0.05, control_charts.ewma_limit(0.05, run_length))
    assert upwards == pytest.approx(run_length, rel=1e-4)


def test_run_lengths_are_what_a_simulation_finds() -> None:
    """4 000 walks of at most 1 000 scores, seed fixed; a limit of 3: run length by integral equation beside it."""
    scores = np.random.default_rng(1).normal(size=(4000, 1000))
    first = np.array([int(np.argmax(control_charts.cusum(one, 0.5) > 3)) + 1 for one in scores])
    assert first.mean() == pytest.approx(control_charts.cusum_run_length(0.5, 3), rel=0.06)
