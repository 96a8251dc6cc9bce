"""The posterior that is carried on week by week is that of the whole record."""

from dataclasses import replace

import numpy as np
import pytest
from tanks import draw, live
from week_by_week import before, later

from tareline.core.load.nitrogen import timeline
from tareline.core.load.particles import quantiles
from tareline.core.load.posterior import NitrogenTarget, posterior
from tareline.core.load.record import Change, Record

WEEKS = 12


@pytest.fixture(scope="module")
def whole() -> Record:
    """Twelve weeks of a tank."""
    return live(draw(1, 1, False), 1, weeks=WEEKS).record(0)


def test_a_week_more_is_the_same_posterior_as_from_the_start(whole: Record) -> None:
    known = posterior(before(whole, 49.0), 1500, 1)
    for week in range(8, WEEKS + 1):
        known = later(known, before(whole, 7.0 * week), 1)
    anew = posterior(before(whole, 7.0 * WEEKS), 1500, 2)
    assert known.particle_set.taken == anew.particle_set.taken
    for a, b in ((known, anew), (anew, known)):
        mark, mark_b = (NitrogenTarget(one.timeline).mixing_statistic(one.particle_set.z) for one in (a, b))
        for q in (0.1, 0.5, 0.9):
            share = float(b.weights @ (mark_b <= quantiles(mark, a.weights, (q,))[0]))
            error = np.sqrt(q * (1 - q) * (1 / a.particle_set.effective + 1 / b.particle_set.effective))
            assert abs(share - q) < 4 * error


def test_a_changed_past_is_computed_anew(whole: Record) -> None:
    known = posterior(before(whole, 70.0), 200, 1)
    mended = replace(whole, changes=(Change(30.0, 5.0),))
    assert np.array_equal(later(known, mended, 1).particle_set.z, posterior(mended, 200, 1).particle_set.z)
    fed = tuple(replace(one, mass_g=one.mass_g * (2 if one.day < 4 else 1)) for one in whole.fed)
    refed = replace(whole, fed=fed)
    assert np.array_equal(later(known, refed, 1).particle_set.z, posterior(refed, 200, 1).particle_set.z)
    assert later(known, whole, 1).particle_set.taken == len(timeline(whole).blocks)
