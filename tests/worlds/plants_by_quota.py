"""Rooted and stem plants whose growth depends on the nitrogen in their tissue (Droop's cell quota).

With B g of dry mass and N mg of nitrogen, q = N / B (the share of dry mass is q / 1000):

- Growth: dB/dt = (mu f(light, B) (1 - B / C) f(T) (1 - q_min / q) / (1 - q_min / q_max) - r - d) B. Droop 1973, J.
  Phycol. 9:264, in the form in which mu is reached at q_max; the same for large algae, Solidoro et al. 1997, Ecol.
  Model. 94:191, and for water plants in PCLake (Janse 2005, Model studies on the eutrophication of shallow lakes
  and ditches), which also has the capacity C: plants cannot become denser than the space holds.
- Light: I / (I_k + I) averaged over a canopy in which light falls by Beer's law with k B / area (Monsi & Saeki 1953;
  Titus & Adams 1979, Oecologia 40:273).
- Uptake of nitrate: V (q_max - q) / (q_max - q_min) S / (K + S) for each g (Lehman et al. 1975, Limnol. Oceanogr.
  20:343; Solidoro et al. 1997): highest when starved, shut off when the quota is full. Ammonia likewise; and it holds
  back the uptake of nitrate by K_i / (K_i + ammonia) (Parker 1993, J. Mar. Res. 51:113).
- Leaves die at d; a share of their nitrogen is drawn back before. Respiration r uses up dry mass and no nitrogen;
  nitrogen over q_max leaks out as ammonia. All other nutrients are enough.

Constants and ranges, from memory unless it says SEEN (a stored copy was read):
- q_min 10 to 13 mg/g, q_max 38 to 55 mg/g. Critical content of submersed plants 13 mg/g (Gerloff & Krombholz 1966,
  Limnol. Oceanogr. 11:529); mean of three species 26.5 mg/g (Hill 1979, Aquat. Bot., SEEN); plants in rich water over
  40 mg/g (Demars & Edwards 2007, Freshwater Biol. 52:2073).
- mu 0.15 to 0.35 per day of full light at 25 deg C: over whole days with the lamp's hours and light, at most about 0.11
  per day (Nielsen & Sand-Jensen 1991, Limnol. Oceanogr. 36:1115: 0.01 to 0.11; PCLake 0.2 at 20 deg C before light and
  day length). Q10 1.6 to 2.2.
- C 150 to 600 g/m2 (PCLake 400).
- I_k 20 to 80 umol/m2/s; k 0.010 to 0.024 m2/g dry (Titus & Adams 1979; Van Nes et al. 2003, Ecol. Model. 159:103).
  Lamps give 20 to 180 umol/m2/s at the plants for 7 to 10 h (common practice, no source).
- r 0.003 to 0.010 per day at 20 deg C, Q10 2 (Van Nes et al. 2003; PCLake 0.02 in lakes); d 0.002 to 0.006 per day
  (PCLake 0.005 in summer); 0 to 40 % of the nitrogen drawn back (Aerts 1996, J. Ecol. 84:597: about half on land).
- K for nitrate 0.05 to 1 mg N/L, for ammonia 0.05 to 0.5 (Nichols & Keeney 1976, Freshwater Biol. 6:145; Cedergreen &
  Madsen 2002, New Phytol. 155:285); K_i 0.1 to 1 mg N/L. V: 2 to 3 times what a sated plant needs in its fastest growth
  over whole days, as starved plants take up 2 to 3 times as much; for ammonia 1 to 2 times this. In the dark 40 to
  100 % of it.
- Bottom of 0.08 m2 at 20 L and in proportion to volume^(2/3); dry share of wet mass 0.06 to 0.11; trims 12 to 40 % a
  month (common practice, no source).

Drawn again, because nobody would keep such a tank without changes of water: tanks in which even a thin biofilm leaves
more than 60 % of the nitrite or 80 % of the ammonia that tests show, and tanks whose plants die out under the usual
trims (less than 20 g/m2 with full reserves).

The record begins at day 0: in new tanks (35 %) with young plants of 15 to 60 g/m2 from a nursery that fed them well, in
old ones after up to a year at 0.01 to 0.02 g/d for 20 L, which has starved most of them.
"""

import copy
from dataclasses import dataclass
from math import exp, log
from typing import ClassVar, Self

import numpy as np

from worlds.biofilm import Biofilm
from worlds.remains import Remains, Substrate
from worlds.room import Room
from worlds.seam import NITRATE_CEILING_MG_N_PER_L, PROTEIN_PER_N
from worlds.tank import MONTH_D, Tank, plants_at_rest

LEAK_PER_D = 0.5  # of the nitrogen over q_max; estimate, no source, fast against growth
RESPIRATION_FACTOR_PER_K = 2.0**0.1


