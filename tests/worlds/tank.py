"""What both worlds of this author share: water, food and its remains, the biofilm, the substrate, and the account of N.

Plants differ from world to world and are given by the world. The equations, with concentrations in mg N/L:

- Food, its remains and denitrification: remains.py. Nitrification: biofilm.py. Temperature: room.py.
- Alkalinity: one equivalent for each mole of ammonia made from organic N or of nitrate or nitrite taken up or
  reduced to gas, two used up by each mole of ammonia oxidised, one by each mole taken up. All this together keeps
  alkalinity - ammonia + nitrite + nitrate constant, so that only this sum is kept (`reserve_dkh`); 1 mg N/L is
  0.2002 dKH. Where it would be negative (the water is acid), 0 is shown.

Each step takes the rates as constant. What empties the three pools of the water and the plants is then solved exactly,
the remains and the biofilm are semi-implicit in what leaves them (Patankar 1980), so that no pool becomes negative.
What leaves one pool is added to another, so that nitrogen is conserved to rounding.
"""

import copy
from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from math import ceil, exp
from typing import ClassVar, Protocol, Self

import numpy as np

from worlds.biofilm import HALF_ALKALINITY_DKH, STILL_WATER_SHARE, Biofilm
from worlds.remains import GUT_PER_D, Remains, Substrate
from worlds.room import NEVER_DAY, YEAR_D, Room
from worlds.seam import (
    AMMONIA_DETECTED_MG_N_PER_L,
    NITRATE_CEILING_MG_N_PER_L,
    NITRITE_DETECTED_MG_N_PER_L,
    Trimmed,
    Water,
)

MONTH_D = YEAR_D / 12.0
STEP_D = 1.0 / 48.0
DKH_PER_MG_N_PER_L = 1.0 / 14.007 / 0.3567


class Plants(Protocol):
    """The plants of one aquarium: what they hold, and how they take up and grow."""

    dry_g: float
    n_mg: float
    dry_share: float  # of the wet mass

    def light(self, day: float, days: float) -> float:
        """What light does in the time from `day` on, as the mean of this time; the plants know its meaning."""

    def mean_light(self) -> float:
        """The same in the mean of all days of a year."""

    def hold(self) -> None:
        """Let the light's season stay at its mean of a year from now on."""

    def pull(self, ammonia: float, nitrate: float, light: float, temperature_c: float) -> tuple[float, float]:
        """Litres a day that are freed of ammonia and of nitrate by uptake, at these concentrations in mg N/L."""

    def grow(self, days: float, taken_mg: float, light: float, temperature_c: float) -> tuple[float, float]:
        """Grow, shed and leak: mg N in dead leaves and mg N given off as ammonia."""


def emptied(held_mg: float, arriving_mg: float, lost_l_per_d: float, days_per_l: float) -> tuple[float, float]:
    """A pool after a step in which so much arrives evenly and so many litres a day are freed of it.

    Also what has left it, for each litre a day that was freed. This is the exact solution, so that no step makes a pool
    negative.
    """
    lost = lost_l_per_d * days_per_l
    if lost < 1e-9:
        return held_mg + arriving_mg, 0.0
    left = exp(-lost)
    now_mg = held_mg * left + arriving_mg * (1.0 - left) / lost
    return now_mg, (held_mg + arriving_mg - now_mg) / lost_l_per_d


@dataclass(frozen=True, slots=True)
class PlantsAtRest:
    """Means of a month between trims, mg N a day; ammonia's uptake in litres a day."""

    trimmed_mg_per_d: float
    shed_mg_per_d: float
    leaked_mg_per_d: float
    ammonia_l_per_d: float


