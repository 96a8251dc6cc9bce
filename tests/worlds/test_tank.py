"""The processes that this author's worlds share, against published figures and worked examples."""

import numpy as np
import pytest

from worlds.biofilm import Biofilm, Oxidisers
from worlds.checks import drawn
from worlds.plants_by_quota import PlantsByQuota
from worlds.remains import Remains, Substrate
from worlds.room import NEVER_DAY, YEAR_D, Room
from worlds.seam import Water, World


def film_of(**changes: float) -> Oxidisers:
    """Ammonia's oxidisers with the constants of ASM1 at 20 deg C."""
    constants = {
        "growth_per_d": 0.8,
        "growth_factor_per_k": 1.103,
        "half_mg_n_per_l": 1.0,
        "decay_per_d": 0.05,
        "yield_cod_per_n": 0.24,
        "full_mg_cod": 1000.0,
        "mg_cod": 1.0,
    }
    return Oxidisers(**(constants | changes))


def bare(seed: int) -> PlantsByQuota:
    """An aquarium almost without plants."""
    tank = drawn(PlantsByQuota, seed)
    tank.trim(1.0 - 1e-9)
    tank.begin(8.0)
    return tank


def test_nitrifiers_grow_ten_degrees_colder_as_asm1_has_it() -> None:
    # ASM1 (Henze et al. 1987), SEEN: 0.8 per day at 20 deg C and 0.3 at 10, with 1 mg N/L for half of it.
    grown = []
    for temperature_c in (20.0, 10.0):
        film = film_of()
        freed_l_per_d = film.oxidation_l_per_d(1e6, temperature_c, 1.0)
        grown.append(freed_l_per_d * 1e6 * film.yield_cod_per_n)
    assert grown[0] == pytest.approx(0.8, rel=1e-4)
    assert grown[1] == pytest.approx(0.3, rel=5e-3)
    film = film_of()
    assert film.oxidation_l_per_d(1.0, 20.0, 1.0) * film.yield_cod_per_n == pytest.approx(0.4)


def test_drawn_growth_encloses_the_figure_of_the_design_manual() -> None:
    # US EPA 1975, SEEN: 0.47 per day at 15 deg C.
    rng = np.random.default_rng(5)
    rates = [
        one.growth_per_d * one.growth_factor_per_k**-5 for one in (Biofilm.draw(rng, 20.0).ammonia for _ in range(99))
    ]
    assert min(rates) < 0.47 < max(rates)


def test_a_thin_film_leaves_over_s_min() -> None:
    # Rittmann & McCarty 1980: S_min = K b / (mu - b); with 1.0 mg N/L, 0.05 and 0.8 per day, 0.0667 mg N/L.
    film = film_of(full_mg_cod=1e6)
    assert film.lowest_mg_n_per_l(20.0) == pytest.approx(0.0667, abs=5e-5)
    substrate_mg, volume_l, days = 20.0, 20.0, 0.05
    for _ in range(20_000):
        freed = film.oxidation_l_per_d(substrate_mg / volume_l, 20.0, 1.0)
        substrate_mg = (substrate_mg + 3.0 * days) / (1.0 + freed * days / volume_l)
        film.grow(days, substrate_mg / volume_l * freed * days, 0.0, 20.0)
    assert substrate_mg / volume_l == pytest.approx(0.0667, rel=0.01)
    assert film.rest_mg_n_per_d(substrate_mg / volume_l, 0.0, 20.0, 1.0) == pytest.approx(3.0, rel=0.05)


def test_a_full_surface_oxidises_what_was_drawn_for_it() -> None:
    # Timmons & Ebeling: 0.2 to 1.0 g N/m2/d; surfaces of 10 to 60 m2 for each m3.
    rng = np.random.default_rng(7)
    for _ in range(50):
        film = Biofilm.draw(rng, 1000.0).ammonia
        film.mg_cod = film.full_mg_cod
        freed_mg_n_per_d = film.oxidation_l_per_d(1e6, 20.0, 1.0) * 1e6
        assert 0.2 * 10.0 < freed_mg_n_per_d / 1000.0 < 1.0 * 60.0
        grown_mg_cod = film.yield_cod_per_n * freed_mg_n_per_d * 0.01
        film.decay_per_d = 0.0
        film.grow(0.01, freed_mg_n_per_d * 0.01, 0.0, 20.0)
        assert film.mg_cod == pytest.approx(film.full_mg_cod)
        assert grown_mg_cod > 0.0


def test_nitrifying_one_mg_of_nitrogen_costs_its_alkalinity() -> None:
    # 7.145 mg CaCO3 for each mg N, 0.400 dKH in each litre (molar masses).
    tank = bare(3)
    tank.substrate.most_mg_n_per_m2_d = 0.0
    tank.remains.litter_mg = tank.remains.waste_mg = tank.remains.gut_mg = tank.remains.slow_mg = 0.0
    tank.ammonia_mg, tank.nitrite_mg, tank.nitrate_mg = 5.0 * tank.volume_l, 0.0, 0.0
    for one in (tank.biofilm.ammonia, tank.biofilm.nitrite):
        one.mg_cod = 0.5 * one.full_mg_cod
        one.yield_cod_per_n = one.decay_per_d = 1e-9
    tank.begin(8.0)
    tank.advance(0.5, 0.0)
    water = tank.water
    assert water.nitrate > 4.9
    assert (8.0 - water.kh) / water.nitrate == pytest.approx(0.400, abs=0.001)


