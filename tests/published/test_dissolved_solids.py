"""Conductivity at 25 degC and dissolved solids against published solutions.

`potassium_chloride_conductivity.csv`: NIST, Wu, Koch & Pratt 1991, via the CRC Handbook. A chemistry
program's values, no reference for compensation: `phreeqc_kcl_conductivity.csv`. Three calibration salts, from an
instrument handbook: `tds_conversion.csv`. Temperature coefficients of KCl: an instrument handbook.
"""

import csv
from pathlib import Path

import pytest

from tareline.core.units import TDS_FACTOR, US_PER_CM_PER_S_PER_M, to_canonical
from tareline.core.water.conductivity import at_reference, tds_mg_per_l
from tareline.core.water.readings import StatedReading, make_reading

DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, float]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    found = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [{key: float(value) for key, value in row.items()} for row in found]


KCL = {row["temperature_c"]: row for row in rows("potassium_chloride_conductivity.csv")}
WEAK, STRONG = "kcl_0_01_mol_kg", "kcl_0_1_mol_kg"


@pytest.mark.parametrize(
    ("column", "celsius", "percent_per_k"),
    [
        *[(WEAK, 15, 1.94), (WEAK, 20, 1.94), (WEAK, 30, 1.94), (WEAK, 35, 1.99)],
        *[(STRONG, 15, 1.90), (STRONG, 20, 1.89), (STRONG, 30, 1.91), (STRONG, 35, 1.95)],
    ],
)
def test_with_a_salts_own_coefficient_it_is_that_of_25_degrees(
    column: str, celsius: float, percent_per_k: float
) -> None:
    """The two sources agree to 0.06 %/K, and to 0.025 %/K from 20 to 30 degC."""
    found = at_reference(KCL[celsius][column], celsius, percent_per_k / 100)
    per_k = 2.5e-4 if 20 <= celsius <= 30 else 6e-4
    assert found == pytest.approx(KCL[25][column], rel=per_k * abs(celsius - 25))


@pytest.mark.parametrize(
    ("celsius", "off"), [(5, 0.06), (10, 0.03), (15, 0.015), (18, 0.01), (20, 0.01), (25, 1e-9), (30, 0.01), (35, 0.01)]
)
def test_with_the_coefficient_of_natural_water_it_is_as_near_as_is_said(celsius: float, off: float) -> None:
    assert at_reference(KCL[celsius][WEAK], celsius) == pytest.approx(KCL[25][WEAK], rel=off)


def test_a_chemistry_program_would_be_a_worse_guide_in_cold_water() -> None:
    """At 5 degC the program's own conductivity is 8 % low; the linear rule has the right one within 6 %."""
    cold = rows("phreeqc_kcl_conductivity.csv")[0]
    published = KCL[5][WEAK]
    assert (cold["temperature_c"], cold["nist_0_01"]) == (5, published)
    assert cold["phreeqc_0_01"] / published - 1 == pytest.approx(cold["difference_percent"] / 100, abs=1e-4)
    ours = KCL[25][WEAK] * (published / at_reference(published, 5)) / published - 1
    assert abs(ours) < abs(cold["phreeqc_0_01"] / published - 1)


@pytest.mark.parametrize("salt", ["kcl", "nacl", "442"])
@pytest.mark.parametrize("row", rows("tds_conversion.csv"), ids=lambda row: f"{row['conductivity_us_cm']:g}")
def test_dissolved_solids_of_three_salts(row: dict[str, float], salt: str) -> None:
    us_per_cm, factor = row["conductivity_us_cm"], row[f"factor_{salt}"]
    expected = pytest.approx(row[f"tds_{salt}"], rel=3e-3)  # the factors are printed to three or four digits
    assert to_canonical("tds", us_per_cm, "uS/cm", None, factor) == expected
    assert tds_mg_per_l(us_per_cm / US_PER_CM_PER_S_PER_M, 25.0, factor) == expected


def test_the_default_factor_lies_where_its_source_has_natural_water() -> None:
    natural = {row["conductivity_us_cm"]: row["factor_442"] for row in rows("tds_conversion.csv")}
    assert natural[84] < TDS_FACTOR < natural[447]
    at_300 = natural[84] + (300 - 84) / (447 - 84) * (natural[447] - natural[84])
    assert pytest.approx(at_300, abs=0.01) == TDS_FACTOR


def test_one_water_read_by_three_pens_is_one_value() -> None:
    """1413 uS/cm at 25 degC: a pen for NaCl, a pen for 442, and one that shows conductivity at 20 degC (KCl, NIST)."""
    (row,) = [row for row in rows("tds_conversion.csv") if row["conductivity_us_cm"] == 1413]
    pens = [
        StatedReading("tds", row["tds_nacl"], "ppm", factor=row["factor_nacl"]),
        StatedReading("tds", row["tds_442"], "mg/L", factor=row["factor_442"]),
        StatedReading("tds", 1413.0, "uS/cm"),
        StatedReading("tds", 1413.0 * KCL[20][WEAK] / KCL[25][WEAK], "uS/cm", measured_at_c=20.0),
    ]
    for pen in pens:
        found = make_reading(1, 0, pen, tds_factor=0.5)
        assert found.value == pytest.approx(1413 * 0.5, rel=5e-3)
        assert found.scale.stated(found.value) == pytest.approx(pen.value)
