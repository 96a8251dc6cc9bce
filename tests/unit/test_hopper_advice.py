"""How much food a tank survives at once, against examples worked by hand from a handbook's table.

Fractions: UF/IFAS FA16 "Ammonia in Aquatic Systems", table 1 (rounded to 4 decimals there). Protein holds 16 % nitrogen
(Jones' factor, 6.25).
"""

from pathlib import Path

import pytest
from house import DAY_MS, FEEDER, TANK, House

from present import present
from tareline.core.safety.hopper_advice import advice_text, hold_line_mg_n_per_l, hopper_advice, round_down_g
from tareline.core.safety.lines import AMMONIA_LINES, make_line
from tareline.core.water.readings import Reading

ACUTE = Path(__file__).parents[1] / "published" / "data" / "epa_2013_ammonia_criteria.csv"


def ph(value: float, at_ms: int = 0) -> Reading:
    return Reading(1, at_ms, "ph", value)


def celsius(value: float, at_ms: int = 0) -> Reading:
    return Reading(2, at_ms, "temperature", value)


@pytest.mark.parametrize(
    ("volume_l", "protein_percent", "at_ph", "at_celsius", "mass_g"),
    [
        # 0.05 / 0.0502 = 0.99602 mg/L; times 60 L = 59.761 mg N; 1 g of 42 % holds 1000 x 0.42 x 0.16 = 67.2 mg N.
        (60, 42, 8.0, 24.0, 0.8893),
        # 0.05 / 0.1171 = 0.42699 mg/L; times 30 L = 12.8096 mg N; 45 %: 72 mg N in a gram.
        (30, 45, 8.4, 24.0, 0.17791),
        # 0.05 / 0.0381 = 1.31234 mg/L; times 200 L = 262.467 mg N; 35 %: 56 mg N in a gram.
        (200, 35, 8.0, 20.0, 4.6869),
    ],
)
def test_examples_worked_by_hand(
    volume_l: float, protein_percent: float, at_ph: float, at_celsius: float, mass_g: float
) -> None:
    found = hopper_advice(AMMONIA_LINES, volume_l, protein_percent, ph(at_ph), celsius(at_celsius), DAY_MS)
    assert found.mass_g == pytest.approx(mass_g, rel=5e-3)  # the table's fourth decimal
    assert found.analyte == "free_ammonia"
    assert found.assumed == ()


def test_in_acid_water_the_line_for_total_ammonia_comes_first() -> None:
    """pH 7.2, 28 degC: 0.0110 in the table, so 4.5 mg/L were none too many by the un-ionised alone. The line for total
    ammonia is 2.0 mg/L: times 30 L = 60 mg N; 45 %: 72 mg N in a gram."""
    found = hopper_advice(AMMONIA_LINES, 30, 45, ph(7.2), celsius(28.0), DAY_MS)
    assert (found.analyte, found.line_mg_n_per_l) == ("ammonia", 2.0)
    assert found.mass_g == pytest.approx(0.8333, abs=1e-4)


def test_what_is_advised_stays_below_the_acute_criterion() -> None:
    """US EPA 822-R-13-001 (2013), salmonids absent: the mean of one hour, in total ammonia N, of its table."""
    rows = [
        line for line in ACUTE.read_text(encoding="utf-8").splitlines() if line.startswith("acute_salmonids_absent")
    ]
    assert len(rows) == 18
    for _, at_celsius, at_ph, acute in (row.split(",") for row in rows):
        found = hopper_advice(AMMONIA_LINES, 60, 42, ph(float(at_ph)), celsius(float(at_celsius)), DAY_MS)
        assert found.total_mg_n_per_l < float(acute), (at_ph, at_celsius)


def test_what_was_not_measured_within_14_days_is_assumed_and_named() -> None:
    """pH 8.0 and 26 degC: 0.0574 in the table; 0.05 / 0.0574 x 60 / 67.2 x 1 g."""
    for old in (None, 15):
        past = None if old is None else ph(6.0)
        found = hopper_advice(AMMONIA_LINES, 60, 42, past, None if old is None else celsius(20), 15 * DAY_MS)
        assert found.assumed == ("ph", "temperature")
        assert found.fraction == pytest.approx(0.0574, abs=1.1e-4)
        assert found.mass_g == pytest.approx(0.7777, rel=2e-3)
    assert hopper_advice(AMMONIA_LINES, 60, 42, ph(6.0), None, 14 * DAY_MS).assumed == ("temperature",)


def test_food_without_protein_sets_no_limit() -> None:
    assert hopper_advice(AMMONIA_LINES, 60, 0, None, None, 0).mass_g is None


def test_the_line_is_the_tanks_own_and_else_the_default() -> None:
    assert hold_line_mg_n_per_l(AMMONIA_LINES, "free_ammonia") == 0.05
    assert hold_line_mg_n_per_l(AMMONIA_LINES, "ammonia") == 2.0
    own = make_line("free_ammonia", 0.02, None, "mg/L", "N", "hold", None)
    assert hold_line_mg_n_per_l((*AMMONIA_LINES, own), "free_ammonia") == 0.02
    assert hold_line_mg_n_per_l((), "free_ammonia") == 0.05


def test_it_is_told_rounded_down() -> None:
    assert [round_down_g(g) for g in (0.0, 0.0779, 0.889, 3.199, 3.2, 48.9, 1234)] == [
        0,
        0.077,
        0.88,
        3.1,
        3.2,
        48,
        1200,
    ]


def test_the_words() -> None:
    found = hopper_advice(AMMONIA_LINES, 200, 35, ph(8.0), celsius(20.0), 0)
    assert advice_text("feeder-1", found, 48.2, 0.9) == (
        "No firmware can stop a motor driver with a short circuit. Fill the hopper of feeder-1 with no more than 4.6 g "
        "at a time: if all of it fell in at once, into water without ammonia, un-ionised ammonia in this tank would "
        "stay under its line of 0.05 mg/L as N. At the present ration that lasts 5 days. It holds about 48 g now, "
        "which is more."
    )
    assert "which is more" not in advice_text("feeder-1", found, 4.0, 0.0)
    assert "ration" not in advice_text("feeder-1", found, 4.0, 0.0)
    assert "lasts 1 day." in advice_text("feeder-1", found, 4.0, 4.6)
    assert "lasts less than a day." in advice_text("feeder-1", found, 4.0, 5.0)


def test_a_feeder_is_shown_with_it(tmp_path: Path) -> None:
    house = House.furnished(tmp_path)
    try:
        (device,) = house.service.devices.all()
        advice = present(device.hopper_advice)
        assert (device.device, advice.most_g) == (FEEDER, 0.77)
        assert advice.assumed == ["ph", "temperature"]
        assert "pH 8.0 and 26 °C" in advice.text
        house.reading("ph", 7.2, TANK)
        house.hear(house.dose(1, before_g=48.4, after_g=48.2))
        advice = present(house.service.devices.all()[0].hopper_advice)
        assert advice.assumed == ["temperature"]
        assert advice.exceeded
        assert advice.content_g == pytest.approx(48.2, abs=1)
    finally:
        house.close()