@dataclass(slots=True)
class QuotaPlants:
    """Masses in g dry and mg N; rates per day; light in umol/m2/s; the lamp burns around noon."""

    area_m2: float
    growth_per_d: float
    growth_factor_per_k: float
    q_min_mg_per_g: float
    q_max_mg_per_g: float
    lamp_umol: float
    half_light_umol: float
    shade_m2_per_g: float
    capacity_g_per_m2: float
    lamp_h: float
    respiration_per_d: float
    shed_per_d: float
    drawn_back: float
    uptake_mg_per_g_d: float
    ammonia_over_nitrate: float
    half_nitrate_mg_n_per_l: float
    half_ammonia_mg_n_per_l: float
    held_back_mg_n_per_l: float
    dark_uptake: float
    dry_share: float
    dry_g: float
    n_mg: float

    @classmethod
    def draw(cls, rng: np.random.Generator, area_m2: float) -> "QuotaPlants":
        def log_uniform(low: float, high: float) -> float:
            return float(np.exp(rng.uniform(log(low), log(high))))

        growth = float(rng.uniform(0.15, 0.35))
        lamp_umol = log_uniform(20.0, 180.0)
        half_light = log_uniform(20.0, 80.0)
        lamp_h = float(rng.uniform(7.0, 10.0))
        q_max = float(rng.uniform(38.0, 55.0))
        fastest = growth * lamp_umol / (lamp_umol + half_light) * lamp_h / 24.0
        return cls(
            area_m2=area_m2,
            growth_per_d=growth,
            growth_factor_per_k=float(rng.uniform(1.6, 2.2)) ** 0.1,
            q_min_mg_per_g=float(rng.uniform(10.0, 13.0)),
            q_max_mg_per_g=q_max,
            lamp_umol=lamp_umol,
            half_light_umol=half_light,
            shade_m2_per_g=float(rng.uniform(0.010, 0.024)),
            capacity_g_per_m2=log_uniform(150.0, 600.0),
            lamp_h=lamp_h,
            respiration_per_d=float(rng.uniform(0.003, 0.010)),
            shed_per_d=float(rng.uniform(0.002, 0.006)),
            drawn_back=float(rng.uniform(0.0, 0.4)),
            uptake_mg_per_g_d=float(rng.uniform(2.0, 3.0)) * fastest * q_max,
            ammonia_over_nitrate=float(rng.uniform(1.0, 2.0)),
            half_nitrate_mg_n_per_l=log_uniform(0.05, 1.0),
            half_ammonia_mg_n_per_l=log_uniform(0.05, 0.5),
            held_back_mg_n_per_l=log_uniform(0.1, 1.0),
            dark_uptake=float(rng.uniform(0.4, 1.0)),
            dry_share=float(rng.uniform(0.06, 0.11)),
            dry_g=150.0 * area_m2,
            n_mg=150.0 * area_m2 * 0.9 * q_max,
        )

    def light(self, day: float, days: float) -> float:
        """The share of the time in which the lamp burns."""
        start = (day - (0.5 - self.lamp_h / 48.0)) % 1.0
        on = self.lamp_h / 24.0
        lit = max(on - start, 0.0) if start + days > on else days
        return (min(lit, days) + max(min(start + days - 1.0, on), 0.0)) / days

    def mean_light(self) -> float:
        return self.lamp_h / 24.0

    def hold(self) -> None:
        """A lamp has no season."""

    def quota_share(self) -> float:
        """How much of growth the quota allows: 0 at q_min, 1 at q_max."""
        if self.dry_g <= 0.0 or self.n_mg <= self.q_min_mg_per_g * self.dry_g:
            return 0.0
        share = (1.0 - self.q_min_mg_per_g * self.dry_g / self.n_mg) / (1.0 - self.q_min_mg_per_g / self.q_max_mg_per_g)
        return min(share, 1.0)

    def canopy_share(self) -> float:
        """I / (I_k + I), averaged over the canopy, times the share of the capacity that is free."""
        g_per_m2 = self.dry_g / self.area_m2
        depth = max(self.shade_m2_per_g * g_per_m2, 1e-6)
        under = self.half_light_umol + self.lamp_umol * exp(-depth)
        free = max(1.0 - g_per_m2 / self.capacity_g_per_m2, 0.0)
        return free * log((self.half_light_umol + self.lamp_umol) / under) / depth

    def pull(self, ammonia: float, nitrate: float, light: float, temperature_c: float) -> tuple[float, float]:
        room = (self.q_max_mg_per_g * self.dry_g - self.n_mg) / (self.q_max_mg_per_g - self.q_min_mg_per_g)
        if room <= 0.0:
            return 0.0, 0.0
        most = self.uptake_mg_per_g_d * room * self.growth_factor_per_k ** (temperature_c - 25.0)
        most *= self.dark_uptake + (1.0 - self.dark_uptake) * light
        free = self.held_back_mg_n_per_l / (self.held_back_mg_n_per_l + ammonia)
        return (
            most * self.ammonia_over_nitrate / (self.half_ammonia_mg_n_per_l + ammonia),
            most * free / (self.half_nitrate_mg_n_per_l + nitrate),
        )

    def grow(self, days: float, taken_mg: float, light: float, temperature_c: float) -> tuple[float, float]:
        # By the midpoint, as mass and quota swing with the lamp.
        most = self.growth_per_d * self.growth_factor_per_k ** (temperature_c - 25.0) * light
        lost = self.respiration_per_d * RESPIRATION_FACTOR_PER_K ** (temperature_c - 20.0) + self.shed_per_d
        shed = self.n_mg * (1.0 - exp(-days * self.shed_per_d * (1.0 - self.drawn_back)))
        start_g = self.dry_g
        self.dry_g *= exp(days / 2.0 * (most * self.canopy_share() * self.quota_share() - lost))
        self.n_mg += (taken_mg - shed) / 2.0
        self.dry_g = start_g * exp(days * (most * self.canopy_share() * self.quota_share() - lost))
        self.n_mg += (taken_mg - shed) / 2.0
        over = max(self.n_mg - self.q_max_mg_per_g * self.dry_g, 0.0)
        leaked = over * (1.0 - 1.0 / (1.0 + days * LEAK_PER_D))
        self.n_mg -= leaked
        return shed, leaked


