"""The nitrogen of a tank: ammonia A, nitrite I, nitrate C (mg N/L), two kinds of bacteria, the uptake's maturity m.

    dA/dt = u - room a A / (affinity + A)          u = reaching x label x protein / 6.25 x fed / volume
    dI/dt = room a A / (affinity + A) - room b I / (affinity + I)
    dC/dt = room b I / (affinity + I) - U C^order / (half^order + C^order) + what top-ups bring
    da/dt = a (growth A / (affinity + A) (1 - a) - decay)        b alike on I, with growth x second
    dm/dt = (1 - m) / maturing
    U = capacity m exp(season_cos cos + season_sin sin + wander)

u is the nitrogen that the food adds. a and b are the two populations of bacteria, as shares (0 to 1) of the largest
population that the tank can hold. A water change replaces a share of A, I and C. A harvest reduces m by the harvested
share of the plants' part of the uptake. Plants and substrate are one uptake, whatever form of nitrogen they prefer.
Nitrogen that stays in the bacteria's own growth is neglected (yield 0.24 g COD per g N, ASM1: some 2 %).

In the steady state each step is exact for any step length: A and I by an implicit step (a quadratic equation with one
positive root), bacteria by the closed form of the logistic equation, C by the exponential of the removal rate at the
middle of the step. What leaves one pool enters the next, so that nitrogen is conserved up to rounding. All draws are
stepped at once.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tareline.core.load import likelihood, priors
from tareline.core.load.record import WITNESSES, Change, Harvest, Record, RecordedReading
from tareline.core.water.balance import food_nitrogen_mg

Floats = NDArray[np.float64]

YEAR_D = 365.25
YOUNG_D = 60.0  # bacteria grow in from nothing: one step a day
YOUNG_STEP_D, STEP_D = 1.0, 4.0
SLOT_D = 0.25  # events are placed at quarters of a day
AMMONIA, NITRITE, NITRATE, FIRST, SECOND, MATURITY = range(6)  # rows of a state of shape (6, draws)


@dataclass(frozen=True, slots=True)
class Timeline:
    """A record divided into time steps. `events[k]` happens before step k, in this order; the last entry at the end.

    edges: the ends of the steps in days. feed: nitrogen in the food as stated on labels, mg N/L/d for each food.
    brought: nitrate in top-ups whose content is stated, mg N/L/d; unstated: the other top-ups, as a share of the volume
    a day. swing: (steps, 2 + knots), the factors on the season's and the random walk's figures.
    """

    edges: Floats  # (steps + 1,)
    feed: Floats  # (steps, foods)
    brought: Floats  # (steps,)
    unstated: Floats
    swing: Floats
    events: tuple[tuple[Change | Harvest | tuple[int, int], ...], ...]  # a pair: reading's index, row of the state
    readings: likelihood.Readings
    volume_l: float
    new: bool
    priors: priors.Priors
    blocks: tuple[int, ...]  # step before which a set of readings comes, ascending
    of_nitrate: NDArray[np.bool_] = field(repr=False)  # (readings,)


def timeline(record: Record, young_step_d: float = YOUNG_STEP_D, step_d: float = STEP_D) -> Timeline:
    """Divide a record into steps of at most the given lengths in days, with an end at each event."""
    events: list[Change | Harvest | RecordedReading] = [c for c in record.changes if c.kind == "change"]
    events += record.harvests
    events += [one for one in record.readings if one.analyte in WITNESSES]
    events = sorted((e for e in events if 0 <= e.day <= record.now), key=lambda e: e.day)
    slots = [slot(event.day) for event in events]
    edges = _edges(record, slots, young_step_d, step_d)
    at_step: list[list[Change | Harvest | tuple[int, int]]] = [[] for _ in edges]
    seen: list[RecordedReading] = []
    where = np.searchsorted(edges, slots)
    for event, k in zip(events, where, strict=True):
        if isinstance(event, RecordedReading):
            at_step[k].append((len(seen), WITNESSES.index(event.analyte)))
            seen.append(event)
        else:
            at_step[k].append(event)
    brought, unstated = _topups(record, edges)
    return Timeline(
        edges=edges,
        feed=_feed(record, edges),
        brought=brought,
        unstated=unstated,
        swing=_swing(edges),
        events=tuple(tuple(these) for these in at_step),
        readings=likelihood.readings(seen),
        volume_l=record.volume_l,
        new=record.new,
        priors=priors.nitrogen(record.new, label_sds(record), knots(edges[-1])),
        blocks=tuple(k for k, these in enumerate(at_step) if any(isinstance(one, tuple) for one in these)),
        of_nitrate=np.array([one.analyte == "nitrate" for one in seen], dtype=bool),
    )


def slot(day: float) -> float:
    """The nearest quarter of a day, in days: events are placed there."""
    return round(day / SLOT_D) * SLOT_D


def _edges(record: Record, slots: list[float], young_step_d: float, step_d: float) -> Floats:
    """The ends of the steps in days. They do not move when a record grows."""
    young = YOUNG_D if record.new else 0.0
    end = max(slot(record.now), SLOT_D)
    regular = np.concatenate([np.arange(0.0, young, young_step_d), np.arange(young, end, step_d)])
    return np.unique(np.concatenate([regular[regular < end], [0.0, end], slots]))


def knots(end_d: float) -> int:
    """The number of steps that the random walk of the capacity has until a day."""
    return max(0, math.ceil(end_d / priors.WANDER_EVERY_D) - 1)


def _swing(edges: Floats) -> Floats:
    """The factors on the season's and the random walk's figures in each step: (steps, 2 + knots). The walk is linear
    between its knots."""
    middle = (edges[:-1] + edges[1:]) / 2
    angle = 2 * math.pi * middle / YEAR_D
    begin = (np.arange(knots(edges[-1])) + 1) * priors.WANDER_EVERY_D
    grown = np.clip((middle[:, None] - begin) / priors.WANDER_EVERY_D, 0.0, 1.0)
    return np.column_stack([np.cos(angle), np.sin(angle), grown])


def label_sds(record: Record) -> list[float]:
    """For each food the relative standard deviation of its nitrogen: of the label and of the doses together, which are
    treated as one common error."""
    sds = []
    for i, food in enumerate(record.foods):
        mass = sum(f.mass_g for f in record.fed if f.food == i)
        dose = math.sqrt(sum(f.sd_g**2 for f in record.fed if f.food == i)) / mass if mass > 0 else 0.0
        sds.append(math.hypot(food.relative_sd, dose))
    return sds


def _feed(record: Record, edges: Floats) -> Floats:
    """Nitrogen fed in each step, as stated on labels: mg N/L/d, (steps, foods)."""
    days = math.ceil(edges[-1])
    fed = np.zeros((days, len(record.foods)))
    for one in record.fed:
        if 0 <= one.day < days:
            fed[one.day, one.food] += (
                food_nitrogen_mg(one.mass_g, record.foods[one.food].protein_percent) / record.volume_l
            )
    upto = np.vstack([np.zeros(fed.shape[1]), np.cumsum(fed, axis=0)])
    at_edge = np.column_stack([np.interp(edges, np.arange(days + 1.0), column) for column in upto.T] or [edges * 0])
    return (np.diff(at_edge, axis=0) / np.diff(edges)[:, None])[:, : len(record.foods)]


def _topups(record: Record, edges: Floats) -> tuple[Floats, Floats]:
    """What top-ups add in each step, spread over the time since the previous one: `brought` and `unstated` of the
    timeline."""
    rates = np.zeros((2, len(edges) - 1))
    last = 0.0
    for topup in sorted((c for c in record.changes if c.kind == "topup"), key=lambda c: c.day):
        if not last < topup.day <= edges[-1]:
            continue
        overlap = np.clip(np.minimum(edges[1:], topup.day) - np.maximum(edges[:-1], last), 0.0, None)
        share = topup.volume_l / record.volume_l * overlap / np.diff(edges) / (topup.day - last)
        if topup.nitrate_mg_n_per_l is None:
            rates[1] += share
        else:
            rates[0] += share * topup.nitrate_mg_n_per_l
        last = topup.day
    return rates[0], rates[1]


@dataclass(slots=True)
class MassBalance:
    """Nitrogen that entered, was removed and was exchanged with water changes, summed over steps: mg N/L per draw."""

    entered: Floats
    removed: Floats
    exchanged: Floats


class Simulation:
    """The simulation of a timeline with the figures of some draws."""

    def __init__(self, timeline: Timeline, z: Floats, first: int = 0, last: int | None = None) -> None:
        """z: (draws, figures), standard normal. first, last: the range of steps that will be simulated."""
        self.timeline, self.first = timeline, first
        figures = timeline.priors.values(z)
        self.figures: Mapping[str, Floats] = figures
        steps = slice(first, last)
        foods = range(timeline.feed.shape[1])
        per_label = np.array([figures[f"label_{i}"] for i in foods]).reshape(len(foods), len(z))
        self.inflow = np.einsum("sf,fd->sd", timeline.feed[steps], per_label) * figures["reaching"]
        self.topups = timeline.brought[steps, None] + timeline.unstated[steps, None] * figures["source"]
        names = ["season_cos", "season_sin", *(f"wander_{i}" for i in range(timeline.swing.shape[1] - 2))]
        swing = np.einsum("sn,nd->sd", timeline.swing[steps], np.array([figures[name] for name in names]))
        self.uptake = figures["capacity"] * np.exp(swing)  # (steps, draws), of a mature tank

    def start(self) -> Floats:
        """The state on day 0, (6, draws)."""
        f = self.figures
        fill = np.minimum(f["fill"], 1.0)
        nothing = np.zeros_like(fill)
        return np.array([nothing, nothing, f["nitrate_start"], fill, fill, f["maturity"]])

    def through(
        self, state: Floats, first: int, last: int, seen: Floats | None = None, mass_balance: MassBalance | None = None
    ) -> Floats:
        """The state just before the events of step `last`, starting from the state just before those of `first`.

        state: (6, draws). seen: (readings, draws), which is filled with the content of the water at each reading.
        mass_balance: the sums to which the steps are added.
        """
        c, f = self.timeline, self.figures
        ammonia, nitrite, nitrate, one, two, maturity = state
        half, order, affinity = f["half"], f["order"], f["affinity"]
        growth, room = f["growth"], f["room"]
        growth_two, maturing = growth * f["second"], f["maturing_d"]
        half_power, less = half**order, order - 1
        for k in range(first, last):
            if c.events[k]:
                ammonia, nitrite, nitrate, maturity = self._apply_events(
                    k, ammonia, nitrite, nitrate, maturity, seen, mass_balance
                )
            h = c.edges[k + 1] - c.edges[k]
            at = k - self.first
            entered = h * self.inflow[at]
            ammonia, oxidised, one = _oxidise(ammonia + entered, one, h, room, affinity, growth)
            nitrite, oxidised, two = _oxidise(nitrite + oxidised, two, h, room, affinity, growth_two)
            brought = h * self.topups[at]
            keep = np.exp(-h / maturing)
            matured = 1 - (1 - maturity) * keep
            uptake = self.uptake[at] * (maturity + matured) / 2
            maturity = matured
            gained = oxidised + brought
            rate = _rate(nitrate, uptake, half_power, less)
            middle = nitrate + (gained - h * rate * nitrate) / (2 + h * rate)  # half a step ahead, never below zero
            rate = _rate(middle, uptake, half_power, less)
            left = np.exp(-h * rate)
            spread = (1 - left) / (h * rate)
            if mass_balance is not None:
                mass_balance.entered += entered + brought
                mass_balance.removed += nitrate * (1 - left) + gained * (1 - spread)
            nitrate = nitrate * left + gained * spread
        return np.array([ammonia, nitrite, nitrate, one, two, maturity])

    def look(self, state: Floats, k: int, seen: Floats) -> None:
        """Fill in the readings that come before step k, without changing the state."""
        ammonia, nitrite, nitrate, _, _, maturity = state
        self._apply_events(k, ammonia, nitrite, nitrate, maturity, seen, None)

    def _apply_events(
        self,
        k: int,
        ammonia: Floats,
        nitrite: Floats,
        nitrate: Floats,
        maturity: Floats,
        seen: Floats | None,
        mass_balance: MassBalance | None,
    ) -> tuple[Floats, Floats, Floats, Floats]:
        for event in self.timeline.events[k]:
            if isinstance(event, tuple):
                if seen is not None:
                    reading, row = event
                    seen[reading] = (ammonia, nitrite, nitrate)[row]
            elif isinstance(event, Harvest):
                share = self.figures["cut"] if event.share is None else event.share
                maturity = maturity * (1 - share * self.figures["plants"])
            else:
                f = min(event.volume_l / self.timeline.volume_l, 1.0)
                stated = event.nitrate_mg_n_per_l
                source = self.figures["source"] if stated is None else stated
                before = ammonia + nitrite + nitrate
                ammonia = ammonia + f * (event.ammonia_mg_n_per_l - ammonia)
                nitrite = nitrite * (1 - f)
                nitrate = nitrate + f * (source - nitrate)
                if mass_balance is not None:
                    mass_balance.exchanged += ammonia + nitrite + nitrate - before
        return ammonia, nitrite, nitrate, maturity


def _oxidise(
    sum_: Floats, fill: Floats, h: float, room: Floats, affinity: Floats, growth: Floats
) -> tuple[Floats, Floats, Floats]:
    """One implicit step of one kind of bacteria: what is left, what was oxidised (both mg N/L), and the population."""
    b = affinity + h * room * fill - sum_
    root = np.sqrt(b * b + 4 * affinity * sum_)
    # Each form loses digits by cancellation where the other one does not.
    left = np.minimum(np.where(b > 0, 2 * affinity * sum_ / (np.abs(b) + root), (root - b) / 2), sum_)
    pull = growth * (left / (affinity + left))
    net = pull - priors.DECAY_PER_D + 1e-12  # never exactly zero
    grown = np.exp(h * net)
    return left, sum_ - left, fill * grown / (1 + fill * (grown - 1) * (pull / net))


def _rate(nitrate: Floats, uptake: Floats, half_power: Floats, less: Floats) -> Floats:
    """The removal divided by the nitrate content, 1/d."""
    held = np.maximum(nitrate, 1e-9)
    power = held**less
    return uptake * power / (half_power + power * held) + 1e-12


def removal(nitrate: Floats | float, uptake: Floats, half: Floats, order: Floats) -> Floats:
    """The removal of nitrate at a content in mg N/L: mg N/L/d."""
    power = np.asarray(nitrate, dtype=float) ** order
    return uptake * power / (half**order + power)
