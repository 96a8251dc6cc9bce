"""Conversions between nitrogen and the ion that carries it.

Factors: molar masses N 14.007, O 15.999, H 1.008 g/mol (IUPAC abridged standard atomic weights), DERIVED. Guideline
pairs: CCME 2012 for nitrate states each limit on both bases, MEMORY.
"""

import pytest

from tareline.core import units
from tareline.core.units import from_canonical, to_canonical


@pytest.mark.parametrize(
    ("analyte", "basis", "factor", "constant"),
    [
        ("nitrate", "ion", 4.4266, units.NITRATE_PER_N),
        ("nitrite", "ion", 3.2844, units.NITRITE_PER_N),
        ("ammonia", "ion", 1.2879, units.AMMONIUM_PER_N),
        ("ammonia", "NH3", 1.2159, units.AMMONIA_PER_N),
        ("free_ammonia", "NH3", 1.2159, units.AMMONIA_PER_N),
    ],
)
def test_mass_per_mass_of_nitrogen(analyte: str, basis: str, factor: float, constant: float) -> None:
    assert constant == pytest.approx(factor, abs=5e-5)
    assert from_canonical(analyte, 1.0, basis) == pytest.approx(factor, abs=5e-5)
    assert to_canonical(analyte, factor, "mg/L", basis) == pytest.approx(1.0, abs=5e-5)


@pytest.mark.parametrize(("as_ion", "as_n", "half_a_digit"), [(13.0, 2.94, 0.005), (550.0, 124.0, 0.5)])
def test_nitrate_limits_stated_on_both_bases(as_ion: float, as_n: float, half_a_digit: float) -> None:
    assert to_canonical("nitrate", as_ion, "mg/L", "ion") == pytest.approx(as_n, abs=half_a_digit)


@pytest.mark.parametrize("analyte", ["ammonia", "free_ammonia", "nitrite", "nitrate"])
def test_as_nitrogen_nothing_is_converted(analyte: str) -> None:
    assert to_canonical(analyte, 1.5, "mg/L", "N") == from_canonical(analyte, 1.5, "N") == 1.5
