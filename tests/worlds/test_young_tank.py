"""The aquarium filled with new material: it runs in, and its limit rises with age."""

import math
import os
from dataclasses import replace
from itertools import pairwise
from statistics import median

import numpy as np
import pytest

from worlds.ambient import nitrogen_gap_mg
from worlds.seam import AMMONIA_DETECTED_MG_N_PER_L, NITRITE_DETECTED_MG_N_PER_L, Water
from worlds.trials import ends_over, month
from worlds.young_tank import YoungTank

FULL = os.environ.get("TARELINE_FULL") == "1"


def _months(world: YoungTank, days: int, per_20_l_g: float) -> None:
    for day in range(days):
        world.advance(1.0, per_20_l_g * world.volume_l / 20.0)
        if day % 30 == 29:
            world.trim(world.usual_trim_per_month)


def test_ammonia_peaks_then_nitrite_then_both_are_gone() -> None:
    """Hovanec & DeLong 1996, Hovanec et al. 1998, and common practice: run-in takes three to six weeks."""
    nitrite_days, shown = [], 0
    for seed in range(8):
        world = YoungTank.draw(seed)
        ammonia, nitrite = [], []
        for _ in range(110):
            world.advance(1.0, 0.01 * world.volume_l / 20.0)
            ammonia.append(world.water.ammonia)
            nitrite.append(world.water.nitrite)
        assert int(np.argmax(ammonia)) < int(np.argmax(nitrite))
        shown += max(nitrite) > NITRITE_DETECTED_MG_N_PER_L
        assert ammonia[-1] < AMMONIA_DETECTED_MG_N_PER_L
        assert nitrite[-1] < NITRITE_DETECTED_MG_N_PER_L
        nitrite_days.append(int(np.argmax(nitrite)))
    assert shown >= 6  # plants that eat all ammonia can keep nitrite away
    assert 14 <= median(nitrite_days) <= 42


def test_the_limit_rises_with_age() -> None:
    ends = []
    for seed in range(5):
        world = YoungTank.draw(seed)
        assert world.new
        limits = [world.limit_g()]
        for days in (30, 60, 90, 180):
            _months(world, days, 0.02)
            limits.append(world.limit_g())
        assert all(later > before for before, later in pairwise(limits[:4])), (seed, limits)
        assert limits[4] > 0.95 * limits[3]
        ends.append(limits[4] / limits[1])
    assert median(ends) > 4.0


def test_plants_root_and_grow_over_weeks() -> None:
    growths = []
    for seed in range(6):
        world = YoungTank.draw(seed)
        start_g = world.plants_g
        _months(world, 14, 0.02)
        assert world.plants_g < 1.6 * start_g
        _months(world, 200, 0.02)
        growths.append(world.plants_g / start_g)
    assert median(growths) > 2.0


def test_the_store_of_plants_is_that_of_droop() -> None:
    """At rest mu (1 - Q_min / Q) (1 - B / B_most), less loss, makes up for trims; so does a run."""
    world = YoungTank.draw(4)
    _months(world, 120, 0.02)
    held = world.held()
    held.settle(0.02 * held.volume_l / 20.0, nitrate=8.0)
    stores, masses = [], []
    for _ in range(12):
        held.nitrate_mg = 8.0 * held.volume_l
        month(held, 0.02 * held.volume_l / 20.0)
        stores.append(held.plants_mg / held.plants_g)
        masses.append(held.plants_g)
    rest = held.rest(0.02 * held.volume_l / 20.0, 8.0)
    assert stores[-1] == pytest.approx(rest.store, rel=0.05)
    assert masses[-1] == pytest.approx(rest.plants_after_trim_g, rel=0.05)
    assert held.p.store_least < rest.store < held.p.store_most


def test_the_bed_takes_half_of_its_most_at_the_half_saturation() -> None:
    """Saturation kinetics, Garcia-Ruiz et al. 1998; temperature as for the other rates, by a factor per kelvin."""
    world = YoungTank.draw(2).held()
    world.held_age_d = 1e6
    world.plants_g = world.plants_mg = 0.0
    gas = []
    for times in (1.0, 1e6):
        world.nitrate_mg = times * world.p.bed_half * world.volume_l
        before = world.nitrogen_mg().get("gas", 0.0)
        world.advance(1.0 / 48.0, 0.0)
        gas.append((world.nitrogen_mg()["gas"] - before) * 48.0)
    warm = world.p.bed_theta ** (world.temperature_c - 20.0)
    assert gas[1] == pytest.approx(world.p.bed_most * world.p.area_m2 * warm, rel=0.01)
    assert gas[0] == pytest.approx(0.5 * gas[1], rel=0.03)


