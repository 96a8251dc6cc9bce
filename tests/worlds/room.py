"""The room that an aquarium stands in: seasons, heat waves, power cuts, and the temperature of the water that follows.

The water follows the room as a first-order lag (Newton's law of cooling); a thermostat keeps it from falling under its
setting while there is power. Ranges are common practice, no source: heated rooms of 19 to 23 deg C with a season of 1
to 4 K, a swing of 0.3 to 1 K within the day, a lag of 8 h (10 L) to 24 h (120 L), thermostats at 22 to 26 deg C.
"""

import copy
from dataclasses import dataclass
from math import cos, exp, pi

import numpy as np

YEAR_D = 365.0
NEVER_DAY = -1e9


@dataclass(slots=True)
class Room:
    """Temperatures in deg C, differences in K, times in days since the record began.

    warmest_day is a day of the record on which the season is at its warmest; held_c, if given, is the temperature that
    the water keeps whatever happens (the mean of a year, for a limit).
    """

    mean_c: float
    season_k: float
    daily_k: float
    warmest_day: float
    lag_d: float
    thermostat_c: float | None
    water_c: float
    warmer_k: float = 0.0
    warmer_until_day: float = NEVER_DAY
    no_power_until_day: float = NEVER_DAY
    held_c: float | None = None

    @classmethod
    def draw(cls, rng: np.random.Generator, volume_l: float, heated: float) -> "Room":
        """A room; `heated` is the probability that there is a thermostat."""
        mean_c = float(rng.uniform(19.0, 23.0))
        room = cls(
            mean_c=mean_c,
            season_k=float(rng.uniform(1.0, 4.0)),
            daily_k=float(rng.uniform(0.3, 1.0)),
            warmest_day=float(rng.uniform(0.0, YEAR_D)),
            lag_d=float(8.0 / 24.0 * (volume_l / 10.0) ** 0.44),
            thermostat_c=float(rng.uniform(22.0, 26.0)) if rng.random() < heated else None,
            water_c=mean_c,
        )
        room.water_c = room.of_season_c(0.0)
        if room.thermostat_c is not None:
            room.water_c = max(room.water_c, room.thermostat_c)
        return room

    def of_season_c(self, day: float) -> float:
        """The room's mean temperature around that day, without heat waves."""
        return self.mean_c + self.season_k * cos(2.0 * pi * (day - self.warmest_day) / YEAR_D)

    def step(self, day: float, days: float) -> float:
        """Let the water follow for so many days from `day`; the share of this time that has power."""
        powered = min(max((day + days - self.no_power_until_day) / days, 0.0), 1.0)
        if self.held_c is not None:
            self.water_c = self.held_c
            return powered
        room_c = self.of_season_c(day) + self.daily_k * cos(2.0 * pi * (day - 0.7))  # warmest in the late afternoon
        if day < self.warmer_until_day:
            room_c += self.warmer_k
        self.water_c += (room_c - self.water_c) * (1.0 - exp(-days / self.lag_d))
        if powered > 0.5 and self.thermostat_c is not None:
            self.water_c = max(self.water_c, self.thermostat_c)
        return powered

    def mean_water_c(self) -> float:
        """The mean of a year, without heat waves and power cuts, in steps of three hours."""
        if self.held_c is not None:
            return self.held_c
        calm = copy.copy(self)
        calm.warmer_until_day = calm.no_power_until_day = NEVER_DAY
        step_d = 0.125
        start_day = self.warmest_day - 20.0
        total = 0.0
        for i in range(int((YEAR_D + 20.0) / step_d)):
            calm.step(start_day + i * step_d, step_d)
            if i >= int(20.0 / step_d):
                total += calm.water_c
        return total / (YEAR_D / step_d)
