"""The load's model and what it believes beforehand, against published figures.

Sources: food, excretion and plateau: the formulas beside each test. Kinetics: ASM1 (Henze et al. 1987), ASM2d (Henze et
al. 1999), BSM1 (Alex et al. 2008) as in the defaults of QSDsan, and US EPA Process Design Manual for Nitrogen Control
(1975). Plants: Hill 1979, Paolacci et al. 2021, Iqbal et al. 2019 (abstracts).
"""

import numpy as np
import pytest

from tareline.core.load import nitrogen, priors, solids
from tareline.core.load.nitrogen import AMMONIA, NITRATE, Simulation
from tareline.core.load.record import Change, DailyFeed, Food, Record
from tareline.core.units import from_canonical
from tareline.core.water.balance import food_nitrogen_mg


def believed(name: str, value: float) -> float:
    """How many standard deviations a figure lies from the prior's median."""
    everything = priors.nitrogen(True, [0.1], 0)
    prior = everything.priors[everything.column[name]]
    z = np.linspace(-6, 6, 120_001)
    return float(abs(z[np.argmin(np.abs(prior.value(z) - value))]))


def draw(record: Record, **figures: float) -> tuple[nitrogen.Timeline, np.ndarray]:
    """A course and one draw with the given figures, the others at their medians."""
    cut = nitrogen.timeline(record)
    z = np.zeros((1, len(cut.priors)))
    for name, value in figures.items():
        prior = cut.priors.priors[cut.priors.column[name]]
        z[0, cut.priors.column[name]] = {
            "log": lambda p, v: np.log(v / p.median) / np.log(p.spread),
            "logit": lambda p, v: (np.log(v / (1 - v)) - np.log(p.median / (1 - p.median))) / p.spread,
            "normal": lambda p, v: (v - p.median) / p.spread,
        }[prior.shape](prior, value)
        assert prior.value(z[:, cut.priors.column[name]])[0] == pytest.approx(value)
    return cut, z


def test_nitrogen_in_food_by_arithmetic() -> None:
    """0.30 g/d at 45 % protein is 21.6 mg N/d; in 60 l 0.36 mg N/l/d, as nitrate 1.594 mg/l/d (DERIVED)."""
    assert food_nitrogen_mg(0.30, 45) == pytest.approx(21.6)
    assert from_canonical("nitrate", food_nitrogen_mg(0.30, 45) / 60, "ion") == pytest.approx(1.594, abs=5e-4)


def test_nitrate_of_a_tank_that_removes_nothing_grows_by_what_reaches_the_water() -> None:
    """The same food in the model: 1.594 mg/l/d as nitrate times the share that reaches the water."""
    fed = tuple(DailyFeed(day, 0.30) for day in range(300))
    record = Record(60.0, 300.0, foods=(Food("flakes", 45.0),), fed=fed)
    cut, z = draw(record, capacity=1e-9, reaching=0.576)
    run = Simulation(cut, z)
    at = int(np.searchsorted(cut.edges, 200.0))
    before = run.through(run.start(), 0, at)
    after = run.through(before, at, len(cut.edges) - 1)
    gained = (after[NITRATE, 0] - before[NITRATE, 0]) / (300.0 - cut.edges[at])
    assert from_canonical("nitrate", gained, "ion") == pytest.approx(1.594 * 0.576, rel=1e-3)


def test_feed_to_ammonia() -> None:
    """P_TAN = F x PC x 0.092 (Timmons and Ebeling, from memory): 60 kg/d at 40 % protein give 2.208 kg/d, worked
    example DERIVED from the inputs of Losordo and DeLong 2015. 0.092 is 0.16 of nitrogen times a share of 0.576."""
    share = 0.80 * 0.80 * 0.90
    assert food_nitrogen_mg(60_000.0, 40.0) * share / 1e6 == pytest.approx(2.208, rel=2e-3)
    assert believed("reaching", share) < 1.0


@pytest.mark.parametrize(
    ("name", "value", "unit"),
    [
        ("growth", 0.8, "1/d at 20 degC, ASM1"),
        ("growth", 0.5, "1/d at 15 degC, BSM1"),
        ("growth", 0.47, "1/d at 15 degC, EPA 1975"),
        ("growth", 1.0, "1/d at 20 degC, ASM2d"),
        ("affinity", 0.728, "mg N/l at 20 degC, EPA 1975, derived from 10^(0.051 T - 1.158)"),
        ("half", 0.5, "mg N/l, denitrifiers, ASM1"),
    ],
)
def test_published_kinetics_are_believed_possible(name: str, value: float, unit: str) -> None:
    """Within two deviations of what is believed beforehand. Waste water's order of magnitude, no more."""
    assert believed(name, value) < 2.0, unit


