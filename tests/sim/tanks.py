"""Tanks that do not exist, many at once: friendly ones, and hostile ones that follow other laws than the model's.

Hostile: one of four other removal laws, plants that take ammonia first, a season of up to +-30 %, a chart read up to
20 % too high or too low, 30 % of readings missed, one half water change that nobody wrote down, a label off by 10 %.
`Tanks` steps in small time steps of its own; `Keeper` writes down what a person would have; `true_limit_g` knows.
"""

import math
import os
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tareline.core.load.record import Change, DailyFeed, Food, Record, RecordedReading
from tareline.core.units import NITRATE_PER_N, NITRITE_PER_N

Floats = NDArray[np.float64]
FULL = os.environ.get("TARELINE_FULL") == "1"

SUBSTEPS = 8  # a day
PROTEIN = 45.0
CEILING = 40.0 / NITRATE_PER_N
DETECTS = (0.25, 0.25 / NITRITE_PER_N)
Analyte = Literal["ammonia", "nitrite", "nitrate", "tds"]
# Invented charts, mg/L as N.
CHARTS: dict[Analyte, Floats] = {
    "ammonia": np.array([0.0, 0.25, 0.5, 1.0, 2.0, 4.0]),
    "nitrite": np.array([0.0, 0.25, 0.5, 1.0, 2.0, 5.0]) / NITRITE_PER_N,
    "nitrate": np.array([0.0, 5.0, 10.0, 20.0, 40.0, 80.0]) / NITRATE_PER_N,
}
LAWS = ("Hill", "saturating and linear", "square root", "exponential", "threshold")


@dataclass
class Tanks:
    """State and truth of some tanks; arrays of shape (tanks,). Contents in mg N/L, times in days."""

    volume: Floats
    law: NDArray[np.int64]
    capacity: Floats
    half: Floats
    order: Floats
    maturing: Floats
    season: Floats
    phase: Floats
    reaching: Floats
    label: Floats  # true nitrogen over the label's
    room: Floats
    growth: Floats
    affinity: Floats
    second: Floats
    direct: Floats  # 1/d of ammonia that plants take themselves
    bias: Floats
    missed: float
    new: NDArray[np.bool_]
    ammonia: Floats
    nitrite: Floats
    nitrate: Floats
    one: Floats
    two: Floats
    maturity: Floats
    day: float = 0.0

    def __len__(self) -> int:
        return len(self.volume)

    @property
    def mg_n_per_g(self) -> Floats:
        """Nitrogen that reaches the water per gram of food."""
        return 1000 * PROTEIN / 100 / 6.25 * self.label * self.reaching

    def removal(self, nitrate: Floats | float) -> Floats:
        """mg N/L/d at this day's maturity and season, by each tank's own law."""
        c = np.maximum(np.asarray(nitrate, dtype=float), 0.0) * np.ones(len(self))
        half = self.half
        power = c**self.order
        threshold = np.maximum(c - 0.3 * half, 0.0)
        laws = np.array(
            [
                power / (half**self.order + power),
                0.5 * c / (0.2 * half + c) + 0.5 * c / (4 * half),
                np.sqrt(c / (c + 3 * half)),
                1 - np.exp(-c / (1.5 * half)),
                threshold / (half + threshold),
            ]
        )
        now = self.maturity * (1 + self.season * np.sin(2 * math.pi * self.day / 365.25 + self.phase))
        return self.capacity * now * laws[self.law, np.arange(len(self))]

    def advance(self, days: int, fed_g: Floats) -> None:
        """Let some days pass at a true feeding, grams a day."""
        inflow = fed_g * self.mg_n_per_g / self.volume
        h = 1 / SUBSTEPS
        for _ in range(days * SUBSTEPS):
            bacteria = self.room * self.one / (self.affinity + self.ammonia)
            plants = self.direct * self.maturity
            self.ammonia, gone = _lead(self.ammonia, inflow, bacteria + plants, h)
            taken = gone * plants / np.maximum(bacteria + plants, 1e-12)
            rate = self.room * self.two / (self.affinity + self.nitrite)
            self.nitrite, second = _lead(self.nitrite, (gone - taken) / h, rate, h)
            pull_one = self.growth * self.ammonia / (self.affinity + self.ammonia)
            pull_two = self.growth * self.second * self.nitrite / (self.affinity + self.nitrite)
            self.one *= np.exp(h * (pull_one * (1 - self.one) - 0.05))
            self.two *= np.exp(h * (pull_two * (1 - self.two) - 0.05))
            self.maturity += h * (1 - self.maturity) / self.maturing
            removed = np.maximum(self.removal(self.nitrate + second / 2) - taken / h, 0.0) * h
            self.nitrate = np.maximum(self.nitrate + second - removed, 0.0)
            self.day += h

    def exchange(self, share: Floats, source: float) -> None:
        """A water change of each tank's share."""
        self.ammonia *= 1 - share
        self.nitrite *= 1 - share
        self.nitrate += share * (source - self.nitrate)

    def true_limit_g(self) -> Floats:
        """The largest steady ration as of now: nitrate at or under the ceiling, ammonia and nitrite under detection."""
        detect_a, detect_i = DETECTS
        direct = self.direct * self.maturity
        m_a, m_i = detect_a / (self.affinity + detect_a), detect_i / (self.affinity + detect_i)
        by_a = self.room * np.maximum(m_a - 0.05 / self.growth, 0.0) + direct * detect_a
        # What the second kind can take is what the first one makes: at an ammonia that plants take their part of.
        made = self.room * np.maximum(m_i - 0.05 / (self.growth * self.second), 0.0)
        m = np.minimum(made / self.room + 0.05 / self.growth, 0.999)
        by_i = made + direct * self.affinity * m / (1 - m)
        least = np.minimum(np.minimum(by_a, by_i), self.removal(CEILING))
        return least * self.volume / self.mg_n_per_g


