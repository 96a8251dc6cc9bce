"""Balances: what inflows do to a concentration, what is left for the tank, and when carbonate hardness runs out.

Every rate is worked out again by stepping through the hours, which is the oracle here.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.core.water.balance import KH_AT_RISK_DKH, Inflow, kh_days, kh_spent_dkh, net
from tareline.core.water.readings import Reading

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
VOLUME_L = 60.0


def stepped(start: float, days: int, per_day: float, inflows: list[Inflow]) -> float:
    """A concentration after some days, hour by hour."""
    now = start
    for hour in range(1, days * 24 + 1):
        now += per_day / 24
        for inflow in inflows:
            if inflow.at_ms == hour * HOUR_MS:
                grams = now * (VOLUME_L - inflow.volume_l * inflow.replaces) + inflow.volume_l * inflow.content
                now = grams / VOLUME_L
    return now


inflow = st.builds(
    Inflow,
    at_ms=st.integers(1, 20 * 24).map(lambda hour: hour * HOUR_MS),
    volume_l=st.floats(0.1, 40),
    content=st.floats(0, 50),
    replaces=st.booleans(),
)


@given(st.floats(0, 100), st.floats(-2, 2), st.lists(inflow, max_size=6, unique_by=lambda one: one.at_ms))
def test_the_rate_that_a_tank_had_is_found_again(start: float, per_day: float, inflows: list[Inflow]) -> None:
    end = stepped(start, 21, per_day, inflows)
    found = net(Reading(1, 0, "tds", start), Reading(2, 21 * DAY_MS, "tds", end), inflows, VOLUME_L)
    assert found is not None
    assert found.per_day == pytest.approx(per_day, abs=1e-6)


def test_what_two_charts_leave_open_is_carried_into_the_rate() -> None:
    first = Reading(1, 0, "nitrate", 2.0, True, 1.0, 5.0)
    last = Reading(2, 10 * DAY_MS, "nitrate", 5.0, True, 2.0, 10.0)
    found = net(first, last, [], VOLUME_L)
    assert found is not None
    assert (found.low, found.per_day, found.high) == pytest.approx((-0.3, 0.3, 0.9))
    highest = Reading(2, 10 * DAY_MS, "nitrate", 5.0, True, 2.0, None)
    found = net(first, highest, [], VOLUME_L)
    assert found is not None
    assert (found.per_day, found.low, found.high) == (pytest.approx(0.3), pytest.approx(-0.3), None)
    found = net(highest, Reading(3, 20 * DAY_MS, "nitrate", 1.0), [], VOLUME_L)
    assert found is not None
    assert found.low == -math.inf


def test_inflows_before_the_first_reading_and_after_the_last_are_no_matter() -> None:
    first, last = Reading(1, DAY_MS, "tds", 100.0), Reading(2, 2 * DAY_MS, "tds", 100.0)
    outside = [Inflow(DAY_MS, 30.0, 500.0, True), Inflow(3 * DAY_MS, 30.0, 500.0, True)]
    found = net(first, last, outside, VOLUME_L)
    assert found is not None
    assert found.per_day == 0.0


def test_where_no_time_or_no_water_is_left_nothing_is_told() -> None:
    first, last = Reading(1, 0, "tds", 100.0), Reading(2, DAY_MS, "tds", 210.0)
    assert net(first, Reading(2, 0, "tds", 100.0), [], VOLUME_L) is None
    assert net(first, last, [Inflow(DAY_MS, VOLUME_L, 210.0, True)], VOLUME_L) is None


def test_when_carbonate_hardness_runs_out() -> None:
    """0.4 dKH for each mg/L of N: from 5 dKH, 0.5 mg/L a day leave 20 days until 1 dKH is left."""
    soonest, latest = kh_days(Reading(1, 0, "kh", 5.0), 0.5) or (0, 0)
    assert soonest == latest == pytest.approx(20.0, rel=2e-3)
    step = Reading(1, 0, "kh", 5.0, True, 4.0, 6.0)
    assert kh_days(step, 0.5) == pytest.approx((15.0, 25.0), rel=2e-3)
    assert kh_days(Reading(1, 0, "kh", 8.0, True, 7.0, None), 0.5) == (pytest.approx(30.0, rel=2e-3), math.inf)
    assert kh_days(Reading(1, 0, "kh", KH_AT_RISK_DKH / 2), 0.5) == (0.0, 0.0)


def test_what_water_changes_bring_may_make_up_for_it() -> None:
    spent = kh_spent_dkh(0.5)
    assert kh_days(Reading(1, 0, "kh", 5.0), 0.5, spent) is None
    assert kh_days(Reading(1, 0, "kh", 5.0), 0.5, spent / 2) == pytest.approx((40.0, 40.0), rel=2e-3)
    assert kh_days(Reading(1, 0, "kh", 5.0), 0.0) is None
