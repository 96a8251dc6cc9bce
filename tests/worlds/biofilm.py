"""A nitrifying biofilm in two steps: ammonia to nitrite, nitrite to nitrate.

Each step has its own bacteria, attached to surfaces, in mg COD, and the equations of ASM1 split in two (Henze et al.
1987; Sin et al. 2008, Water Sci. Technol. 58:1155): growth = mu M X with M = S / (K + S), and for the first step also
alkalinity / (K_alk + alkalinity) (ASM2d, Henze et al. 1999); oxidation = mu M X / Y; decay = b X. Because they are
attached and surfaces are limited, some are sheared off in proportion to growth (Speitel & DiGiano 1987, J. Environ.
Eng. 113:464): here mu M X (X / X_max), so that a full surface loses what it grows. At rest the substrate cannot fall
under S_min = K b / (mu - b) (Rittmann & McCarty 1980, Biotechnol. Bioeng. 22:2343).

Bacteria take the nitrogen of their own cells from what they oxidise and give it back as debris when they decay.

Constants, at 20 deg C. "SEEN" were read in stored copies; the rest is from memory.
- mu, ammonia: 0.6 to 1.0 per day (ASM1 0.8, ASM2d 1.0, SEEN; EPA 1975 gives 0.77, SEEN); factor exp(0.098) per K (EPA
  1975, SEEN).
- mu, nitrite: 0.7 to 1.1 per day (Rittmann & McCarty 2001: 0.81; Sin et al. 2008: up to 1.1); factor 1.06 per K.
- K, both: 0.8 to 1.9 mg N/L (ASM1 1.0, EPA law 0.73 at 20 and 1.31 at 25 deg C, SEEN; nitrite 1.3, Rittmann & McCarty).
- b: 0.015 to 0.05 per day (BSM1 0.05 at 15 deg C, SEEN; starved or anoxic nitrifiers 0.01 to 0.02, Manser et al.
  2006, Water Res. 40:2416); factor 1.06 per K.
- Y: 0.15 to 0.21 and 0.03 to 0.09 mg COD/mg N (Sin et al. 2008; together 0.24, ASM1, SEEN). Nitrogen of cells: 0.086
  mg N/mg COD (ASM1).
- K_alk: 0.5 mmol/L = 1.4 dKH (ASM2d).
- Most that a covered surface oxidises: 0.2 to 1.0 g N/m2/d (Timmons & Ebeling, Recirculating Aquaculture). Surface: 10
  to 60 m2 for each m3 of aquarium, filter sponge, gravel and plants together (geometry of usual fillings, no source).
- In water that stands still, a fifth of the rates (estimate, no source).
- Living nitrifiers that come with decaying matter: 0.02 to 0.1 % of its nitrogen, estimate, no source; they keep a
  population from dying out where plants take all the ammonia.
"""

from dataclasses import dataclass
from math import pow, sqrt

import numpy as np

CELL_N_MG_PER_MG_COD = 0.086
GROWTH_FACTOR_AMMONIA_PER_K = 1.1030  # exp(0.098)
GROWTH_FACTOR_NITRITE_PER_K = 1.06
DECAY_FACTOR_PER_K = 1.06
HALF_ALKALINITY_DKH = 0.5 / 0.3567
STILL_WATER_SHARE = 0.2


