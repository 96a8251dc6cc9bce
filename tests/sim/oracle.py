"""The smoother that knows a feeder's figures: what can at best be known of its doses.

Plain conditioning of one joint normal distribution by its dense covariance; it shares no code with the estimator.
"""

import numpy as np
from feeders import DAY_MS, GAIN_SD, START_MS, Floats, Life, scatter_var


def oracle(life: Life) -> tuple[Floats, Floats]:
    """Mean (D,) and covariance (D, D) of the doses, for somebody who knows the feeder's figures.

    Known: every variance, the correlation time of moisture, tempco, span, the cell's own temperature. Not known: gain,
    zero, content, as they come.
    """
    figures, doses = life.figures, life.doses
    day = np.array([(dose.at_ms - START_MS) / DAY_MS for dose in doses])
    nominal = np.array([(dose.steps or 0) * figures.gain_g_per_step for dose in doses])
    weigh_day = np.array([(w.at_ms - START_MS) / DAY_MS for w in life.weighins])
    refill_day = np.array([(r.at_ms - START_MS) / DAY_MS for r in life.refills])
    count = len(doses)

    # Doses: gain as a random walk with steps at refills, and scatter.
    gains = GAIN_SD**2 + (figures.drift * figures.gain) ** 2 * np.minimum.outer(day, day)
    after_refill = np.add.outer(-refill_day, day) > 0  # (R, D)
    gains += (figures.refill_gain * figures.gain) ** 2 * (after_refill.T.astype(float) @ after_refill)
    scatter = np.array([scatter_var(figures, g * figures.gain) for g in nominal])
    mean = nominal.copy()
    cov = np.outer(nominal, nominal) * gains + np.diag(scatter)
    for i in np.flatnonzero([dose.outcome == "interrupted" for dose in doses]):
        mean[i] /= 2
        cov[i, :] /= 2
        cov[:, i] /= 2
        cov[i, i] += nominal[i] ** 2 / 12

    # What is read: content before each dose and at each weigh-in, as the first content, refills, doses and moisture.
    when = np.concatenate([day, weigh_day])
    came_before = (np.subtract.outer(when, day) > 0).astype(float)
    refilled = (np.subtract.outer(when, refill_day) > 0).astype(float)
    added = refilled @ np.array([r.added_g for r in life.refills]) if len(refill_day) else np.zeros(len(when))
    about = np.concatenate([life.content_g, [w.mass_g for w in life.weighins]])
    damp = np.exp(-np.abs(np.subtract.outer(when, when)) / figures.moisture_days)
    rest = 100.0**2 + figures.moisture**2 * np.outer(about, about) * damp + 0.04**2 * refilled @ refilled.T
    zeros = 0.5**2 + figures.wander**2 * np.minimum.outer(day, day)
    handled = np.concatenate([weigh_day, refill_day])
    after_handling = (np.subtract.outer(day, handled) > 0).astype(float)
    zeros += figures.hung**2 * after_handling @ after_handling.T

    weighed = np.flatnonzero([dose.mass_g is not None for dose in doses])
    slope = 1 + figures.span
    by_cell = np.array([doses[i].mass_g for i in weighed], float) / slope
    cell_var = (figures.cell_sd / slope) ** 2
    base = figures.tempco * (np.array(life.celsius)[weighed] - 25)
    shown = (np.array([doses[i].before_g for i in weighed], float) - base) / slope - by_cell / 2
    eye = np.eye(count)
    from_doses = np.vstack([eye[weighed], -came_before[weighed] - eye[weighed] / 2, -came_before[count:]])
    offset = np.concatenate([np.zeros(len(weighed)), added[weighed], added[count:]])
    own = np.concatenate([weighed, np.arange(count, len(when))])
    other = np.zeros((len(offset), len(offset)))
    many = len(weighed)
    other[many:, many:] = rest[np.ix_(own, own)]
    other[many : 2 * many, many : 2 * many] += zeros[np.ix_(weighed, weighed)]
    errors = np.concatenate(
        [
            np.full(many, cell_var),
            np.full(many, cell_var / 4 + figures.level**2),
            [(w.sd_g or 0.0) ** 2 + 0.01**2 / 12 for w in life.weighins],
        ]
    )
    other += np.diag(errors)
    told = np.concatenate([by_cell, shown, [w.mass_g for w in life.weighins]])
    first_g = life.content_g[0]
    expected = from_doses @ mean + offset + np.concatenate([np.zeros(many), np.full(len(own), first_g)])
    across = cov @ from_doses.T
    pull = np.linalg.solve(from_doses @ across + other, across.T).T
    return mean + pull @ (told - expected), cov - pull @ across.T
