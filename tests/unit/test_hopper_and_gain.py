"""What follows from an estimate: the hopper, the next plan's gain, drift and its cause, revisions, calibrations."""

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.stats import linregress
from scipy.stats import norm as normal

from present import present
from tareline.core.feeding.doses import Dose
from tareline.core.weighing.calibration import Calibration, fit, record
from tareline.core.weighing.estimate import DoseEstimate, Estimate, estimate
from tareline.core.weighing.gain import DAILY_CHANGE, drift, next_gain
from tareline.core.weighing.history import History, Refill, WeighIn
from tareline.core.weighing.hopper import RESERVE_G, WEIGH_EVERY_DAYS, hopper
from tareline.core.weighing.revision import changed_entries, revisions

DAY_MS = 86_400_000
START_MS = round(datetime(2026, 5, 4, tzinfo=UTC).timestamp() * 1000)
GAIN = 0.001
END_MS = START_MS + 14 * DAY_MS


def at(day: float) -> int:
    return START_MS + round(day * DAY_MS)


def fed(gain: float = 1.0, seed: int = 1) -> History:
    """Two weeks of four doses a day of 100 steps, and two weigh-ins; the cell's noise is 3 mg."""
    random = np.random.default_rng(seed)
    doses, content_g, weighins = [], 40.0, []
    for day in range(14):
        for i in range(4):
            out_g = 100 * GAIN * gain * (1 + 0.05 * random.standard_normal())
            zero_g = 0.01 * random.standard_normal()
            before, after = (content_g + zero_g, content_g - out_g + zero_g) + 0.002 * random.standard_normal(2)
            when = at(day + 0.3 + 0.1 * i)
            doses.append(Dose(4 * day + i + 1, when, "f", "ok", 0.1, 100, round(before, 4), round(after, 4), 0.003))
            content_g -= out_g
        if day % 7 == 6:
            weighins.append(WeighIn(1000 + day, at(day + 0.9), round(content_g, 2), 0.02))
    return History(GAIN, doses, weighins)


@pytest.fixture(scope="module")
def found() -> Estimate:
    return estimate(fed(), END_MS)


# -- the hopper --------------------------------------------------------------------------------------------------------


def test_grams_left_and_how_long_they_last(found: Estimate) -> None:
    left = hopper(found, 0.4)
    assert left.content_g == pytest.approx(40 - 5.6, abs=0.2)
    assert left.content_sd_g < 0.1
    assert left.days == pytest.approx((left.content_g - RESERVE_G) / 0.4)
    assert left.days_low is not None
    assert left.days_high is not None
    assert left.days_low < present(left.days) < left.days_high
    assert left.refill_by_ms == END_MS + math.floor(left.days_low * DAY_MS)


def test_the_hopper_is_empty_by_the_refill_date_with_a_probability_of_a_twentieth(found: Estimate) -> None:
    """Of content minus time times rate, both normal; the probability by scipy."""
    left = hopper(found, 0.4, 0.03)
    assert left.days_low is not None
    mean = left.content_g - RESERVE_G - left.days_low * 0.4
    assert normal.cdf(0, mean, math.hypot(left.content_sd_g, left.days_low * 0.03)) == pytest.approx(0.05, abs=1e-4)


def test_an_empty_hopper_and_one_that_feeds_nothing(found: Estimate) -> None:
    assert hopper(found, 1000.0).days == pytest.approx(0.034, abs=0.001)
    idle = hopper(found, 0.0)
    assert (idle.days, idle.days_low, idle.refill_by_ms) == (None, None, None)


def test_the_next_weigh_in_is_due_a_week_after_the_last(found: Estimate) -> None:
    left = hopper(found, 0.4)
    assert left.weighed_ms == at(13.9)
    assert left.weigh_by_ms == at(13.9 + WEIGH_EVERY_DAYS)
    never = hopper(estimate(replace(fed(), weighins=[]), END_MS), 0.4)
    assert (never.weighed_ms, never.weigh_by_ms) == (None, END_MS)


# -- the gain ----------------------------------------------------------------------------------------------------------


def test_a_gain_that_is_right_is_left_alone(found: Estimate) -> None:
    told = next_gain(found, GAIN, GAIN, GAIN)
    assert (told.gain_g_per_step, told.bounded) == (GAIN, False)


def test_a_gain_that_is_a_tenth_off_is_told() -> None:
    told = next_gain(estimate(fed(1.1), END_MS), GAIN, GAIN, GAIN)
    assert told.gain_g_per_step == told.learned_g_per_step
    assert told.gain_g_per_step == pytest.approx(1.1 * GAIN, rel=0.03)
    assert told.learned_sd < 0.03 * GAIN


@pytest.mark.parametrize("true", [1.7, 0.6])
def test_a_gain_far_off_is_approached_by_what_the_feeder_takes_in_a_day(true: float) -> None:
    gone = estimate(fed(true), END_MS)
    told = next_gain(gone, GAIN, GAIN, GAIN)
    assert told.bounded
    assert told.gain_g_per_step == pytest.approx(GAIN * (1 + math.copysign(DAILY_CHANGE, true - 1)))
    # The day before it was nearly there already.
    assert not next_gain(gone, GAIN, 0.9 * true * GAIN, GAIN).bounded


