"""Weighing and its uncertainty against OIML R 61, R 76, the GUM (JCGM 100:2008) and NIST's load-cell calibration.

R 61 as printed in UK Statutory Instrument 2000/388, schedule 5 (text seen); the largest class factor from Directive
2014/32/EU, annex VIII, chapter III (text seen). R 76-1 A.4.4.3 and GUM G.4.1 from memory, arithmetic repeated. GUM H.1
and H.2: texts seen. H.5: table H.9, seen in a stored copy. Pontius: NIST StRD, data seen, certified values from memory
and reproduced by exact rational arithmetic.
"""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.special import stdtrit

from filling_accuracy import accuracy, day_to_day, from_means, limit_g
from tareline.core.weighing.calibration import effective_df, expanded, fit
from tareline.core.weighing.linear_gaussian import Statements, solve

DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


# -- R 61 --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mass_g", "limit"),
    [(0.01, 0.0009), (50, 4.5), (75, 4.5), (150, 6.75), (250, 9), (400, 12), (750, 15), (5000, 75)],
)
def test_in_service_limits_of_class_1(mass_g: float, limit: float) -> None:
    assert limit_g(mass_g) == pytest.approx(limit)
    assert limit_g(mass_g, factor=2) == pytest.approx(2 * limit)


def test_heavy_particles_widen_the_limit_but_never_above_nine_per_cent() -> None:
    assert limit_g(400, particle_g=1.2) == pytest.approx(12)  # a tenth of the limit: not above it
    assert limit_g(400, particle_g=4) == pytest.approx(12 + 6)
    assert limit_g(400, particle_g=40) == pytest.approx(36)
    assert limit_g(0.1, particle_g=0.005) == pytest.approx(0.009)  # it is nine per cent already


def test_fills_within_nine_per_cent_are_class_1() -> None:
    assert accuracy([0.092, 0.108, 0.1, 0.1], 0.1).factor == 1
    assert accuracy([0.090, 0.110, 0.1, 0.1], 0.1).factor == 2


def test_the_class_factor_is_1_2_or_5_times_a_power_of_ten() -> None:
    found = [accuracy([10 - d, 10 + d], 10.0).factor for d in (0.05, 0.1, 0.3, 0.5, 1.5, 3.0, 6.0)]
    assert found == pytest.approx([0.1, 0.2, 0.5, 1, 2, 5, 10])
    assert [accuracy([10 - d, 10 + d], 10.0).permitted for d in (1.5, 3.0)] == [True, False]


def test_an_average_off_its_preset_value_by_over_a_quarter_of_the_limit_decides() -> None:
    """A quarter of 9 % of 0.1 g is 2.25 mg."""
    good, off = accuracy([0.102] * 5, 0.1), accuracy([0.1024] * 5, 0.1)
    assert (good.factor, good.by) == (1, "preset")
    assert (off.factor, off.by) == (2, "preset")
    assert accuracy([0.097, 0.107], 0.1).by == "fills"


# -- R 76 and calibration ----------------------------------------------------------------------------------------------


def test_load_cell_calibration_as_certified() -> None:
    data = rows("nist_pontius_load_cell.csv")
    found = fit([float(row["load"]) for row in data], [float(row["deflection"]) for row in data], degree=2)
    certified = [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14]
    deviations = [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16]
    assert found.coefficients == pytest.approx(certified, rel=1e-10)
    assert found.sds == pytest.approx(deviations, rel=1e-10)
    assert (found.residual_sd, found.df) == (pytest.approx(0.205177424076185e-03, rel=1e-10), 37)


# -- GUM ---------------------------------------------------------------------------------------------------------------


def test_effective_degrees_of_freedom_of_g_4_1() -> None:
    parts = [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]
    assert math.sqrt(sum(sd**2 for sd, _ in parts)) == pytest.approx(1.03, abs=0.005)
    assert effective_df(parts) == pytest.approx(19.0, abs=0.05)
    assert expanded(parts) == pytest.approx(2.2, abs=0.05)
    assert stdtrit(19, 0.975) == pytest.approx(2.09, abs=0.005)


def test_effective_degrees_of_freedom_of_h_1() -> None:
    """End gauge: 25.4 for the difference, 16.75 for all."""
    assert effective_df([(5.8, 24), (3.9, 5), (6.7, 8)]) == pytest.approx(25.4, abs=0.2)
    assert effective_df([(25, 18), (9.68, 25.4), (2.887, 50), (16.599, 2)]) == pytest.approx(16.75, abs=0.05)


def test_deviations_of_sums_of_correlated_values_of_h_2() -> None:
    """Resistance, reactance and impedance from simultaneous V, I and phase: as sums of one joint posterior."""
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amperes = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    seen = np.stack([volts, amperes, phase])
    mean, cov = seen.mean(axis=1), np.cov(seen) / 5
    v, i, phi = mean
    r, x, z = v / i * math.cos(phi), v / i * math.sin(phi), v / i
    slopes = np.array([[r / v, -r / i, -x], [x / v, -x / i, r], [z / v, -z / i, 0]])
    root = np.linalg.cholesky(np.linalg.inv(cov)).T
    told = Statements("read", np.tile(np.arange(3), (3, 1)), root, root @ mean, np.ones(3))
    _, spread = solve([told], 3, 0).sums(slopes)
    sd = np.sqrt(np.diag(spread[0]))
    assert (r, x, z) == (
        pytest.approx(127.732, abs=0.0005),
        pytest.approx(219.847, abs=0.0005),
        pytest.approx(254.26, abs=0.0005),
    )
    assert sd == pytest.approx([0.071, 0.295, 0.236], abs=0.0006)
    correlations = spread[0] / np.outer(sd, sd)
    assert correlations[0, 1:] == pytest.approx([-0.588, -0.485], abs=0.0006)
    assert correlations[1, 2] == pytest.approx(0.993, abs=0.0006)


def test_within_and_between_days_of_h_5() -> None:
    data = rows("gum_h5_daily_means.csv")
    found = from_means([float(row["mean_v"]) for row in data], [float(row["sd_uv"]) * 1e-6 for row in data], 5)
    assert found.between_means == pytest.approx(57e-6, abs=0.6e-6)
    assert found.within == pytest.approx(85e-6, abs=0.6e-6)
    assert found.f == pytest.approx(2.25, abs=0.03)
    assert (found.df_between, found.df_within) == (9, 40)


def test_days_of_single_values_agree_with_their_means() -> None:
    """A balanced one-way layout; F as scipy has it."""
    days = [[1.0, 1.2, 0.9], [1.4, 1.5, 1.6], [1.1, 0.8, 1.0]]
    from scipy.stats import f_oneway

    assert day_to_day(days).f == pytest.approx(f_oneway(*days).statistic)
