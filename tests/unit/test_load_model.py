"""The nitrogen model against closed forms, an independent integrator, and its own books."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tareline.core.load import nitrogen
from tareline.core.load.nitrogen import AMMONIA, MATURITY, NITRATE, NITRITE, MassBalance, Simulation
from tareline.core.load.priors import DECAY_PER_D
from tareline.core.load.record import Change, DailyFeed, Food, Harvest, Record, RecordedReading
from tareline.core.water.balance import food_nitrogen_mg

FLAKES = (Food("flakes", 45.0),)


def feeding(grams: float, days: int) -> tuple[DailyFeed, ...]:
    return tuple(DailyFeed(day, grams) for day in range(days))


def some(record: Record, draws: int, seed: int = 1, **fixed: float) -> tuple[nitrogen.Timeline, np.ndarray]:
    """A course and draws from the prior, with some columns of z fixed."""
    cut = nitrogen.timeline(record)
    z = np.random.default_rng(seed).standard_normal((draws, len(cut.priors)))
    for name, value in fixed.items():
        z[:, cut.priors.column[name]] = value
    return cut, z


def end(cut: nitrogen.Timeline, z: np.ndarray) -> np.ndarray:
    run = Simulation(cut, z)
    return run.through(run.start(), 0, len(cut.edges) - 1)


EVENTFUL = Record(
    volume_l=20.0,
    now=200.0,
    new=True,
    foods=(*FLAKES, Food("pellets", 30.0)),
    fed=feeding(0.05, 120) + tuple(DailyFeed(day, 0.08, 0.0, 1) for day in range(120, 200)),
    changes=(
        Change(50.3, 5.0, nitrate_mg_n_per_l=1.0, ammonia_mg_n_per_l=0.3),
        Change(90.0, 2.0),
        Change(110.0, 1.0, "topup", nitrate_mg_n_per_l=3.0),
        Change(130.0, 1.5, "topup"),
    ),
    harvests=(Harvest(140.0, 0.4), Harvest(160.0)),
)


def test_nitrogen_is_conserved_to_rounding() -> None:
    """What came in is what is there, was taken out or was changed away; over wild draws and every kind of event."""
    cut, z = some(EVENTFUL, 400)
    z *= 1.5
    run = Simulation(cut, z)
    zero = np.zeros(len(z))
    mass_balance = MassBalance(zero.copy(), zero.copy(), zero.copy())
    state = run.start()
    before = state[AMMONIA] + state[NITRITE] + state[NITRATE]
    after = run.through(state, 0, len(cut.edges) - 1, mass_balance=mass_balance)
    there = after[AMMONIA] + after[NITRITE] + after[NITRATE]
    scale = before + mass_balance.entered
    assert np.all(mass_balance.entered > 0)
    assert np.all(mass_balance.removed > 0)
    assert (
        np.max(np.abs(before + mass_balance.entered + mass_balance.exchanged - mass_balance.removed - there) / scale)
        < 1e-12
    )
    # What entered is the food, label and share of each draw, and the top-ups: by plain arithmetic.
    f = run.figures
    flakes = food_nitrogen_mg(0.05 * 120, 45.0) * f["label_0"]
    pellets = food_nitrogen_mg(0.08 * 80, 30.0) * f["label_1"]
    topups = 1.0 * 3.0 + 1.5 * f["source"]
    assert mass_balance.entered == pytest.approx(((flakes + pellets) * f["reaching"] + topups) / 20.0, rel=1e-9)


def test_nothing_is_ever_negative() -> None:
    cut, z = some(EVENTFUL, 400)
    assert np.all(end(cut, 2.5 * z) >= 0)


def test_shorter_steps_converge_and_the_usual_ones_are_near() -> None:
    """First order while bacteria grow in: half the step, about half the error. Error of the usual steps on nitrate,
    relative to the larger of its value and 1 mg/l, over draws and days: under 2 % in 95 of 100, under 6 % in 99; an eye
    on a chart is off by 15 %."""
    looks = tuple(RecordedReading(float(day), "nitrate", 0.0, None, 0.0) for day in range(10, 200, 10))
    record = replace(EVENTFUL, readings=looks)
    usual = nitrogen.timeline(record)
    z = np.random.default_rng(3).standard_normal((300, len(usual.priors)))

    def nitrate(young: float, step: float) -> np.ndarray:
        cut = nitrogen.timeline(record, young, step)
        run, seen = Simulation(cut, z), np.empty((len(looks), len(z)))
        run.through(run.start(), 0, len(cut.edges) - 1, seen)
        return seen

    fine = nitrate(1 / 64, 1 / 64)
    errors = [np.abs(nitrate(step, step) - fine).mean() for step in (1.0, 0.5, 0.25)]
    assert errors[0] / errors[1] == pytest.approx(2.0, rel=0.25)
    assert errors[1] / errors[2] == pytest.approx(2.0, rel=0.25)
    relative = np.abs(nitrate(nitrogen.YOUNG_STEP_D, nitrogen.STEP_D) - fine) / np.maximum(fine, 1.0)
    assert np.quantile(relative, 0.95) < 0.02
    assert np.quantile(relative, 0.99) < 0.06


def test_steps_follow_the_equations() -> None:
    """Against scipy's LSODA on the equations as the module states them."""
    record = Record(20.0, 90.0, new=True, foods=FLAKES, fed=feeding(0.05, 90))
    z = np.random.default_rng(5).standard_normal((4, len(nitrogen.timeline(record).priors)))
    fine = nitrogen.timeline(record, 1 / 128, 1 / 128)
    found = end(fine, z)
    for i in range(len(z)):
        f = {name: float(value[i]) for name, value in fine.priors.values(z).items()}
        inflow = f["reaching"] * f["label_0"] * 1000 * 0.45 / 6.25 * 0.05 / 20.0

        def slope(t: float, y: np.ndarray, f: dict[str, float] = f, u: float = inflow) -> list[float]:
            a, i, c, one, two, m = y
            angle = 2 * np.pi * t / 365.25
            swing = f["season_cos"] * np.cos(angle) + f["season_sin"] * np.sin(angle)
            first = f["room"] * one * a / (f["affinity"] + a)
            second = f["room"] * two * i / (f["affinity"] + i)
            power = max(c, 0.0) ** f["order"]
            taken = f["capacity"] * m * np.exp(swing) * power / (f["half"] ** f["order"] + power)
            return [
                u - first,
                first - second,
                second - taken,
                one * (f["growth"] * a / (f["affinity"] + a) * (1 - one) - DECAY_PER_D),
                two * (f["growth"] * f["second"] * i / (f["affinity"] + i) * (1 - two) - DECAY_PER_D),
                (1 - m) / f["maturing_d"],
            ]

        start = Simulation(fine, z).start()[:, i]
        true = solve_ivp(slope, (0, 90), start, method="LSODA", rtol=1e-9, atol=1e-11).y[:, -1]
        assert found[:, i] == pytest.approx(true, rel=0.02, abs=2e-3)


