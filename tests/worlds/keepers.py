"""Keepers of simulated aquariums: they feed, read, trim and write down, and err as people do.

All numbers written down are in mg N/L (carbonate hardness in dKH), turned from what a chart prints.

Sources: steps of charts, lives of bottles, trims, guests, power cuts and water changes are common practice, no source.
Charts compared by eye err by 10 to 30 % against laboratories (common practice, no source; the figures here are those of
the trade's own statements). Dispensed doses of flake and granules scatter by some percent (common practice, no source).
Masses per nitrogen: NO3 4.4268, NO2 3.2845 (seam.py).
"""

import math
from dataclasses import dataclass, field
from random import Random
from typing import Literal, Self

from worlds.ambient import DAYS_PER_MONTH
from worlds.seam import Analyte, Notes, Water, World

_YEAR_D = 365.25
NITRATE_PER_N = 4.4268
NITRITE_PER_N = 3.2845

# Lowest to highest step of the chart, in mg N/L.
CHARTS: dict[Analyte, tuple[float, ...]] = {
    "ammonia": (0.0, 0.25, 0.5, 1.0, 2.0, 4.0),
    "nitrite": tuple(step / NITRITE_PER_N for step in (0.0, 0.25, 0.5, 1.0, 2.0, 5.0)),
    "nitrate": tuple(step / NITRATE_PER_N for step in (0.0, 5.0, 10.0, 20.0, 40.0, 80.0)),
}
# Steps of the display of a fine kit, in mg N/L.
RESOLUTIONS: dict[Analyte, float] = {"ammonia": 0.05, "nitrite": 0.02, "nitrate": 0.1}
_STANDARD_MG_N_PER_L = 20.0 / NITRATE_PER_N  # bottled as 20 mg/L of nitrate


def chart_step(analyte: Analyte, seen: float) -> tuple[float, float, float | None]:
    """The step of the chart nearest to what is seen, and the ends of all that is nearest to that step. In mg N/L."""
    steps = CHARTS[analyte]
    nearest = min(range(len(steps)), key=lambda i: abs(steps[i] - seen))
    low = 0.5 * (steps[nearest - 1] + steps[nearest]) if nearest else 0.0
    high = 0.5 * (steps[nearest] + steps[nearest + 1]) if nearest + 1 < len(steps) else None
    return steps[nearest], low, high


@dataclass(slots=True)
class Bottle:
    """The reagents in use for one analyte."""

    bias: float  # factor on what is seen
    empty_day: float


@dataclass(slots=True)
class Events:
    """What comes about so often a year on average, at days drawn beforehand."""

    rng: Random
    per_year: float
    next_day: float = 0.0

    def __post_init__(self) -> None:
        self._wait()

    def due(self, day: float) -> bool:
        """Whether one has come since last time; two at once are one."""
        if day < self.next_day:
            return False
        while self.next_day <= day:
            self._wait()
        return True

    def _wait(self) -> None:
        self.next_day += self.rng.expovariate(self.per_year / _YEAR_D) if self.per_year > 0.0 else math.inf


