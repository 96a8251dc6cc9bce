"""The state-space model of a feeder with a weighed hopper, as statements for `linear_gaussian`.

State at each event (a dose that may have moved food, a weigh-in, or an instant that is asked for):

  content     grams of food in the hopper just before the event
  zero        grams that the cell shows beyond that, at the reference temperature
  gain        what a motor step gives, relative to the reference gain
  dose        grams that left the hopper (doses only)

and two constants of the feeder: tempco (g/K, how the zero follows the temperature) and span (relative error of the
cell's slope). With n steps of a reference gain g0, and d days to the next event:

  next content - content + dose = refills + moisture     sd: `moisture` x content x sqrt(d); refills: their own
  next zero - zero              = wander                 sd: `wander` x sqrt(d); more where the hopper was handled
  next gain - gain              = drift                  sd: `drift` x sqrt(d); more after a refill
  dose - n g0 gain              = scatter                variance: `clump` x n g0, as of particles of that mass
  before - after                = (1 + span) dose + noise              sd: `noise` x the one the device states
  (before + after) / 2          = (1 + span) (content - dose / 2) + zero + tempco (t - 25 C) + noise
                                                         half that noise, and `level`, which both readings share
  weigh-in                      = content + error        sd: as stated by the keeper

Both readings of a dose contain the same zero, which cancels in their difference. The difference between the readings of
two doses shows what was added or lost between them, with the uncertainty of the zero's random walk. A weigh-in measures
the content itself. The six figures in backquotes differ between feeders and are learned from each feeder's own past
(`hyperparameters`).

A finding of `gross_errors` is one more constant, which shifts one statement by an unknown size.
"""

import math
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from tareline.core.feeding.doses import BROKEN, Dose
from tareline.core.units import DAY_MS
from tareline.core.weighing.history import Event, Handling, History, Instant, Refill, WeighIn
from tareline.core.weighing.linear_gaussian import Floats, Ints, Statements

REFERENCE_C = 25.0

CONSTANTS = 2  # tempco, span
TEMPCO_SD_G_PER_K = 0.05  # 0.1 % of a 500 g cell's range in 10 K (judgement, from small cells' data sheets)
SPAN_SD = 0.003  # remains after a calibration: error of the check mass and of its position (judgement)

ZERO_SD_G = 2.0  # after a tare: hooks, tubes and dust (judgement)
CONTENT_SD_G = 100.0  # a wide prior: no hopper holds more (judgement)
GAIN_SD = 0.25  # another food than the one of the calibration (judgement)
HUNG_SD_G = 0.1  # change of the zero when a hopper was taken off and hung again (judgement)
REFILL_GAIN_SD = 0.03  # another batch of the same food, with another density (judgement)
REFILL_SD_G, REFILL_SD = 0.05, 0.005  # a kitchen scale with steps of 0.1 g, read twice, and its slope (judgement)
WEIGHIN_SD_G = 0.03  # a scale with steps of 0.1 g: 0.29 of a step (GUM, JCGM 100:2008, F.2.2.1)
UNSTATED_SD_G = 0.005  # a device that states no deviation: several milligrams (judgement)
TOGETHER_MS = 3_600_000  # within an hour the change of moisture is smaller than a scale shows
TINY_G = 1e-4  # a tenth of a milligram: no mass is known more accurately
SHIFT_SD = 1000.0  # a gross error may have any size
DAMP_DAYS, DAMP_REST_DAYS = 10, 3.0  # the moisture of new food becomes stable in a room within days (judgement)
# The sign of a shift: positive is too much, in the content, the zero, a gain, a dose, or a reading.
SHIFTS = {"content": -1.0, "zero": -1.0, "gain": -1.0, "dose": -1.0, "difference": 1.0, "level": 1.0, "weigh-in": 1.0}


class FigurePrior(NamedTuple):
    """A log-normal prior of a figure: median, and the standard deviation of the natural logarithm."""

    name: str
    median: float
    log_sd: float