def test_no_gain_beyond_half_to_double_the_calibrated_one() -> None:
    told = next_gain(estimate(fed(2.6), END_MS), 1.9 * GAIN, 1.9 * GAIN, GAIN)
    assert told.gain_g_per_step == pytest.approx(2 * GAIN)
    told = next_gain(estimate(fed(0.3), END_MS), 0.55 * GAIN, 0.55 * GAIN, GAIN)
    assert told.gain_g_per_step == pytest.approx(0.5 * GAIN)


def test_drift_and_its_cause() -> None:
    doses = [
        Dose(1, at(1), "f", "ok", 0.10, 100),
        Dose(2, at(2), "f", "jam", 0.10, 100),
        Dose(3, at(3), "f", "held", 0.10, 0),
        Dose(4, at(4), "f", "held", 0.10, 0),
        Dose(5, at(5), "f", "ok", None, 100),
    ]
    given = {1: DoseEstimate(1, at(1), 0.11, 0.01), 2: DoseEstimate(2, at(2), 0.02, 0.01)}
    found = drift(doses, given)
    assert (found.asked_g, found.given_g) == (pytest.approx(0.4), pytest.approx(0.13))
    assert found.by_cause == {"gain": pytest.approx(0.01), "jam": pytest.approx(-0.08), "hold": pytest.approx(-0.2)}
    assert found.cause == "hold"
    assert sum(found.by_cause.values()) == pytest.approx(found.drift_g)
    assert drift([], {}).cause is None


# -- revisions ---------------------------------------------------------------------------------------------------------


def test_a_late_weigh_in_changes_past_days_and_says_which_entry_did() -> None:
    spans = [(at(day), at(day + 1)) for day in range(14)]
    before = replace(fed(), weighins=fed().weighins[:1])
    last = fed().weighins[-1]
    wrong = replace(before, weighins=[*before.weighins, replace(last, mass_g=last.mass_g - 0.08)])
    old, new = estimate(before, END_MS).sums(spans), estimate(wrong, END_MS).sums(spans)
    entries = changed_entries(before, wrong)
    assert entries == (last.entry,)
    changed = revisions(spans, old, new, entries)
    assert changed
    assert all(one.entries == (last.entry,) for one in changed)
    assert sum(one.after_g - one.before_g for one in changed) > 0.01
    assert all(one.after_sd_g < one.before_sd_g * 1.05 for one in changed)
    assert revisions(spans, old, old, entries) == []


def test_a_corrected_entry_is_a_changed_one() -> None:
    before = replace(fed(), refills=[Refill(2000, at(3), 5.0)])
    after = replace(before, refills=[Refill(2000, at(3), 5.5)])
    assert changed_entries(before, after) == (2000,)
    assert changed_entries(before, before) == ()


# -- calibrations ------------------------------------------------------------------------------------------------------

MASSES = (0.0, 10.0, 20.0, 50.0, 100.0)


def test_a_calibration_line_as_scipy_has_it() -> None:
    shown = [0.002, 10.01, 20.013, 50.05, 100.091]
    line, witness = fit(MASSES, shown), linregress(MASSES, shown)
    assert line.coefficients == pytest.approx([witness.intercept, witness.slope])
    assert line.sds == pytest.approx([witness.intercept_stderr, witness.stderr])
    assert line.residuals.sum() == pytest.approx(0, abs=1e-12)


def calibration(entry: int, day: float, slope: float, error_g: float = 0.001) -> Calibration:
    errors = error_g * np.random.default_rng(entry).standard_normal(len(MASSES))
    return Calibration(entry, at(day), MASSES, tuple((slope * np.array(MASSES) + errors).tolist()))


def test_the_record_of_a_steady_cell() -> None:
    said = record([calibration(2, 90, 1.001), calibration(1, 0, 1.001)])
    assert said.last.entry == 2
    assert said.slope == pytest.approx(1.001, abs=said.slope_u)
    assert not said.sure
    assert said.repeat_by_ms == at(90 + 180)


def test_a_cell_that_has_drifted_is_to_be_calibrated_now() -> None:
    said = record([calibration(1, 0, 1.0), calibration(2, 90, 1.01)])
    assert said.drift == pytest.approx(0.01, abs=0.001)
    assert said.sure
    assert said.repeat_by_ms == at(90)


def test_a_first_calibration_has_no_drift() -> None:
    said = record([calibration(1, 0, 1.0)])
    assert (said.drift, said.sure, len(said.residuals_g)) == (None, False, len(MASSES))


@pytest.mark.parametrize("masses", [(), (1.0, 2.0), (5.0, 5.0, 5.0)])
def test_too_few_check_masses_are_refused(masses: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="expected more than 2 points"):
        fit(masses, masses)