def _lead(content: Floats, inflow: Floats, rate: Floats, h: float) -> tuple[Floats, Floats]:
    """Exact for constant inflow and rate: the content after h, and what left."""
    left = np.exp(-h * rate)
    after = content * left - inflow * np.expm1(-h * np.maximum(rate, 1e-12)) / np.maximum(rate, 1e-12)
    return after, content + h * inflow - after


def draw(tanks: int, seed: int, hostile: bool, new: float = 0.5) -> Tanks:
    """Some tanks from wide ranges."""
    rng = np.random.default_rng([seed, int(hostile)])

    def around(median: float, factor: float) -> Floats:
        return median * np.exp(math.log(factor) * rng.standard_normal(tanks))

    is_new = rng.uniform(size=tanks) < new
    fresh = np.where(is_new, 3e-4, 0.1) * around(1.0, 2.0)
    zeros = np.zeros(tanks)
    made = Tanks(
        volume=rng.choice([12.0, 20.0, 30.0, 54.0, 60.0], tanks),
        law=np.zeros(tanks, dtype=np.int64),
        capacity=around(0.4, 2.2),
        half=around(2.0, 2.0),
        order=around(1.1, 1.2),
        maturing=around(45.0, 1.5),
        season=rng.uniform(0, 0.1, tanks),
        phase=rng.uniform(0, 2 * math.pi, tanks),
        reaching=np.clip(rng.normal(0.65, 0.1, tanks), 0.35, 0.95),
        label=around(1.0, 1.04),
        room=around(8.0, 1.8),
        growth=around(0.6, 1.3),
        affinity=around(0.2, 1.4),
        second=around(0.85, 1.2),
        direct=zeros,
        bias=around(1.0, 1.05),
        missed=0.05,
        new=is_new,
        ammonia=zeros.copy(),
        nitrite=zeros.copy(),
        nitrate=around(1.0, 2.0),
        one=fresh.copy(),
        two=fresh.copy(),
        maturity=np.where(is_new, 0.15, 0.85) * around(1.0, 1.1),
    )
    if not hostile:
        return made
    return replace(
        made,
        law=rng.integers(1, len(LAWS), tanks),
        season=rng.uniform(0.1, 0.3, tanks),
        label=made.label * rng.choice([0.9, 1.1], tanks),
        direct=rng.uniform(0, 0.5, tanks),
        bias=rng.uniform(0.8, 1.2, tanks),
        missed=0.3,
    )