# The scatter of a dose. If particles fell independently (Poisson), the variance would be the mass of one particle times
# the dose; an auger is somewhat more regular. With many small particles the varying density of the packing remains.
PARTICLE_G = 0.0005  # where the food's particle mass is not known: fine granules (judgement)
EVENNESS = 0.7  # of the variance that pure chance would give (judgement)
PARTICLE_LOG_SD, UNKNOWN_PARTICLE_LOG_SD = 0.5, 0.8  # (judgement)
PACKING, PACKING_LOG_SD = 0.05, 1.0  # relative, of a dose; of its square (judgement)
PRIORS = (
    FigurePrior("noise", 1.1, 0.15),  # the device states what its samples show; slow noise comes on top (judgement)
    FigurePrior("clump", EVENNESS * PARTICLE_G, 1.0),  # g; calculated for each feeder by what stands above: `prior`
    FigurePrior("drift", 0.01, 1.0),  # per root of a day (judgement)
    FigurePrior("wander", 0.03, 1.2),  # g per root of a day: creep, damp, wires (judgement)
    FigurePrior("level", 0.004, 1.0),  # g: friction and draughts that both readings of a dose share (judgement)
    FigurePrior("moisture", 0.0005, 1.2),  # of the content, per root of a day: dry food in a room's air (judgement)
)
FIGURES = tuple(prior.name for prior in PRIORS)


@dataclass(frozen=True, slots=True)
class SettledState:
    """The state at the end of a closed period, from which the next period starts.

    at_ms: everything up to this instant is included. mean (5,), cov (5, 5): of content, zero, gain, tempco, span.
    figures (6,), figures_cov (6, 6): natural logarithms of the learned figures, and their covariance.
    """

    at_ms: int
    mean: Floats
    cov: Floats
    figures: Floats
    figures_cov: Floats


@dataclass(frozen=True, slots=True)
class Shift:
    """A gross error: statement number `index` of a kind, shifted by an unknown size.

    For the kind "moisture", the content takes up (or gives off) the size during the days after step `index`.
    """

    kind: str
    index: int


@dataclass(frozen=True)
class Chain:
    """A history prepared for `linear_gaussian`: E events in order, the first of which is the instant at which it
    begins, and the positions of their unknowns: content, zero, gain and, for doses, dose.

    place, at_ms: (E,). doses: indices of the events that are doses. weighed_in, weighins: the W weigh-ins, and the
    index of the event of each. shown_g: (E,) approximate indication of the cell. refills: those of each step from one
    event to the next; hung_var: (E - 1,) variance that handling adds to the zero, g2. told: indices of doses whose
    motor steps are known and plausible; weighed: indices of doses that the cell weighed.
    """

    history: History
    settled: SettledState | None
    events: list[Event]
    place: Ints
    size: int
    at_ms: Ints
    doses: Ints
    weighed_in: list[WeighIn]
    weighins: Ints
    shown_g: Floats
    refills: list[list[Refill]]
    hung_var: Floats
    told: Ints
    weighed: Ints

    def dose(self, i: int) -> Dose:
        event = self.events[i]
        assert isinstance(event, Dose)
        return event


