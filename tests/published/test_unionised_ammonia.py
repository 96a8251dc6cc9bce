"""Un-ionised ammonia against a handbook's table, its worked example, and an independent chemistry program."""

from pathlib import Path

import pytest

from tareline.core.safety.lines import AMMONIA_LINES, crossings, known_water
from tareline.core.water.chemistry import unionised, unionised_fraction
from tareline.core.water.readings import Reading

# University of Florida IFAS Extension, FA16 "Ammonia in Aquatic Systems", table 1, calculated there from Emerson et al.
# 1975, J. Fish. Res. Board Can. 32:2379. The source's column for 32 degC disagrees with the equation and is left out.
DATA = Path(__file__).parent / "data" / "unionised_ammonia_fraction.csv"
ROWS = [line.split(",") for line in DATA.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
CELSIUS = [int(cell) for cell in ROWS[0][1:]]
TABLE = {float(ph): [float(cell) for cell in cells] for ph, *cells in ROWS[1:]}
MISPRINT = (7.4, 20)  # printed 0.0096, the equation gives 0.0098


def test_the_table_is_whole() -> None:
    assert (len(TABLE), CELSIUS) == (8, list(range(6, 31, 2)))


@pytest.mark.parametrize("ph", list(TABLE))
def test_the_table(ph: float) -> None:
    for celsius, printed in zip(CELSIUS, TABLE[ph], strict=True):
        margin = 3e-4 if (ph, celsius) == MISPRINT else 1.1e-4
        assert unionised_fraction(ph, celsius) == pytest.approx(printed, abs=margin), (ph, celsius)


def test_the_worked_example_end_to_end() -> None:
    """FA16: total ammonia 1.0 mg/L at 24 degC and pH 8.0: factor 0.0502, un-ionised 0.0502 mg/L, "borderline" against
    0.05 mg/L. Our default line stands at that border, and reaching it holds."""
    total, ph = Reading(1, 0, "ammonia", 1.0), Reading(2, 0, "ph", 8.0)
    found = unionised(total, ph, Reading(3, 0, "temperature", 24.0), now_ms=0)
    assert found.value == pytest.approx(0.0502, abs=5e-5)
    assert found.assumed == ()
    crossed = crossings(
        AMMONIA_LINES, known_water({"ammonia": total, "ph": ph}, Reading(3, 0, "temperature", 24.0), 0), "stocked"
    )
    assert [c.do for c in crossed if c.line.analyte == "free_ammonia"] == ["notify", "hold"]


# PHREEQC (phreeqpython 1.6.2), run outside this project: a full speciation, so that it agrees to 0.2 % and not better.
@pytest.mark.parametrize(
    ("celsius", "ph", "phreeqc", "equation"),
    [
        (10, 7.0, 0.00185, 0.00185),
        (20, 7.0, 0.00394, 0.00394),
        (24, 8.0, 0.05009, 0.05017),
        (28, 8.4, 0.14921, 0.14946),
    ],
)
def test_an_independent_programs_speciation(celsius: float, ph: float, phreeqc: float, equation: float) -> None:
    assert unionised_fraction(ph, celsius) == pytest.approx(equation, abs=5e-6)
    assert unionised_fraction(ph, celsius) == pytest.approx(phreeqc, rel=2e-3, abs=5e-6)


def test_the_equations_own_pka() -> None:
    """Emerson et al.: pKa = 0.09018 + 2729.92 / T; where pH equals it, half is un-ionised."""
    for celsius in (0.0, 25.0, 50.0):
        assert unionised_fraction(0.09018 + 2729.92 / (celsius + 273.15), celsius) == pytest.approx(0.5)
    assert pytest.approx(9.25, abs=0.01) == 0.09018 + 2729.92 / 298.15