@dataclass(slots=True)
class PlantsByQuota(Tank):
    """The world of this module; the parts are described in tank.py and above."""

    plants: QuotaPlants
    stream: ClassVar[int] = 1

    @classmethod
    def _candidate(cls, rng: np.random.Generator) -> Self | None:
        volume_l = float(np.exp(rng.uniform(log(10.0), log(120.0))))
        area_m2 = 0.08 * (volume_l / 20.0) ** (2.0 / 3.0)
        label = float(rng.uniform(35.0, 50.0))
        new = bool(rng.random() < 0.35)
        tank = cls(
            volume_l=volume_l,
            new=new,
            usual_trim_per_month=float(rng.uniform(0.12, 0.40)),
            protein_percent=round(label),
            food_n_mg_per_g=10.0 * round(label) * float(rng.uniform(0.96, 1.04)) / PROTEIN_PER_N,
            reserve_dkh=0.0,
            age_at_start_d=0.0 if new else float(rng.uniform(150.0, 1500.0)),
            room=Room.draw(rng, volume_l, heated=0.7),
            plants=QuotaPlants.draw(rng, area_m2),
            biofilm=Biofilm.draw(rng, volume_l),
            remains=Remains.draw(rng),
            substrate=Substrate.draw(rng, area_m2),
        )
        kh = float(rng.uniform(4.0, 10.0))
        small_ration_g = float(rng.uniform(0.01, 0.02)) * volume_l / 20.0
        young_g_per_m2 = float(rng.uniform(15.0, 60.0))
        filled_mg_n_per_l = float(rng.uniform(0.0, 2.0))
        wet_start = float(rng.uniform(0.5, 0.9))
        if not tank.bearable(kh):
            return None
        full = copy.deepcopy(tank.plants)
        warm_c = tank.room.mean_water_c()
        plants_at_rest(full, 0.0, NITRATE_CEILING_MG_N_PER_L, warm_c, tank.usual_trim_per_month, 60)
        if full.dry_g < 20.0 * area_m2:
            return None
        plants = tank.plants
        if new:
            plants.dry_g = young_g_per_m2 * area_m2
            plants.n_mg = plants.dry_g * wet_start * plants.q_max_mg_per_g
            tank.nitrate_mg = filled_mg_n_per_l * volume_l
            tank.biofilm.inoculate()
        else:
            settle_starved(tank, full, small_ration_g)
        tank.begin(kh)
        return tank


def settle_starved(tank: PlantsByQuota, full: QuotaPlants, ration_g: float) -> None:
    """Bring an old tank to what a small ration has made of it, beginning with the plants that it could feed."""
    plants = tank.plants
    poor_mg_per_g = 1.5 * plants.q_min_mg_per_g
    fed_mg_per_d = ration_g * tank.food_n_mg_per_g
    plants.dry_g = min(full.dry_g, fed_mg_per_d * MONTH_D / (tank.usual_trim_per_month * poor_mg_per_g))
    plants.n_mg = poor_mg_per_g * plants.dry_g
    tank.settle(ration_g)
