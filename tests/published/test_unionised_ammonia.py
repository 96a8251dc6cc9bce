"""Un-ionised ammonia against a handbook's table, its worked example, and an independent chemistry program."""

import pytest

from tareline.guard.lines import AMMONIA_LINES, crossings, known_water
from tareline.water.chemistry import unionised, unionised_fraction
from tareline.water.readings import Reading

# University of Florida IFAS Extension, FA16 "Ammonia in Aquatic Systems", table 1, calculated there from Emerson et al.
# 1975, J. Fish. Res. Board Can. 32:2379. The source's column for 32 degC disagrees with the equation and is left out.
CELSIUS = (6, 8, 10, 12, 14, 16, 18, 20, 22, 24, 26, 28, 30)
TABLE = {
    7.0: (0.0013, 0.0016, 0.0018, 0.0022, 0.0025, 0.0029, 0.0034, 0.0039, 0.0046, 0.0052, 0.0060, 0.0069, 0.0080),
    7.2: (0.0021, 0.0025, 0.0029, 0.0034, 0.0040, 0.0046, 0.0054, 0.0062, 0.0072, 0.0083, 0.0096, 0.0110, 0.0126),
    7.4: (0.0034, 0.0040, 0.0046, 0.0054, 0.0063, 0.0073, 0.0085, 0.0096, 0.0114, 0.0131, 0.0150, 0.0173, 0.0198),
    7.6: (0.0053, 0.0063, 0.0073, 0.0086, 0.0100, 0.0116, 0.0134, 0.0155, 0.0179, 0.0206, 0.0236, 0.0271, 0.0310),
    7.8: (0.0084, 0.0099, 0.0116, 0.0135, 0.0157, 0.0182, 0.0211, 0.0244, 0.0281, 0.0322, 0.0370, 0.0423, 0.0482),
    8.0: (0.0133, 0.0156, 0.0182, 0.0212, 0.0247, 0.0286, 0.0330, 0.0381, 0.0438, 0.0502, 0.0574, 0.0654, 0.0743),
    8.2: (0.0210, 0.0245, 0.0286, 0.0332, 0.0385, 0.0445, 0.0514, 0.0590, 0.0676, 0.0772, 0.0880, 0.0998, 0.1129),
    8.4: (0.0328, 0.0383, 0.0445, 0.0517, 0.0597, 0.0688, 0.0790, 0.0904, 0.1031, 0.1171, 0.1326, 0.1495, 0.1678),
}
MISPRINT = (7.4, 20)  # printed 0.0096, the equation gives 0.0098


@pytest.mark.parametrize("ph", TABLE)
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
