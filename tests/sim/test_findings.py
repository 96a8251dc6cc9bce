"""Gross errors of every kind, put into four weeks of one ordinary feeder: found, placed, sized and named.

What may go wrong is common practice, no source; the feeder is `feeders.live` with middling figures.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from feeders import DAY_MS, HOUR_MS, START_MS, Figures, Life, fuller, live, shifted

from tareline.core.weighing.estimate import Estimate, estimate
from tareline.core.weighing.gross_errors import Finding
from tareline.core.weighing.history import Handling, History, Refill, WeighIn
from tareline.core.weighing.hyperparameters import solve_chain

ORDINARY = Figures(
    gain_g_per_step=0.001,
    gain=1.04,
    drift=0.006,
    refill_gain=0.02,
    particle_g=0.0005,
    dispersion=0.7,
    packing=0.05,
    cell_sd=0.004,
    understated=1.1,
    wander=0.03,
    level=0.004,
    hung=0.03,
    tempco=0.01,
    lag=0.01,
    span=0.001,
    moisture=0.001,
    moisture_days=5,
    weighin_sd=0.02,
    doses_g=(0.06, 0.05, 0.04, 0.07),
    capacity_g=40.0,
    refill_below_g=4.0,
)
WEEKS = 4


@pytest.fixture(scope="module")
def life() -> Life:
    return live(ORDINARY, WEEKS, np.random.default_rng(7))


def at(day: float) -> int:
    return START_MS + round(day * DAY_MS)


def found(history: History) -> Estimate:
    return estimate(history, at(7 * WEEKS))


def the_finding(history: History) -> Finding:
    findings = found(history).findings
    assert len(findings) == 1, [(f.kind, f.size_g, f.causes[0].name) for f in findings]
    return findings[0]


def test_an_ordinary_feeder_has_no_findings(life: Life) -> None:
    assert found(life.history).findings == ()


def test_a_refill_that_nobody_recorded(life: Life) -> None:
    when = at(12.4)
    finding = the_finding(fuller(life.history, when, 6.0))
    assert finding.causes[0].name == "refill not recorded"
    assert finding.from_ms < when <= finding.to_ms
    last = max(d.entry for d in life.doses if d.at_ms < when)
    following = min(d.entry for d in life.doses if d.at_ms >= when)
    assert (finding.after_entry, finding.before_entry) == (last, following)
    assert finding.size_g == pytest.approx(6.0, abs=4 * finding.sd_g)
    assert finding.sd_g < 0.2
    assert finding.mend is not None
    assert (finding.mend.kind, finding.mend.mass_g) == ("refill", finding.size_g)


def test_the_entry_offered_mends_the_books(life: Life) -> None:
    wrong = fuller(life.history, at(12.4), 6.0)
    mend = the_finding(wrong).mend
    assert mend is not None
    assert mend.mass_g is not None
    entry = Refill(9999, mend.at_ms, mend.mass_g, mend.sd_g)
    assert found(replace(wrong, refills=[*wrong.refills, entry])).findings == ()


def test_food_that_was_spilled(life: Life) -> None:
    finding = the_finding(fuller(life.history, at(12.4), -5.0))
    assert finding.causes[0].name == "food lost or spilled"
    assert finding.size_g == pytest.approx(-5.0, abs=4 * finding.sd_g)


def test_a_refill_entered_twice(life: Life) -> None:
    filled = fuller(life.history, at(12.4), 10.0)
    refills = [Refill(9001, at(12.4), 10.0), Refill(9002, at(12.4) + HOUR_MS // 4, 10.0)]
    finding = the_finding(replace(filled, refills=[*filled.refills, *refills]))
    assert finding.causes[0].name == "refill entered twice"
    assert finding.mend is not None
    assert (finding.mend.kind, finding.mend.corrects) in (("void", 9001), ("void", 9002))


def test_a_refill_with_a_slipped_decimal(life: Life) -> None:
    filled = fuller(life.history, at(12.4), 12.5)
    finding = the_finding(replace(filled, refills=[*filled.refills, Refill(9001, at(12.4), 1.25)]))
    assert finding.causes[0].name == "refill with a slipped decimal"
    assert finding.mend is not None
    assert (finding.mend.corrects, finding.mend.mass_g) == (9001, pytest.approx(12.5))


def weighed(history: History, number: int, change: Callable[[WeighIn], WeighIn]) -> History:
    return replace(history, weighins=[change(w) if i == number else w for i, w in enumerate(history.weighins)])


@pytest.mark.parametrize(
    ("factor", "cause"),
    [
        (10, "weigh-in with a slipped decimal"),
        (0.1, "weigh-in with a slipped decimal"),
        (0.001, "weigh-in in kilograms"),
    ],
)
@pytest.mark.parametrize("number", [0, 1, -1])
def test_a_slip_in_a_weigh_in(life: Life, factor: float, cause: str, number: int) -> None:
    number %= len(life.weighins)
    slipped = weighed(life.history, number, lambda w: replace(w, mass_g=round(w.mass_g * factor, 4)))
    finding = the_finding(slipped)
    true = life.weighins[number]
    assert (finding.causes[0].name, finding.after_entry) == (cause, true.entry)
    assert finding.mend is not None
    assert (finding.mend.kind, finding.mend.corrects) == ("correction", true.entry)
    assert finding.mend.mass_g == pytest.approx(true.mass_g, rel=0.01)


def test_a_weigh_in_on_another_hoppers_line(life: Life) -> None:
    wrong = weighed(life.history, 1, lambda w: replace(w, mass_g=11.37))
    other = {life.weighins[1].entry: [("feeder-north", 11.4, 0.05), ("feeder-south", 33.0, 0.05)]}
    finding = the_finding(replace(wrong, elsewhere=other))
    assert finding.causes[0].name == "weigh-in of another hopper"
    assert "feeder-north" in finding.causes[0].evidence
    assert the_finding(wrong).causes[0].name != "weigh-in of another hopper"


def test_a_weigh_in_with_its_container(life: Life) -> None:
    wrong = weighed(life.history, 1, lambda w: replace(w, mass_g=w.mass_g + 27.3))
    finding = the_finding(wrong)
    assert "weighed with its container" in [cause.name for cause in finding.causes[:2]]
    assert finding.size_g == pytest.approx(27.3, abs=4 * finding.sd_g)
    known = the_finding(replace(wrong, container_g=27.3))
    assert known.causes[0].name == "weighed with its container"
    assert known.causes[0].share > 0.9
    assert known.mend is not None
    assert known.mend.mass_g == pytest.approx(life.weighins[1].mass_g, abs=4 * finding.sd_g)


def test_a_hopper_that_was_knocked(life: Life) -> None:
    """The cell shows something else, the weigh-ins do not."""
    when = at(12.4)
    finding = the_finding(replace(life.history, doses=shifted(life.doses, when, 0.9)))
    assert finding.causes[0].name == "hopper knocked or hung otherwise"
    assert finding.from_ms < when <= finding.to_ms
    assert finding.size_g == pytest.approx(0.9, abs=4 * finding.sd_g)
    assert finding.mend is not None
    mended = replace(life.history, doses=shifted(life.doses, when, 0.9), handlings=[Handling(9000, finding.mend.at_ms)])
    assert found(mended).findings == ()


def test_a_cell_tared_with_food_in_the_hopper(life: Life) -> None:
    when = at(12.4)
    shown = next(d.before_g for d in life.doses if d.at_ms >= when)
    assert shown is not None
    finding = the_finding(replace(life.history, doses=shifted(life.doses, when, -shown)))
    assert finding.causes[0].name == "cell tared with food in the hopper"


def test_a_stuck_cell(life: Life) -> None:
    stuck = [replace(d, before_g=31.5, after_g=31.5) if at(10) <= d.at_ms < at(12) else d for d in life.doses]
    estimate_ = found(replace(life.history, doses=stuck))
    assert [f.kind for f in estimate_.findings] == ["stuck cell"]
    assert (estimate_.findings[0].from_ms, estimate_.findings[0].to_ms) == (
        min(d.at_ms for d in stuck if d.before_g == 31.5),
        max(d.at_ms for d in stuck if d.before_g == 31.5),
    )
    days = estimate_.sums([(at(9), at(10)), (at(10), at(11)), (at(11), at(12))])
    true = life.sums(np.array(life.true_g), [(at(10), at(12))])[0]
    assert days.mass_g[1:].sum() == pytest.approx(true, abs=4 * float(np.sqrt(days.cov[1:, 1:].sum())))
    assert days.sd_g[1] > days.sd_g[0]  # its steps are all that is known


def test_an_outlet_that_is_half_blocked_from_some_day_on(life: Life) -> None:
    when, random = at(14.2), np.random.default_rng(3)
    doses, gone = [], 0.0
    for dose, true_g in zip(life.doses, life.true_g, strict=True):
        kept = 0.0 if dose.at_ms < when else true_g * (0.45 + 0.03 * random.standard_normal())
        if dose.before_g is None or dose.after_g is None:
            doses.append(dose)
        else:
            doses.append(replace(dose, before_g=dose.before_g + gone, after_g=dose.after_g + gone + kept))
        gone += kept
    weighins = [
        replace(
            w,
            mass_g=w.mass_g
            + sum(0.45 * g for d, g in zip(life.doses, life.true_g, strict=True) if when <= d.at_ms < w.at_ms),
        )
        for w in life.weighins
    ]
    finding = the_finding(replace(life.history, doses=doses, weighins=weighins))
    assert (finding.kind, finding.causes[0].name) == ("gain", "outlet partly blocked")
    assert finding.size_g == pytest.approx(-0.47, abs=0.1)
    assert abs(finding.from_ms - when) < 1.5 * DAY_MS


def test_moisture_after_opening_a_new_bag(life: Life) -> None:
    opened = at(10.4)

    def uptake(at_ms: int) -> float:
        return 0.8 * (1 - float(np.exp(-max(at_ms - opened, 0) / (3 * DAY_MS))))

    filled = fuller(life.history, opened, 8.0)
    doses = [
        replace(d, before_g=d.before_g + uptake(d.at_ms), after_g=d.after_g + uptake(d.at_ms))
        if d.before_g is not None and d.after_g is not None
        else d
        for d in filled.doses
    ]
    weighins = [replace(w, mass_g=w.mass_g + uptake(w.at_ms)) for w in filled.weighins]
    history = replace(filled, doses=doses, weighins=weighins, refills=[*filled.refills, Refill(9001, opened, 8.0)])
    finding = the_finding(history)
    assert finding.causes[0].name == "moisture taken up by a new bag"
    assert finding.size_g == pytest.approx(0.8, abs=4 * finding.sd_g)


def test_two_errors_in_one_month(life: Life) -> None:
    both = weighed(fuller(life.history, at(4.4), 7.0), 2, lambda w: replace(w, mass_g=w.mass_g * 10))
    assert {f.causes[0].name for f in found(both).findings} == {
        "refill not recorded",
        "weigh-in with a slipped decimal",
    }


@pytest.mark.parametrize("error", ["missed refill", "slipped decimal"])
def test_sums_stay_right_and_their_deviations_widen(life: Life, error: str) -> None:
    """Wider than if the same figures were believed with nothing left open."""
    spans = life.days
    wrong = fuller(life.history, at(12.4), 6.0)
    if error == "slipped decimal":
        wrong = weighed(life.history, 1, lambda w: replace(w, mass_g=w.mass_g * 10))
    estimated = found(wrong)
    sums = estimated.sums(spans)
    assert (np.abs(sums.mass_g - life.sums(np.array(life.true_g), spans)) < 4 * sums.sd_g).all()
    chain, figures = estimated.chain, estimated.learned.mean
    week = np.zeros((1, chain.size))
    week[
        0,
        [
            p + 3
            for i, p in zip(chain.doses, chain.place[chain.doses], strict=False)
            if at(7) <= chain.at_ms[i] < at(14)
        ],
    ] = 1
    _, open_var = solve_chain(chain, figures, estimated.shifts).sums(week)
    _, closed_var = solve_chain(chain, figures).sums(week)
    assert len(estimated.shifts) == 1
    assert open_var[0, 0, 0] > 1.001 * closed_var[0, 0, 0]


def test_a_dismissed_finding_is_not_told_again(life: Life) -> None:
    wrong = fuller(life.history, at(12.4), 6.0)
    finding = the_finding(wrong)
    again = estimate(wrong, at(7 * WEEKS), dismissed={finding.key})
    assert finding.key not in {f.key for f in again.findings}


def test_evidence_and_shares(life: Life) -> None:
    finding = the_finding(fuller(life.history, at(12.4), 6.0))
    shares = [cause.share for cause in finding.causes]
    assert shares == sorted(shares, reverse=True)
    assert sum(shares) == pytest.approx(1.0, abs=0.005)
    assert "6" in finding.causes[0].evidence
