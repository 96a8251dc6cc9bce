"""Which periods are closed, where, and what reopens them."""

import json

import numpy as np
import pytest

from tareline.core.weighing.history import WeighIn
from tareline.core.weighing.model import SettledState
from tareline.core.weighing.periods import ClosedPeriod, from_body, next_closing_ms, still_closed, to_body

DAY_MS = 86_400_000


def closed(day: int) -> ClosedPeriod:
    return ClosedPeriod(SettledState(day * DAY_MS, np.arange(5.0), np.eye(5), np.arange(6.0), np.eye(6)), 100 + day)


def weighin(day: float) -> WeighIn:
    return WeighIn(round(day), round(day * DAY_MS), 30.0, 0.02)


def test_an_entry_reopens_the_period_it_speaks_about_and_those_after_it() -> None:
    periods = [closed(30), closed(60), closed(90)]
    assert still_closed(periods, [70 * DAY_MS]) == periods[:2]
    assert still_closed(periods, [61 * DAY_MS, 20 * DAY_MS]) == []
    assert still_closed(periods, [100 * DAY_MS]) == periods
    assert still_closed(periods, []) == periods


def test_an_entry_at_a_periods_last_instant_belongs_to_it() -> None:
    assert still_closed([closed(30)], [30 * DAY_MS]) == []


def test_a_short_period_stays_open() -> None:
    assert next_closing_ms(0, 56 * DAY_MS, [weighin(7), weighin(14)]) is None


def test_a_long_period_is_closed_at_its_last_weigh_in_that_is_four_weeks_old() -> None:
    weighins = [weighin(day) for day in (6.9, 13.9, 20.9, 27.9, 34.9, 41.9, 48.9, 55.9)]
    assert next_closing_ms(0, 57 * DAY_MS, weighins) == round(27.9 * DAY_MS)
    assert next_closing_ms(0, 57 * DAY_MS, [weighin(5), weighin(50)]) == 28 * DAY_MS


def test_years_that_come_at_once_are_closed_one_period_after_the_other() -> None:
    begin_ms, count, weighins = 0, 0, [weighin(7 * week + 6.9) for week in range(260)]
    while (end_ms := next_closing_ms(begin_ms, 1820 * DAY_MS, weighins)) is not None:
        assert 14 * DAY_MS <= end_ms - begin_ms <= 28 * DAY_MS
        begin_ms, count = end_ms, count + 1
    assert 60 <= count <= 130
    assert 1820 * DAY_MS - begin_ms <= 56 * DAY_MS


def test_a_settled_state_survives_being_kept_as_json() -> None:
    settled = closed(30).settled
    again = from_body(json.loads(json.dumps(to_body(settled))))
    assert again.at_ms == settled.at_ms
    for name in ("mean", "cov", "figures", "figures_cov"):
        assert (getattr(again, name) == getattr(settled, name)).all()


def test_a_state_of_another_model_is_refused() -> None:
    body = to_body(closed(30).settled)
    with pytest.raises(ValueError, match="expected a state of 5 values and 6 figures"):
        from_body({**body, "figures": [0.0] * 7})
