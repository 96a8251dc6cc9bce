"""Probes in tanks that do not exist, sampled every five minutes, and what can befall them.

The water is no probe's business here: a thermostat or the room moves it, with a lamp by day; dissolved solids rise
by a percent a day and fall with a weekly water change. The room's air swings daily, wanders and has draughts. A sensor
has an offset, noise and a step of 0.0625 K, as the data sheet of a DS18B20 says; 85 degC and -127 are its signs of
trouble.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tareline.core.probes.plausibility import dry_spans

Floats = NDArray[np.float64]
STEP_MS = 300_000
HOUR_MS = 3_600_000
DAY = 288  # samples
START_MS = 1_780_272_000_000  # 2026-06-01T00:00:00Z


@dataclass
class Tank:
    """What is true, one value a sample: water and air in degC, tds in mg/L at 25 degC."""

    water_c: Floats
    air_c: Floats
    tds: Floats
    works_ms: list[int] = field(default_factory=list)


@dataclass
class Sent:
    """What a probe sent. Conductivity in S/m as measured; a missing value is one that was not sent."""

    temperature: list[tuple[int, float]]
    conductivity: list[tuple[int, float]]
    tds: list[tuple[int, float]]

    def dry(self) -> list[tuple[int, int]]:
        return dry_spans(self.conductivity, self.temperature)

    def until(self, at_ms: int) -> "Sent":
        return Sent(*([p for p in own if p[0] <= at_ms] for own in (self.temperature, self.conductivity, self.tds)))


def wander(random: np.random.Generator, n: int, sd: float, hours: float) -> Floats:
    """An autoregressive series of first order with this deviation and time of correlation."""
    from scipy.signal import lfilter

    keep = np.exp(-1 / (12 * hours))
    return np.asarray(lfilter([1.0], [1.0, -keep], random.normal(0, sd * np.sqrt(1 - keep**2), n)))


def tank(random: np.random.Generator, days: int, warmer_c: Floats | None = None, changes: bool = True) -> Tank:
    """One tank. warmer_c: what a hot spell adds to the water, one value a sample."""
    n = days * DAY
    hour = np.arange(n) / 12
    air = random.uniform(18, 24) + random.uniform(0.5, 2.5) * np.sin(2 * np.pi * (hour - 9) / 24)
    air = air + wander(random, n, random.uniform(0.5, 1.5), 48) + wander(random, n, 0.3, 0.5)
    lamp = random.uniform(0.2, 1.0) * np.clip(np.sin(2 * np.pi * (hour - 6) / 24), 0, None)
    if random.random() < 0.6:  # heated: the thermostat's band, some hours a turn
        band = random.uniform(0.05, 0.4) * np.abs(((hour / random.uniform(1, 5)) % 2) - 1)
        water = random.uniform(23, 26.5) + band + lamp + wander(random, n, 0.15, 24)
    else:
        water = random.uniform(19, 25) + 0.3 * np.sin(2 * np.pi * (hour - 13) / 24) + lamp + wander(random, n, 0.7, 60)
    first = random.uniform(120, 400)
    tds, tap = first * np.exp(0.01 * hour / 24), 0.5 * first
    works: list[int] = []
    for day in range(3, days, 7) if changes else ():
        at = day * DAY + int(random.integers(9 * 12, 21 * 12))
        if at >= n:
            break
        share, after = random.uniform(0.15, 0.5), np.arange(n - at) / 12
        water[at:] += share * min(0.5, random.normal(-1.5, 1.5)) * np.exp(-after / random.uniform(1, 8))
        tds[at:] *= 1 - share * (1 - tap / tds[at])
        works.append(START_MS + at * STEP_MS + int(random.uniform(-0.5, 1.5) * HOUR_MS))  # people enter afterwards
    if warmer_c is not None:
        water = water + warmer_c
    return Tank(water, air, tds, works)


def sensed(random: np.random.Generator, kelvin: Floats, offset: float) -> Floats:
    noisy = kelvin + offset + random.normal(0, 0.04, len(kelvin))
    return np.asarray(np.round(noisy / 0.0625) * 0.0625)


def sent(random: np.random.Generator, celsius: Floats, tds: Floats, wet: Floats, both: bool = True) -> Sent:
    """What a probe sends of the warmth around it. wet: the share of its cell in the water; NaN where it is silent."""
    at = START_MS + np.arange(len(celsius)) * STEP_MS
    conductivity = tds * wet / 0.64 * 1e-4 * (1 + 0.02 * (celsius - 25)) * np.exp(random.normal(0, 0.004, len(tds)))
    there = ~np.isnan(celsius)
    told = there & (conductivity > 5e-4) & both
    by_25 = conductivity / (1 + 0.02 * (np.where(told, celsius, 25) - 25)) * 1e4 * 0.64
    return Sent(
        [(int(t), float(v)) for t, v in zip(at[there], celsius[there], strict=True)],
        [(int(t), float(v)) for t, v in zip(at[told], conductivity[told], strict=True)],
        [(int(t), float(v)) for t, v in zip(at[told], by_25[told], strict=True)],
    )


def healthy(random: np.random.Generator, home: Tank, both: bool = True) -> Sent:
    wet = np.ones(len(home.tds))
    return sent(random, sensed(random, home.water_c, random.normal(0, 0.2)), home.tds, wet, both)


# What befalls a probe, from sample `at` on


def in_the_air(random: np.random.Generator, home: Tank, at: int, tau: float) -> tuple[Floats, Floats]:
    """Warmth about a probe that fell out, tau samples behind the air, and its share in the water."""
    celsius, wet = home.water_c.copy(), np.ones(len(home.tds))
    draughts = wander(random, len(celsius), random.uniform(0.05, 0.3), 0.3)
    for i in range(at, len(celsius)):
        celsius[i] = celsius[i - 1] + (home.air_c[i] + draughts[i] - celsius[i - 1]) * (1 - np.exp(-1 / tau))
    wet[at:] = 0.0
    return celsius, wet


FAULTS = (
    "fallen out",
    "hanging in and out",
    "85 now and then",
    "85 for hours",
    "-127",
    "jumping",
    "stuck",
    "drying",
    "left on a table",
)


def befallen(random: np.random.Generator, home: Tank, fault: str, at: int, both: bool = True) -> Sent:
    """What a probe sends that something befalls at sample `at`."""
    n, offset = len(home.tds), random.normal(0, 0.2)
    celsius, wet, tds = home.water_c.copy(), np.ones(n), home.tds
    if fault == "fallen out":
        celsius, wet = in_the_air(random, home, at, random.uniform(0.3, 2))
    elif fault == "hanging in and out":
        out, dry = in_the_air(random, home, at, random.uniform(0.3, 2))
        turns = (np.cumsum(random.random(n) < random.uniform(0.02, 0.3)) % 2 == 0) & (np.arange(n) >= at)
        celsius, wet = np.where(turns, out, celsius), np.where(turns, dry, wet)
    elif fault == "left on a table":
        celsius, wet = in_the_air(random, home, at, 0.3)
        celsius[at : at + int(random.integers(2, 2 * DAY))] = np.nan
    elif fault == "drying":
        late = np.clip((np.arange(n) - at) / (12 * random.uniform(0.5, 24)), 0, 1)
        wet = 1 - late
    celsius = sensed(random, celsius, offset)
    if fault == "85 now and then":
        celsius[at:] = np.where(random.random(n - at) < random.uniform(0.05, 0.7), 85.0, celsius[at:])
    elif fault == "85 for hours":
        celsius[at : at + int(random.integers(12, n - at))] = 85.0
    elif fault == "-127":
        celsius[at:] = np.where(random.random(n - at) < random.uniform(0.3, 1.0), -127.0, celsius[at:])
    elif fault == "jumping":
        off = random.random(n - at) < random.uniform(0.1, 0.95)
        celsius[at:] = np.where(off, random.uniform(-20, 60, n - at), celsius[at:])
        tds = tds.copy()
        tds[at:] = np.where(off, tds[at:] * np.exp(random.normal(0, 1.0, n - at)), tds[at:])
    elif fault == "stuck":
        celsius[at:] = celsius[at]
    return sent(random, celsius, tds, wet, both)
