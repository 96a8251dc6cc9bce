"""Load cells that do not exist: what a converter would give for a true mass, in virtual time.

Each is drawn over wide ranges from a seeded generator. Noise is white and correlated in parts; a load step is followed
with a time constant; the zero drifts with temperature; single conversions spike; everything is rounded to whole counts.
"""

import math
from random import Random


class SimulatedCell:
    """The driver's side of `firmware/weighing.py`, and the truth behind it. Masses in micrograms, times in seconds."""

    ceiling = 8_388_607

    def __init__(self, random: Random) -> None:
        self.random = random
        self.rate_hz = random.choice((10, 80))
        # A converter at 80 a second is noisier by about 1.8 (data sheet of a common 24-bit converter, from memory).
        self.noise_ug = _log_uniform(random, 500, 10_000) * (1.8 if self.rate_hz == 80 else 1.0)
        self.correlated = random.uniform(0.0, 1.0)  # share of the variance
        self.correlation_s = _log_uniform(random, 0.02, 0.5)
        self.settling_s = _log_uniform(random, 0.03, 2.0)
        self.quantum_ug = max(10.0, self.noise_ug * _log_uniform(random, 0.002, 1.0)) * random.choice((-1, 1))
        self.least_noise = 0
        self.drift_ug_per_s = random.uniform(-10_000, 10_000) * random.uniform(0.0, 2.0) / 3600  # per K, K per hour
        self.spikes_per_s = random.choice((0.0, _log_uniform(random, 0.01, 0.2)))
        self.zero_ug = random.uniform(-20e6, 20e6)
        self.mass_ug = 0.0
        self.shown_ug = 0.0
        self.wander = random.gauss(0.0, 1.0)
        self.seconds = 0.0

    def wait(self, seconds: float) -> None:
        """Let time pass without conversions."""
        self.seconds += seconds
        self.shown_ug = self.mass_ug + (self.shown_ug - self.mass_ug) * math.exp(-seconds / self.settling_s)
        kept = math.exp(-seconds / self.correlation_s)
        self.wander = self.wander * kept + self.random.gauss(0.0, 1.0) * math.sqrt(1 - kept * kept)

    def convert(self) -> int:
        """The next conversion, in counts."""
        self.wait(1 / self.rate_hz)
        noise = math.sqrt(self.correlated) * self.wander
        noise += math.sqrt(1 - self.correlated) * self.random.gauss(0.0, 1.0)
        if self.random.random() < self.spikes_per_s / self.rate_hz:
            noise += self.random.choice((-1, 1)) * _log_uniform(self.random, 6, 1000)
        sensed = self.zero_ug + self.shown_ug + self.drift_ug_per_s * self.seconds + noise * self.noise_ug
        return round(sensed / self.quantum_ug)


def _log_uniform(random: Random, least: float, most: float) -> float:
    return math.exp(random.uniform(math.log(least), math.log(most)))