def test_decay_is_the_published_one() -> None:
    assert priors.DECAY_PER_D == 0.05  # 1/d, BSM1


@pytest.mark.parametrize(
    "mg_n_per_m2_d",
    [
        158 + 206,  # duckweed at 80 % cover, ammonium and nitrate (Paolacci et al. 2021)
        7.03 * 26.49,  # growth, synthetic leachate (Iqbal et al. 2019), times N content (Hill 1979)
        4.87 * 26.49,  # natural leachate
    ],
)
def test_published_uptakes_of_plants_are_believed_possible(mg_n_per_m2_d: float) -> None:
    """Over water 20 to 40 cm deep, which is 200 to 400 l under a square metre."""
    for litres_per_m2 in (200, 400):
        assert believed("capacity", mg_n_per_m2_d / litres_per_m2) < 2.0


def test_ammonia_at_rest_is_what_keeps_bacteria_from_shrinking() -> None:
    """Monod's law at rest: growth A / (K + A) = decay, so A = K decay / (growth - decay): with ASM1's 0.8 1/d and
    1.0 g N/m3 and BSM1's 0.05 1/d, 0.0667 mg N/l whatever is fed, as long as there is room (DERIVED)."""
    fed = tuple(DailyFeed(day, 0.10) for day in range(700))
    record = Record(60.0, 700.0, foods=(Food("flakes", 45.0),), fed=fed)
    cut, z = draw(record, growth=0.8, affinity=1.0, room=1000.0)
    run = Simulation(cut, z)
    state = run.through(run.start(), 0, len(cut.edges) - 1)
    assert state[AMMONIA, 0] == pytest.approx(1.0 * 0.05 / 0.75, rel=2e-3)


@pytest.mark.parametrize(
    ("day", "with_uptake", "without"),
    [(7, 196.620, 210.5), (30, 187.041, 245.0), (90, 170.328, 335.0), (180, 158.265, 470.0), (365, 151.300, 747.5)],
)
def test_approach_of_solids_to_a_plateau(day: int, with_uptake: float, without: float) -> None:
    """V 20 L, E 0.2 L/d, top-up 150 mg/L, start 200: c* = E c_t / (k V) = 150 at k 0.01/d; without uptake it never
    levels. DERIVED from c(t) = c* + (c0 - c*) exp(-k t)."""
    topups = tuple(Change(d + 1.0, 0.2, "topup", tds_mg_per_l=150.0) for d in range(day))
    cut = solids.timeline(Record(20.0, float(day), foods=(Food("flakes", 45.0),), changes=topups))
    problem = solids.SolidsTarget(cut)
    for uptake, expected in ((0.01, with_uptake), (1e-12, without)):
        z = np.zeros((1, len(solids.PRIORS)))
        z[0, solids.PRIORS.column["uptake_per_d"]] = np.log(uptake / 0.002) / np.log(3.0)
        assert problem.begin(z)[0, 0] == pytest.approx(200.0)
        found = problem.through(z, problem.begin(z)[0], 0, len(cut.edges) - 1, np.empty((0, 1)))
        assert found[0] == pytest.approx(expected, abs=6e-4)


def test_solids_without_outflow_concentrate_by_cycles() -> None:
    """Cycles of concentration (cooling-tower practice): with no uptake, make-up of one volume adds its own content."""
    topups = tuple(Change(d + 1.0, 0.2, "topup", tds_mg_per_l=200.0) for d in range(100))  # 20 l into 20 l
    cut = solids.timeline(Record(20.0, 100.0, foods=(Food("flakes", 45.0),), changes=topups))
    z = np.zeros((1, len(solids.PRIORS)))
    z[0, solids.PRIORS.column["uptake_per_d"]] = -25.0
    problem = solids.SolidsTarget(cut)
    found = problem.through(z, problem.begin(z)[0], 0, len(cut.edges) - 1, np.empty((0, 1)))
    assert found[0] / 200.0 == pytest.approx(2.0, rel=1e-6)
