"""What the aquariums of this author have in common: well mixed water, its nitrifiers, and the account of nitrogen."""

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from random import Random
from typing import Self

from worlds.ambient import MEQ_PER_L_PER_DKH, MG_N_PER_MMOL, Account, Ambient, log_uniform
from worlds.nitrifiers import NITROGEN_PER_COD, Oxidisers
from worlds.seam import Trimmed, Water

PLANT_THETA = 1.05  # Q10 of 1.6 below the optimum; Barko & Smart 1981, Ecol. Monogr. 51:219, from memory


def share_after(rate_per_d: float, days: float) -> float:
    """How far a pool with constant input has come to its balance; what is lost of one without."""
    return -math.expm1(-rate_per_d * days)


def floor_m2(rng: Random, volume_l: float) -> float:
    """Of a tank 18 cm deep at 10 L and 36 cm at 120 L: sizes of the trade, common practice, no source."""
    depth_m = 0.18 * math.pow(volume_l / 10.0, 0.28) * rng.uniform(0.85, 1.15)
    return volume_l / 1000.0 / depth_m


def preference(ammonia: float, nitrate: float, half: float) -> float:
    """The share of ammonia in what plants take up. All in mg N/L.

    Thomann & Mueller 1987, Principles of Surface Water Quality Modeling, from memory.
    """
    both = ammonia + nitrate
    if both <= 0.0:
        return 0.5
    return ammonia / (half + nitrate) * (nitrate / (half + ammonia) + half / both)


def logistic_with_trims(
    rate_per_d: float, growth_per_d: float, most_g: float, share: float, month_d: float
) -> tuple[float, float]:
    """Mean mass, and mass before a trim, of dB/dt = B (rate - growth B / most) of which a share is cut once a month.

    From the closed form of the logistic curve: the month's factor is 1 / (1 - share), and the mean of growth B / most
    is the rate less the logarithm of that factor a day.
    """
    mean_g = most_g / growth_per_d * (rate_per_d + math.log1p(-share) / month_d) if growth_per_d > 0.0 else 0.0
    if mean_g <= 0.0:
        return 0.0, 0.0
    left = math.exp(-rate_per_d * month_d)
    before = most_g * rate_per_d / growth_per_d * (1.0 - left / (1.0 - share)) / (1.0 - left)
    return mean_g, before


@dataclass(frozen=True, slots=True)
class Life:
    """Nitrifiers and oxygen of one tank."""

    ammonia: Oxidisers
    nitrite: Oxidisers
    most_ammonia_cod: float  # mg on all surfaces
    most_nitrite_cod: float
    dormant: float  # share of the most that outlives starvation
    filter_share: float  # of the nitrifiers, in the filter
    aerated: float  # oxygen of the water as a share of saturation, mean of the day
    oxygen_by_light: float  # added with light and taken in the dark, share of saturation

    @classmethod
    def draw(cls, rng: Random, area_m2: float) -> Self:
        """For a tank of this floor. "Practice" is common practice, no source."""
        surfaces_m2 = area_m2 * rng.uniform(8.0, 30.0)  # glass, grains, leaves and filter; practice
        return cls(
            ammonia=Oxidisers.of_ammonia(rng),
            nitrite=Oxidisers.of_nitrite(rng),
            most_ammonia_cod=surfaces_m2 * log_uniform(rng, 300.0, 1000.0),  # 0.3 to 1 g COD/m2, thin biofilms
            most_nitrite_cod=surfaces_m2 * log_uniform(rng, 120.0, 400.0),
            dormant=rng.uniform(0.001, 0.003),  # no source
            filter_share=rng.uniform(0.3, 0.7),  # practice
            aerated=rng.uniform(0.75, 0.95),  # practice
            oxygen_by_light=rng.uniform(0.05, 0.20),  # practice
        )