def lay_out(history: History, settled: SettledState | None = None, moments: Sequence[int] = ()) -> Chain:
    """The chain of a history, or of its part after a settled past.

    moments: instants in UNIX ms for which the state will be asked. Doses that moved nothing, and events up to the
    settled instant, are left out. Raises ValueError where no event remains.
    """
    if settled is not None:
        history = history.between(settled.at_ms)
    found: list[Event] = [d for d in history.doses if d.moved and d.count > 0]
    found += history.weighins
    found += [Instant(at_ms) for at_ms in moments]
    if not found:
        raise ValueError("expected a dose that moved, a weigh-in or a moment; found none")
    found.sort(key=lambda event: (event.at_ms, isinstance(event, Dose), getattr(event, "entry", 0)))
    touches: list[Refill | Handling] = [*history.refills, *history.handlings]
    found, weighed_in, weighins = _gathered(found, sorted(touched.at_ms for touched in touches))
    # The instant at which the chain begins comes first.
    found.insert(0, Instant(settled.at_ms if settled is not None else found[0].at_ms - 1))
    weighins = weighins + 1
    sizes = np.array([4 if isinstance(event, Dose) else 3 for event in found])
    at_ms = np.array([event.at_ms for event in found], np.int64)
    refills: list[list[Refill]] = [[] for _ in found[1:]]
    hung_var = np.zeros(len(found) - 1)
    for touched in sorted(touches, key=lambda event: (event.at_ms, event.entry)):
        step = int(np.searchsorted(at_ms, touched.at_ms, "left")) - 1
        if 0 <= step < len(refills):
            if isinstance(touched, Refill):
                refills[step].append(touched)
                hung_var[step] += HUNG_SD_G**2
            else:
                hung_var[step] += CONTENT_SD_G**2
    # A hopper that is weighed is taken off and hung again.
    hung_var[np.unique(weighins[weighins < len(hung_var)])] += HUNG_SD_G**2
    told = [isinstance(event, Dose) and _told(event, history) for event in found]
    weighed = [isinstance(d, Dose) and d.mass_g is not None for d in found]
    return Chain(
        history,
        settled,
        found,
        np.concatenate([[0], np.cumsum(sizes)[:-1]]),
        int(sizes.sum()),
        at_ms,
        np.flatnonzero(sizes == 4),
        weighed_in,
        weighins,
        _shown(found, settled),
        refills,
        hung_var,
        np.flatnonzero(told),
        np.flatnonzero(weighed),
    )


def _told(dose: Dose, history: History) -> bool:
    """Whether the motor steps of a dose show how much came out; not if that is more than any hopper holds."""
    if dose.steps is None or dose.outcome in BROKEN:
        return False
    return dose.steps * history.gain_g_per_step <= CONTENT_SD_G


def _gathered(events: Sequence[Event], touched_ms: Sequence[int]) -> tuple[list[Event], list[WeighIn], Ints]:
    """The events, where weigh-ins within an hour and with nothing between them become one event; all weigh-ins; and the
    index of the event of each weigh-in."""
    kept: list[Event] = []
    weighed_in: list[WeighIn] = []
    at: list[int] = []
    for event in events:
        if isinstance(event, WeighIn):
            first = kept[-1] if kept else None
            near = isinstance(first, WeighIn) and event.at_ms - first.at_ms <= TOGETHER_MS
            if not near or bisect_right(touched_ms, event.at_ms) > bisect_right(touched_ms, kept[-1].at_ms):
                kept.append(event)
            weighed_in.append(event)
            at.append(len(kept) - 1)
        else:
            kept.append(event)
    return kept, weighed_in, np.array(at, np.int64)


def _shown(events: Sequence[Event], settled: SettledState | None) -> Floats:
    """The approximate indication of the cell at each event, in grams: (E,). It is that of the next weighed dose, or of
    the last one; without weighed doses that of the weigh-ins."""

    def read(event: Event) -> float:
        if isinstance(event, Dose) and event.before_g is not None and event.after_g is not None:
            return (event.before_g + event.after_g) / 2
        return math.nan

    shown = np.array([read(event) for event in events])
    if np.isnan(shown).all():
        shown = np.array([event.mass_g if isinstance(event, WeighIn) else math.nan for event in events])
    known = np.flatnonzero(~np.isnan(shown))
    if len(known) == 0:
        return np.full(len(events), settled.mean[0] if settled is not None else 0.0)
    return shown[known[np.minimum(np.searchsorted(known, np.arange(len(events))), len(known) - 1)]]


def prior(chain: Chain) -> tuple[Floats, Floats]:
    """Mean (6,) and covariance (6, 6) of the natural logarithms of the figures, from the settled past or the priors."""
    if chain.settled is not None:
        return chain.settled.figures, chain.settled.figures_cov
    mean = np.log([one.median for one in PRIORS])
    sd = np.array([one.log_sd for one in PRIORS])
    nominal_g = [g for i in chain.doses if (g := (chain.dose(i).steps or 0) * chain.history.gain_g_per_step) > 0]
    if nominal_g:
        known = chain.history.particle_g is not None
        by_particles = EVENNESS * (chain.history.particle_g or PARTICLE_G)
        by_packing = PACKING**2 * float(np.median(nominal_g))
        packed = by_packing / (by_particles + by_packing)
        clump = FIGURES.index("clump")
        mean[clump] = math.log(by_particles + by_packing)
        # First order propagation of both parts' uncertainty to the logarithm of their sum (GUM 5.1.2).
        sd[clump] = math.hypot(
            (1 - packed) * (PARTICLE_LOG_SD if known else UNKNOWN_PARTICLE_LOG_SD), packed * PACKING_LOG_SD
        )
    return mean, np.diag(sd**2)


