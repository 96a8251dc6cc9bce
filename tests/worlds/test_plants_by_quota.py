"""Plants by quota: nitrogen is conserved, the limit is right, and nitrate takes weeks to show."""

import copy
from itertools import pairwise
from math import exp

import numpy as np
import pytest

from worlds.checks import FULL, check_conservation, check_limit, check_step_halving, drawn, ends_over, over_20_l
from worlds.plants_by_quota import PlantsByQuota, QuotaPlants
from worlds.seam import NITRATE_CEILING_MG_N_PER_L, NITRITE_DETECTED_MG_N_PER_L, World
from worlds.tank import MONTH_D

NITRATE_SHOWS_MG_N_PER_L = 5.0 / 4.4268  # the lowest step of usual charts, 5 mg/L; common practice, no source


def some_plants() -> QuotaPlants:
    return QuotaPlants.draw(np.random.default_rng(11), 0.1)


@pytest.mark.parametrize("seed", range(60) if FULL else range(6))
def test_nitrogen_is_conserved(seed: int) -> None:
    check_conservation(drawn(PlantsByQuota, seed))


@pytest.mark.parametrize("seed", range(100) if FULL else (0, 1, 2, 5))
def test_the_limit_parts_what_is_carried_from_what_is_not(seed: int) -> None:
    check_limit(drawn(PlantsByQuota, seed))


def test_a_small_biofilm_sets_the_limit_by_nitrite() -> None:
    tank = drawn(PlantsByQuota, 1)
    before_g = tank.limit_g()
    tank.biofilm.nitrite.full_mg_cod *= 0.05
    assert tank.limit_g() < 0.9 * before_g
    check_limit(tank)
    still = tank.held()
    still.step_d = 0.125
    ration_g = 1.1 * tank.limit_g()
    for _ in range(60):
        still.advance(MONTH_D, ration_g * MONTH_D)
        still.trim(still.usual_trim_per_month)
    assert still.water.nitrite > NITRITE_DETECTED_MG_N_PER_L
    assert still.water.nitrate < NITRATE_CEILING_MG_N_PER_L


@pytest.mark.parametrize("seed", range(30) if FULL else (1, 4, 8))
def test_halving_the_step_changes_little(seed: int) -> None:
    tank = drawn(PlantsByQuota, seed)
    check_step_halving(tank, 0.8 * tank.limit_g())


def test_the_limits_are_those_of_usual_tanks() -> None:
    limits = np.array([over_20_l(drawn(PlantsByQuota, seed)) for seed in range(400 if FULL else 40)])
    assert 0.035 < np.median(limits) < 0.065
    assert np.mean((limits < 0.01) | (limits > 0.2)) < 0.15


def test_a_seed_gives_the_same_aquarium_and_all_of_the_seam() -> None:
    one: World = PlantsByQuota.draw(6)
    other = PlantsByQuota.draw(6)
    for tank in (one, other):
        tank.advance(9.5, 0.3)
    assert one.water == other.water
    assert one.day == 9.5
    assert PlantsByQuota.draw(7).volume_l != one.volume_l
    trimmed = one.trim(0.25)
    assert trimmed.wet_g * trimmed.dry_share == pytest.approx(other.plants.dry_g / 4.0)
    assert trimmed.wet_g * trimmed.dry_share * trimmed.n_share * 1000.0 == pytest.approx(other.plants.n_mg / 4.0)


def test_growth_by_droop() -> None:
    # Droop 1973: nothing at q_min, half of mu' at twice q_min, mu' (1 - q_min / q); here over its value at q_max.
    plants = some_plants()
    full = 1.0 - plants.q_min_mg_per_g / plants.q_max_mg_per_g
    for times, share in ((1.0, 0.0), (2.0, 0.5), (3.0, 2.0 / 3.0)):
        plants.n_mg = times * plants.q_min_mg_per_g * plants.dry_g
        assert plants.quota_share() == pytest.approx(share / full)
    plants.n_mg = plants.q_max_mg_per_g * plants.dry_g
    assert plants.quota_share() == pytest.approx(1.0)


def test_quotas_are_those_of_water_plants() -> None:
    # Gerloff & Krombholz 1966: 13 mg/g is critical; Hill 1979, SEEN: three species in a lake held 26.49 mg/g.
    rng = np.random.default_rng(2)
    for _ in range(50):
        plants = QuotaPlants.draw(rng, 0.1)
        assert plants.q_min_mg_per_g <= 13.0
        assert plants.q_min_mg_per_g < 26.49 < plants.q_max_mg_per_g


def test_fastest_growth_is_that_of_submersed_plants() -> None:
    # Nielsen & Sand-Jensen 1991: relative growth rates of 0.01 to 0.11 per day.
    rates = []
    for seed in range(60):
        plants = drawn(PlantsByQuota, seed).plants
        plants.dry_g, plants.n_mg = 1e-3, 1e-3 * plants.q_max_mg_per_g
        plants.grow(0.01, 0.0, plants.mean_light(), 25.0)
        rates.append((plants.dry_g / 1e-3 - 1.0) / 0.01)
    assert 0.0 < min(rates) < 0.03
    assert 0.05 < max(rates) < 0.115


