"""Floating plants, duckweeds or larger, whose growth moves with light, cover and temperature through the seasons.

With D g of dry mass for each m2 of open water and N mg of nitrogen, q = N / (D area):

- Growth: dD/dt = (R f(T) f(E) f(I) f(q) (1 - D / D_L) - d) D. The rate R, temperature T and photoperiod E as in Lasfar
  et al. 2007, Water Res. 41:2333: f(T) = 0.0025^(x^2) 0.66^x with x = (T - 26) / 26, and f(E) = 0.0073^(y^2) 0.65^y
  with y = (E - 13) / 13; E in hours, T in deg C. Crowding by the limiting density D_L as in Monette et al. 2006, Water
  Res. 40:2901; likewise Driever et al. 2005, Aquat. Bot. 81:245. The published response is to whole days, so growth is
  spread evenly over day and night; without power it stops.
- Light: I / (I_k + I) with the mean of the lit hours at the surface (it saturates, Wedge & Burris 1982, Aquat. Bot.
  13:133).
- Nitrogen in tissue: f(q) = (q - q_min) / (q - q_min + k_q), scaled to 1 at q_max (Caperon & Meyer 1972, Deep-Sea Res.
  19:601).
- Uptake, for growth and for the store (luxury uptake): V f(T) c(q) S / (K + S) for each g, with
  c(q) = (1 - q / q_max)^4 / ((1 - q / q_max)^4 + 1e-4) (Flynn 2001, J. Plankton Res. 23:977): nearly whole until the
  store is nearly full, then shut. Ammonia is preferred: uptake of nitrate is held back by K_i / (K_i + ammonia) (Parker
  1993, J. Mar. Res. 51:113; for duckweed Porath & Pollock 1982, Aquat. Bot. 13:125).
- Fronds die at d and become litter with their nitrogen. Nitrogen over q_max leaks out as ammonia.
- Season: day length from latitude and the sun's declination (Forsythe et al. 1995, Ecol. Model. 80:87); window light in
  proportion to the sine of the sun's height at noon. The water's temperature is in room.py; the room is at its
  warmest 30 days after midsummer.

Constants and ranges, from memory unless it says SEEN (a stored copy was read):
- Duckweeds: R 0.35 to 0.62 per day (0.62, Lasfar et al.), D_L 60 to 176 g/m2 (176, Monette et al.), q_min 15 to 20 and
  q_max 50 to 65 mg/g (Landolt & Kandeler 1987, The family of Lemnaceae 2: 8 to 78), dry share of wet mass 0.045 to
  0.07. Check values: removal of nitrogen at 80 % cover 158 to 206 mg/m2/d (Paolacci et al. 2021, SEEN); growth 4.87 to
  7.03 g/m2/d (Iqbal et al. 2019, SEEN).
- Larger ones (as Pistia, Salvinia, Limnobium): R 0.15 to 0.35 per day, D_L 100 to 400 g/m2 (Reddy & DeBusk 1985, J.
  Environ. Qual. 14:459: more in ponds), q_min 10 to 15 and q_max 38 to 50 mg/g, dry share 0.05 to 0.08.
- I_k 60 to 200 umol/m2/s (Wedge & Burris: saturation at 300 to 600). Lamps of 25 to 200 at the surface for 7 to 11 h;
  six in ten tanks also have a window of 10 to 80 as the mean of a midsummer's day, at a latitude of 35 to 58 degrees
  (common practice, no source).
- k_q a quarter to the whole of q_min (estimate). d 0.02 to 0.05 per day (fronds live 3 to 7 weeks, Landolt 1986, The
  family of Lemnaceae 1), larger plants 0.01 to 0.03.
- V: 2 to 3 times R q_max in the mean light of a year, for ammonia 1 to 2 times this; K for nitrate 0.05 to 1, for
  ammonia 0.05 to 0.5 mg N/L (Cedergreen & Madsen 2002, New Phytol. 155:285); K_i 0.1 to 1 mg N/L.
- Open water: 50 to 95 % of the surface; the current or a ring keeps the rest free (common practice, no source).

What keepers do: they take out a share when the cover is full. `cover_share` is what they see, and
`usual_trim_per_month` (30 to 75 %) is what they take out in the mean of months.

Drawn again, because nobody would keep such a tank without changes of water: tanks in which even a thin biofilm leaves
more than 60 % of the nitrite or 80 % of the ammonia that tests show, and tanks whose plants die out under the usual
trims (less than 3 % of D_L with full reserves).
"""