@dataclass(slots=True, kw_only=True)
class Tank(ABC):
    """Nitrogen in mg, alkalinity in meq, bacteria in mg COD."""

    volume_l: float
    new: bool
    usual_trim_per_month: float
    protein_percent: float
    food_n: float  # mg N per g
    life: Life
    ambient: Ambient
    rng: Random
    day: float = 0.0
    step_d: float = 1.0 / 48.0
    ammonia_mg: float = 0.0
    nitrite_mg: float = 0.0
    nitrate_mg: float = 0.0
    alkalinity_meq: float = 0.0
    oxygen_share: float = 0.9  # of saturation
    ammonia_oxidisers: float = 0.0
    nitrite_oxidisers: float = 0.0
    ammonia_oxidisers_grow: float = 0.0  # in the last step, 1/d
    nitrite_oxidisers_grow: float = 0.0
    account: Account = field(default_factory=Account)

    @property
    def water(self) -> Water:
        """Of the tank, well mixed."""
        v = self.volume_l
        kh = self.alkalinity_meq / v / MEQ_PER_L_PER_DKH
        return Water(self.ammonia_mg / v, self.nitrite_mg / v, self.nitrate_mg / v, kh)

    @property
    def temperature_c(self) -> float:
        """Of the water now."""
        return self.ambient.temperature_c(self.day)

    def advance(self, days: float, food_g: float) -> None:
        """Steps of at most step_d, of equal length."""
        start, steps = self.day, max(1, math.ceil(days / self.step_d - 1e-9))
        self.account.add("food", food_g * self.food_n)
        for i in range(steps):
            self._step(food_g / steps, days / steps)
            self.day = start + days * (i + 1) / steps

    def change_water(self, share: float, source: Water) -> None:
        """Water only: the substrate is not siphoned."""
        v = self.volume_l
        out = share * (self.ammonia_mg + self.nitrite_mg + self.nitrate_mg)
        self.account.add("changed_out", out)
        self.account.add("changed_in", share * v * (source.ammonia + source.nitrite + source.nitrate))
        self.ammonia_mg += share * (v * source.ammonia - self.ammonia_mg)
        self.nitrite_mg += share * (v * source.nitrite - self.nitrite_mg)
        self.nitrate_mg += share * (v * source.nitrate - self.nitrate_mg)
        self.alkalinity_meq += share * (v * source.kh * MEQ_PER_L_PER_DKH - self.alkalinity_meq)

    def heat_wave(self, days: float, warmer_k: float) -> None:
        """The room is warmer."""
        self.ambient.wave_until, self.ambient.wave_k = self.day + days, warmer_k

    def cut_power(self, hours: float) -> None:
        """No light, no flow, no heat."""
        self.ambient.dark_until = self.day + hours / 24.0

    def nitrogen_mg(self) -> dict[str, float]:
        """The account: at_start, food and changed_in came in; all else is there or went out."""
        return self.account.entries | self._pools()

    @abstractmethod
    def trim(self, share: float) -> Trimmed:
        """Cut a share of all plants."""

    @abstractmethod
    def _other_pools(self) -> dict[str, float]:
        """Nitrogen outside of water and bacteria."""

    @abstractmethod
    def _step(self, food_g: float, dt: float) -> None: ...

    def _pools(self) -> dict[str, float]:
        return {
            "ammonia": self.ammonia_mg,
            "nitrite": self.nitrite_mg,
            "nitrate": self.nitrate_mg,
            "bacteria": NITROGEN_PER_COD * (self.ammonia_oxidisers + self.nitrite_oxidisers),
        } | self._other_pools()

    def _begin_account(self) -> None:
        self.account = Account()
        self.account.add("at_start", math.fsum(self._pools().values()))

    def _charge(self) -> float:
        """What alkalinity follows, in meq: every step of the cycle keeps alkalinity + nitrite + nitrate - ammonia."""
        return (self.ammonia_mg - self.nitrite_mg - self.nitrate_mg) / MG_N_PER_MMOL

    def _breathe(self, lit: float, dark: bool, dt: float) -> None:
        """Oxygen follows light and flow within hours: gas exchange of small tanks; practice."""
        life = self.life
        aim = 0.3 if dark else life.aerated + life.oxygen_by_light * (lit - self.ambient.light_days)
        self.oxygen_share += (aim - self.oxygen_share) * share_after(6.0, dt)

    def _nitrify(
        self,
        offered: float,
        others: float,
        activity: float,
        buffered: float,
        warm_factor: float,
        settled: float,
        dt: float,
    ) -> tuple[float, float]:
        """One step of both populations: what others took of the ammonia, and the nitrate made.

        Offered: ammonia there and made in the step; others: see Oxidisers.left_mg_n; activity: growth as a multiple of
        that at 20 deg C; buffered: a further factor of the first step; settled: share of the surfaces with biofilm.
        Without flow those in the filter rest and starve of oxygen.
        """
        life, v = self.life, self.volume_l
        dark = self.day < self.ambient.dark_until
        lost = warm_factor * (1.0 + (10.0 * life.filter_share if dark else 0.0))
        if dark:
            activity *= 1.0 - life.filter_share
        most_a, most_n = settled * life.most_ammonia_cod, settled * life.most_nitrite_cod
        # The mass in the middle of the step, if it grows as before: else growth from nearly nothing lags with the step.
        mass_a = self.ammonia_oxidisers * math.exp(0.5 * dt * self.ammonia_oxidisers_grow)
        mass_n = self.nitrite_oxidisers * math.exp(0.5 * dt * self.nitrite_oxidisers_grow)
        ammonia = life.ammonia.left_mg_n(offered, mass_a, v, activity * buffered, dt, others)
        taken = others * ammonia
        eaten = max(0.0, offered - ammonia - taken)
        grown_a = life.ammonia.yield_cod_per_n * eaten * max(0.0, 1.0 - self.ammonia_oxidisers / most_a)
        fresh = self.nitrite_mg + eaten - NITROGEN_PER_COD * grown_a
        self.nitrite_mg = min(fresh, life.nitrite.left_mg_n(fresh, mass_n, v, activity, dt))
        passed = fresh - self.nitrite_mg
        grown_n = life.nitrite.yield_cod_per_n * passed * max(0.0, 1.0 - self.nitrite_oxidisers / most_n)
        # What is not dormant decays, and its nitrogen is ammonia again.
        live_a = max(0.0, self.ammonia_oxidisers - life.dormant * most_a)
        live_n = max(0.0, self.nitrite_oxidisers - life.dormant * most_n)
        lysed_a = live_a * share_after(life.ammonia.decay_per_d * lost, dt)
        lysed_n = live_n * share_after(life.nitrite.decay_per_d * lost, dt)
        before_a, before_n = self.ammonia_oxidisers, self.nitrite_oxidisers
        self.ammonia_oxidisers += grown_a - lysed_a
        self.nitrite_oxidisers += grown_n - lysed_n
        self.ammonia_oxidisers_grow = math.log(self.ammonia_oxidisers / before_a) / dt
        self.nitrite_oxidisers_grow = math.log(self.nitrite_oxidisers / before_n) / dt
        self.ammonia_mg = ammonia + NITROGEN_PER_COD * (lysed_a + lysed_n)
        return taken, passed - NITROGEN_PER_COD * grown_n

    def _nitrifiers_at_rest(self, oxidised_mg_n_per_d: float, warm_factor: float, settled: float) -> None:
        life = self.life
        most_a, most_n = settled * life.most_ammonia_cod, settled * life.most_nitrite_cod
        self.ammonia_oxidisers = life.ammonia.mass_at_rest_cod_mg(
            oxidised_mg_n_per_d, most_a, life.dormant * most_a, warm_factor
        )
        self.nitrite_oxidisers = life.nitrite.mass_at_rest_cod_mg(
            oxidised_mg_n_per_d, most_n, life.dormant * most_n, warm_factor
        )
