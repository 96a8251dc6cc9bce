"""What an estimate says of doses, days and weeks, read from ledgers of one feeder."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from present import present
from tareline.core.feeding.doses import Dose
from tareline.core.weighing.estimate import Estimate, estimate
from tareline.core.weighing.history import Handling, History, Refill, WeighIn
from tareline.core.weighing.hyperparameters import solve_chain
from tareline.core.weighing.model import FIGURES, lay_out

DAY_MS = 86_400_000
START_MS = 1_777_852_800_000  # 2026-05-04T00:00:00Z
GAIN = 0.001
CELL_SD = 0.003


def at(day: float) -> int:
    return START_MS + round(day * DAY_MS)


def steady(days: int, seed: int = 1, scatter: float = 0.06, sd_g: float = CELL_SD) -> History:
    """Four doses of 100 steps a day, a weigh-in each Sunday evening, and a refill on every twentieth noon."""
    random = np.random.default_rng(seed)
    doses, content_g, zero_g, weighins, refills = [], 40.0, 0.3, [], []
    for day in range(days):
        for i in range(4):
            when = at(day + 0.3 + 0.1 * i)
            out_g = 100 * GAIN * (1 + scatter * random.standard_normal())
            zero_g += 0.015 * random.standard_normal()
            before, after = np.array([content_g, content_g - out_g]) + zero_g + sd_g / 1.414 * random.standard_normal(2)
            entry = 10 * day + i + 1
            doses.append(Dose(entry, when, "f", "ok", 0.1, 100, round(before, 4), round(after, 4), sd_g))
            content_g -= out_g
            if day % 20 == 19 and i == 1:
                refills.append(Refill(10 * day + 8, at(day + 0.5), 8.0, 0.02))
                content_g += 8.0 + 0.02 * random.standard_normal()
        if day % 7 == 6:
            weighins.append(
                WeighIn(10 * day + 9, at(day + 0.9), round(content_g + 0.01 * random.standard_normal(), 2), 0.01)
            )
    return History(GAIN, doses, weighins, refills)


def days(first: int, last: int) -> list[tuple[int, int]]:
    return [(at(day), at(day + 1)) for day in range(first, last)]


@pytest.fixture(scope="module")
def month() -> Estimate:
    return estimate(steady(28), at(28))


# -- sums --------------------------------------------------------------------------------------------------------------


def test_doses_days_and_weeks_agree(month: Estimate) -> None:
    by_day = month.sums(days(0, 28))
    by_week = month.sums([(at(7 * week), at(7 * week + 7)) for week in range(4)])
    for day, (start_ms, end_ms) in enumerate(days(0, 28)):
        own = [dose.mass_g for dose in month.doses if start_ms <= dose.at_ms < end_ms]
        assert by_day.mass_g[day] == pytest.approx(math.fsum(own))
    together = np.kron(np.eye(4), np.ones(7))
    assert by_week.mass_g == pytest.approx(together @ by_day.mass_g)
    assert by_week.cov == pytest.approx(together @ by_day.cov @ together.T)
    assert by_week.joined()[0] == pytest.approx(by_day.mass_g.sum())


def test_a_weeks_deviation_is_neither_the_sum_of_its_days_nor_their_root_of_squares(month: Estimate) -> None:
    """The weigh-ins around it say more of the week than of its days."""
    by_day = month.sums(days(7, 14))
    _, week_sd = by_day.joined()
    assert week_sd < 0.96 * math.sqrt((by_day.sd_g**2).sum())
    assert week_sd < 0.5 * by_day.sd_g.sum()


def test_a_single_dose_has_the_deviation_of_its_own_span(month: Estimate) -> None:
    dose = month.doses[17]
    alone = month.sums([(dose.at_ms, dose.at_ms + 1)])
    assert (alone.mass_g[0], alone.sd_g[0]) == (pytest.approx(dose.mass_g), pytest.approx(dose.sd_g))


def test_steps_and_cell_together_know_more_than_either(month: Estimate) -> None:
    """Noise of 3 mg and scatter of 6 mg of 0.1 g: at best 1 / sqrt(1/9 + 1/36) = 2.7 mg, if both were known."""
    sd = np.array([dose.sd_g for dose in month.doses])
    assert (sd < CELL_SD * 1.2).all()
    assert np.median(sd) == pytest.approx(0.0027, abs=0.0005)


def test_doses_below_the_noise_are_known_better_than_the_cell_knows_them() -> None:
    quiet = steady(14, scatter=0.05, sd_g=0.1)
    found = estimate(quiet, at(14))
    assert max(dose.sd_g for dose in found.doses) < 0.03
    assert np.mean([dose.mass_g for dose in found.doses]) == pytest.approx(0.1, abs=0.01)


def test_the_gain_is_smoothed_as_a_local_level() -> None:
    """Equally spaced doses and a cell whose zero tells nothing: statsmodels' local level of differences over steps."""
    doses = [
        Dose(i, START_MS + i * DAY_MS, "f", "ok", 0.1, 100, 40.0, 40.0 - out_g, CELL_SD)
        for i, out_g in enumerate((0.1 + 0.02 * np.sin(np.arange(25))).tolist())
    ]
    history = History(GAIN, doses)
    noise, clump, drift = 1.2, 0.0004, 0.05
    figures = {"noise": noise, "clump": clump, "drift": drift, "wander": 1e4, "level": 0.01, "moisture": 1e-5}
    chain = lay_out(history)
    found = solve_chain(chain, np.log([figures[name] for name in FIGURES]))
    model = sm.tsa.UnobservedComponents(np.array([dose.mass_g for dose in doses]) / 0.1, "local level")
    model.initialize_known(np.array([1.0]), np.array([[0.25**2]]))
    witness = model.smooth([((noise * CELL_SD) ** 2 + clump * 0.1 + 1e-8) / 0.1**2, drift**2])
    gain = found.mean[0, chain.place[chain.doses] + 2]
    assert gain == pytest.approx(witness.smoothed_state[0], rel=2e-3)


