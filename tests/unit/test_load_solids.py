"""Dissolved solids by pen and by probe: each instrument has an error of its own, the same in all that it says."""

import math

import numpy as np
import pytest

from tareline.core.load import solids
from tareline.core.load.particles import quantiles
from tareline.core.load.priors import SOLIDS
from tareline.core.load.record import Food, Record, RecordedReading

PEN, PROBE = 330.0, 300.0
PRIOR = {prior.name: prior for prior in SOLIDS}


def read(day: float, value: float, probe: bool) -> RecordedReading:
    return RecordedReading(day, "tds", value, value, value, probe=probe)


def record(*seen: RecordedReading, days: float = 1.0) -> Record:
    return Record(20.0, days, foods=(Food("flakes", 45.0),), readings=seen)


def log_figures(known: solids.SolidsPosterior, *names: str) -> np.ndarray:
    """5, 50 and 95 % quantiles of a sum of logarithms (a drift is one already)."""
    figures = solids.PRIORS.values(known.particle_set.z)
    logs = [figures[name] if PRIOR[name].shape == "normal" else np.log(figures[name]) for name in names]
    total = np.sum(logs, axis=0)
    return quantiles(total, known.particle_set.weights, (0.05, 0.5, 0.95))


def test_water_between_pen_and_probe_as_in_closed_form() -> None:
    """Both say the same again and again on one day, so that only their biases are open.

    Logarithms are normal: the water's, of prior deviation ln 1.8, given two sums of it and a bias of deviation ln 1.05
    each, has precision 1 / ln(1.8)^2 + 2 / ln(1.05)^2 (conjugate normal law, any textbook). Given both biases and the
    water, what pen and probe show is known; so is their ratio.
    """
    seen = [read(0.25, value, probe) for _ in range(25) for value, probe in ((PEN, False), (PROBE, True))]
    known = solids.posterior(record(*seen), draws=4000, trust=1.0)
    prior, pen, probe = (PRIOR[name] for name in ("solids_start", "tds_bias", "probe_bias"))
    weights = np.array([1 / math.log(one.spread) ** 2 for one in (prior, pen, probe)])
    mean = weights @ np.log([prior.median, PEN, PROBE]) / weights.sum()
    low, middle, high = log_figures(known, "solids_start")
    sd = weights.sum() ** -0.5
    assert middle == pytest.approx(mean, abs=0.005)
    assert (low, high) == (pytest.approx(mean - 1.645 * sd, abs=0.012), pytest.approx(mean + 1.645 * sd, abs=0.012))
    assert log_figures(known, "solids_start", "tds_bias")[1] == pytest.approx(math.log(PEN), abs=0.005)
    assert log_figures(known, "solids_start", "probe_bias")[1] == pytest.approx(math.log(PROBE), abs=0.005)
    assert known.blunders < 0.05


def test_a_probe_and_a_pen_that_differ_are_no_blunders_and_one_pen_that_does_is() -> None:
    """Twenty weeks of each: ten percent apart is two cells; ten percent from one week to the next is none's."""
    apart = [read(7 * week + 3.5, PROBE if probe else PEN, probe) for week in range(20) for probe in (False, True)]
    alike = [read(one.day, one.value, False) for one in apart]
    two, one = (solids.posterior(record(*seen, days=140.0)) for seen in (apart, alike))
    assert two.blunders < 0.08
    assert one.blunders > 2 * two.blunders


def test_a_probe_that_drifts_beside_a_pen_that_does_not_is_not_the_water() -> None:
    """Half a year in which the probe climbs by 8 % and the pen stands still: the drift is the probe's."""
    by_probe = [read(7 * week + 3.5, PROBE * math.exp(0.08 * week / 25), True) for week in range(26)]
    by_pen = [read(14.0 * i + 7, PROBE, False) for i in range(13)]
    figures = log_figures(solids.posterior(record(*by_probe, *by_pen, days=182.0)), "probe_drift")
    # Over 175 days a drift reaches sqrt(175 / 90) of its figure.
    assert figures[0] > 0
    assert figures[1] * math.sqrt(175 / 90) == pytest.approx(0.08, abs=0.03)
    pen_only = solids.posterior(record(*by_pen, days=182.0))
    assert abs(log_figures(pen_only, "probe_drift")[1]) < 0.01, "as beforehand"


def test_a_tank_with_a_probe_alone_is_told_of_after_three_weeks() -> None:
    weeks = [read(7 * week + 3.5, PROBE, True) for week in range(3)]
    assert solids.posterior(record(*weeks, days=21.0)).speaks
    assert not solids.posterior(record(*weeks[:2], days=21.0)).speaks