def test_nitrifying_costs_alkalinity() -> None:
    """7.145 mg CaCO3, so 0.400 dKH, per mg N/L from ammonia to nitrate (molar masses; EPA 1975 observed 6.3 to 7.4)."""
    world = YoungTank.draw(0).held()
    world.held_age_d = 1e6
    world.p = replace(world.p, bed_most=0.0)
    world.plants_g = world.plants_mg = 0.0
    world.alkalinity_meq *= 3.0
    world.ammonia_mg = 5.0 * world.volume_l
    world.ammonia_oxidisers = world.nitrite_oxidisers = 20.0
    before = world.water
    world.advance(20.0, 0.0)
    after = world.water
    made = after.nitrate - before.nitrate
    assert made > 4.0
    assert (before.kh - after.kh) / made == pytest.approx(0.400, rel=0.03)


def test_nitrogen_is_conserved_and_nothing_is_negative() -> None:
    for seed in range(4):
        world = YoungTank.draw(seed)
        for day in range(200):
            world.advance(1.0, 0.04 * world.volume_l / 20.0)
            if day == 20:
                world.cut_power(10.0)
            if day == 40:
                world.change_water(0.5, Water(nitrate=2.0, kh=6.0))
            if day == 60:
                world.heat_wave(6.0, 5.0)
            if day % 30 == 29:
                cut = world.trim(0.3)
                assert world.p.store_least * 0.8 < 1000.0 * cut.n_share < world.p.store_most * 1.01
        account = world.nitrogen_mg()
        assert min(account.values()) >= 0.0
        assert abs(nitrogen_gap_mg(account)) < 1e-9 * (account["food"] + account["at_start"])


def test_a_year_does_not_depend_on_the_step() -> None:
    for seed in (1, 5):
        coarse, fine = YoungTank.draw(seed), YoungTank.draw(seed)
        fine.step_d = 0.5 * coarse.step_d
        rows: list[list[list[float]]] = [[], []]
        for day in range(150):
            for world, row in ((coarse, rows[0]), (fine, rows[1])):
                world.advance(1.0, (0.01 + 0.03 * day / 150) * world.volume_l / 20.0)
                row.append([world.water.ammonia, world.water.nitrite, world.water.nitrate])
                if day % 30 == 29:
                    world.trim(world.usual_trim_per_month)
        a, b = np.array(rows[0]), np.array(rows[1])
        assert np.all(np.abs(a - b).max(axis=0) < 0.01 * b.max(axis=0))


@pytest.mark.parametrize("seed", range(60 if FULL else 2))
def test_the_limit_is_where_a_run_passes_a_bound(seed: int) -> None:
    world = YoungTank.draw(seed)
    for days in (10, 50, 240):
        _months(world, days, 0.015)
        limit_g = world.limit_g()
        assert not ends_over(world, 0.9 * limit_g, 24 if FULL else 12), days
        assert ends_over(world, 1.1 * limit_g, 24 if FULL else 12), days


@pytest.mark.skipif(not FULL, reason="takes minutes: TARELINE_FULL=1")
def test_the_limit_holds_from_now_on_too() -> None:
    """Not from rest but from today's state of a copy that grows no older: the ration rises for a year."""
    for seed in range(12):
        world = YoungTank.draw(seed)
        _months(world, 150, 0.015)
        for factor in (0.9, 1.1):
            held = world.held()
            for month_no in range(60):
                water = month(held, factor * world.limit_g() * min(1.0, (month_no + 1) / 12))
            assert (water.nitrate > 40.0 / 4.4268) is (factor > 1.0), (seed, factor, water)


def test_limits_after_a_year_lie_where_small_planted_aquariums_have_them() -> None:
    limits = []
    for seed in range(100 if FULL else 8):
        world = YoungTank.draw(seed)
        world.step_d = 1.0 / 12.0
        _months(world, 360, 0.02)
        limits.append(world.limit_g() * 20.0 / world.volume_l)
    assert 0.025 < median(limits) < 0.1
    assert sum(0.01 < limit < 0.2 for limit in limits) / len(limits) > 0.8
    assert not any(math.isinf(limit) for limit in limits)