@dataclass(slots=True, kw_only=True)
class Keeper:
    """One keeper of one aquarium. Call feed_day each day, weekly each week, read as often as wanted."""

    usual_trim_per_month: float
    kit: Literal["chart", "fine"]
    weighs_trims: bool
    notes: Notes = field(default_factory=Notes)
    # A stream of chance for each habit, so that one more reading does not change what is fed.
    feeding: Random
    reading: Random
    trimming: Random
    living: Random
    scale_bias: float
    bias_sd: float  # of a bottle, relative
    noise: float  # of a reading, relative
    missed: float  # share of readings
    film: float  # mean of water on weighed plants, as a factor
    source: Water
    forgotten_changes: Events
    heat_waves: Events
    power_cuts: Events
    guests: Events
    standards: Events
    next_trim: float
    bottles: dict[Analyte, Bottle] = field(default_factory=dict)
    guest_until: float = -math.inf
    guest_factor: float = 0.0

    @classmethod
    def make(
        cls, seed: int, usual_trim_per_month: float, kit: Literal["chart", "fine"] = "chart", weighs_trims: bool = False
    ) -> Self:
        """A keeper, all of whose habits and errors follow from the seed."""
        rng = Random(f"keeper {seed}")

        def stream(name: str) -> Random:
            return Random(f"keeper {seed} {name}")

        return cls(
            usual_trim_per_month=usual_trim_per_month,
            kit=kit,
            weighs_trims=weighs_trims,
            feeding=stream("feeding"),
            reading=stream("reading"),
            trimming=stream("trimming"),
            living=stream("living"),
            scale_bias=rng.uniform(-0.01, 0.01),  # with the scatter in feed_day within 2 %
            bias_sd=rng.uniform(0.10, 0.15) if kit == "chart" else 0.04,
            noise=0.12 if kit == "chart" else 0.03,  # with the bias 5 % for the fine kit
            missed=rng.uniform(0.05, 0.10),
            film=rng.uniform(0.98, 1.05),
            source=Water(nitrate=rng.uniform(0.0, 3.0), kh=rng.uniform(3.0, 12.0)),  # tap water
            forgotten_changes=Events(stream("changes"), rng.choice((0.0, 0.3, 0.6))),
            heat_waves=Events(stream("heat"), 0.5),
            power_cuts=Events(stream("power"), 0.7),
            guests=Events(stream("guests"), 0.8 if rng.random() < 0.3 else 0.0),
            standards=Events(stream("standards"), 2.0 if rng.random() < 0.3 else 0.0),
            next_trim=rng.uniform(10.0, 40.0),
        )

    def feed_day(self, world: World, ration_g: float) -> None:
        """Feed one day and let it pass. What the scale shows is noted; what a guest feeds besides is not."""
        given = max(0.0, ration_g * (1.0 + self.feeding.gauss(0.0, 0.08)))
        shown = given * (1.0 + self.scale_bias + max(-0.01, min(0.01, self.feeding.gauss(0.0, 0.005))))
        self.notes.fed.append((world.day, shown))
        if world.day < self.guest_until:
            given += self.guest_factor * ration_g
        world.advance(1.0, given)

    def read(self, world: World, analyte: Analyte) -> tuple[float, float, float | None] | None:
        """Measure and note: the value and the two ends of what the kit does not tell apart; None if it was missed."""
        if self.reading.random() < self.missed:
            return None
        value, low, high, name = self._shown(world.day, analyte, getattr(world.water, analyte))
        self.notes.readings.append((world.day, analyte, value, low, high, name))
        return value, low, high

    def change_water(self, world: World, share: float) -> None:
        """Replace a share of the water, measured by the bucket within 5 %, and note it."""
        done = min(1.0, share * (1.0 + self.living.uniform(-0.05, 0.05)))
        world.change_water(done, self.source)
        self.notes.changes.append((world.day, share * world.volume_l, self.source.nitrate))

    def weekly(self, world: World) -> None:
        """Do what is due: trims, now and then a standard; and let happen what happens."""
        day = world.day
        if day >= self.next_trim:
            self._trim(world)
            while self.next_trim <= day:
                self.next_trim += DAYS_PER_MONTH * self.trimming.uniform(0.75, 1.25)
        if self.forgotten_changes.due(day):
            world.change_water(0.5 * self.living.uniform(0.8, 1.2), self.source)
        if self.heat_waves.due(day):
            world.heat_wave(self.living.uniform(3.0, 9.0), self.living.uniform(2.0, 6.0))
        if self.power_cuts.due(day):
            world.cut_power(self.living.uniform(1.0, 12.0))
        if self.guests.due(day):
            self.guest_until, self.guest_factor = day + self.living.uniform(2.0, 6.0), self.living.uniform(0.5, 3.0)
        if self.standards.due(day):
            holds = _STANDARD_MG_N_PER_L * (1.0 + self.reading.uniform(-0.02, 0.02))
            shown = self._shown(day, "nitrate", holds)[0]
            self.notes.standards.append((day, "nitrate", _STANDARD_MG_N_PER_L, shown))

    def _trim(self, world: World) -> None:
        rng = self.trimming
        share = min(0.9, self.usual_trim_per_month * math.exp(rng.gauss(0.0, 0.2)))
        cut = world.trim(share)
        guess = min(1.0, share * math.exp(rng.gauss(0.0, math.log(1.3))))
        # A balance of the kitchen and the film of water: 5 %, of which the film is the greater part.
        wet_g = cut.wet_g * self.film * math.exp(rng.gauss(0.0, 0.05))
        guesses, noted = rng.random() < 0.7, rng.random() < 0.8
        if noted:
            if self.weighs_trims:
                self.notes.trims.append((world.day, guess if guesses else None, wet_g))
            else:
                self.notes.trims.append((world.day, guess, None))

    def _bottle(self, day: float, analyte: Analyte) -> Bottle:
        bottle, rng = self.bottles.get(analyte), self.reading
        if bottle is None or day >= bottle.empty_day:
            life_d = rng.uniform(0.5, 1.0) * _YEAR_D
            sd = 0.03 if analyte == "kh" else self.bias_sd
            # The first bottle has been in use for some time, and nothing was noted of it.
            used_d = rng.uniform(0.0, 0.8) * life_d if bottle is None else 0.0
            if bottle is not None and rng.random() < 0.85:
                self.notes.new_kits.append((day, analyte))
            bottle = Bottle(math.exp(rng.gauss(0.0, sd)), day + life_d - used_d)
            self.bottles[analyte] = bottle
        return bottle

    def _shown(self, day: float, analyte: Analyte, truth: float) -> tuple[float, float, float | None, str]:
        """What the kit shows of a true value: the value, its two ends and the kit's name."""
        bottle, rng = self._bottle(day, analyte), self.reading
        if analyte == "kh":
            # Drops of acid are counted until the colour turns: the drop that turns it is the first one too many.
            drops = max(1, math.ceil(truth * bottle.bias * (1.0 + rng.gauss(0.0, 0.02))))
            return float(drops), drops - 1.0, float(drops), "drops"
        seen = truth * bottle.bias * (1.0 + rng.gauss(0.0, self.noise))
        if self.kit == "chart":
            # Pale colours are told apart to a tenth of the first step; practice.
            seen += rng.gauss(0.0, 0.1 * CHARTS[analyte][1])
            return (*chart_step(analyte, seen), "chart")
        step = RESOLUTIONS[analyte]
        value = step * max(0, round(seen / step + rng.gauss(0.0, 0.3)))
        return value, max(0.0, value - 0.5 * step), value + 0.5 * step, "fine"