@dataclass
class Keeper:
    """Writes down what one person sees of each tank, with the slips that person makes."""

    tanks: Tanks
    rng: np.random.Generator
    fed: list[list[DailyFeed]] = field(default_factory=list)
    seen: list[list[RecordedReading]] = field(default_factory=list)
    changes: list[list[Change]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.fed = [[] for _ in range(len(self.tanks))]
        self.seen = [[] for _ in range(len(self.tanks))]
        self.changes = [[] for _ in range(len(self.tanks))]

    def feed(self, days: int, ration_g: Floats) -> None:
        """Some days at a ration. Doses scatter; a weighed hopper knows them well."""
        for _ in range(days):
            true_g = ration_g * np.exp(0.08 * self.rng.standard_normal(len(ration_g)))
            noted_g = true_g * np.exp(0.02 * self.rng.standard_normal(len(ration_g)))
            day = round(self.tanks.day)
            for notes, mass in zip(self.fed, noted_g, strict=True):
                notes.append(DailyFeed(day, float(mass), 0.02 * float(mass)))
            self.tanks.advance(1, true_g)

    def read(self, analyte: Analyte, asked: NDArray[np.bool_] | None = None) -> None:
        """One reading of each tank (of those asked of), unless missed: the nearest step of a chart as perceived."""
        steps = CHARTS[analyte]
        water = {"ammonia": self.tanks.ammonia, "nitrite": self.tanks.nitrite, "nitrate": self.tanks.nitrate}[analyte]
        bias = self.tanks.bias if analyte == "nitrate" else 1.0
        noise = self.rng.standard_normal((2, len(water)))
        perceived = (
            water * bias * np.exp(0.12 * noise[0])
            + {"ammonia": 0.04, "nitrite": 0.02, "nitrate": 0.2}[analyte] * noise[1]
        )
        missed = self.rng.uniform(size=len(water)) < self.tanks.missed
        for i, notes in enumerate(self.seen):
            if not missed[i] and (asked is None or asked[i]):
                notes.append(step_seen(self.tanks.day, analyte, float(perceived[i]), steps))

    def change(self, share: Floats, source: float = 0.5, noted: bool = True) -> None:
        """A water change, by share of each tank (0 for none)."""
        if noted:
            for i, notes in enumerate(self.changes):
                if share[i] > 0:
                    litres = float(share[i] * self.tanks.volume[i])
                    notes.append(Change(self.tanks.day, litres, nitrate_mg_n_per_l=source))
        self.tanks.exchange(share, source)

    def record(self, i: int) -> Record:
        """What is known of tank i now."""
        return Record(
            volume_l=float(self.tanks.volume[i]),
            now=self.tanks.day,
            new=bool(self.tanks.new[i]),
            foods=(Food("flakes", PROTEIN),),
            fed=tuple(self.fed[i]),
            readings=tuple(self.seen[i]),
            changes=tuple(self.changes[i]),
            detects=DETECTS,
        )


def step_seen(day: float, analyte: Analyte, perceived: float, steps: Floats) -> RecordedReading:
    """The chart's nearest step as a reading with its neighbours."""
    at = int(np.argmin(np.abs(steps - perceived)))
    high = float(steps[at + 1]) if at + 1 < len(steps) else None
    low = float(steps[at - 1]) if at else min(0.0, float(steps[at]))
    return RecordedReading(day, analyte, low, high, float(steps[at]), detected=at > 0)


def live(tanks: Tanks, seed: int, weeks: int = 52, hostile: bool = False) -> Keeper:
    """A year as a keeper might lead it: slowly more food, to 0.3 to 1.5 of what the grown tank can take, then steady;
    less when the chart looks bad. Half of the tanks get a tenth of new water every four weeks."""
    rng = np.random.default_rng([seed, 7, int(hostile)])
    keeper = Keeper(tanks, rng)
    grown = replace(tanks, maturity=np.ones(len(tanks)))
    goal = grown.true_limit_g() * rng.uniform(0.3, 1.5, len(tanks))
    by_week = rng.uniform(0.4, 0.8, len(tanks)) * weeks
    changes = rng.uniform(size=len(tanks)) < 0.5
    forgotten = rng.integers(weeks // 4, weeks, len(tanks))
    caution = np.ones(len(tanks))
    for week in range(weeks):
        part = np.clip((week // 4 * 4 + 1) / by_week, 0.05, 1.0)
        keeper.feed(7, goal * part * caution)
        keeper.read("nitrate")
        keeper.read("ammonia" if week % 2 else "nitrite")
        for i, seen in enumerate(keeper.seen):
            if seen and seen[-1].day == tanks.day and seen[-1].value >= (9.0 if seen[-1].analyte == "nitrate" else 0.5):
                caution[i] *= 0.9
        if week % 4 == 3:
            keeper.change(np.where(changes, 0.1, 0.0))
        if hostile:
            keeper.change(np.where(forgotten == week, 0.5, 0.0), noted=False)
    return keeper