@dataclass(slots=True)
class Tank(ABC):
    """An aquarium with one kind of plants. Amounts in mg N, times in days since the record began."""

    volume_l: float
    new: bool
    usual_trim_per_month: float
    protein_percent: float
    food_n_mg_per_g: float
    reserve_dkh: float
    age_at_start_d: float
    room: Room
    plants: Plants
    biofilm: Biofilm
    remains: Remains
    substrate: Substrate
    day: float = 0.0
    ages: bool = True
    step_d: float = STEP_D
    ammonia_mg: float = 0.0
    nitrite_mg: float = 0.0
    nitrate_mg: float = 0.0
    account_mg: dict[str, float] = field(default_factory=dict)
    stream: ClassVar[int]  # of random numbers, its own in each world

    @classmethod
    def draw(cls, seed: int) -> Self:
        """An aquarium whose parameters are drawn from published ranges; the same seed gives the same aquarium."""
        rng = np.random.default_rng([seed, cls.stream])
        while True:
            tank = cls._candidate(rng)
            if tank is not None:
                return tank

    @classmethod
    @abstractmethod
    def _candidate(cls, rng: np.random.Generator) -> Self | None:
        """One draw, or None if nobody would keep such a tank."""

    def begin(self, kh: float) -> None:
        """Let the record begin now: day 0, such a carbonate hardness in dKH, an empty account."""
        self.day = 0.0
        self.step_d = STEP_D
        self.reserve_dkh = 0.0
        self.reserve_dkh = kh - self._kh(*self._water())
        self.account_mg = {
            "start": sum(self._pools_mg().values()),
            "food in": 0.0,
            "source water in": 0.0,
            "changed out": 0.0,
            "trimmed out": 0.0,
            "gas out": 0.0,
        }

    def _pools_mg(self) -> dict[str, float]:
        return {
            "ammonia": self.ammonia_mg,
            "nitrite": self.nitrite_mg,
            "nitrate": self.nitrate_mg,
            "plants": self.plants.n_mg,
            "biofilm": self.biofilm.n_mg,
            "gut": self.remains.gut_mg,
            "waste": self.remains.waste_mg,
            "litter": self.remains.litter_mg,
            "slow": self.remains.slow_mg,
        }

    def nitrogen_mg(self) -> dict[str, float]:
        """The account since day 0: start and "... in" together are "... out" and the pools together."""
        return self.account_mg | self._pools_mg()

    def bearable(self, kh: float) -> bool:
        """Whether a thin biofilm leaves over at most 80 % of the ammonia and 60 % of the nitrite that tests show.

        For the mean temperature of a year and a hardness that has fallen as far as nitrate at the ceiling lets it fall.
        """
        warm_c = self.room.mean_water_c()
        kh -= DKH_PER_MG_N_PER_L * NITRATE_CEILING_MG_N_PER_L
        slowed = copy.copy(self.biofilm.ammonia)
        slowed.growth_per_d *= kh / (HALF_ALKALINITY_DKH + kh)
        return (
            slowed.lowest_mg_n_per_l(warm_c) < 0.8 * AMMONIA_DETECTED_MG_N_PER_L
            and self.biofilm.nitrite.lowest_mg_n_per_l(warm_c) < 0.6 * NITRITE_DETECTED_MG_N_PER_L
        )

    def settle(self, ration_g: float) -> None:
        """Bring an old tank to what up to a year at a ration, with its usual trims, makes of it.

        Its plants are given; its remains begin in balance with the ration, its bacteria with a tenth of a full surface.
        """
        ration_mg = ration_g * self.food_n_mg_per_g
        remains = self.remains
        remains.gut_mg = ration_mg * remains.excreted_share / GUT_PER_D
        remains.waste_mg = ration_mg * (1.0 - remains.excreted_share) / remains.waste_per_d
        remains.slow_mg = ration_mg * remains.to_slow_share / remains.slow_per_d
        for one in (self.biofilm.ammonia, self.biofilm.nitrite):
            one.mg_cod = min(0.1 * one.full_mg_cod, ration_mg * one.yield_cod_per_n / one.decay_per_d)
        months = min(12, int(self.age_at_start_d / MONTH_D))
        self.begin(8.0)
        self.step_d = 0.125
        self.day = -months * MONTH_D
        for _ in range(months):
            self.advance(MONTH_D, ration_g * MONTH_D)
            self.trim(self.usual_trim_per_month)

    def _water(self) -> tuple[float, float, float]:
        """Ammonia, nitrite, nitrate in mg N/L."""
        return self.ammonia_mg / self.volume_l, self.nitrite_mg / self.volume_l, self.nitrate_mg / self.volume_l

    @property
    def water(self) -> Water:
        """What a perfect instrument would measure now."""
        ammonia, nitrite, nitrate = self._water()
        return Water(ammonia, nitrite, nitrate, max(self._kh(ammonia, nitrite, nitrate), 0.0))

    def _kh(self, ammonia: float, nitrite: float, nitrate: float) -> float:
        return self.reserve_dkh + DKH_PER_MG_N_PER_L * (ammonia - nitrite - nitrate)

    @property
    def temperature_c(self) -> float:
        return self.room.water_c

    @property
    def age_d(self) -> float:
        """How old the substrate is."""
        return self.age_at_start_d + (self.day if self.ages else 0.0)

    def advance(self, days: float, food_g: float) -> None:
        """Let time go on, with so much food given in equal parts over it."""
        steps = max(1, ceil(days / self.step_d - 1e-9))
        step_d = days / steps
        food_mg = food_g / steps * self.food_n_mg_per_g
        start = self.day
        for i in range(steps):
            self.day = start + i * step_d
            self._step(step_d, food_mg)
        self.day = start + days
        self.account_mg["food in"] += food_mg * steps

    def _step(self, days: float, food_mg: float) -> None:
        powered = self.room.step(self.day, days)
        warm_c = self.room.water_c
        light = self.plants.light(self.day, days) * powered
        volume = self.volume_l
        ammonia, nitrite, nitrate = self._water()
        film = self.biofilm
        made = self.remains.decay(days, food_mg, warm_c)
        arrived = made * film.arriving_share

        moved = powered + (1.0 - powered) * STILL_WATER_SHARE
        kh = max(self._kh(ammonia, nitrite, nitrate), 0.0)
        oxidise = film.ammonia.oxidation_l_per_d(ammonia, warm_c, moved * kh / (HALF_ALKALINITY_DKH + kh))
        take_ammonia, take_nitrate = self.plants.pull(ammonia, nitrate, light, warm_c)

        cells = oxidise * film.ammonia.cells_n_per_n
        made -= 2.0 * arrived
        self.ammonia_mg, gone = emptied(self.ammonia_mg, made, oxidise + cells + take_ammonia, days / volume)
        oxidised = gone * oxidise
        taken = gone * take_ammonia
        debris = film.ammonia.grow(days, oxidised, arrived, warm_c)

        oxidise = film.nitrite.oxidation_l_per_d(nitrite, warm_c, moved)
        cells = oxidise * film.nitrite.cells_n_per_n
        self.nitrite_mg, gone = emptied(self.nitrite_mg, oxidised, oxidise + cells, days / volume)
        oxidised = gone * oxidise
        debris += film.nitrite.grow(days, oxidised, arrived, warm_c)

        reduce = self.substrate.pull_l_per_d(nitrate, self.age_d, warm_c)
        self.nitrate_mg, gone = emptied(self.nitrate_mg, oxidised, reduce + take_nitrate, days / volume)
        self.account_mg["gas out"] += gone * reduce
        taken += gone * take_nitrate

        shed, leaked = self.plants.grow(days, taken, light, warm_c)
        self.remains.litter_mg += shed
        self.remains.waste_mg += debris
        self.ammonia_mg += leaked

    def change_water(self, share: float, source: Water) -> None:
        """Replace a share of the water."""
        kh = (1.0 - share) * self._kh(*self._water()) + share * source.kh
        litres = share * self.volume_l
        before = self.ammonia_mg + self.nitrite_mg + self.nitrate_mg
        self.account_mg["changed out"] += share * before
        self.account_mg["source water in"] += litres * (source.ammonia + source.nitrite + source.nitrate)
        self.ammonia_mg += litres * source.ammonia - share * self.ammonia_mg
        self.nitrite_mg += litres * source.nitrite - share * self.nitrite_mg
        self.nitrate_mg += litres * source.nitrate - share * self.nitrate_mg
        self.reserve_dkh += kh - self._kh(*self._water())

    def trim(self, share: float) -> Trimmed:
        """Take a share of all plants out."""
        dry_g = share * self.plants.dry_g
        n_mg = share * self.plants.n_mg
        self.plants.dry_g -= dry_g
        self.plants.n_mg -= n_mg
        self.account_mg["trimmed out"] += n_mg
        return Trimmed(dry_g / self.plants.dry_share, self.plants.dry_share, n_mg / (1000.0 * dry_g) if dry_g else 0.0)

    def heat_wave(self, days: float, warmer_k: float) -> None:
        """From now on for some days the room is warmer."""
        self.room.warmer_until_day = self.day + days
        self.room.warmer_k = warmer_k

    def cut_power(self, hours: float) -> None:
        """From now on for some hours there is neither light, nor flow, nor heat."""
        self.room.no_power_until_day = self.day + hours / 24.0

    def held(self) -> Self:
        """A copy for which a limit means what the seam says: it ages no more and every season is the mean of a year."""
        still = copy.deepcopy(self)
        still.room.held_c = still.room.water_c = self.room.mean_water_c()
        still.room.no_power_until_day = NEVER_DAY
        still.age_at_start_d, still.ages = self.age_d, False
        still.plants.hold()
        return still

    def limit_g(self) -> float:
        """The largest constant ration in g/d for ever, as the seam defines it.

        The mass of plants is what usual trims keep when reserves are full: their growth against trims, shedding and
        shade. At rest all pools that only return nitrogen are in balance, so the ration is what trims and the substrate
        take out while nitrate stays at the ceiling; if then ammonia or nitrite are over their bounds, at a lower
        nitrate.
        """
        still = self.held()
        plants = still.plants
        ration_mg, within = still._at_nitrate(plants, NITRATE_CEILING_MG_N_PER_L, 60)  # leaves the plants at rest
        if within:
            return ration_mg / self.food_n_mg_per_g
        low, high, best_mg = 0.0, NITRATE_CEILING_MG_N_PER_L, 0.0
        while high - low > 1e-3 * high and high > 1e-3:
            middle = (low + high) / 2.0 if low > 0.0 else high / 3.0
            ration_mg, within = still._at_nitrate(copy.deepcopy(plants), middle, 36)
            if within:
                low, best_mg = middle, ration_mg
            else:
                high = middle
        return best_mg / self.food_n_mg_per_g

    def _at_nitrate(self, plants: Plants, nitrate: float, months: int) -> tuple[float, bool]:
        """In a held copy: the ration in mg N/d that rests at this nitrate, and whether the other bounds are kept."""
        warm_c = self.room.water_c
        film = self.biofilm
        denitrified = self.substrate.pull_l_per_d(nitrate, self.age_d, warm_c) * nitrate
        ammonia = 0.05
        ration = 0.0
        for attempt in range(3):
            rest = plants_at_rest(
                plants, ammonia, nitrate, warm_c, self.usual_trim_per_month, months if attempt == 0 else 12
            )
            ration = rest.trimmed_mg_per_d + denitrified
            supply = ration + rest.shed_mg_per_d + rest.leaked_mg_per_d
            arriving = film.arriving_share * (ration + rest.shed_mg_per_d)

            def short(
                level: float, rest: PlantsAtRest = rest, supply: float = supply, arriving: float = arriving
            ) -> bool:
                kh = max(self._kh(level, 0.0, nitrate), 1e-6)
                slowed = kh / (HALF_ALKALINITY_DKH + kh)
                return (
                    film.ammonia.rest_mg_n_per_d(level, arriving, warm_c, slowed) + level * rest.ammonia_l_per_d
                    < supply
                )

            if short(AMMONIA_DETECTED_MG_N_PER_L):
                return ration, False
            low, high = 1e-5, AMMONIA_DETECTED_MG_N_PER_L
            while high > 1.001 * low:
                middle = (low * high) ** 0.5
                low, high = (middle, high) if short(middle) else (low, middle)
            settled = abs(high - ammonia) < 0.01 * ammonia
            ammonia = high
            if settled:
                break
        nitrified = supply - ammonia * rest.ammonia_l_per_d
        most = film.nitrite.rest_mg_n_per_d(NITRITE_DETECTED_MG_N_PER_L, arriving, warm_c, 1.0)
        return ration, nitrified <= most


def plants_at_rest(
    plants: Plants, ammonia: float, nitrate: float, temperature_c: float, trim: float, most_months: int
) -> PlantsAtRest:
    """Let plants live in water that stays so until a month is like the month before it; `plants` is left at its end."""
    steps = 61
    days = MONTH_D / steps
    light = plants.mean_light()
    before = -1.0
    rest = PlantsAtRest(0.0, 0.0, 0.0, 0.0)
    for _ in range(most_months):
        sum_shed = sum_leaked = sum_pull = 0.0
        for _ in range(steps):
            of_ammonia, of_nitrate = plants.pull(ammonia, nitrate, light, temperature_c)
            shed, leaked = plants.grow(days, days * (of_ammonia * ammonia + of_nitrate * nitrate), light, temperature_c)
            sum_shed += shed
            sum_leaked += leaked
            sum_pull += of_ammonia
        trimmed = trim * plants.n_mg
        plants.n_mg -= trimmed
        plants.dry_g *= 1.0 - trim
        rest = PlantsAtRest(trimmed / MONTH_D, sum_shed / MONTH_D, sum_leaked / MONTH_D, sum_pull / steps)
        if abs(trimmed - before) < 3e-4 * trimmed:
            break
        before = trimmed
    return rest