def test_answers_are_the_same_every_time() -> None:
    first, again = (estimate(steady(14), at(14)).sums(days(0, 14)) for _ in range(2))
    assert (first.mass_g == again.mass_g).all()
    assert (first.cov == again.cov).all()


# -- doses of unknown size ---------------------------------------------------------------------------------------------


def changed(history: History, number: int, **change: Any) -> History:
    doses = [replace(d, **change) if i == number else d for i, d in enumerate(history.doses)]
    return replace(history, doses=doses)


def test_a_dose_without_a_weight_is_what_its_steps_should_give() -> None:
    found = estimate(changed(steady(14), 30, before_g=None, after_g=None, sd_g=None), at(14)).doses
    assert found[30].mass_g == pytest.approx(0.1, abs=0.01)
    assert found[30].sd_g > 1.5 * found[29].sd_g


@pytest.mark.parametrize("outcome", ["interrupted", "unknown"])
def test_a_dose_of_unknown_size_is_anything_up_to_its_most(outcome: str) -> None:
    """A rectangular distribution has a deviation of its width over root twelve (GUM 4.3.7), before weigh-ins and the
    cell's content before and after narrow it."""
    lost: dict[str, object] = {"outcome": outcome, "before_g": None, "after_g": None, "sd_g": None, "largest_g": 0.1}
    if outcome == "unknown":
        lost |= {"steps": None, "target_g": None}
    history = changed(steady(14), 30, **lost)
    found = estimate(history, at(14)).doses[30]
    assert 0.01 < found.sd_g < 0.1 / math.sqrt(12)
    alone = estimate(replace(history, doses=history.doses[30:31], weighins=[], refills=[]), at(14))
    assert alone.doses[0].mass_g == pytest.approx(0.05, abs=1e-4)
    assert alone.doses[0].sd_g == pytest.approx(0.1 / math.sqrt(12), abs=1e-4)


def test_several_lost_doses_stand_in_one_entry() -> None:
    nothing = dict.fromkeys(("steps", "target_g", "before_g", "after_g", "sd_g"))
    alone = changed(steady(1), 0, outcome="unknown", count=3, largest_g=0.1, **nothing)
    found = estimate(replace(alone, doses=alone.doses[:1]), at(1)).doses[0]
    assert found.mass_g == pytest.approx(0.15, abs=1e-4)
    assert found.sd_g == pytest.approx(0.1 * math.sqrt(3 / 12), abs=1e-4)


def test_steps_that_would_empty_any_hopper_are_not_believed() -> None:
    absurd = changed(steady(14), 30, steps=10**9)
    found = estimate(absurd, at(14))
    assert found.doses[30].mass_g == pytest.approx(0.1, abs=0.02)
    assert found.settle().mean[2] == pytest.approx(1.0, abs=0.05)