def refill_sd_g(refill: Refill) -> float:
    """The standard deviation of a refill's mass in grams: as stated, or that of a kitchen scale."""
    return refill.sd_g if refill.sd_g is not None else math.hypot(REFILL_SD_G, REFILL_SD * refill.added_g)


def statements(chain: Chain, figures: Floats, shifts: Sequence[Shift] = ()) -> list[Statements]:
    """All statements about the unknowns of a chain and its 2 + len(shifts) constants, for G sets of figures.

    figures: (G, 6) natural logarithms, or (6,) for one set.
    """
    noise, clump, drift, wander, level, moisture = np.exp(np.atleast_2d(figures)).T[:, :, None]
    groups = [*_steps(chain, drift, wander, moisture), *_dosed(chain, noise, clump, level), _weighed(chain)]
    groups = [_widened(chain, group, shifts) for group in groups]
    sizes = Statements(
        "shift",
        np.zeros((len(shifts), 1), np.int64),
        np.zeros((len(shifts), 1)),
        np.zeros(len(shifts)),
        np.full(len(shifts), SHIFT_SD**2),
        np.eye(CONSTANTS + len(shifts))[CONSTANTS:],
    )
    return [_begin(chain, len(shifts)), *groups, sizes]


def _widened(chain: Chain, group: Statements, shifts: Sequence[Shift]) -> Statements:
    """The same statements with a border column for each shift."""
    own = [(c, shift.index) for c, shift in enumerate(shifts) if shift.kind == group.kind]
    damp = [(c, shift.index) for c, shift in enumerate(shifts) if group.kind == "content" and shift.kind == "moisture"]
    if not own and not damp and (group.border is None or not shifts):
        return group
    border = np.zeros((len(group.value), CONSTANTS + len(shifts)))
    if group.border is not None:
        border[:, :CONSTANTS] = group.border
    for c, index in own:
        border[index, CONSTANTS + c] = SHIFTS[group.kind]
    for c, index in damp:
        days = (chain.at_ms[index:] - chain.at_ms[index]) / DAY_MS
        border[index:, CONSTANTS + c] = -np.diff(1 - np.exp(-np.minimum(days, DAMP_DAYS) / DAMP_REST_DAYS))
    return replace(group, border=border)


def _begin(chain: Chain, shifts: int) -> Statements:
    """The statements about the state at the beginning of the chain: from the priors, or from the settled past."""
    mean = np.array([chain.shown_g[0], 0.0, 1.0, 0.0, 0.0])
    spread = np.array([CONTENT_SD_G, ZERO_SD_G, GAIN_SD, TEMPCO_SD_G_PER_K, SPAN_SD])
    root = np.diag(1 / spread)
    if chain.settled is not None:
        mean = chain.settled.mean
        root = np.linalg.cholesky(np.linalg.inv(chain.settled.cov)).T
    border = np.hstack([root[:, 3:], np.zeros((5, shifts))])
    return Statements("begin", np.tile(np.arange(3), (5, 1)), root[:, :3].copy(), root @ mean, np.ones(5), border)


