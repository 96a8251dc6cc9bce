"""What a simulated aquarium of this folder offers, and what its keeper writes down of it.

The aquariums are the truth that a claim is tested against. Their authors have not read how the service estimates a
tank's load; so no world imports anything of it.
"""

from dataclasses import dataclass, field
from typing import Literal, Protocol, Self

NITRATE_CEILING_MG_N_PER_L = 40.0 / 4.4268  # 40 mg/L as the ion
AMMONIA_DETECTED_MG_N_PER_L = 0.25  # the lowest steps of usual charts; common practice, no source
NITRITE_DETECTED_MG_N_PER_L = 0.25 / 3.2845
PROTEIN_PER_N = 6.25  # g protein per g N; FAO Food and Nutrition Paper 77, chapter 2

Analyte = Literal["ammonia", "nitrite", "nitrate", "kh"]


@dataclass(frozen=True, slots=True)
class Water:
    """Total ammonia, nitrite and nitrate in mg N/L, carbonate hardness in dKH."""

    ammonia: float = 0.0
    nitrite: float = 0.0
    nitrate: float = 0.0
    kh: float = 4.0


@dataclass(frozen=True, slots=True)
class Trimmed:
    """Plants taken out: grams wet (shaken off), and the truth about them that a keeper does not see."""

    wet_g: float
    dry_share: float  # of the wet mass
    n_share: float  # of the dry mass


class World(Protocol):
    """One aquarium. Time is in days since its record began (day 0); an aquarium may be older than its record."""

    volume_l: float
    day: float
    new: bool  # whether it was filled, with new material, at day 0: what its keeper knows
    usual_trim_per_month: float  # the share of all plants that its keeper usually takes out each month
    protein_percent: float  # what the label of the food says; the food may differ from it

    @classmethod
    def draw(cls, seed: int) -> Self:
        """An aquarium whose parameters are drawn from published ranges."""

    @property
    def water(self) -> Water:
        """What a perfect instrument would measure now."""

    @property
    def temperature_c(self) -> float: ...

    def advance(self, days: float, food_g: float) -> None:
        """Let time go on, with so much food given in equal parts over it."""

    def change_water(self, share: float, source: Water) -> None:
        """Replace a share of the water."""

    def trim(self, share: float) -> Trimmed:
        """Take a share of all plants out."""

    def heat_wave(self, days: float, warmer_k: float) -> None:
        """From now on for some days the room is warmer."""

    def cut_power(self, hours: float) -> None:
        """From now on for some hours there is neither light, nor flow, nor heat."""

    def limit_g(self) -> float:
        """The largest constant ration in grams a day that the aquarium, as it is now, carries for ever without changes
        of water: nitrate, ammonia and nitrite stay at or under the three constants above once everything is at rest.

        At rest: reserves of plants are full, slow detritus has come into balance, populations of bacteria have come
        to what this food keeps alive. As it is now: what only age brings (settled surfaces, a matured substrate, the
        mass of plants that usual trims keep) stays as it is today, the temperature at its mean of a year.
        """


@dataclass(slots=True)
class Notes:
    """What a keeper has written down, in the order of time; days as in the world.

    fed: day, grams as noted. readings: day, analyte, value as noted, the two values between which the truth lies as far
    as the kit tells apart (None: no upper end), and the kit's name. changes: day, litres, nitrate of the source
    in mg N/L. trims: day, share as estimated or None, wet grams or None. new_kits: day, analyte. standards: day,
    analyte, what the standard solution holds, what the kit showed.
    """

    fed: list[tuple[float, float]] = field(default_factory=list)
    readings: list[tuple[float, Analyte, float, float, float | None, str]] = field(default_factory=list)
    changes: list[tuple[float, float, float]] = field(default_factory=list)
    trims: list[tuple[float, float | None, float | None]] = field(default_factory=list)
    new_kits: list[tuple[float, Analyte]] = field(default_factory=list)
    standards: list[tuple[float, Analyte, float, float]] = field(default_factory=list)