def test_held_and_missed_doses_move_nothing() -> None:
    history = steady(7)
    held = Dose(999, at(3.33), "f", "held", 0.1, 0)
    found = estimate(replace(history, doses=[*history.doses, held]), at(7))
    assert 999 not in {dose.entry for dose in found.doses}


def test_a_jam_is_as_small_as_the_cell_says() -> None:
    history = steady(14)
    dose = history.doses[30]
    assert dose.before_g is not None
    rest = [
        replace(d, before_g=present(d.before_g) + 0.098, after_g=present(d.after_g) + 0.098) for d in history.doses[31:]
    ]
    jam = replace(dose, outcome="jam", after_g=dose.before_g - 0.002)
    weighins = [w if w.at_ms < dose.at_ms else replace(w, mass_g=w.mass_g + 0.098) for w in history.weighins]
    found = estimate(replace(history, doses=[*history.doses[:30], jam, *rest], weighins=weighins), at(14))
    assert found.doses[30].mass_g == pytest.approx(0.002, abs=0.01)


def test_a_dose_that_gave_too_much_is_what_the_cell_says_and_teaches_no_gain() -> None:
    """Four times too much in two doses: the books know it, and the gain that the next plan goes by does not move."""
    history = steady(14)
    doses, fallen = [], 0.0
    for i, dose in enumerate(history.doses):
        assert dose.before_g is not None
        assert dose.after_g is not None
        more, outcome = (0.3, "over") if i in (30, 31) else (0.0, "ok")
        before, after = dose.before_g - fallen, dose.after_g - fallen - more
        doses.append(replace(dose, before_g=before, after_g=after, outcome=outcome))
        fallen += more
    weighins = [replace(w, mass_g=w.mass_g - (0.6 if w.at_ms > doses[31].at_ms else 0.0)) for w in history.weighins]
    found = estimate(replace(history, doses=doses, weighins=weighins), at(14))
    usual = estimate(history, at(14))
    for i in (30, 31):
        assert found.doses[i].mass_g == pytest.approx(0.4, abs=0.02)
        assert found.doses[i].sd_g < 0.01
    assert found.settle().mean[2] == pytest.approx(usual.settle().mean[2], abs=0.005)
    assert found.findings == ()
    blind = estimate(replace(history, doses=[replace(d, outcome="ok") for d in doses], weighins=weighins), at(14))
    assert blind.findings, "taken for good doses, they are errors that a person would have to decide on"


@pytest.mark.parametrize("during", [False, True])
@pytest.mark.parametrize(("outcome", "off"), [("empty", range(30, 32)), ("over", range(30, 36))])
def test_doses_with_the_hopper_off_are_no_loss_of_food(outcome: str, off: range, during: bool) -> None:
    """A cell that was tared with its hopper of 120 g, and a hopper that was taken off for some doses: none of its food
    has left, whatever the feeder made of weights that show no hopper."""
    history = steady(14)
    doses, kept = list(history.doses), 0.0
    for i, dose in enumerate(doses):
        assert dose.before_g is not None
        assert dose.after_g is not None
        if i in off:
            doses[i] = replace(dose, outcome=outcome, before_g=-119.998, after_g=-120.001)
            kept += dose.before_g - dose.after_g
        else:
            doses[i] = replace(dose, before_g=dose.before_g + kept, after_g=dose.after_g + kept)
    first, gave_g = off[0], 0.0
    if during:  # it was taken off while the motor of the dose before turned
        first, gave_g = 29, doses[29].mass_g or 0.0
        doses[29] = replace(doses[29], outcome="over", after_g=-120.0)
    weighins = [replace(w, mass_g=w.mass_g + (kept if w.at_ms > doses[30].at_ms else 0.0)) for w in history.weighins]
    found = estimate(replace(history, doses=doses, weighins=weighins), at(14))
    assert found.findings == ()
    given_g, sd_g = found.sums([(doses[first].at_ms, doses[off[-1]].at_ms + 1)]).joined()
    assert given_g == pytest.approx(gave_g, abs=3 * sd_g)
    assert 0.01 < sd_g < 0.05