def test_nitrification_stops_where_hardness_is_used_up() -> None:
    tank = bare(3)
    for one in (tank.biofilm.ammonia, tank.biofilm.nitrite):
        one.mg_cod = 0.1 * one.full_mg_cod
    tank.begin(1.0)
    tank.ammonia_mg += 20.0 * tank.volume_l
    tank.advance(60.0, 0.0)
    assert 0.0 <= tank.water.kh < 0.1
    assert tank.water.ammonia > 5.0


def test_what_fish_excrete_of_their_food() -> None:
    # Losordo & DeLong 2015: 60 kg of feed a day at 40 % protein give 2.208 kg ammonia-N (0.092 of the protein).
    remains = Remains(0.092 / 0.16, 0.0, 0.0, 0.0, 0.0)
    made_g = [remains.decay(0.5, 0.5 * 60_000.0 * 0.40 / 6.25, 20.0) for _ in range(60)]
    assert made_g[-1] + made_g[-2] == pytest.approx(2208.0, rel=1e-3)


def test_leaves_decay_as_measured() -> None:
    # Hill 1979, SEEN: Potamogeton at 0.0312 per day, so that half is left after 22.2 days.
    remains = Remains(0.6, 0.0, 0.0312, 0.0, 0.0, litter_mg=100.0)
    for _ in range(2222):
        remains.decay(0.01, 0.0, 20.0)
    assert remains.litter_mg == pytest.approx(50.0, rel=1e-3)


def test_food_holds_the_nitrogen_of_its_protein() -> None:
    # 0.30 g a day at 45 % protein are 21.6 mg N a day; in 60 L 0.36 mg N/L each day.
    tank = bare(4)
    tank.food_n_mg_per_g = 10.0 * 45.0 / 6.25
    tank.advance(10.0, 3.0)
    assert tank.nitrogen_mg()["food in"] == pytest.approx(216.0)
    for seed in range(20):
        tank = drawn(PlantsByQuota, seed)
        assert 35.0 <= tank.protein_percent <= 50.0
        assert tank.food_n_mg_per_g * 6.25 / 10.0 == pytest.approx(tank.protein_percent, rel=0.0401)


def test_denitrification_is_within_what_lakes_show() -> None:
    # Seitzinger 1988: 2 to 171 umol N/m2/h, that is 0.67 to 57.5 mg N/m2/d.
    low, high = 2 * 14.007 * 24 / 1000, 171 * 14.007 * 24 / 1000
    rng = np.random.default_rng(3)
    for _ in range(100):
        bottom = Substrate.draw(rng, 1.0)
        assert low < bottom.pull_l_per_d(1e6, 1e6, 20.0) * 1e6 < high
        half = bottom.half_mg_n_per_l
        assert bottom.pull_l_per_d(half, 1e6, 20.0) * half == pytest.approx(bottom.most_mg_n_per_m2_d / 2.0)
        assert bottom.pull_l_per_d(half, 0.0, 20.0) == 0.0


def a_room(**changes: float | None) -> Room:
    constants: dict[str, float | None] = {
        "mean_c": 20.0,
        "season_k": 0.0,
        "daily_k": 0.0,
        "warmest_day": 0.0,
        "lag_d": 0.5,
        "thermostat_c": None,
        "water_c": 20.0,
    }
    return Room(**(constants | changes))  # type: ignore[arg-type]


def test_water_follows_the_room_by_newtons_law() -> None:
    room = a_room(water_c=30.0)
    for i in range(50):
        room.step(i * 0.01, 0.01)
    assert room.water_c == pytest.approx(20.0 + 10.0 * 0.36788, abs=1e-3)  # one lag: 1 / e is left


def test_a_thermostat_needs_power_and_a_heat_wave_ends() -> None:
    room = a_room(thermostat_c=25.0)
    room.step(0.0, 0.1)
    assert room.water_c == 25.0
    room.no_power_until_day = 0.6
    shares = [room.step(0.1 + 0.1 * i, 0.1) for i in range(5)]
    assert shares == pytest.approx([0.0] * 5, abs=1e-9)
    assert 20.0 < room.water_c < 23.0
    assert room.step(0.55, 0.1) == pytest.approx(0.5)
    room.no_power_until_day = NEVER_DAY
    room.warmer_k, room.warmer_until_day = 10.0, 10.0
    warm = [(room.step(1.0 + 0.5 * i, 0.5), room.water_c)[1] for i in range(40)]
    assert max(warm) == pytest.approx(30.0, abs=0.1)
    assert warm[-1] == 25.0


def test_the_mean_of_a_year() -> None:
    assert a_room(season_k=4.0, daily_k=1.0).mean_water_c() == pytest.approx(20.0, abs=0.01)
    # A thermostat at the mean cuts off the colder half: a cosine without its negative half has the mean 1 / pi.
    heated = a_room(season_k=4.0, thermostat_c=20.0)
    assert heated.mean_water_c() == pytest.approx(20.0 + 4.0 / 3.14159, abs=0.02)
    days = [heated.of_season_c(day) for day in (0.0, YEAR_D / 2.0, YEAR_D)]
    assert days == pytest.approx([24.0, 16.0, 24.0])


def test_a_change_of_water_mixes() -> None:
    tank: World = bare(5)
    before = tank.water
    source = Water(ammonia=0.1, nitrite=0.2, nitrate=8.0, kh=12.0)
    tank.change_water(0.25, source)
    after = tank.water
    for name in ("ammonia", "nitrite", "nitrate", "kh"):
        assert getattr(after, name) == pytest.approx(0.75 * getattr(before, name) + 0.25 * getattr(source, name))
