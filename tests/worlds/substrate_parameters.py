"""What is drawn for an aquarium of the substrate world, and from which ranges.

The references are those of substrate.py.
"""

from dataclasses import dataclass
from random import Random
from typing import Self

from worlds.ambient import log_uniform, pore_share
from worlds.seam import PROTEIN_PER_N
from worlds.sediment import NITRATE_PER_CARBON, Bed
from worlds.substrate_tank import Life, floor_m2


@dataclass(frozen=True, slots=True)
class Parameters:
    """All that is drawn for one aquarium of this kind. Rates per day at 20 deg C."""

    area_m2: float
    bed: Bed
    food_n: float  # mg N per g
    food_c: float  # mg C per g
    uneaten: float
    faeces_n: float  # share of the nitrogen eaten
    faeces_c: float  # share of the carbon eaten
    retained: float  # by fish, of the nitrogen taken up
    fish_loss: float  # per day, into detritus
    animal_shares: tuple[float, float, float]  # fast, slower, slowest; the rest decays never
    plant_shares: tuple[float, float, float]
    decay: tuple[float, float, float]  # per day
    decay_theta: float
    into_bed: float  # of what animals leave
    mixed_in: float  # per day, of detritus on the bed
    roots: float  # share of dead plants within the bed
    dnra: float  # share of the nitrate reduced that becomes ammonium
    plant_growth: float  # per day, mean over day and night
    plant_loss: float
    plant_most_g: float  # dry
    plant_n: float  # mg N per g dry
    plant_c: float  # mg C per g dry
    plant_half: float  # mg N/L
    dry_share: float
    life: Life

    @classmethod
    def draw(cls, rng: Random, volume_l: float, protein_percent: float) -> Self:
        """Ranges: see the comments; "practice" is common practice, no source."""
        area_m2 = floor_m2(rng, volume_l)
        # Of what is left after years: practice. Fast: Westrich & Berner have 0.50 of plankton. Slow: 0.16.
        inert_animal, inert_plant = rng.uniform(0.03, 0.10), rng.uniform(0.05, 0.12)
        fast_animal, fast_plant = rng.uniform(0.50, 0.72), rng.uniform(0.25, 0.45)
        slow_animal, slow_plant = rng.uniform(0.12, 0.25), rng.uniform(0.25, 0.40)
        porosity = rng.uniform(0.35, 0.50)  # sand and gravel, textbooks
        return cls(
            area_m2=area_m2,
            bed=Bed(
                depth_m=log_uniform(rng, 0.008, 0.035),  # practice: where detritus is found in a bed of 3 to 6 cm
                # mixing by snails, roots and currents: up to some times molecular diffusion (Di Toro 2001)
                diffusion_share=pore_share(porosity) * log_uniform(rng, 1.0, 3.0),
                nitrate_per_carbon=NITRATE_PER_CARBON * log_uniform(rng, 0.15, 0.90),
                reoxidised=rng.uniform(0.5, 1.0),
                nitrified_m_per_d=rng.uniform(0.07, 0.20),  # Di Toro 2001: 0.131
            ),
            food_n=10.0 * protein_percent * rng.uniform(0.95, 1.05) / PROTEIN_PER_N,
            food_c=rng.uniform(420.0, 480.0),  # feeds of 45 % C, textbooks
            uneaten=log_uniform(rng, 0.03, 0.30),  # practice
            faeces_n=rng.uniform(0.10, 0.20),  # digestibility of protein 0.80 to 0.90 (Timmons & Ebeling)
            faeces_c=rng.uniform(0.20, 0.35),  # digestibility of dry matter 0.65 to 0.80 (the same)
            retained=rng.uniform(0.0, 0.15),  # grown fish; 0.3 and more in young ones (the same)
            fish_loss=1.0 / rng.uniform(300.0, 900.0),  # practice: small fish live one to three years
            animal_shares=(fast_animal, slow_animal, 1.0 - fast_animal - slow_animal - inert_animal),
            plant_shares=(fast_plant, slow_plant, 1.0 - fast_plant - slow_plant - inert_plant),
            decay=(
                log_uniform(rng, 0.05, 0.20),  # 24 per year is 0.066 per day; faeces and food faster
                log_uniform(rng, 0.003, 0.010),  # 1.4 per year is 0.0038 per day
                log_uniform(rng, 0.0005, 0.0020),  # between that and refractory (Middelburg 1989's power law, memory)
            ),
            decay_theta=rng.uniform(1.06, 1.10),  # Q10 of 1.8 to 2.6
            into_bed=rng.uniform(0.2, 0.6),  # practice
            mixed_in=log_uniform(rng, 0.005, 0.03),
            roots=rng.uniform(0.2, 0.4),
            dnra=rng.uniform(0.02, 0.15),  # Burgin & Hamilton 2007: a few to 30 % in lakes and streams
            plant_growth=rng.uniform(0.015, 0.040),  # in weak light; Nielsen & Sand-Jensen 1991: up to 0.1, memory
            plant_loss=rng.uniform(0.004, 0.010),
            plant_most_g=area_m2 * log_uniform(rng, 40.0, 200.0),  # stands of lakes, 30 to 500 g/m2, textbooks
            plant_n=rng.uniform(18.0, 35.0),  # Hill 1979: mean 26.5; at least 13 (Gerloff & Krombholz 1966)
            plant_c=rng.uniform(370.0, 420.0),
            plant_half=log_uniform(rng, 0.02, 0.30),
            dry_share=rng.uniform(0.07, 0.13),
            life=Life.draw(rng, area_m2),
        )
