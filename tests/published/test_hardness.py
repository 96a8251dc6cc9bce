"""Carbonate hardness in its units, degrees of temperature, and the gallon.

1 dKH = 17.848 mg CaCO3/L = 0.3567 meq/L, and nitrifying 1 mg N/L costs 7.145 mg CaCO3/L = 0.400 dKH: DERIVED from IUPAC
masses and the degree's definition, 10 mg CaO/L. US gallon: NIST Handbook 44, appendix C. Observed alkalinity per N: US
EPA Process Design Manual for Nitrogen Control (1975).
"""

import pytest

from tareline.core import units
from tareline.core.units import from_canonical, to_canonical
from tareline.core.water.balance import CACO3_MG_PER_MG_N, kh_spent_dkh


def test_a_degree_of_carbonate_hardness() -> None:
    assert from_canonical("kh", 1.0, "CaCO3", "mg/L") == pytest.approx(17.848, abs=5e-4)
    assert from_canonical("kh", 1.0, "CaCO3", "ppm") == pytest.approx(17.848, abs=5e-4)
    assert from_canonical("kh", 1.0, None, "meq/L") == pytest.approx(0.3567, abs=5e-5)
    assert to_canonical("kh", 100.0, "mg/L", "CaCO3") == pytest.approx(100 / 17.848, rel=1e-4)
    assert to_canonical("kh", 1.0, "meq/L", None) == pytest.approx(2.804, abs=1e-3)  # 1 / 0.35665
    # A milliequivalent is half the mass of CaCO3 (100.09 g/mol): textbooks' 50.04 mg/L.
    assert from_canonical("kh", to_canonical("kh", 1.0, "meq/L", None), "CaCO3", "mg/L") == pytest.approx(
        50.04, abs=0.01
    )


def test_alkalinity_that_nitrification_uses_up() -> None:
    assert pytest.approx(7.145, abs=1e-3) == CACO3_MG_PER_MG_N
    assert kh_spent_dkh(1.0) == pytest.approx(0.400, abs=5e-4)
    assert 6.3 <= CACO3_MG_PER_MG_N <= 7.4  # observed


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32.0, 0.0), (212.0, 100.0), (-40.0, -40.0), (77.0, 25.0)])
def test_degrees_fahrenheit(fahrenheit: float, celsius: float) -> None:
    """Their definition: 32 and 212 degF are 0 and 100 degC; -40 is the same on both."""
    assert to_canonical("temperature", fahrenheit, "degF", None) == pytest.approx(celsius)
    assert from_canonical("temperature", celsius, None, "degF") == pytest.approx(fahrenheit)


def test_a_gallon_is_231_cubic_inches() -> None:
    assert pytest.approx(231 * 2.54**3 / 1000, rel=1e-12) == units.US_GALLON_L


@pytest.mark.parametrize("analyte", ["ammonia", "free_ammonia", "nitrite", "nitrate"])
def test_parts_per_million_and_micrograms(analyte: str) -> None:
    """Fresh water weighs 0.9957 to 0.9998 kg/L from 0 to 30 degC (from memory): a ppm is a mg/L to 0.5 %."""
    assert to_canonical(analyte, 1.5, "ppm", "N") == to_canonical(analyte, 1.5, "mg/L", "N")
    assert to_canonical(analyte, 1500.0, "ug/L", "N") == pytest.approx(1.5)