def test_uptake_far_below_its_half_approaches_a_plateau_exponentially() -> None:
    """With order 1 and C far below half, dC/dt = in - k C: C = C* + (C0 - C*) exp(-k t). Top-ups of 0.2 l a day at 10
    mg N/l into 20 l bring 0.1 mg N/l/d; k 0.02/d; from 2 mg N/l to 5."""
    looks = tuple(RecordedReading(float(day), "nitrate", 0.0, None, 0.0) for day in (40, 80, 160))
    topups = tuple(Change(day + 1.0, 0.2, "topup", nitrate_mg_n_per_l=10.0) for day in range(160))
    cut = nitrogen.timeline(Record(20.0, 160.0, foods=FLAKES, readings=looks, changes=topups))
    z = np.zeros((1, len(cut.priors)))  # medians: no season
    z[:, cut.priors.column["maturity"]] = 40.0
    half, capacity, order = (cut.priors.priors[cut.priors.column[name]] for name in ("half", "capacity", "order"))
    z[:, cut.priors.column["order"]] = np.log(1 / order.median) / np.log(order.spread)
    z[:, cut.priors.column["half"]] = np.log(1e6 / half.median) / np.log(half.spread)
    z[:, cut.priors.column["capacity"]] = np.log(0.02 * 1e6 / capacity.median) / np.log(capacity.spread)
    run, seen = Simulation(cut, z), np.empty((3, 1))
    run.look(run.through(run.start(), 0, len(cut.edges) - 1, seen), len(cut.edges) - 1, seen)
    for row, day in enumerate((40.0, 80.0, 160.0)):
        assert seen[row] == pytest.approx(5.0 - 3.0 * np.exp(-0.02 * day), rel=1e-4)


