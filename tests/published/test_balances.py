"""Balances against worked figures.

Salt: V 20 L, E 0.2 L/d, c_t 150, c0 200, uptake 0.01/d (DERIVED; the equation stands in the module). Feed to ammonia:
60 kg/d at 40 % protein, Losordo & DeLong 2015, figure DERIVED with the factor 0.092. Food's nitrogen: arithmetic.
Protein per N 6.25, and 13 to 19 % N in real proteins: FAO Food and Nutrition Paper 77, chapter 2.
"""

import pytest

from tareline.core.units import from_canonical
from tareline.core.water.balance import (
    PROTEIN_PER_N,
    Inflow,
    food_ammonia_mg,
    food_nitrogen_mg,
    net,
)
from tareline.core.water.readings import Reading

DAY_MS = 86_400_000


def test_top_ups_one_by_one_are_the_same_salt() -> None:
    """The README's rising case as a keeper writes it down, 0.2 L a day: after 30 days 245, and the tank made none."""
    top_ups = [Inflow(day * DAY_MS, 0.2, 150.0, replaces=False) for day in range(1, 31)]
    found = net(Reading(1, 0, "tds", 200.0), Reading(2, 30 * DAY_MS, "tds", 245.0), top_ups, 20.0)
    assert found is not None
    assert found.per_day == pytest.approx(0.0, abs=1e-9)


def test_cycles_of_concentration() -> None:
    """Cooling-tower practice: with blowdown E / (C - 1) the water holds C times what the make-up holds."""
    evaporation, cycles, source, volume = 0.2, 3.0, 100.0, 20.0
    blowdown = evaporation / (cycles - 1)
    inflows = []
    for day in range(1, 31):
        inflows.append(Inflow(day * DAY_MS, evaporation, source, replaces=False))
        inflows.append(Inflow(day * DAY_MS, blowdown, source, replaces=True))
    level = cycles * source
    found = net(Reading(1, 0, "tds", level), Reading(2, 30 * DAY_MS, "tds", level), inflows, volume)
    assert found is not None
    assert found.per_day == pytest.approx(0.0, abs=level * 1e-4)


def test_feed_to_ammonia() -> None:
    assert food_ammonia_mg(60_000.0, 40.0) == pytest.approx(2.208e6)  # 2.208 kg TAN/d


def test_foods_nitrogen_to_nitrate() -> None:
    """0.30 g/d at 45 % protein: 21.6 mg N/d; in 60 L 0.36 mg N/L/d, as nitrate 1.594 mg/L/d."""
    nitrogen_mg = food_nitrogen_mg(0.30, 45.0)
    assert nitrogen_mg == pytest.approx(21.6)
    assert nitrogen_mg / 60 == pytest.approx(0.36)
    assert from_canonical("nitrate", nitrogen_mg / 60, "ion") == pytest.approx(1.594, abs=5e-4)


@pytest.mark.parametrize(("own_factor", "off"), [(5.26, -0.16), (7.69, 0.23)])
def test_a_labels_nitrogen_is_its_protein_by_definition_whatever_the_protein_holds(
    own_factor: float, off: float
) -> None:
    """True protein is N times its own factor: -16 to +23 % of what the label says, and the nitrogen is the same."""
    nitrogen_mg = food_nitrogen_mg(1.0, 45.0)
    assert nitrogen_mg * own_factor / 450.0 - 1 == pytest.approx(off, abs=0.005)
    assert nitrogen_mg * PROTEIN_PER_N == pytest.approx(450.0)
