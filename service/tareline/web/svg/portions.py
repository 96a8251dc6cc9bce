"""A portion of food as a heap at true scale: grams and bulk density in, millimetres out.

A granular food that is let fall makes a cone, as steep as its angle of repose. Its volume is mass over bulk density,
and V = pi r^2 h / 3 with h = r tan(angle). 35 degrees is a usual angle for dry granules and crumbs (common practice, no
source): real heaps are a little flatter or steeper, and 10 degrees change the width of a heap by about a tenth.
"""

import math
from dataclasses import dataclass

REPOSE_DEG = 35.0
WIDEST_MM = 45.0  # a heap that does not fit beside its words is not drawn
MARGIN_MM = 0.5  # room for the line around a heap


@dataclass(frozen=True, slots=True)
class Heap:
    """A cone of food in millimetres, and its volume in millilitres."""

    radius_mm: float
    height_mm: float
    volume_ml: float


@dataclass(frozen=True, slots=True)
class Picture:
    """Two views of a heap side by side in millimetres, y downwards: a path from the side, a circle from above."""

    width_mm: float
    height_mm: float
    side: str
    centre: tuple[float, float]
    radius_mm: float


def heap(mass_g: float, bulk_density_g_per_ml: float) -> Heap:
    """The heap that a mass of food makes."""
    volume_ml = mass_g / bulk_density_g_per_ml
    slope = math.tan(math.radians(REPOSE_DEG))
    radius_mm = 10 * (3 * volume_ml / (math.pi * slope)) ** (1 / 3)
    return Heap(radius_mm, radius_mm * slope, volume_ml)


def picture(found: Heap) -> Picture | None:
    """A heap from the side and from above; None where it is too wide to be drawn."""
    wide = 2 * found.radius_mm
    if wide > WIDEST_MM:
        return None
    base = MARGIN_MM + wide
    points = [(MARGIN_MM, base), (MARGIN_MM + found.radius_mm, base - found.height_mm), (MARGIN_MM + wide, base)]
    side = "M" + "L".join(f"{x:.3f} {y:.3f}" for x, y in points) + "Z"
    centre = (3 * MARGIN_MM + wide + 4 + found.radius_mm, MARGIN_MM + found.radius_mm)
    return Picture(
        round(centre[0] + found.radius_mm + MARGIN_MM, 3), round(base + MARGIN_MM, 3), side, centre, found.radius_mm
    )
