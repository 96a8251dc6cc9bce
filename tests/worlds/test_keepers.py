"""Keepers err as people do, and write down only what they notice."""

import math
from statistics import mean, median, stdev

import pytest

from worlds.ambient import nitrogen_gap_mg
from worlds.keepers import CHARTS, Keeper, chart_step
from worlds.seam import Analyte
from worlds.substrate import Substrate
from worlds.young_tank import YoungTank

ANALYTES: tuple[Analyte, ...] = ("ammonia", "nitrite", "nitrate", "kh")


def _world(seed: int, step_d: float = 1.0 / 4.0) -> Substrate:
    """An aquarium in coarse steps: here only what its keeper does counts."""
    world = Substrate.draw(seed)
    world.step_d = step_d
    return world


def _year(keeper: Keeper, world: Substrate, days: int = 364, ration_g: float = 0.02) -> None:
    for day in range(days):
        keeper.feed_day(world, ration_g)
        if day % 7 == 6:
            keeper.weekly(world)
            for analyte in ANALYTES:
                keeper.read(world, analyte)


def test_one_seed_is_one_keeper() -> None:
    notes = []
    for seed in (5, 5, 6):
        keeper = Keeper.make(seed, 0.2)
        _year(keeper, _world(1), 200)
        notes.append(keeper.notes)
    assert notes[0] == notes[1]
    assert notes[0] != notes[2]


def test_doses_scatter_and_the_scale_shows_them_within_two_percent() -> None:
    given, shown = [], []
    for seed in range(6):
        keeper, world = Keeper.make(seed, 0.2), _world(seed, 1.0)
        keeper.guests.next_day = math.inf
        for _ in range(150):
            before = world.account.entries.get("food", 0.0)
            keeper.feed_day(world, 0.02)
            given.append((world.account.entries["food"] - before) / world.food_n)
            shown.append(keeper.notes.fed[-1][1])
    assert mean(given) == pytest.approx(0.02, rel=0.01)
    assert stdev(given) / 0.02 == pytest.approx(0.08, rel=0.1)
    errors = [abs(s / g - 1.0) for s, g in zip(shown, given, strict=True)]
    assert 0.003 < median(errors) < max(errors) < 0.0201


def test_a_day_is_fed_even_with_nothing() -> None:
    keeper, world = Keeper.make(1, 0.2), _world(1)
    keeper.feed_day(world, 0.0)
    assert world.day == 1.0
    assert keeper.notes.fed == [(0.0, 0.0)]


@pytest.mark.parametrize(
    ("analyte", "seen", "step", "low", "high"),
    [
        ("ammonia", 0.1, 0.0, 0.0, 0.125),
        ("ammonia", 0.3, 0.25, 0.125, 0.375),
        ("ammonia", 9.0, 4.0, 3.0, None),
        ("nitrate", 12.0 / 4.4268, 10.0 / 4.4268, 7.5 / 4.4268, 15.0 / 4.4268),
        ("nitrate", -0.2, 0.0, 0.0, 2.5 / 4.4268),
        ("nitrite", 0.6 / 3.2845, 0.5 / 3.2845, 0.375 / 3.2845, 0.75 / 3.2845),
    ],
)
def test_a_chart_shows_its_nearest_step(
    analyte: Analyte, seen: float, step: float, low: float, high: float | None
) -> None:
    got = chart_step(analyte, seen)
    assert got[0] == pytest.approx(step)
    assert got[1] == pytest.approx(low)
    assert got[2] == (None if high is None else pytest.approx(high))


def test_a_kit_errs_by_bottle_and_by_reading() -> None:
    """Spread between keepers is that of bottles, spread within one is that of readings; some readings are missed."""
    world = _world(3)
    means: dict[str, list[float]] = {"chart": [], "fine": []}
    within: list[float] = []
    missed = 0
    for seed in range(60):
        for kit in ("chart", "fine"):
            keeper = Keeper.make(seed, 0.2, kit=kit)
            world.nitrate_mg = 8.0 * world.volume_l
            got = [keeper.read(world, "nitrate") for _ in range(60)]
            values = [one[0] for one in got if one is not None]
            means[kit].append(mean(values) / 8.0)
            if kit == "fine":
                within.append(stdev(values) / 8.0)
            else:
                missed += got.count(None)
                assert set(values) <= set(CHARTS["nitrate"])
            assert len(keeper.notes.readings) == len(values)
    assert 0.05 < missed / (60 * 60) < 0.10
    assert 0.07 < stdev(means["chart"]) < 0.22
    assert 0.025 < stdev(means["fine"]) < 0.055
    assert 0.02 < mean(within) < 0.04


