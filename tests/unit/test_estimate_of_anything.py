"""Whatever a ledger holds, an estimate comes back, finite and in agreement with itself."""

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tareline.core.feeding.doses import MOVED, UNMOVED, Dose
from tareline.core.weighing.estimate import estimate
from tareline.core.weighing.history import Handling, History, Refill, WeighIn
from tareline.core.weighing.hopper import hopper
from tareline.core.weighing.model import SettledState
from tareline.core.weighing.periods import next_closing_ms
from tareline.core.weighing.reconciliation import balances

DAY_MS = 86_400_000
WEEK_MS = 7 * DAY_MS
START_MS = 1_777_852_800_000

times = st.integers(START_MS, START_MS + WEEK_MS)
masses = st.floats(-1000, 1000)
sds = st.none() | st.floats(0, 10)


@st.composite
def doses(draw: st.DrawFn) -> Dose:
    weighed = draw(st.booleans())
    before = draw(masses)
    return Dose(
        draw(st.integers(1, 10**6)),
        draw(times),
        "f",
        draw(st.sampled_from(sorted(MOVED | UNMOVED))),
        draw(st.none() | st.floats(0, 10)),
        draw(st.none() | st.integers(0, 10**6)),
        before if weighed else None,
        before - draw(st.floats(-10, 10)) if weighed else None,
        draw(sds) if weighed else None,
        temperature_c=draw(st.none() | st.floats(-40, 80)),
        count=draw(st.integers(0, 5)),
        largest_g=draw(st.floats(0.001, 10)),
    )


histories = st.builds(
    History,
    st.floats(1e-6, 0.1),
    st.lists(doses(), max_size=12),
    st.lists(st.builds(WeighIn, st.integers(1, 10**6), times, masses, sds), max_size=4),
    st.lists(st.builds(Refill, st.integers(1, 10**6), times, masses, sds, st.booleans()), max_size=4),
    st.lists(st.builds(Handling, st.integers(1, 10**6), times), max_size=2),
    particle_g=st.none() | st.floats(1e-6, 0.1),
)


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(histories)
def test_an_estimate_is_finite_and_agrees_with_itself(history: History) -> None:
    end_ms = START_MS + WEEK_MS
    found = estimate(history, end_ms)
    sums = found.sums([(START_MS, START_MS + WEEK_MS // 2), (START_MS + WEEK_MS // 2, end_ms + 1)])
    moved = {(d.at_ms, d.entry) for d in history.doses if d.moved and d.count > 0}
    assert {(d.at_ms, d.entry) for d in found.doses} == moved
    assert all(np.isfinite([d.mass_g, d.sd_g]).all() and d.sd_g >= 0 for d in found.doses)
    assert abs(sums.mass_g.sum() - sum(d.mass_g for d in found.doses)) <= 1e-6 * (1 + np.abs(sums.mass_g).sum())
    assert (np.linalg.eigvalsh(sums.cov) >= -1e-9 * (1 + np.trace(sums.cov))).all()
    settled = found.settle()
    assert np.isfinite(settled.mean).all()
    assert (np.linalg.eigvalsh(settled.cov) > 0).all()
    assert np.isfinite(hopper(found, 0.3).content_g)
    for balance in balances(found):
        assert np.isfinite(balance.limit_g)
    later = estimate(history, end_ms + WEEK_MS, settled)
    assert later.doses == ()


def test_months_of_doses_that_are_all_the_same_are_settled_one_period_after_the_other() -> None:
    """A cell that shows no noise at all is not believed to be better than anything in the books.

    Each dose reads 60.03 g before and 60.00 g after, and each weekly weigh-in 60.00 g: what is learned of the noise
    falls from period to period. Without a bound of it the other figures once fell to nothing within twelve periods, and
    after thirty no posterior could be found.
    """
    days = 480
    doses = [
        Dose(10 * day + hour, START_MS + day * DAY_MS - hour * 3_600_000, "f", "ok", 0.03, 30, 60.03, 60.0, 0.004)
        for day in range(days)
        for hour in range(10)
    ]
    weighins = [WeighIn(10**6 + day, START_MS + day * DAY_MS, 60.0, 0.01) for day in range(6, days, 7)]
    history = History(0.001, doses, weighins)
    settled: SettledState | None = None
    begin_ms, end_ms = START_MS, next_closing_ms(START_MS, START_MS + days * DAY_MS, weighins)
    while end_ms is not None:
        settled = estimate(history, end_ms, settled).settle()
        assert np.exp(settled.figures).min() > 1e-9
        begin_ms, end_ms = end_ms, next_closing_ms(end_ms, START_MS + days * DAY_MS, weighins)
    assert begin_ms > START_MS + 400 * DAY_MS
