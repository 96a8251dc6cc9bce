"""Whatever a ledger holds, what is said of a load is finite, in order and within its own rules, or nothing is said."""

import math
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from present import present
from tareline.core.load.forecast import Scenario, forecast
from tareline.core.load.limit import load
from tareline.core.load.posterior import posterior
from tareline.core.load.record import Change, DailyFeed, Food, Harvest, Record, RecordedReading

days = st.floats(-5, 130, allow_nan=False).map(lambda day: round(day, 2))
contents = st.sampled_from([0.0, 0.05, 0.25, 1.0, 5.0, 40.0, 1000.0])


@st.composite
def readings(draw: st.DrawFn) -> RecordedReading:
    value = draw(contents)
    analyte: Literal["ammonia", "nitrite", "nitrate", "tds"] = draw(
        st.sampled_from(["ammonia", "nitrite", "nitrate", "tds"])
    )
    low = draw(st.sampled_from([0.0, value / 2, value]))
    high = draw(st.sampled_from([None, value, 2 * value + 0.1]))
    return RecordedReading(draw(days), analyte, low, high, value, draw(st.booleans()))


@st.composite
def records(draw: st.DrawFn) -> Record:
    now = draw(st.sampled_from([0.0, 0.1, 1.0, 33.3, 120.0]))
    grams = st.sampled_from([0.0, 0.001, 0.05, 3.0])
    fed = tuple(DailyFeed(day, draw(grams), 0.01, day % 2) for day in range(0, int(now), 5))
    water = st.builds(
        Change,
        days,
        st.sampled_from([0.0, 1.0, 20.0, 500.0]),
        st.sampled_from(["change", "topup"]),
        st.sampled_from([None, 0.0, 10.0]),
    )
    return Record(
        volume_l=draw(st.sampled_from([0.5, 20.0, 400.0])),
        now=now,
        new=draw(st.booleans()),
        foods=(Food("flakes", 45.0), Food("greens", 20.0, 0.3)),
        fed=fed,
        readings=tuple(draw(st.lists(readings(), max_size=12))),
        changes=tuple(draw(st.lists(water, max_size=5))),
        harvests=tuple(draw(st.lists(st.builds(Harvest, days, st.sampled_from([None, 0.0, 1.0])), max_size=3))),
        upset=tuple(draw(st.lists(days, max_size=2))),
    )


@pytest.mark.slow
@settings(max_examples=25 if present(settings.default).max_examples < 100 else 500)
@given(records())
def test_answers_are_in_order_or_not_given(record: Record) -> None:
    known = posterior(record, 150)
    assert np.all(np.isfinite(known.particle_set.z))
    assert np.all(np.isfinite(known.state))
    assert np.all(known.state >= 0)
    answer = load(known)
    for figure in (answer.p5_g, answer.p50_g, answer.p95_g, answer.recommended_g, answer.fed_now_g):
        assert figure is None or (math.isfinite(figure) and figure >= 0)
    if answer.found:
        assert answer.p5_g is not None
        assert answer.p50_g is not None
        assert answer.p95_g is not None
        assert answer.p5_g <= answer.p50_g <= answer.p95_g
    else:
        assert answer.p95_g is None
    assert answer.recommended_g <= answer.proven.daily_g
    assert answer.evidence
    told = forecast(known, Scenario(10, 0.05))
    assert all(np.all(np.isfinite(bands)) for bands in told.bands.values())
    assert np.all((told.over_ceiling >= 0) & (told.over_ceiling <= 1 + 1e-9))
