"""The two steps of nitrification, by two populations that grow on what they oxidise.

Growth on one substrate after Monod with decay, yields and half-saturations as in ASM1 and ASM2d (Henze et al. 2000,
Activated Sludge Models, IWA; defaults seen in a public implementation) and for populations of clean water Nowka,
Daims & Spieck 2015, Appl. Environ. Microbiol. 81:745 (Nitrospira, Km of nitrite 9 to 27 umol/L; from memory).
A surface carries no more than a certain mass: logistic crowding (Wanner & Gujer 1986, Biotechnol. Bioeng. 28:314,
has biofilms whose mass is limited by detachment; the form here is the logistic one of ecology). Some cells outlive
starvation dormant (Johnstone & Jones 1988, Mar. Ecol. Prog. Ser. 49:295: weeks to months, from memory).
"""

import math
from dataclasses import dataclass
from random import Random
from typing import Self

from worlds.ambient import log_uniform

NITROGEN_PER_COD = 0.086  # mg N per mg COD of bacteria; ASM1, i_XB
OXYGEN_HALF_MMOL_PER_L = 0.4 / 31.998  # ASM1, K_OA
ALKALINITY_HALF_MEQ_PER_L = 0.5  # ASM2d, K_ALK of autotrophs
THETA = math.exp(0.098)  # of growth; US EPA 1975, Process Design Manual for Nitrogen Control


@dataclass(frozen=True, slots=True)
class Oxidisers:
    """Constants of one population at 20 deg C."""

    growth_per_d: float
    half_mg_n_per_l: float
    yield_cod_per_n: float
    decay_per_d: float

    @classmethod
    def of_ammonia(cls, rng: Random) -> Self:
        """Growth 0.3 to 1.0 per day (ASM1, ASM2d), K 0.2 to 0.7 mg N/L (ASM 1.0; biofilms of clean water below it)."""
        return cls(
            growth_per_d=rng.uniform(0.5, 0.9),
            half_mg_n_per_l=log_uniform(rng, 0.2, 0.7),
            yield_cod_per_n=rng.uniform(0.13, 0.18),  # 0.24 for both steps in ASM1; three quarters in the first
            decay_per_d=rng.uniform(0.03, 0.06),  # 0.05 in BSM1
        )

    @classmethod
    def of_nitrite(cls, rng: Random) -> Self:
        """Nitrospira: K 9 to 27 umol/L (Nowka et al. 2015), growth about as in ASM1's range."""
        return cls(
            growth_per_d=rng.uniform(0.45, 0.8),
            half_mg_n_per_l=log_uniform(rng, 0.126, 0.378),
            yield_cod_per_n=rng.uniform(0.04, 0.08),
            decay_per_d=rng.uniform(0.03, 0.06),
        )

    def left_mg_n(
        self,
        offered_mg_n: float,
        mass_cod_mg: float,
        volume_l: float,
        activity: float,
        step_d: float,
        others: float = 0.0,
    ) -> float:
        """What is left after one step of all that is there and comes in, by the implicit Euler rule.

        Others take this multiple of what is left at the end; the population has had the rest.
        """
        limit = activity * self.growth_per_d / self.yield_cod_per_n * mass_cod_mg * step_d
        half = self.half_mg_n_per_l * volume_l
        # (1 + others) left + limit left / (half + left) = offered, a quadratic, solved without a loss of digits.
        lead = 1.0 + others
        rest = offered_mg_n - lead * half - limit
        root = math.sqrt(rest * rest + 4.0 * lead * half * offered_mg_n)
        return 0.5 * (rest + root) / lead if rest > 0.0 else 2.0 * half * offered_mg_n / (root - rest)

    def mass_at_rest_cod_mg(
        self, eaten_mg_n_per_d: float, most_cod_mg: float, dormant_cod_mg: float, decay_factor: float
    ) -> float:
        """The mass that so much a day keeps alive: growth less crowding equals decay of what is not dormant."""
        grown = self.yield_cod_per_n * max(0.0, eaten_mg_n_per_d)
        decay = self.decay_per_d * decay_factor
        return (grown + decay * dormant_cod_mg) / (decay + grown / most_cod_mg)

    def at_rest(
        self,
        eaten_mg_n_per_d: float,
        most_cod_mg: float,
        dormant_cod_mg: float,
        growth_factor: float,
        decay_factor: float,
    ) -> float:
        """The concentration, in mg N/L, that so much a day leaves in the water for good. Infinite if it is too much."""
        if eaten_mg_n_per_d <= 0.0:
            return 0.0
        mass = self.mass_at_rest_cod_mg(eaten_mg_n_per_d, most_cod_mg, dormant_cod_mg, decay_factor)
        share = self.yield_cod_per_n * eaten_mg_n_per_d / (self.growth_per_d * growth_factor * mass)
        return self.half_mg_n_per_l * share / (1.0 - share) if share < 1.0 else math.inf
