"""Ammonia criteria of the US EPA against the printed tables, and the guidelines beside them.

All 54 values of `epa_2013_ammonia_criteria.csv` (US EPA 822-R-13-001, 2013, two significant figures). The older
criteria (US EPA 822-R-99-014, 1999) share the salmonids' acute equation; their printed values are from memory.
"""

import csv
from pathlib import Path

import pytest

from tareline.core.units import from_canonical, to_canonical
from tareline.core.water.criteria import acute_mg_n_per_l, chronic_mg_n_per_l, guides

DATA = Path(__file__).parent / "data" / "epa_2013_ammonia_criteria.csv"
ROWS = list(csv.DictReader(line for line in DATA.read_text(encoding="utf-8").splitlines() if not line.startswith("#")))


def computed(criterion: str, ph: float, temperature_c: float) -> float:
    if criterion == "chronic":
        return chronic_mg_n_per_l(ph, temperature_c)
    return acute_mg_n_per_l(ph, temperature_c, salmonids=criterion == "acute_salmonids_present")


def test_the_table_is_whole() -> None:
    assert len(ROWS) == 54
    assert {row["criterion"] for row in ROWS} == {"acute_salmonids_absent", "acute_salmonids_present", "chronic"}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['criterion']}-{row['temperature_c']}-{row['ph']}")
def test_every_printed_value(row: dict[str, str]) -> None:
    found = computed(row["criterion"], float(row["ph"]), float(row["temperature_c"]))
    assert float(f"{found:.2g}") == float(row["mg_tan_per_l"])


@pytest.mark.parametrize(("ph", "printed"), [(6.5, 32.6), (7.0, 24.1), (8.0, 5.62), (9.0, 0.885)])
def test_in_cold_water_salmonids_have_the_older_acute_limit(ph: float, printed: float) -> None:
    """US EPA 822-R-99-014, salmonids present, from memory: it did not depend on temperature."""
    assert float(f"{acute_mg_n_per_l(ph, 5.0, salmonids=True):.3g}") == printed


@pytest.mark.parametrize(
    ("ph", "older_acute", "older_chronic_at_25_c"), [(6.5, 48.8, None), (7.0, 36.1, 3.01), (8.0, 8.41, 1.24)]
)
def test_the_newer_criteria_are_the_stricter_ones(ph: float, older_acute: float, older_chronic_at_25_c: float) -> None:
    """Salmonids absent, US EPA 822-R-99-014: as South Dakota's rule 74:51:01 has it; values from memory."""
    equation = 0.411 / (1 + 10 ** (7.204 - ph)) + 58.4 / (1 + 10 ** (ph - 7.204))
    assert equation == pytest.approx(older_acute, rel=2e-3)
    assert acute_mg_n_per_l(ph, 20.0) < older_acute
    if older_chronic_at_25_c is not None:
        shape = 0.0577 / (1 + 10 ** (7.688 - ph)) + 2.487 / (1 + 10 ** (ph - 7.688))
        assert 1.45 * shape == pytest.approx(older_chronic_at_25_c, rel=2e-3)
        assert chronic_mg_n_per_l(ph, 25.0) < older_chronic_at_25_c


def test_the_guidelines_in_the_basis_they_were_published_on() -> None:
    def stated(analyte: str, basis: str) -> list[float]:
        return [round(from_canonical(analyte, guide.limit, basis), 4) for guide in guides(analyte)]

    assert 0.019 in stated("free_ammonia", "NH3")  # CCME
    assert 0.05 in stated("free_ammonia", "N")  # UF/IFAS FA16
    assert stated("nitrite", "N") == [0.06, 5.0]  # US EPA 440/5-86-001, from memory
    assert {13.0, 550.0} <= set(stated("nitrate", "ion"))  # CCME 2012, from memory
    assert {2.0, 90.0} <= set(stated("nitrate", "N"))  # Camargo et al. 2005; US EPA 1986
    assert to_canonical("nitrate", 13.0, "mg/L", "ion") == pytest.approx(2.94, abs=0.005)  # CCME states both


def test_reference_lines_come_lowest_first_and_the_criteria_where_ph_and_temperature_are_known() -> None:
    assert guides("ammonia") == guides("ammonia", ph=7.0) == guides("ph") == []
    chronic, acute = guides("ammonia", 8.0, 20.0)
    assert (f"{chronic.limit:.2g}", f"{acute.limit:.2g}") == ("0.78", "3.9")  # the table's values
    for analyte in ("free_ammonia", "nitrite", "nitrate"):
        limits = [guide.limit for guide in guides(analyte)]
        assert limits == sorted(limits)
        assert all(guide.source and guide.what for guide in guides(analyte))
