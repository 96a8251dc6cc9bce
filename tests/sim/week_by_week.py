"""A posterior of a record that has grown by a week, at a fraction of the cost of a new one.

The service works a load out anew from the whole record. What looks at a whole year week by week, for many tanks, could
not wait for that.
"""

from dataclasses import replace

import numpy as np

from tareline.core.load import particles
from tareline.core.load.nitrogen import Timeline, timeline
from tareline.core.load.posterior import NitrogenTarget, Posterior, extend_draws, posterior, summarise
from tareline.core.load.record import Record


def later(known: Posterior, record: Record, seed: int = 0) -> Posterior:
    """The posterior of a record that goes on where the known one ended; anew if its past was changed."""
    cut = timeline(record.recent())
    particle_set, taken = known.particle_set, known.particle_set.taken
    upto = known.timeline.blocks[taken - 1] if taken else 0
    same = (
        taken <= len(cut.blocks)
        and cut.blocks[:taken] == known.timeline.blocks[:taken]
        and np.array_equal(cut.edges[: upto + 1], known.timeline.edges[: upto + 1])
        and np.allclose(cut.feed[:upto, : known.timeline.feed.shape[1]], known.timeline.feed[:upto])
        and not cut.feed[:upto, known.timeline.feed.shape[1] :].any()
        and cut.events[:upto] == known.timeline.events[:upto]
        and np.array_equal(
            cut.readings.upper[: _count(cut, taken)], known.timeline.readings.upper[: _count(cut, taken)]
        )
    )
    if not same:
        return posterior(record, len(particle_set.z), seed)
    particle_set = replace(particle_set, z=extend_draws(known.timeline.priors, cut.priors, particle_set.z, seed))
    rng = np.random.default_rng([seed, 1, particle_set.taken])
    return summarise(record.recent(), cut, particles.filter_blocks(NitrogenTarget(cut), particle_set, rng))


def before(record: Record, day: float) -> Record:
    """The record as it was on that day."""
    return replace(
        record,
        now=day,
        fed=tuple(one for one in record.fed if one.day < day),
        readings=tuple(one for one in record.readings if one.day <= day),
        changes=tuple(one for one in record.changes if one.day <= day),
    )


def _count(cut: Timeline, taken: int) -> int:
    """How many readings some blocks hold."""
    return sum(isinstance(one, tuple) for k in cut.blocks[:taken] for one in cut.events[k])
