"""Levelling off, against certified fits of a first-order approach: NIST StRD BoxBOD and Misra1a (files of data).

Both models start at zero at time zero: said by one more observation with a thousandth of the others' deviation.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from tareline.core.trends.levelling import Levelling, levelling

DATA = Path(__file__).parent / "data"


def fitted(name: str) -> Levelling:
    with (DATA / name).open(encoding="utf-8") as lines:
        rows = [[float(cell) for cell in row] for row in csv.reader(lines) if row[0][0].isdigit()]
    x, y = np.array([[0.0, 0.0], *rows]).T
    found = levelling(x, y, np.where(x == 0, 1e-3, 1.0), 0.0)
    assert found is not None
    return found


def test_oxygen_demand_that_has_nearly_reached_its_plateau() -> None:
    """BoxBOD: b1 213.80940889 (sd 12.354515176), b2 0.54723748542, squares 1168.0088766."""
    found = fitted("nist_boxbod.csv")
    assert found.plateau == pytest.approx(213.80940889, rel=1e-5)
    assert found.rate == pytest.approx(0.54723748542, rel=1e-5)
    assert found.squares == pytest.approx(1168.0088766, rel=1e-6)
    assert found.bic_gain > 6
    assert found.plateau_high is not None
    assert found.plateau_low < 213.8 < found.plateau_high
    # A curved model's profile is a little wider above; its half-width is about 1.28 of the certified deviation.
    assert (found.plateau_high - found.plateau_low) / 2 == pytest.approx(1.28 * 12.354515176, rel=0.2)
    assert found.reached_from < -np.log(0.05) / 0.54723748542 < (found.reached_to or np.inf)


def test_a_curve_far_from_its_plateau() -> None:
    """Misra1a: b1 238.94212918 (sd 2.7070075241), b2 5.5015643181e-4, squares 0.12455138894."""
    found = fitted("nist_misra1a.csv")
    assert found.plateau == pytest.approx(238.94212918, rel=1e-4)
    assert found.rate == pytest.approx(5.5015643181e-4, rel=1e-4)
    assert found.squares == pytest.approx(0.12455138894, rel=1e-5)
    assert found.reached_from > 5000  # days beyond the last, 760


def test_the_derived_balance_of_a_tank_that_is_only_topped_up() -> None:
    """c* = E c_t/(k V): V 20 L, E 0.2 L/d, c_t 150, c0 200, k 0.01/d falls to 150: 196.620, 187.041, 170.328, 158.265,
    151.300 after 7, 30, 90, 180, 365 d; with k = 0 it rises in a straight line for ever."""
    at = np.array([0.0, 7, 30, 90, 180, 365])
    found = levelling(at, np.array([200, 196.620, 187.041, 170.328, 158.265, 151.300]), np.ones(6), 0.0)
    assert found is not None
    assert not found.rising
    assert (found.plateau, found.rate) == pytest.approx((150, 0.01), rel=1e-3)
    noise = np.random.default_rng(2).normal(0, 1, 60)
    at = np.linspace(0, 365, 60)
    straight = levelling(at, 200 + 1.5 * at + noise, np.ones(60), 0.0)
    assert straight is not None
    assert straight.bic_gain < 6


def test_a_straight_line_is_seldom_called_levelling_off() -> None:
    """The budget: one in a hundred; 600 series with correlated noise, seed fixed."""
    rng = np.random.default_rng(9)
    at = 7.0 * np.arange(40)
    root = np.linalg.cholesky(np.exp(-np.abs(at[:, None] - at[None, :]) / 12.0))
    gains = []
    for _ in range(600):
        found = levelling(at, 0.3 * at + 5 * root @ rng.normal(size=40), np.ones(40), 12.0)
        assert found is not None
        gains.append(found.bic_gain)
    assert np.mean(np.array(gains) > 6) <= 0.01


def test_the_plateaus_interval_holds_as_often_as_it_says() -> None:
    """80 % intervals on 400 approaches, seed fixed: about 320 hold."""
    rng = np.random.default_rng(4)
    at = np.arange(0.0, 180, 4)
    held = []
    for _ in range(400):
        value = 300 - 180 * np.exp(-at / 50) + rng.normal(0, 6, len(at))
        found = levelling(at, value, np.ones(len(at)), 0.0)
        assert found is not None
        held.append(found.plateau_low < 300 < (found.plateau_high or np.inf))
    assert np.mean(held) == pytest.approx(0.8, abs=0.06)
