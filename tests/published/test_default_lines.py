"""The default lines of a stocked tank against the figures of the project's contract.

Total ammonia as N: notify 0.5, reduce to half 1.0, hold 2.0 mg/L; un-ionised as N: notify 0.02, hold 0.05 mg/L. For the
order of size: UF/IFAS FA16 calls 0.05 mg/L un-ionised the border of harm and sees deaths from 2.0 mg/L on; the CCME's
guideline is 0.019 mg NH3/L.
"""

import pytest

from tareline.core.safety.lines import AMMONIA_LINES, Line, crossings, known_water
from tareline.core.units import to_canonical
from tareline.core.water.readings import Reading, StatedReading, make_reading, neighbours


def test_the_figures() -> None:
    assert set(AMMONIA_LINES) == {
        Line("ammonia", True, 0.5, "mg/L", "N", "notify", None),
        Line("ammonia", True, 1.0, "mg/L", "N", "reduce", 0.5),
        Line("ammonia", True, 2.0, "mg/L", "N", "hold", None),
        Line("free_ammonia", True, 0.02, "mg/L", "N", "notify", None),
        Line("free_ammonia", True, 0.05, "mg/L", "N", "hold", None),
    }


def test_a_keeper_hears_before_anybody_comes_to_harm() -> None:
    border_mg_n_per_l = 0.05  # FA16, un-ionised
    deaths_mg_n_per_l = 2.0  # FA16, un-ionised
    guideline = to_canonical("free_ammonia", 0.019, "mg/L", "NH3")  # CCME
    lines = {line.do: line.canonical for line in AMMONIA_LINES if line.analyte == "free_ammonia"}
    assert lines["hold"] <= border_mg_n_per_l
    assert lines["hold"] <= deaths_mg_n_per_l / 10
    assert guideline < lines["notify"] < lines["hold"]


@pytest.mark.parametrize(("step", "does"), [(0.0, None), (0.25, None), (0.5, "notify"), (1.0, "reduce"), (2.0, "hold")])
def test_a_drop_kits_chart_read_against_them(step: float, does: str | None) -> None:
    """Steps as common kits have them (common practice, no source). Midpoints to the upper neighbour: 0.375, 0.75, 1.5
    and 3.0; the lowest step says nothing. pH 6.5 keeps the un-ionised share out of it."""
    steps = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0)
    reading = make_reading(1, 0, StatedReading("ammonia", step, "mg/L", "N", True, *neighbours(steps, step)))
    known = known_water({"ammonia": reading, "ph": Reading(2, 0, "ph", 6.5)}, Reading(3, 0, "temperature", 24.0), 0)
    crossed = [c.do for c in crossings(AMMONIA_LINES, known, "stocked")]
    assert (crossed[-1] if crossed else None) == does