def _steps(chain: Chain, drift: Floats, wander: Floats, moisture: Floats) -> Iterator[Statements]:
    """The statements about content, zero and gain from each event to the next."""
    now, then = chain.place[:-1], chain.place[1:]
    days = np.maximum(np.diff(chain.at_ms), 1) / DAY_MS
    added_g = np.array([sum(refill.added_g for refill in refills) for refills in chain.refills])
    added_var = np.array([sum(refill_sd_g(refill) ** 2 for refill in refills) for refills in chain.refills])
    packed_var = np.array([_packed_var(refills) for refills in chain.refills])
    damp_g = moisture * np.maximum(np.abs(chain.shown_g[:-1]), 1.0)
    dosed = np.isin(np.arange(len(now)), chain.doses)
    yield Statements(
        "content",
        np.stack([then, now, now + 3 * dosed], 1),
        np.stack([np.ones(len(now)), -np.ones(len(now)), dosed.astype(float)], 1),
        added_g,
        damp_g**2 * days + added_var + TINY_G**2,
    )
    changes = np.tile([1.0, -1.0], (len(now), 1))
    nothing = np.zeros(len(now))
    zero_var = wander**2 * days + chain.hung_var + TINY_G**2
    yield Statements("zero", np.stack([then + 1, now + 1], 1), changes, nothing, zero_var)
    gain_var = drift**2 * days + packed_var + 1e-12
    yield Statements("gain", np.stack([then + 2, now + 2], 1), changes, nothing, gain_var)


def _packed_var(refills: Sequence[Refill]) -> float:
    """The variance that refills add to the gain."""
    return sum((GAIN_SD if refill.other_food else REFILL_GAIN_SD) ** 2 for refill in refills)


def _dosed(chain: Chain, noise: Floats, clump: Floats, level: Floats) -> Iterator[Statements]:
    """The statements about each dose, from the motor steps and from the cell."""
    g0 = chain.history.gain_g_per_step
    nominal = np.array([(e.steps or 0) * g0 if isinstance(e, Dose) else 0.0 for e in chain.events])
    at, ones = chain.place[chain.told], np.ones(len(chain.told))
    told_g = nominal[chain.told]
    own = np.stack([at + 3, at + 2], 1)
    yield Statements("dose", own, np.stack([ones, -told_g], 1), 0 * ones, clump * told_g + TINY_G**2)
    broken = np.setdiff1d(chain.doses, chain.told)
    most = np.array([_most_g(chain.dose(i), chain.history) for i in broken])
    count = np.array([chain.dose(i).count for i in broken], float)
    own, ones = chain.place[broken][:, None] + 3, np.ones((len(broken), 1))
    yield Statements("broken dose", own, ones, count * most / 2, count * most**2 / 12 + TINY_G**2)

    doses = [chain.dose(i) for i in chain.weighed]
    by_cell = np.array([dose.mass_g for dose in doses], float)
    shown = np.array([dose.before_g for dose in doses], float) - by_cell / 2
    noise_var = (noise * np.array([dose.sd_g or UNSTATED_SD_G for dose in doses])) ** 2 + TINY_G**2
    warmer = np.array([0.0 if (t := dose.temperature_c) is None else t - REFERENCE_C for dose in doses])
    rough = np.where(np.isin(chain.weighed, chain.told), nominal[chain.weighed], 0.0)
    at, ones = chain.place[chain.weighed], np.ones(len(doses))
    border = np.stack([0 * ones, rough], 1)
    yield Statements("difference", at[:, None] + 3, ones[:, None], by_cell, noise_var, border)
    own, coef = np.stack([at, at + 3, at + 1], 1), np.stack([ones, -ones / 2, ones], 1)
    yield Statements("level", own, coef, shown, noise_var / 4 + level**2, np.stack([warmer, shown], 1))


def _most_g(dose: Dose, history: History) -> float:
    """The largest possible mass of a dose of unknown size, in grams.

    For a dose that gave clearly too much, only the cell is used, and it can be up to a whole hopper: a gain that was
    learned from it would be that of a fault.
    """
    if dose.outcome == "over" and dose.mass_g is not None:
        return CONTENT_SD_G
    return min(dose.most_g(history.gain_g_per_step), CONTENT_SD_G)


def _weighed(chain: Chain) -> Statements:
    found = chain.weighed_in
    mass = np.array([weighin.mass_g for weighin in found], float)
    sd = np.array([max(weighin.sd_g or WEIGHIN_SD_G, TINY_G) for weighin in found], float)
    return Statements("weigh-in", chain.place[chain.weighins][:, None], np.ones((len(found), 1)), mass, sd**2)