import copy
from dataclasses import dataclass
from math import acos, asin, atan, cos, exp, log, pi, radians, sin, tan
from typing import ClassVar, Self

import numpy as np

from worlds.biofilm import Biofilm
from worlds.remains import Remains, Substrate
from worlds.room import YEAR_D, Room
from worlds.seam import NITRATE_CEILING_MG_N_PER_L, PROTEIN_PER_N
from worlds.tank import Tank, plants_at_rest

LEAK_PER_D = 0.5  # of the nitrogen over q_max; estimate, no source, fast against growth
WARMEST_AFTER_MIDSUMMER_D = 30.0  # rooms follow the sun by about a month
BEST_TEMPERATURE_C = 26.0
BEST_PHOTOPERIOD_H = 13.0
HALF_SHUT = 1e-4
NO_DAY = -1_000_000


def temperature_share(temperature_c: float) -> float:
    """f(T) of Lasfar et al. 2007."""
    x = (temperature_c - BEST_TEMPERATURE_C) / BEST_TEMPERATURE_C
    return float(0.0025 ** (x * x) * 0.66**x)


def photoperiod_share(lit_h: float) -> float:
    """f(E) of Lasfar et al. 2007, for so many hours of light a day."""
    y = (lit_h - BEST_PHOTOPERIOD_H) / BEST_PHOTOPERIOD_H
    return float(0.0073 ** (y * y) * 0.65**y)


def declination(days_after_midsummer: float) -> float:
    """The sun's declination in radians; midsummer is day 172 of the year (Forsythe et al. 1995)."""
    of_year = 172.0 + days_after_midsummer
    revolution = 0.2163108 + 2.0 * atan(0.9671396 * tan(0.00860 * (of_year - 186.0)))
    return asin(0.39795 * cos(revolution))


def day_length_h(latitude_deg: float, days_after_midsummer: float) -> float:
    """Hours from sunrise to sunset (upper edge of the sun, 0.8333 degrees) by the CBM model of Forsythe et al. 1995."""
    tilt = declination(days_after_midsummer)
    latitude = radians(latitude_deg)
    angle = (sin(radians(0.8333)) + sin(latitude) * sin(tilt)) / (cos(latitude) * cos(tilt))
    return 24.0 - 24.0 / pi * acos(min(max(angle, -1.0), 1.0))


def noon_share(latitude_deg: float, days_after_midsummer: float) -> float:
    """The sine of the sun's height at noon, over that at midsummer."""
    latitude = radians(latitude_deg)
    return cos(latitude - declination(days_after_midsummer)) / cos(latitude - declination(0.0))


@dataclass(slots=True)
class Lighting:
    """A lamp around noon and a window; light in umol/m2/s as the mean of the hours in which it shines."""

    lamp_umol: float
    lamp_h: float
    window_umol: float  # at midsummer
    latitude_deg: float
    half_light_umol: float
    midsummer_day: float
    held_share: float | None = None

    def share(self, day: float) -> float:
        """f(E) f(I) of that day."""
        if self.held_share is not None:
            return self.held_share
        after = (day - self.midsummer_day) % YEAR_D
        sun_h = day_length_h(self.latitude_deg, after) if self.window_umol > 0.0 else 0.0
        sun_umol = self.window_umol * noon_share(self.latitude_deg, after)
        lit_h = max(self.lamp_h, sun_h)
        umol = (self.lamp_umol * self.lamp_h + sun_umol * sun_h) / lit_h
        return photoperiod_share(lit_h) * umol / (self.half_light_umol + umol)

    def mean_share(self) -> float:
        """The mean of a year, from every fifth day."""
        return sum(self.share(5.0 * i) for i in range(73)) / 73.0