def test_the_canopy_shades_itself_by_beers_law() -> None:
    plants = some_plants()
    plants.dry_g = 0.4 * plants.capacity_g_per_m2 * plants.area_m2
    depth = plants.shade_m2_per_g * 0.4 * plants.capacity_g_per_m2
    light = [plants.lamp_umol * exp(-depth * (i + 0.5) / 1000.0) for i in range(1000)]
    mean = sum(one / (one + plants.half_light_umol) for one in light) / 1000.0
    assert plants.canopy_share() == pytest.approx(0.6 * mean, rel=1e-4)


def test_starved_plants_take_up_two_to_three_times_the_need_of_sated_ones() -> None:
    for number in range(30):
        plants = QuotaPlants.draw(np.random.default_rng(number), 0.1)
        plants.dry_g = 1e-6
        plants.n_mg = plants.q_min_mg_per_g * plants.dry_g
        plants.dark_uptake = 1.0
        nitrate = 1e4 * plants.half_nitrate_mg_n_per_l
        taken = plants.pull(0.0, nitrate, 0.0, 25.0)[1] * nitrate
        fastest = plants.growth_per_d * plants.lamp_umol / (plants.lamp_umol + plants.half_light_umol)
        need = fastest * plants.mean_light() * plants.q_max_mg_per_g * plants.dry_g
        assert 1.99 < taken / need < 3.01
        half = plants.half_nitrate_mg_n_per_l
        assert plants.pull(0.0, half, 0.0, 25.0)[1] * half == pytest.approx(taken / 2.0, rel=1e-3)
        assert 0.05 <= half <= 1.0
        held_back = plants.pull(plants.held_back_mg_n_per_l, nitrate, 0.0, 25.0)[1] * nitrate
        assert held_back == pytest.approx(taken / 2.0)
        plants.n_mg = plants.q_max_mg_per_g * plants.dry_g
        assert plants.pull(0.1, nitrate, 0.0, 25.0) == (0.0, 0.0)


def test_the_lamp_burns_its_hours_around_noon() -> None:
    plants = some_plants()
    for step_d in (1.0 / 24.0, 0.125, 0.07, 1.0 / 3.0):
        steps = 21_000
        lit = sum(plants.light(-3.3 + i * step_d, step_d) for i in range(steps)) / steps
        assert lit == pytest.approx(plants.lamp_h / 24.0, abs=2e-3)
    assert plants.light(7.49, 0.02) == 1.0
    assert plants.light(7.99, 0.02) == 0.0


def weeks_until_nitrate_shows(tank: PlantsByQuota) -> float:
    """Fed 1.1 times the limit, with the usual trims: weeks until a chart shows nitrate for a week on end."""
    ration_g = 1.1 * tank.limit_g()
    shown_d = 0
    for day in range(1, 1500):
        tank.advance(1.0, ration_g)
        shown_d = shown_d + 1 if tank.water.nitrate >= NITRATE_SHOWS_MG_N_PER_L else 0
        if shown_d == 7:
            return (day - 6) / 7.0
        if day % 30 == 0:
            tank.trim(tank.usual_trim_per_month)
    raise AssertionError("nitrate did not show in four years")


def test_nitrate_takes_many_weeks_to_show_from_a_starved_start() -> None:
    weeks = []
    for seed in range(200 if FULL else 30):
        tank = drawn(PlantsByQuota, seed)
        if not tank.new and tank.plants.n_mg < 0.55 * tank.plants.q_max_mg_per_g * tank.plants.dry_g:
            assert tank.water.nitrate < 0.1
            weeks.append(weeks_until_nitrate_shows(tank))
    assert len(weeks) >= 6
    assert 8.0 < np.median(weeks) < 25.0
    assert np.mean(np.array(weeks) > 4.0) > 0.8


def test_sated_plants_let_nitrate_show_sooner() -> None:
    # The delay is the plants' reserve: the same tank with full reserves shows the same ration much sooner.
    starved = next(
        tank
        for tank in (drawn(PlantsByQuota, seed) for seed in range(60))
        if not tank.new and tank.plants.n_mg < 0.5 * tank.plants.q_max_mg_per_g * tank.plants.dry_g
    )
    sated = copy.deepcopy(starved)
    ration_g = 0.9 * starved.limit_g()
    for _ in range(36):
        sated.advance(MONTH_D, ration_g * MONTH_D)
        sated.trim(sated.usual_trim_per_month)
    assert weeks_until_nitrate_shows(sated) < 0.7 * weeks_until_nitrate_shows(starved)


def test_trims_keep_the_mass_of_plants() -> None:
    # At rest what is trimmed has grown again: the mass before a trim is the same month for month.
    tank = drawn(PlantsByQuota, 1)
    ration_g = 0.9 * tank.limit_g()
    still = tank.held()
    masses = []
    for _ in range(48):
        still.advance(MONTH_D, ration_g * MONTH_D)
        masses.append(still.plants.dry_g)
        still.trim(still.usual_trim_per_month)
    assert all(later == pytest.approx(mass, rel=0.025) for mass, later in pairwise(masses[-6:]))
    less = copy.deepcopy(tank)
    less.usual_trim_per_month /= 2.0
    assert less.limit_g() < 0.8 * tank.limit_g()
    assert ends_over(less, ration_g)