def test_hardness_is_counted_in_drops() -> None:
    world = _world(3)
    keeper = Keeper.make(2, 0.2)
    for _ in range(20):
        keeper.read(world, "kh")
    for _, analyte, value, low, high, kit in keeper.notes.readings:
        assert (analyte, kit) == ("kh", "drops")
        assert value == int(value) == high == low + 1.0
        assert abs(value - world.water.kh) < 0.15 * world.water.kh + 1.0


def test_bottles_last_six_to_twelve_months_and_most_new_ones_are_noted() -> None:
    world = _world(3)
    noted = bottles = 0
    for seed in range(40):
        keeper = Keeper.make(seed, 0.2)
        seen: dict[float, None] = {}
        for week in range(156):
            world.day = 7.0 * week
            keeper.read(world, "nitrate")
            seen.setdefault(keeper.bottles["nitrate"].bias if keeper.bottles else 1.0)
        bottles += len(seen) - 1
        noted += len(keeper.notes.new_kits)
    assert 3 * 365 / 366 < bottles / 40 < 6.5
    assert 0.75 < noted / bottles < 0.95


def test_trims_are_about_monthly_and_one_in_five_is_not_noted() -> None:
    true_trims = noted = 0
    factors, ratios = [], []
    for seed in range(16):
        keeper, world = Keeper.make(seed, 0.25, weighs_trims=seed % 2 == 1), _world(seed, 1.0)
        days = []
        for day in range(728):
            keeper.feed_day(world, 0.01)
            if day % 7 == 6:
                plants, count = world.plants_g, len(keeper.notes.trims)
                keeper.weekly(world)
                if world.plants_g < plants:
                    days.append(day)
                    true_share = 1.0 - world.plants_g / plants
                    for _, guess, wet_g in keeper.notes.trims[count:]:
                        if guess is not None:
                            factors.append(math.log(guess / true_share))
                        if seed % 2:
                            assert wet_g is not None
                            ratios.append(wet_g * world.p.dry_share / (plants - world.plants_g))
                        else:
                            assert wet_g is None
        true_trims += len(days)
        noted += len(keeper.notes.trims)
    assert 22 < true_trims / 16 < 26
    assert 0.7 < noted / true_trims < 0.9
    assert stdev(factors) == pytest.approx(math.log(1.3), rel=0.25)
    assert abs(mean(factors)) < 0.06
    assert 0.04 < stdev(ratios) < 0.11  # the scale and film, and how moist plants are


def test_rare_events_happen_to_some_and_are_not_written_down() -> None:
    changed = guests = heat = dark = standards = 0
    for seed in range(30):
        keeper, world = Keeper.make(seed, 0.2), _world(seed, 1.0)
        for day in range(728):
            keeper.feed_day(world, 0.01)
            if day % 7 == 6:
                keeper.weekly(world)
        account = world.nitrogen_mg()
        assert keeper.notes.changes == []
        assert abs(nitrogen_gap_mg(account)) < 1e-9 * (account["food"] + account["at_start"])
        changed += "changed_out" in account
        guests += account["food"] / world.food_n > 1.01 * sum(grams for _, grams in keeper.notes.fed)
        heat += world.ambient.wave_k > 0.0
        dark += world.ambient.dark_until > 0.0
        standards += bool(keeper.notes.standards)
        for _, analyte, holds, shown in keeper.notes.standards:
            assert (analyte, round(holds * 4.4268)) == ("nitrate", 20)
            assert shown in CHARTS["nitrate"]
    assert 5 <= changed <= 24
    assert 2 <= guests <= 15
    assert 10 <= heat <= 28
    assert 12 <= dark <= 29
    assert 3 <= standards <= 16


def test_a_change_of_water_on_purpose_is_written_down() -> None:
    keeper, world = Keeper.make(4, 0.2), YoungTank.draw(4)
    world.nitrate_mg = 9.0 * world.volume_l
    keeper.change_water(world, 0.5)
    assert keeper.notes.changes == [(0.0, 0.5 * world.volume_l, keeper.source.nitrate)]
    assert world.water.nitrate == pytest.approx(0.5 * 9.0 + 0.5 * keeper.source.nitrate, rel=0.06)
