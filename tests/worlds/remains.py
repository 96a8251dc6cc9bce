"""Food and its remains on their way to ammonia, and denitrification in the substrate.

Concentrations in mg N/L, rates at 20 deg C:

- Food: N = protein / 6.25. A share of 50 to 70 % leaves the fish as ammonia within a day (Timmons & Ebeling: 0.092 of
  0.16 of the protein fed, 57.5 %; Dalsgaard & Pedersen 2011, Aquaculture 313:92, 71 % of the dissolved N); the fish are
  grown and keep nothing. The rest, uneaten food and faeces, decays at first order at 0.1 to 0.4 per day (days;
  estimate, no source), debris of bacteria with it. Dead leaves decay at 0.015 to 0.045 per day (Hill 1979, Aquat. Bot.,
  SEEN: 0.0312 and 0.0408). Of what decays 10 to 30 % becomes slow organic matter, decaying at 0.004 to 0.015 per day
  (months; common for humified matter, from memory). Factor 1.07 per K (hydrolysis in ASM, from memory).
- Denitrification in the substrate: D NO3 / (K + NO3) for each m2 of bottom, D 1.5 to 57 mg N/m2/d at 20 deg C
  (Seitzinger 1988, Limnol. Oceanogr. 33:702: lakes 2 to 171 umol N/m2/h, that is 0.7 to 57, from memory), K 0.5 to 5 mg
  N/L (0.5 in ASM1, SEEN; higher over sediments), factor 1.07 per K. A new substrate matures with 60 to 200 days (no
  source).
"""

from dataclasses import dataclass
from math import exp, pow

import numpy as np

GUT_PER_D = 3.0  # ammonia leaves small fish within hours of a meal; order of magnitude from memory
DECAY_FACTOR_PER_K = 1.07


@dataclass(slots=True)
class Remains:
    """Nitrogen in food on its way to ammonia, mg, and its rates at 20 deg C."""

    excreted_share: float
    waste_per_d: float
    litter_per_d: float
    slow_per_d: float
    to_slow_share: float
    gut_mg: float = 0.0
    waste_mg: float = 0.0
    litter_mg: float = 0.0
    slow_mg: float = 0.0

    @classmethod
    def draw(cls, rng: np.random.Generator) -> "Remains":
        return cls(
            excreted_share=float(rng.uniform(0.5, 0.7)),
            waste_per_d=float(rng.uniform(0.1, 0.4)),
            litter_per_d=float(rng.uniform(0.015, 0.045)),
            slow_per_d=float(np.exp(rng.uniform(np.log(0.004), np.log(0.015)))),
            to_slow_share=float(rng.uniform(0.1, 0.3)),
        )

    def decay(self, days: float, food_mg: float, temperature_c: float) -> float:
        """Take in food and let everything decay: mg N of ammonia."""
        warmth = days * pow(DECAY_FACTOR_PER_K, temperature_c - 20.0)
        gut = self.gut_mg + food_mg * self.excreted_share
        waste = self.waste_mg + food_mg * (1.0 - self.excreted_share)
        self.gut_mg = gut / (1.0 + days * GUT_PER_D)
        self.waste_mg = waste / (1.0 + warmth * self.waste_per_d)
        litter = self.litter_mg
        self.litter_mg = litter / (1.0 + warmth * self.litter_per_d)
        decayed = waste - self.waste_mg + litter - self.litter_mg
        to_slow = decayed * self.to_slow_share
        slow = self.slow_mg + to_slow
        self.slow_mg = slow / (1.0 + warmth * self.slow_per_d)
        return gut - self.gut_mg + decayed - to_slow + slow - self.slow_mg


@dataclass(slots=True)
class Substrate:
    """Denitrification at the bottom."""

    area_m2: float
    most_mg_n_per_m2_d: float
    half_mg_n_per_l: float
    matures_d: float

    @classmethod
    def draw(cls, rng: np.random.Generator, area_m2: float) -> "Substrate":
        return cls(
            area_m2=area_m2,
            most_mg_n_per_m2_d=float(np.exp(rng.uniform(np.log(1.5), np.log(57.0)))),
            half_mg_n_per_l=float(np.exp(rng.uniform(np.log(0.5), np.log(5.0)))),
            matures_d=float(rng.uniform(60.0, 200.0)),
        )

    def pull_l_per_d(self, nitrate: float, age_d: float, temperature_c: float) -> float:
        """Litres a day that are freed of nitrate."""
        most = self.most_mg_n_per_m2_d * self.area_m2 * (1.0 - exp(-age_d / self.matures_d))
        return most * pow(DECAY_FACTOR_PER_K, temperature_c - 20.0) / (self.half_mg_n_per_l + nitrate)