@pytest.mark.parametrize("steps", [100, 20])
def test_a_cell_that_was_tared_with_food_in_its_hopper_weighs_on_below_zero(steps: int) -> None:
    """Dose by dose it shows less than nothing; doses that its noise hides are weighed as well."""
    history, doses, shown = steady(28), [], 0.0
    for i, dose in enumerate(history.doses):
        assert dose.before_g is not None
        assert dose.after_g is not None
        out_g = (dose.before_g - dose.after_g) * steps / 100
        before = dose.before_g if i < 8 else shown
        doses.append(
            replace(dose, steps=steps, target_g=steps / 1000, before_g=before, after_g=before - out_g, sd_g=0.004)
        )
        shown = before - out_g if i >= 8 else 0.0
    assert shown < -1.5
    told = Handling(999, doses[8].at_ms - 1)
    found = estimate(replace(history, doses=doses, weighins=[], refills=[], handlings=[told]), at(28))
    assert all(dose.before_g is not None for dose in map(found.chain.dose, found.chain.doses))
    assert found.doses[100].sd_g == pytest.approx(found.doses[5].sd_g, rel=0.5)


def test_an_unweighed_dose_that_gave_too_much_is_anything_up_to_eight_times_its_steps() -> None:
    lost = {"outcome": "over", "before_g": None, "after_g": None, "sd_g": None}
    history = changed(steady(1), 0, **lost)
    found = estimate(replace(history, doses=history.doses[:1], weighins=[], refills=[]), at(1)).doses[0]
    assert found.mass_g == pytest.approx(0.4, abs=1e-3)
    assert found.sd_g == pytest.approx(0.8 / math.sqrt(12), abs=1e-3)


def test_another_food_may_come_out_quite_otherwise() -> None:
    """A jump of the gain at a refill of another food is no finding, and soon learned."""
    history, changed_ms = steady(28), at(19.5)
    doses, missing = [], 0.0
    for dose in history.doses:
        assert dose.before_g is not None
        assert dose.after_g is not None
        before, after = dose.before_g - missing, dose.after_g - missing
        if dose.at_ms >= changed_ms:
            after -= 0.04
            missing += 0.04
        doses.append(replace(dose, before_g=before, after_g=after))
    fed = [sum(0.04 for d in doses if changed_ms <= d.at_ms < w.at_ms) for w in history.weighins]
    weighins = [replace(w, mass_g=w.mass_g - more) for w, more in zip(history.weighins, fed, strict=True)]
    refills = [replace(refill, other_food=True) for refill in history.refills]
    found = estimate(replace(history, doses=doses, weighins=weighins, refills=refills), at(28))
    assert found.findings == ()
    assert found.settle().mean[2] == pytest.approx(1.4, abs=0.05)
    assert found.doses[-1].mass_g == pytest.approx(0.14, abs=4 * found.doses[-1].sd_g)


# -- weigh-ins ---------------------------------------------------------------------------------------------------------


def test_days_after_the_last_weigh_in_are_provisional(month: Estimate) -> None:
    assert month.weighed_until_ms == at(27.9)
    assert not month.provisional(at(14), at(21))
    assert not month.provisional(at(21), at(28))  # weighed in after its last dose
    assert month.provisional(at(28), at(29))
    midweek = estimate(steady(28), at(24))
    assert [midweek.provisional(at(day), at(day + 7)) for day in (7, 14, 21)] == [False, False, True]
    assert estimate(replace(steady(14), weighins=[]), at(14)).weighed_until_ms is None


def test_a_weigh_in_that_is_not_believed_settles_nothing() -> None:
    history = steady(14)
    wrong = replace(history.weighins[-1], mass_g=history.weighins[-1].mass_g / 1000)
    found = estimate(replace(history, weighins=[*history.weighins[:-1], wrong]), at(14))
    assert [finding.causes[0].name for finding in found.findings] == ["weigh-in in kilograms"]
    assert found.weighed_until_ms == history.weighins[0].at_ms
    assert found.findings[0].touches(at(13), at(14))
    assert not found.findings[0].touches(at(12), at(13))


def test_a_weigh_in_makes_the_weeks_before_it_surer() -> None:
    history = steady(28)
    without = estimate(replace(history, weighins=history.weighins[:1]), at(28)).sums(days(7, 28)).joined()[1]
    assert estimate(history, at(28)).sums(days(7, 28)).joined()[1] < 0.8 * without


# -- a settled past ----------------------------------------------------------------------------------------------------


