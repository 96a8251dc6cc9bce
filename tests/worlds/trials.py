"""Long runs of an aquarium at a constant ration, by which its limit is checked."""

from typing import Protocol, Self

from worlds.ambient import DAYS_PER_MONTH
from worlds.seam import (
    AMMONIA_DETECTED_MG_N_PER_L,
    NITRATE_CEILING_MG_N_PER_L,
    NITRITE_DETECTED_MG_N_PER_L,
    Water,
    World,
)


class Held(World, Protocol):
    """A world of which a copy can be held at its age and mean temperature."""

    def held(self) -> Self: ...
    def settle(self, food_g_per_d: float, *, nitrate: float) -> None: ...


def month(world: World, ration_g: float) -> Water:
    """The mean water of a month at a ration; at its end the usual trim."""
    readings = 64  # spread over the hours of the day
    total = [0.0, 0.0, 0.0, 0.0]
    for _ in range(readings):
        world.advance(DAYS_PER_MONTH / readings, ration_g * DAYS_PER_MONTH / readings)
        water = world.water
        for i, value in enumerate((water.ammonia, water.nitrite, water.nitrate, water.kh)):
            total[i] += value / readings
    world.trim(world.usual_trim_per_month)
    return Water(*total)


def is_over(water: Water) -> bool:
    """Whether any of the three bounds is passed."""
    return (
        water.nitrate > NITRATE_CEILING_MG_N_PER_L
        or water.ammonia > AMMONIA_DETECTED_MG_N_PER_L
        or water.nitrite > NITRITE_DETECTED_MG_N_PER_L
    )


def ends_over(world: Held, ration_g: float, months: int) -> bool:
    """Whether a ration ends over a bound, by a run of a held copy.

    The copy starts with everything but nitrate at rest and with nitrate right at its ceiling; whether it stays under is
    for the run to show. A ration that would carry more rises, one that would carry less falls.
    """
    copy = world.held()
    copy.settle(ration_g, nitrate=NITRATE_CEILING_MG_N_PER_L)
    for _ in range(months):
        last = month(copy, ration_g)
    return is_over(last)