@dataclass(slots=True)
class Oxidisers:
    """The bacteria of one step. Rates per day at 20 deg C, concentrations in mg N/L, masses in mg COD."""

    growth_per_d: float
    growth_factor_per_k: float
    half_mg_n_per_l: float
    decay_per_d: float
    yield_cod_per_n: float
    full_mg_cod: float
    mg_cod: float

    def oxidation_l_per_d(self, substrate_mg_n_per_l: float, temperature_c: float, slowed: float) -> float:
        """Litres a day that are freed of the substrate (oxidation in mg N/d over concentration)."""
        growth = self.growth_per_d * pow(self.growth_factor_per_k, temperature_c - 20.0) * slowed
        return growth * self.mg_cod / (self.yield_cod_per_n * (self.half_mg_n_per_l + substrate_mg_n_per_l))

    @property
    def cells_n_per_n(self) -> float:
        """mg N that goes into cells for each mg N oxidised."""
        return CELL_N_MG_PER_MG_COD * self.yield_cod_per_n

    def grow(self, days: float, oxidised_mg_n: float, arrived_mg_n: float, temperature_c: float) -> float:
        """Grow by what was oxidised, shear off and decay; mg N of debris."""
        arrived = arrived_mg_n / CELL_N_MG_PER_MG_COD
        grown = self.yield_cod_per_n * oxidised_mg_n
        before = self.mg_cod + grown + arrived
        kept = before - grown * min(self.mg_cod / self.full_mg_cod, 1.0)
        self.mg_cod = kept / (1.0 + days * self.decay_per_d * pow(DECAY_FACTOR_PER_K, temperature_c - 20.0))
        return CELL_N_MG_PER_MG_COD * (before - self.mg_cod)

    def rest_mg_n_per_d(
        self, substrate: float, arriving_mg_n_per_d: float, temperature_c: float, slowed: float
    ) -> float:
        """What the population oxidises that such a concentration keeps alive for ever, mg N/d."""
        share = substrate / (self.half_mg_n_per_l + substrate)
        growth = self.growth_per_d * pow(self.growth_factor_per_k, temperature_c - 20.0) * slowed * share
        decay = self.decay_per_d * pow(DECAY_FACTOR_PER_K, temperature_c - 20.0)
        arriving = arriving_mg_n_per_d / CELL_N_MG_PER_MG_COD / self.full_mg_cod
        net = growth - decay
        filled = (net + sqrt(net * net + 4.0 * growth * arriving)) / (2.0 * growth)
        return growth * filled * self.full_mg_cod / self.yield_cod_per_n

    def lowest_mg_n_per_l(self, temperature_c: float) -> float:
        """S_min: the concentration that just keeps a thin film alive."""
        growth = self.growth_per_d * pow(self.growth_factor_per_k, temperature_c - 20.0)
        decay = self.decay_per_d * pow(DECAY_FACTOR_PER_K, temperature_c - 20.0)
        return self.half_mg_n_per_l * decay / (growth - decay) if growth > decay else float("inf")


@dataclass(slots=True)
class Biofilm:
    """Both steps."""

    ammonia: Oxidisers
    nitrite: Oxidisers
    arriving_share: float

    @classmethod
    def draw(cls, rng: np.random.Generator, volume_l: float) -> "Biofilm":
        """A film without bacteria yet."""
        area_m2 = volume_l / 1000.0 * float(np.exp(rng.uniform(np.log(10.0), np.log(60.0))))
        most_mg_n_per_d = 1000.0 * float(rng.uniform(0.2, 1.0)) * area_m2

        def one(growth: tuple[float, float], factor: float, yields: tuple[float, float]) -> Oxidisers:
            growth_per_d = float(rng.uniform(*growth))
            yield_cod_per_n = float(rng.uniform(*yields))
            return Oxidisers(
                growth_per_d=growth_per_d,
                growth_factor_per_k=factor,
                half_mg_n_per_l=float(rng.uniform(0.8, 1.9)),
                decay_per_d=float(rng.uniform(0.015, 0.05)),
                yield_cod_per_n=yield_cod_per_n,
                full_mg_cod=most_mg_n_per_d * yield_cod_per_n / growth_per_d,
                mg_cod=0.0,
            )

        return cls(
            ammonia=one((0.6, 1.0), GROWTH_FACTOR_AMMONIA_PER_K, (0.15, 0.21)),
            nitrite=one((0.7, 1.1), GROWTH_FACTOR_NITRITE_PER_K, (0.03, 0.09)),
            arriving_share=float(rng.uniform(0.0002, 0.001)),
        )

    def inoculate(self) -> None:
        """The few bacteria of a newly filled tank (0.2 % of a full surface; estimate, no source)."""
        for one in (self.ammonia, self.nitrite):
            one.mg_cod = 0.002 * one.full_mg_cod

    @property
    def n_mg(self) -> float:
        """Nitrogen in cells."""
        return CELL_N_MG_PER_MG_COD * (self.ammonia.mg_cod + self.nitrite.mg_cod)
