"""Oxygen and nitrate in a bed of grains that detritus uses up: a one-dimensional diffusion-reaction model.

References (from memory):
  Bouldin 1968, J. Ecol. 56:77: depth of oxygen under a constant rate of use.
  Nielsen, Christensen, Revsbech & Sorensen 1990, Microb. Ecol. 19:63, and Christensen, Nielsen, Sorensen & Revsbech
    1990, Limnol. Oceanogr. 35:640: nitrate used at a constant rate below that depth,
    J = a F ((1 + D_N C_N / (a D_O C_O))^(1/2) - 1), with a the ratio of both rates and F the flux of oxygen.
  Di Toro 2001, Sediment Flux Modeling: nitrified share k^2 / (k^2 + s^2), s the flux of oxygen over its concentration,
    k about 0.13 m/d at 20 deg C; reduced products of decay are oxidised again at the surface.
"""

import math
from dataclasses import dataclass

from worlds.ambient import nitrate_diffusion_m2_per_d, oxygen_diffusion_m2_per_d
from worlds.nitrifiers import THETA

NITRATE_PER_CARBON = 0.8  # mol N per mol C: 5 CH2O + 4 NO3- to 2 N2


@dataclass(frozen=True, slots=True)
class Bed:
    """The substrate, as its physics needs it."""

    depth_m: float  # of the layer that detritus reaches
    diffusion_share: float  # of the diffusion in free water, with mixing by animals and currents
    nitrate_per_carbon: float  # mol N used per mol C decaying where there is nitrate and no oxygen
    reoxidised: float  # share of reduced products that oxygen oxidises at the surface; the rest is buried or gas
    nitrified_m_per_d: float  # Di Toro's reaction velocity of nitrification at 20 deg C


@dataclass(frozen=True, slots=True)
class Layers:
    """What the substrate does at one time. Fluxes in mol/m2/d."""

    oxygen_depth_m: float
    nitrified: float  # ammonia that becomes nitrate on its way up
    reduced_bed: float  # nitrate used, of what was nitrified within the bed
    reduced_water: float  # nitrate used, of the water's


def _reduction(bed: Bed, per_volume: float, oxygen_depth_m: float, supply: float) -> float:
    """Nitrate used below the layer with oxygen in mol/m2/d; supply is D C at the surface in mol/m/d."""
    reach = math.sqrt(oxygen_depth_m * oxygen_depth_m + 2.0 * supply / per_volume) - oxygen_depth_m
    return per_volume * min(reach, bed.depth_m - oxygen_depth_m)


def layers(
    bed: Bed,
    temperature_c: float,
    oxygen_mol_per_m3: float,
    nitrate_mol_per_m3: float,
    carbon_mol_per_m2_d: float,
    ammonia_mol_per_m2_d: float,
    before: Layers,
) -> Layers:
    """How oxygen and nitrate lie in the bed, steady at these rates.

    Oxygen is used evenly down to its depth d, so that the flux is F = 2 D_O C_O / d. Nitrate is made evenly in that
    layer and used at a constant rate below it. What both layers do to each other is taken from the layers before, which
    the caller lets follow (see between).
    """
    oxygen_supply = bed.diffusion_share * oxygen_diffusion_m2_per_d(temperature_c) * oxygen_mol_per_m3
    diffusion = bed.diffusion_share * nitrate_diffusion_m2_per_d(temperature_c)
    velocity = bed.nitrified_m_per_d * THETA ** (0.5 * (temperature_c - 20.0))
    transfer = 2.0 * oxygen_supply / (before.oxygen_depth_m * oxygen_mol_per_m3)
    nitrified = ammonia_mol_per_m2_d * velocity * velocity / (velocity * velocity + transfer * transfer)
    per_volume = carbon_mol_per_m2_d / bed.depth_m
    # F = rate x d + reoxidised x (what decays below, less what nitrate oxidises) + 2 mol of oxygen per mol nitrified
    reduced = (before.reduced_bed + before.reduced_water) / NITRATE_PER_CARBON
    slope = per_volume * (1.0 - bed.reoxidised)
    offset = max(0.0, bed.reoxidised * (carbon_mol_per_m2_d - reduced)) + 2.0 * nitrified
    depth_m = 4.0 * oxygen_supply / (offset + math.sqrt(offset * offset + 8.0 * slope * oxygen_supply) + 1e-12)
    if depth_m >= bed.depth_m or per_volume <= 0.0:
        return Layers(bed.depth_m, nitrified, 0.0, 0.0)
    use = bed.nitrate_per_carbon * per_volume
    own = 0.5 * nitrified * depth_m  # even making in the layer acts as this much more D C
    from_bed = _reduction(bed, use, depth_m, own)
    both = _reduction(bed, use, depth_m, own + diffusion * nitrate_mol_per_m3)
    return Layers(depth_m, nitrified, from_bed, both - from_bed)


def between(before: Layers, now: Layers, share: float) -> Layers:
    """Layers that have come so far from those before to those now: what pore water holds makes them lag."""
    return Layers(
        before.oxygen_depth_m + share * (now.oxygen_depth_m - before.oxygen_depth_m),
        before.nitrified + share * (now.nitrified - before.nitrified),
        before.reduced_bed + share * (now.reduced_bed - before.reduced_bed),
        before.reduced_water + share * (now.reduced_water - before.reduced_water),
    )
