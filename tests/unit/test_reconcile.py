"""The reconciliation between weigh-ins, as a keeper would do it by hand."""

import math
from dataclasses import replace

import pytest
from test_estimate import at, changed, steady

from tareline.core.weighing.estimate import estimate
from tareline.core.weighing.reconciliation import COVERAGE, Balance, LimitPart, balances


def test_four_weeks_that_add_up() -> None:
    history = steady(28)
    found = balances(estimate(history, at(28)))
    assert [(b.opening.entry, b.closing.entry) for b in found] == [
        (a.entry, b.entry) for a, b in zip(history.weighins, history.weighins[1:], strict=False)
    ]
    assert [(b.doses, b.unweighed, b.added_g) for b in found] == [(28, 0, 0.0), (28, 0, 8.0), (28, 0, 0.0)]
    assert all(b.within for b in found)
    by_hand = history.weighins[1].mass_g + 8.0 - history.weighins[2].mass_g
    assert found[1].by_scale_g == pytest.approx(by_hand)
    between = [d for d in history.doses if history.weighins[1].at_ms < d.at_ms < history.weighins[2].at_ms]
    assert found[1].by_cell_g == pytest.approx(math.fsum(d.mass_g or 0.0 for d in between))


def test_each_limit_names_its_parts() -> None:
    """Parts in quadrature: GUM H.1's 25, 9.68, 2.887 and 16.599 combine to 31.66 (text seen), in grams as in nm."""
    found = balances(estimate(changed(steady(28), 70, before_g=None, after_g=None, sd_g=None), at(28)))[1]
    assert [part.source.split(",")[0] for part in found.parts] == [
        "opening weigh-in",
        "closing weigh-in",
        "refills",
        "the cell's noise",
        "the slope of the cell's calibration",
        "doses that were not weighed",
        "moisture",
    ]
    assert found.parts[0] == LimitPart("opening weigh-in, as stated", 0.01)
    worked = replace(found, parts=tuple(LimitPart("", sd) for sd in (25, 9.68, 2.887, 16.599)))
    assert worked.limit_g == pytest.approx(COVERAGE * 31.66, abs=0.01)


def test_a_week_that_does_not_add_up() -> None:
    history = steady(28)
    off = [replace(w, mass_g=w.mass_g - 0.5) if i == 2 else w for i, w in enumerate(history.weighins)]
    found: list[Balance] = balances(estimate(replace(history, weighins=off), at(28)))
    assert [b.within for b in found] == [True, False, False]
    assert found[1].difference_g == pytest.approx(-0.5, abs=0.1)


def test_fewer_than_two_weigh_ins_have_no_balance() -> None:
    history = steady(7)
    assert balances(estimate(history, at(7))) == []
