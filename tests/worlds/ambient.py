"""What surrounds the water of a simulated aquarium: its temperature, its light, and physical constants of water.

References:
  Benson & Krause 1984, Limnol. Oceanogr. 29:620 (saturation of oxygen; from memory, checked against table values).
  Boudreau 1997, Diagenetic Models and Their Implementation, ch. 4 (diffusion coefficients; from memory).
  Boudreau 1996, Geochim. Cosmochim. Acta 60:3139 (tortuosity; from memory).
"""

import math
from dataclasses import dataclass, field, replace
from random import Random
from typing import Self

MG_N_PER_MMOL = 14.007  # molar mass
MG_C_PER_MMOL = 12.011  # molar mass
MEQ_PER_L_PER_DKH = 0.3567  # molar masses: 17.848 mg CaCO3/L
DAYS_PER_MONTH = 30.44
_M2_PER_D = 8.64e-6  # one 10^-6 cm2/s


def log_uniform(rng: Random, low: float, high: float) -> float:
    """A number whose logarithm is drawn evenly between those of the two ends."""
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def oxygen_saturation_mmol_per_l(temperature_c: float) -> float:
    """Dissolved oxygen of fresh water under air of 101.3 kPa, Benson & Krause 1984."""
    t = 1.0 / (temperature_c + 273.15)
    ln_mg = -139.34411 + t * (1.575701e5 + t * (-6.642308e7 + t * (1.2438e10 - t * 8.621949e11)))
    return math.exp(ln_mg) / 31.998


def oxygen_diffusion_m2_per_d(temperature_c: float) -> float:
    """In free water, Boudreau 1997."""
    return _M2_PER_D * (11.7 + temperature_c * (0.344 + 0.00505 * temperature_c))


def nitrate_diffusion_m2_per_d(temperature_c: float) -> float:
    """In free water, Boudreau 1997."""
    return _M2_PER_D * (9.50 + 0.388 * temperature_c)


def pore_share(porosity: float) -> float:
    """Diffusion through a bed of grains as a share of that through free water: porosity over squared tortuosity."""
    return porosity / (1.0 - math.log(porosity * porosity))


@dataclass(slots=True)
class Ambient:
    """Temperature and light over time. Days are those of the world; the hour of the day is the fraction of a day."""

    mean_c: float
    season_k: float  # amplitude over a year
    warmest_day: float
    daily_k: float  # amplitude over a day
    weather: tuple[tuple[float, float, float], ...]  # amplitude in K, period in days, phase
    light_from: float  # fraction of the day
    light_days: float  # length of the light, as a fraction of the day
    exchange_per_d: float  # how fast the water follows the room
    room_below_k: float  # how far the room is below the heated water
    offset_k: float = 0.0
    wave_until: float = -math.inf
    wave_k: float = 0.0
    dark_until: float = -math.inf

    @classmethod
    def draw(cls, rng: Random, volume_l: float) -> Self:
        """Rooms and lamps as people have them: common practice, no source."""
        heated = rng.random() < 0.6
        mean_c = rng.uniform(23.0, 25.5) if heated else rng.uniform(20.5, 23.5)
        size_k = 0.25 if heated else 0.6
        return cls(
            mean_c=mean_c,
            season_k=rng.uniform(0.3, 1.2) if heated else rng.uniform(1.5, 3.0),
            warmest_day=rng.uniform(0.0, 365.0),
            daily_k=rng.uniform(0.1, 0.5),
            weather=tuple(
                (size_k * rng.uniform(0.5, 1.0), period_d * rng.uniform(0.8, 1.25), rng.uniform(0.0, 6.28))
                for period_d in (4.3, 9.7, 23.0)
            ),
            light_from=rng.uniform(0.3, 0.5),
            light_days=rng.uniform(7.0, 10.5) / 24.0,
            # 8 W/m2/K over the walls of a cube, a boundary layer of air (engineering handbooks, from memory)
            exchange_per_d=8.0 * 86400.0 * 6.0 * (volume_l / 1000.0) ** (-1.0 / 3.0) / 4.18e6 * rng.uniform(0.7, 1.3),
            room_below_k=rng.uniform(2.0, 5.0) if heated else rng.uniform(0.0, 1.0),
        )

    def held(self) -> Self:
        """The same surroundings without seasons, weather or events."""
        return replace(
            self, season_k=0.0, weather=(), offset_k=0.0, wave_until=-math.inf, wave_k=0.0, dark_until=-math.inf
        )

    def step(self, day: float, step_d: float) -> None:
        """Let the water follow what happens outside of the ordinary, from the day for one step."""
        target_k = self.wave_k if day < self.wave_until else 0.0
        if day < self.dark_until:
            target_k -= self.room_below_k
        elif self.offset_k == 0.0 and target_k == 0.0:
            return
        self.offset_k += (target_k - self.offset_k) * -math.expm1(-self.exchange_per_d * step_d)

    def temperature_c(self, day: float) -> float:
        """Of the water."""
        turn = 2.0 * math.pi
        warm = self.mean_c + self.offset_k + self.daily_k * math.sin(turn * (day - self.light_from))
        if self.season_k:
            warm += self.season_k * math.cos(turn * (day - self.warmest_day) / 365.0)
        for size_k, period_d, phase in self.weather:
            warm += size_k * math.sin(turn * day / period_d + phase)
        return warm

    def lit_share(self, day: float, step_d: float) -> float:
        """The share of the step from the day on (at most a day long) in which the lamp is on."""
        if day < self.dark_until:
            return 0.0
        start = (day - self.light_from) % 1.0
        end = start + step_d
        first = min(end, self.light_days) - start
        second = min(end, 1.0 + self.light_days) - 1.0
        return (max(0.0, first) + max(0.0, second)) / step_d


INPUTS = ("at_start", "food", "changed_in")


@dataclass(slots=True)
class Account:
    """Nitrogen that came in and went out, in mg, since day 0."""

    entries: dict[str, float] = field(default_factory=dict)

    def add(self, name: str, amount_mg: float) -> None:
        """Enter an amount under a name."""
        self.entries[name] = self.entries.get(name, 0.0) + amount_mg


def nitrogen_gap_mg(account: dict[str, float]) -> float:
    """What came in, less what is there and what went out: zero where nitrogen is conserved."""
    return math.fsum(value if name in INPUTS else -value for name, value in account.items())
