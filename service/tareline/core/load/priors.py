"""The prior distributions of a tank's figures, which hold for any tank before its readings.

Each figure is a transformed standard normal z: log-normal (median, factor of one standard deviation), logit-normal
(median, standard deviation of the logit) or normal. The draw of a tank is a row of independent z, so that the sampler
works on one scale. The source stands beside each prior; where none is named, the prior is judgement, and wide.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Prior:
    """The prior of one figure: its shape, its median and its spread, which the shape defines."""

    name: str
    shape: Literal["log", "logit", "normal"]
    median: float
    spread: float  # log: factor; logit and normal: deviation

    def value(self, z: Floats) -> Floats:
        """The figure for a standard normal z of any shape."""
        if self.shape == "log":
            return self.median * np.exp(math.log(self.spread) * z)
        if self.shape == "logit":
            odds = self.median / (1 - self.median) * np.exp(self.spread * z)
            return odds / (1 + odds)
        return self.median + self.spread * z


class Priors:
    """An ordered set of priors, which says which column of z belongs to which figure."""

    def __init__(self, priors: Sequence[Prior]) -> None:
        self.priors = tuple(priors)
        self.column = {prior.name: i for i, prior in enumerate(self.priors)}

    def __len__(self) -> int:
        return len(self.priors)

    def values(self, z: Floats) -> Mapping[str, Floats]:
        """Named figures, each of shape (draws,), from z of shape (draws, figures)."""
        return {prior.name: prior.value(z[:, i]) for i, prior in enumerate(self.priors)}


# Uptake and loss: capacity x C^order / (half^order + C^order), mg N/L/d at C mg N/L of nitrate.
UPTAKE = (
    # Duckweed under good light takes 158 + 206 mg N/m2/d (Paolacci et al. 2021); under 20 cm of water that is 1.8
    # mg N/L/d. Submersed plants in a room's light take a fraction of it.
    Prior("capacity", "log", 0.4, 3.0),
    # Denitrifiers 0.5 g N/m3 (ASM1); through deep substrate and leaves' boundary layers several times as much.
    Prior("half", "log", 2.0, 2.2),
    # 1 would be the Michaelis-Menten law. It is free, so that the model can approximate other laws.
    Prior("order", "log", 1.1, 1.2),
    Prior("maturing_d", "log", 45.0, 1.6),  # common practice, no source: a planted tank settles within a quarter
    Prior("season_cos", "normal", 0.0, 0.13),  # of the log capacity over a year; a window's light
    Prior("season_sin", "normal", 0.0, 0.13),
    Prior("plants", "logit", 0.75, 1.0),  # the plants' share of the uptake: what a harvest takes away of it
    Prior("cut", "logit", 0.3, 0.8),  # share of the plants that a harvest takes where it is not stated
    # Removal may follow another law at contents that the tank has not had: the ratio of the removal at the ceiling to
    # that at the highest content so far is raised to the power e^law (judgement, tested on tanks of other laws in
    # tests/sim).
    Prior("law", "normal", 0.0, 0.45),
)
MATURE_AT_START = {
    True: Prior("maturity", "logit", 0.15, 1.0),  # freshly planted
    False: Prior("maturity", "logit", 0.8, 1.0),
}
# Share of the food's nitrogen that reaches the water. 0.576 as ammonia in 0.092 = 0.16 x 0.8 x 0.8 x 0.9 (Timmons and
# Ebeling, from memory); in a closed tank much of the rest rots and follows.
REACHING = Prior("reaching", "logit", 0.65, 0.6)
# Nitrifiers: rate room x fill x A / (affinity + A), fill grows by growth x A / (affinity + A) x (1 - fill) - decay.
NITRIFIERS = (
    Prior("room", "log", 8.0, 2.5),  # mg N/L/d if fully grown; usual filters have room to spare (common practice)
    # 0.8/d at 20 degC, 0.3 at 10 (ASM1), which is 1.3 at 25; on surfaces, at low ammonia, it is slower.
    Prior("growth", "log", 0.6, 1.4),
    # Waste water: 1.0 g N/m3 (ASM1), 10^(0.051 T - 1.158) = 0.73 at 20 degC (EPA 1975). Lower here, since in settled
    # tanks neither ammonia nor nitrite is seen (common practice, no source).
    Prior("affinity", "log", 0.25, 1.9),
    Prior("second", "log", 0.85, 1.25),  # growth of those that take nitrite, over that of those that make it
)
DECAY_PER_D = 0.05  # BSM1 (Alex et al. 2008)
GROWN_AT_START = {
    True: Prior("fill", "log", 3e-4, 4.0),  # what comes with plants and water
    False: Prior("fill", "log", 0.1, 2.5),
}
START = Prior("nitrate_start", "log", 2.0, 3.0)  # mg N/L
SOURCE = Prior("source", "log", 1.0, 2.5)  # mg N/L of nitrate in water whose content nobody stated
BIAS = Prior("bias", "log", 1.0, 1.18)  # of the nitrate kit as this person reads it
WANDER_EVERY_D = 90.0
WANDER_SD = 0.08  # of the log capacity from one to the next: growth, pruning and light nobody wrote down

# Dissolved solids: dS/dt = ash x fed / V - uptake x S + evaporation x top-up's content.
SOLIDS = (
    Prior("solids_start", "log", 200.0, 1.8),  # mg/L
    Prior("ash", "log", 90.0, 1.6),  # mg dissolved per g of food; dry foods state some 10 % ash
    Prior("uptake_per_d", "log", 0.002, 3.0),
    Prior("topup_solids", "log", 100.0, 2.0),  # mg/L where not stated
    Prior("evaporation_per_d", "log", 0.005, 2.0),  # of the volume, where no top-up is recorded
    Prior("tds_bias", "log", 1.0, 1.05),  # of the pen
    Prior("probe_bias", "log", 1.0, 1.05),  # of the probe at first: its cell's constant (common practice, no source)
    # Of the log, over a quarter, and with the root of time: cells foul, and are cleaned unrecorded. Judgement: usual
    # advice is to calibrate every quarter, and five percent in a month is a fault (`probes.CREEP`).
    Prior("probe_drift", "normal", 0.0, 0.03),
)


def labels(relative_sd: Sequence[float]) -> list[Prior]:
    """One factor for each food: true nitrogen divided by the nitrogen according to label and doses."""
    return [Prior(f"label_{i}", "log", 1.0, math.exp(sd)) for i, sd in enumerate(relative_sd)]


def wander(knots: int) -> list[Prior]:
    """The steps of the log capacity's random walk from one knot to the next."""
    return [Prior(f"wander_{i}", "normal", 0.0, WANDER_SD) for i in range(knots)]


def nitrogen(new: bool, label_sd: Sequence[float], knots: int) -> Priors:
    """All figures of the nitrogen model, in the order of the columns of z; those of the random walk come last."""
    return Priors(
        [
            *UPTAKE,
            MATURE_AT_START[new],
            REACHING,
            *NITRIFIERS,
            GROWN_AT_START[new],
            START,
            SOURCE,
            BIAS,
            *labels(label_sd),
            *wander(knots),
        ]
    )