@dataclass(slots=True)
class Floaters:
    """Masses in g dry and mg N; rates per day."""

    open_m2: float
    growth_per_d: float
    limiting_g_per_m2: float
    q_min_mg_per_g: float
    q_max_mg_per_g: float
    half_q_mg_per_g: float
    dying_per_d: float
    uptake_mg_per_g_d: float
    ammonia_over_nitrate: float
    half_nitrate_mg_n_per_l: float
    half_ammonia_mg_n_per_l: float
    held_back_mg_n_per_l: float
    dry_share: float
    lighting: Lighting
    dry_g: float
    n_mg: float
    light_share_now: float = 0.0
    light_day: int = NO_DAY

    @classmethod
    def draw(cls, rng: np.random.Generator, open_m2: float) -> "Floaters":
        def uniform(low: float, high: float) -> float:
            return float(rng.uniform(low, high))

        def log_uniform(low: float, high: float) -> float:
            return float(np.exp(rng.uniform(log(low), log(high))))

        small = bool(rng.random() < 0.5)
        window = bool(rng.random() < 0.6)
        lighting = Lighting(
            lamp_umol=log_uniform(25.0, 200.0),
            lamp_h=uniform(7.0, 11.0),
            window_umol=log_uniform(10.0, 80.0) if window else 0.0,
            latitude_deg=uniform(35.0, 58.0),
            half_light_umol=log_uniform(60.0, 200.0),
            midsummer_day=uniform(0.0, YEAR_D),
        )
        growth = uniform(0.35, 0.62) if small else uniform(0.15, 0.35)
        q_min = uniform(15.0, 20.0) if small else uniform(10.0, 15.0)
        q_max = uniform(50.0, 65.0) if small else uniform(38.0, 50.0)
        limiting = log_uniform(60.0, 176.0) if small else log_uniform(100.0, 400.0)
        return cls(
            open_m2=open_m2,
            growth_per_d=growth,
            limiting_g_per_m2=limiting,
            q_min_mg_per_g=q_min,
            q_max_mg_per_g=q_max,
            half_q_mg_per_g=q_min * uniform(0.25, 1.0),
            dying_per_d=uniform(0.02, 0.05) if small else uniform(0.01, 0.03),
            uptake_mg_per_g_d=uniform(2.0, 3.0) * growth * lighting.mean_share() * q_max,
            ammonia_over_nitrate=uniform(1.0, 2.0),
            half_nitrate_mg_n_per_l=log_uniform(0.05, 1.0),
            half_ammonia_mg_n_per_l=log_uniform(0.05, 0.5),
            held_back_mg_n_per_l=log_uniform(0.1, 1.0),
            dry_share=uniform(0.045, 0.07) if small else uniform(0.05, 0.08),
            lighting=lighting,
            dry_g=0.6 * limiting * open_m2,
            n_mg=0.6 * limiting * open_m2 * 0.9 * q_max,
        )

    def light(self, day: float, days: float) -> float:
        """f(E) f(I) of the day."""
        whole = int(day // 1.0)
        if whole != self.light_day:
            self.light_day = whole
            self.light_share_now = self.lighting.share(whole + 0.5)
        return self.light_share_now

    def mean_light(self) -> float:
        return self.lighting.mean_share()

    def hold(self) -> None:
        self.lighting.held_share = self.lighting.mean_share()
        self.light_day = NO_DAY

    def quota_share(self) -> float:
        """f(q): 0 at q_min, 1 at q_max."""
        over = self.n_mg - self.q_min_mg_per_g * self.dry_g
        if over <= 0.0:
            return 0.0
        half = self.half_q_mg_per_g
        scale = 1.0 + half / (self.q_max_mg_per_g - self.q_min_mg_per_g)
        return min(scale * over / (over + half * self.dry_g), 1.0)

    def pull(self, ammonia: float, nitrate: float, light: float, temperature_c: float) -> tuple[float, float]:
        empty = max(1.0 - self.n_mg / (self.q_max_mg_per_g * self.dry_g), 0.0) ** 4 if self.dry_g > 0.0 else 0.0
        most = self.uptake_mg_per_g_d * self.dry_g * empty / (empty + HALF_SHUT) * temperature_share(temperature_c)
        free = self.held_back_mg_n_per_l / (self.held_back_mg_n_per_l + ammonia)
        return (
            most * self.ammonia_over_nitrate / (self.half_ammonia_mg_n_per_l + ammonia),
            most * free / (self.half_nitrate_mg_n_per_l + nitrate),
        )

    def grow(self, days: float, taken_mg: float, light: float, temperature_c: float) -> tuple[float, float]:
        free = max(1.0 - self.dry_g / self.open_m2 / self.limiting_g_per_m2, 0.0)
        growth = self.growth_per_d * temperature_share(temperature_c) * light * free * self.quota_share()
        shed = self.n_mg * (1.0 - exp(-days * self.dying_per_d))
        self.dry_g *= exp(days * (growth - self.dying_per_d))
        self.n_mg += taken_mg - shed
        over = max(self.n_mg - self.q_max_mg_per_g * self.dry_g, 0.0)
        leaked = over * (1.0 - 1.0 / (1.0 + days * LEAK_PER_D))
        self.n_mg -= leaked
        return shed, leaked


@dataclass(slots=True)
class FloatingPlants(Tank):
    """The world of this module; the parts are described in tank.py and above."""

    plants: Floaters
    stream: ClassVar[int] = 2

    @classmethod
    def _candidate(cls, rng: np.random.Generator) -> Self | None:
        volume_l = float(np.exp(rng.uniform(log(10.0), log(120.0))))
        area_m2 = 0.08 * (volume_l / 20.0) ** (2.0 / 3.0)
        label = float(round(rng.uniform(35.0, 50.0)))
        new = bool(rng.random() < 0.35)
        tank = cls(
            volume_l=volume_l,
            new=new,
            usual_trim_per_month=float(rng.uniform(0.30, 0.75)),
            protein_percent=label,
            food_n_mg_per_g=10.0 * label * float(rng.uniform(0.96, 1.04)) / PROTEIN_PER_N,
            reserve_dkh=0.0,
            age_at_start_d=0.0 if new else float(rng.uniform(150.0, 1500.0)),
            room=Room.draw(rng, volume_l, heated=0.5),
            plants=Floaters.draw(rng, area_m2 * float(rng.uniform(0.5, 0.95))),
            biofilm=Biofilm.draw(rng, volume_l),
            remains=Remains.draw(rng),
            substrate=Substrate.draw(rng, area_m2),
        )
        plants = tank.plants
        tank.room.warmest_day = plants.lighting.midsummer_day + WARMEST_AFTER_MIDSUMMER_D
        kh = float(rng.uniform(4.0, 10.0))
        small_ration_g = float(rng.uniform(0.01, 0.02)) * volume_l / 20.0
        first_cover = float(rng.uniform(0.05, 0.4))
        filled_mg_n_per_l = float(rng.uniform(0.0, 2.0))
        if not tank.bearable(kh):
            return None
        held = tank.held()
        full = held.plants
        plants_at_rest(full, 0.0, NITRATE_CEILING_MG_N_PER_L, held.temperature_c, tank.usual_trim_per_month, 60)
        if full.dry_g < 0.03 * full.limiting_g_per_m2 * full.open_m2:
            return None
        if new:
            plants.dry_g = first_cover * plants.limiting_g_per_m2 * plants.open_m2
            plants.n_mg = plants.dry_g * 0.8 * plants.q_max_mg_per_g
            tank.nitrate_mg = filled_mg_n_per_l * volume_l
            tank.biofilm.inoculate()
        else:
            plants.dry_g, plants.n_mg = full.dry_g, full.n_mg * 0.6
            tank.settle(small_ration_g)
        tank.begin(kh)
        return tank

    @property
    def cover_share(self) -> float:
        """The mat's density over its limiting density: what a keeper sees before taking some out."""
        return self.plants.dry_g / self.plants.open_m2 / self.plants.limiting_g_per_m2

    def limit_of_season_g(self, day: float) -> float:
        """The limit if the season of that day of the record lasted for ever: it moves, that of the seam does not."""
        season = copy.deepcopy(self)
        room = season.room
        room.held_c = room.of_season_c(day)
        if room.thermostat_c is not None:
            room.held_c = max(room.held_c, room.thermostat_c)
        season.plants.lighting.held_share = self.plants.lighting.share(day)
        return season.limit_g()