def test_a_settled_past_gives_nearly_the_same_answers(month: Estimate) -> None:
    """What follows is estimated from its events and the settled state alone."""
    first = estimate(steady(28), at(14))
    then = estimate(steady(28), at(28), first.settle())
    late, whole = then.sums(days(14, 28)), month.sums(days(14, 28))
    assert late.mass_g == pytest.approx(whole.mass_g, abs=0.5 * float(whole.sd_g.min()))
    assert late.joined()[1] == pytest.approx(whole.joined()[1], rel=0.2)
    assert len(then.doses) == 14 * 4
    assert {dose.entry for dose in then.doses}.isdisjoint({dose.entry for dose in first.doses})


def test_a_settled_past_without_anything_after_it() -> None:
    first = estimate(steady(14), at(14))
    nothing = estimate(steady(14), at(15), first.settle())
    assert nothing.doses == ()
    assert nothing.settle().mean[0] == pytest.approx(first.settle().mean[0])
    assert nothing.settle().cov[1, 1] > first.settle().cov[1, 1]  # a zero wanders


def test_figures_are_carried_over() -> None:
    first = estimate(steady(28), at(28)).settle()
    learned = dict(zip(FIGURES, np.sqrt(np.diag(first.figures_cov)), strict=True))
    assert learned["noise"] < 0.2
    assert learned["wander"] < 0.3


# -- bad input ---------------------------------------------------------------------------------------------------------


def test_what_lies_in_the_future_is_left_aside() -> None:
    history = steady(14)
    later = replace(history, weighins=[*history.weighins, WeighIn(9999, at(20), 1.0, 0.01)])
    assert estimate(later, at(14)).sums(days(0, 14)).mass_g == pytest.approx(
        estimate(history, at(14)).sums(days(0, 14)).mass_g
    )


def test_a_weigh_in_dated_before_a_refill_that_was_entered_earlier() -> None:
    """Entries count by the time they speak of, whatever order they came in."""
    history = steady(28)
    found = estimate(replace(history, weighins=history.weighins[::-1], refills=history.refills[::-1]), at(28))
    assert found.findings == ()
    assert found.sums(days(0, 28)).mass_g == pytest.approx(estimate(history, at(28)).sums(days(0, 28)).mass_g)


def test_a_negative_weigh_in_is_a_finding() -> None:
    history = steady(14)
    wrong = replace(history.weighins[0], mass_g=-history.weighins[0].mass_g)
    found = estimate(replace(history, weighins=[wrong, *history.weighins[1:]]), at(14))
    assert [finding.kind for finding in found.findings] == ["weigh-in"]


@pytest.mark.slow
def test_ten_thousand_weigh_ins() -> None:
    history = steady(14)
    random = np.random.default_rng(3)
    times = np.sort(random.uniform(8.0, 8.25, 10_000))  # one night, no dose between
    before = next(d.before_g for d in history.doses if d.at_ms > at(8.25))
    assert before is not None
    true_g = estimate(history, at(14)).settle().mean[0] + sum(
        d.mass_g or 0.0 for d in history.doses if d.at_ms > at(8.25)
    )
    many = [WeighIn(10_000 + i, at(t), true_g + 0.01 * random.standard_normal(), 0.01) for i, t in enumerate(times)]
    found = estimate(replace(history, weighins=[*history.weighins, *many]), at(14))
    assert found.sums(days(0, 14)).mass_g == pytest.approx(estimate(history, at(14)).sums(days(0, 14)).mass_g, abs=0.02)


def test_a_feeder_without_a_clock_or_two_events_at_one_instant() -> None:
    """Times bounded only: several doses placed at the same instant, in their order."""
    history = steady(14)
    same = [
        replace(d, at_ms=at(6), at_low_ms=at(5), at_high_ms=at(7)) if at(5) <= d.at_ms < at(7) else d
        for d in history.doses
    ]
    found = estimate(replace(history, doses=same), at(14))
    assert np.isfinite([dose.sd_g for dose in found.doses]).all()
    assert found.sums([(at(0), at(14))]).mass_g[0] == pytest.approx(5.6, abs=0.1)


def test_nothing_at_all() -> None:
    found = estimate(History(GAIN), at(1))
    assert (found.doses, found.findings) == ((), ())
    assert found.sums(days(0, 1)).mass_g[0] == 0.0


def test_a_feeder_that_has_no_cell() -> None:
    history = steady(28)
    blind = [replace(d, before_g=None, after_g=None, sd_g=None) for d in history.doses]
    found = estimate(replace(history, doses=blind), at(28))
    whole, sd = found.sums(days(7, 28)).joined()
    assert whole == pytest.approx(8.4, abs=3 * sd)
    assert sd < 0.1
