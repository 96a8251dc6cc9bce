"""A week of a probe as one reading: which hours and days of it count, and that later ones change nothing."""

import csv
import math
import random
from pathlib import Path
from typing import Any

import pytest

from tareline.app.projections.samples import tds_points
from tareline.core.probes.weekly import week_value

DAY_MS, HOUR_MS = 86_400_000, 3_600_000
MONDAY_MS = 1_780_272_000_000  # 2026-06-01T00:00:00Z
STARTS = [MONDAY_MS + day * DAY_MS for day in range(8)]
RUN_DAYS = 14
PUBLISHED = Path(__file__).parents[1] / "published" / "data" / "potassium_chloride_conductivity.csv"

Hourly = dict[int, float]


def hour(day: float) -> int:
    return MONDAY_MS + round(24 * day) * HOUR_MS


def water(level: float = 0.05, celsius: float = 25.0, to_day: float = 7) -> tuple[Hourly, Hourly]:
    """Hourly conductivity in S/m and temperature, two weeks before Monday and on, as restless as real ones."""
    noise = random.Random(1)
    times = [hour(i / 24) for i in range(-24 * RUN_DAYS, round(24 * to_day))]
    return {t: level * (1 + noise.gauss(0, 2e-3)) for t in times}, {t: celsius + noise.gauss(0, 0.02) for t in times}


def value(cell: Hourly, warmth: Hourly, **given: Any) -> tuple[int, float] | None:
    siemens, celsius = sorted(cell.items()), sorted(warmth.items())
    told: dict[str, Any] = {"hand_readings": [], "maintenance_ms": [], "changes_ms": [], **given}
    return week_value(tds_points(siemens, celsius, 0.64), siemens, celsius, starts_ms=STARTS, **told)


def of(found: tuple[int, float] | None) -> tuple[float, float]:
    """The day of the week and mg/L."""
    assert found is not None
    return (found[0] - MONDAY_MS) / DAY_MS, found[1]


def test_a_week_is_that_of_its_middle_day_at_noon() -> None:
    """Falling by 1 % a day from 500 uS/cm: the median of seven days is Thursday's mean."""
    cell, warmth = water()
    falling = {t: v * math.exp(-0.01 * (t - MONDAY_MS) / DAY_MS) for t, v in cell.items()}
    day, tds = of(value(falling, warmth))
    assert day == 3.5
    assert tds == pytest.approx(500 * 0.64 * math.exp(-0.035), rel=2e-3)


@pytest.mark.parametrize("celsius", [20, 30])
def test_a_cell_in_a_standard_solution_says_what_is_published(celsius: int) -> None:
    """0.01 mol/kg KCl (NIST, Wu et al. 1991): measured at 20 or 30 degC, it is that of 25 within 1 %."""
    lines = [line for line in PUBLISHED.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    table = {int(row["temperature_c"]): float(row["kcl_0_01_mol_kg"]) for row in csv.DictReader(lines)}
    _, tds = of(value(*water(table[celsius] * 1e-4, celsius)))
    assert tds == pytest.approx(0.64 * table[25], rel=0.01)


def test_a_day_on_which_water_was_changed_is_left_out() -> None:
    """A third replaced by water of half the content on Thursday at six in the evening: 320 to 267 mg/L."""
    at_ms = hour(3.75)
    cell, warmth = water()
    changed = {t: v * (5 / 6 if t >= at_ms else 1.0) for t, v in cell.items()}
    day, tds = of(value(changed, warmth, maintenance_ms=[at_ms], changes_ms=[at_ms]))
    levels = {True: 320.0, False: 320 * 5 / 6}
    assert day != 3.5
    assert tds == pytest.approx(levels[day < 3], rel=5e-3)


def test_while_it_is_dry_it_says_nothing_of_the_water() -> None:
    cell, warmth = water()
    out = {t: 1e-6 if hour(1.5) <= t < hour(4) else v for t, v in cell.items()}
    _, tds = of(value(out, warmth))
    assert tds == pytest.approx(320, rel=5e-3)
    for_good = {t: 1e-6 if t >= hour(0.5) else v for t, v in cell.items()}
    assert value(for_good, warmth) is None


def test_a_cell_that_is_stuck_is_not_believed_though_its_thermometer_moves() -> None:
    cell, warmth = water()
    stuck = {t: 0.05 if t >= hour(-1) else v for t, v in cell.items()}
    assert value(stuck, warmth) is None
    released = {t: 0.05 if hour(-3) <= t < hour(-1) else v for t, v in cell.items()}
    assert of(value(released, warmth))[1] == pytest.approx(320, rel=5e-3)


def test_values_that_water_cannot_have_so_fast_are_left_out() -> None:
    """A loose contact: hours at twice and at half of it."""
    noise = random.Random(2)
    cell, warmth = water()
    loose = {t: v * noise.choice([1, 1, 1, 1, 1, 1, 0.5, 2]) for t, v in cell.items()}
    assert of(value(loose, warmth))[1] == pytest.approx(320, rel=0.02)


def test_a_level_that_jumped_unexplained_counts_once_it_has_been_calm_for_a_day() -> None:
    """Somebody changed half the water and did not enter it."""
    cell, warmth = water()
    changed = {t: v * (0.7 if t >= hour(1) else 1.0) for t, v in cell.items()}
    day, tds = of(value(changed, warmth))
    assert day >= 3.5
    assert tds == pytest.approx(320 * 0.7, rel=5e-3)


def test_a_probe_far_from_the_pen_is_not_believed() -> None:
    cell, warmth = water()
    pens = [(hour(day) + HOUR_MS // 2, 450.0) for day in (-10, -5, -1, 3)]
    assert value(cell, warmth, hand_readings=pens) is None
    near = [(at_ms, 335.0) for at_ms, _ in pens]
    assert of(value(cell, warmth, hand_readings=near))[1] == pytest.approx(320, rel=5e-3)


def test_it_takes_three_days_of_twelve_hours() -> None:
    cell, warmth = water()

    def hours(each: int, days: int) -> Hourly:
        return {t: v for t, v in cell.items() if t < MONDAY_MS or (_place(t)[0] < days and _place(t)[1] < each)}

    assert value(hours(24, 3), warmth) is not None
    assert value(hours(24, 2), warmth) is None
    assert value(hours(12, 7), warmth) is not None
    assert value(hours(11, 7), warmth) is None


def _place(at_ms: int) -> tuple[int, int]:
    """Day of the week and hour of the day."""
    return (at_ms - MONDAY_MS) // DAY_MS, (at_ms - MONDAY_MS) % DAY_MS // HOUR_MS