def test_a_water_change_mixes() -> None:
    """A quarter of the water at 8 mg N/l into what was there."""
    looks = (RecordedReading(9.9, "nitrate", 0, None, 0), RecordedReading(10.1, "nitrate", 0, None, 0))
    change = Change(10.0, 5.0, nitrate_mg_n_per_l=8.0)
    cut, z = some(Record(20.0, 20.0, foods=FLAKES, readings=looks, changes=(change,)), 50)
    run, seen = Simulation(cut, z), np.empty((2, 50))
    run.through(run.start(), 0, len(cut.edges) - 1, seen)
    assert seen[1] == pytest.approx(0.75 * seen[0] + 0.25 * 8.0)


def test_a_harvest_takes_the_plants_share_of_the_uptake_and_it_grows_back() -> None:
    record = Record(20.0, 30.0, foods=FLAKES, harvests=(Harvest(10.0, 0.5),))
    cut, z = some(record, 50)
    run = Simulation(cut, z)
    at = int(np.searchsorted(cut.edges, 10.0))
    before = run.through(run.start(), 0, at)
    after = run.through(before, at, len(cut.edges) - 1)
    f = run.figures
    left = before[MATURITY] * (1 - 0.5 * f["plants"])
    assert after[MATURITY] == pytest.approx(1 - (1 - left) * np.exp(-20.0 / f["maturing_d"]))
    assert np.all(left < before[MATURITY])


def test_a_new_tank_shows_ammonia_then_nitrite_then_neither() -> None:
    """Common practice, no source: the peak of ammonia comes first, nitrite's after it, both gone within a quarter."""
    days = range(1, 150)
    looks = tuple(RecordedReading(float(d), a, 0, None, 0) for d in days for a in ("ammonia", "nitrite"))
    record = Record(20.0, 150.0, new=True, foods=FLAKES, fed=feeding(0.05, 150), readings=looks)
    cut = nitrogen.timeline(record)
    z = np.zeros((1, len(cut.priors)))
    run, seen = Simulation(cut, z), np.empty((len(looks), 1))
    run.through(run.start(), 0, len(cut.edges) - 1, seen)
    ammonia, nitrite = seen[::2, 0], seen[1::2, 0]
    assert ammonia.max() > 0.25
    assert nitrite.max() > 0.25
    assert 7 < ammonia.argmax() < nitrite.argmax() < 75
    assert max(ammonia[110:].max(), nitrite[110:].max()) < 0.1


def test_what_happens_at_one_moment_happens_in_its_order() -> None:
    """A reading minutes before a water change sees the old water, one minutes after it the new."""
    looks = (RecordedReading(10.000, "nitrate", 0, None, 0), RecordedReading(10.002, "nitrate", 0, None, 0))
    cut, z = some(Record(20.0, 12.0, foods=FLAKES, readings=looks, changes=(Change(10.001, 10.0),)), 20)
    run, seen = Simulation(cut, z), np.empty((2, 20))
    run.through(run.start(), 0, len(cut.edges) - 1, seen)
    assert seen[1] == pytest.approx(0.5 * seen[0] + 0.5 * run.figures["source"])


def test_steps_stay_where_they_are_when_a_record_grows() -> None:
    looks = tuple(RecordedReading(7.0 * week + 0.5, "nitrate", 0, None, 0) for week in range(1, 30))
    whole = Record(20.0, 210.0, new=True, foods=FLAKES, readings=looks)
    short = replace(whole, now=100.0, readings=tuple(one for one in looks if one.day <= 100))
    a, b = nitrogen.timeline(short), nitrogen.timeline(whole)
    last = a.blocks[-1]
    assert np.array_equal(a.edges[: last + 1], b.edges[: last + 1])
    assert b.blocks[: len(a.blocks)] == a.blocks
