"""Feeders that do not exist, each with its own habits, and what can at best be known about them.

`draw` chooses a feeder's figures from wide ranges; `live` lets it feed for some weeks and writes down what device and
keeper would have told, and the truth. The laws are not the estimator's own: doses are skewed (gamma), moisture comes
to rest, the cell lags behind the thermometer, readings are rounded, weigh-ins are skipped.
"""

import math
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tareline.core.feeding.doses import Dose
from tareline.core.weighing.history import History, Refill, WeighIn

Floats = NDArray[np.float64]
DAY_MS = 86_400_000
HOUR_MS = 3_600_000
START_MS = 1_772_323_200_000  # 2026-03-01T00:00:00Z, a Sunday
GAIN_SD = 0.15
FULL = 20 if os.environ.get("TARELINE_FULL") == "1" else 1


@dataclass(frozen=True)
class Figures:
    """What makes one feeder different from another. Masses in grams, times in days."""

    gain_g_per_step: float
    gain: float  # at the beginning, relative to the calibrated one
    drift: float
    refill_gain: float
    particle_g: float
    dispersion: float  # of the number of particles, 1 for pure chance
    packing: float
    cell_sd: float  # of a difference
    understated: float  # true deviation over the stated one
    wander: float
    level: float
    hung: float
    tempco: float
    lag: float  # of the cell's temperature behind the thermometer's, in days
    span: float
    moisture: float  # relative, when it has come to rest
    moisture_days: float
    weighin_sd: float
    doses_g: tuple[float, ...]  # the day's targets
    capacity_g: float
    refill_below_g: float


@dataclass
class Life:
    """Some weeks of one feeder: what was told, and what was true."""

    figures: Figures
    weeks: int
    particle_known: bool = True
    doses: list[Dose] = field(default_factory=list)
    weighins: list[WeighIn] = field(default_factory=list)
    refills: list[Refill] = field(default_factory=list)
    true_g: list[float] = field(default_factory=list)  # of each dose
    content_g: list[float] = field(default_factory=list)  # before each dose
    celsius: list[float] = field(default_factory=list)  # of the cell, at each dose

    @property
    def end_ms(self) -> int:
        return START_MS + 7 * self.weeks * DAY_MS

    @property
    def days(self) -> list[tuple[int, int]]:
        return [(START_MS + i * DAY_MS, START_MS + (i + 1) * DAY_MS) for i in range(7 * self.weeks)]

    @property
    def history(self) -> History:
        figures = self.figures
        return History(
            figures.gain_g_per_step,
            self.doses,
            self.weighins,
            self.refills,
            particle_g=figures.particle_g if self.particle_known else None,
        )

    def sums(self, per_dose: Floats, spans: list[tuple[int, int]]) -> Floats:
        """(..., K) sums over spans of something that each dose has."""
        return per_dose @ self.membership(spans)

    def membership(self, spans: list[tuple[int, int]]) -> Floats:
        """(doses, K): which dose lies in which span."""
        at_ms = np.array([dose.at_ms for dose in self.doses])
        return np.stack([(at_ms >= start_ms) & (at_ms < end_ms) for start_ms, end_ms in spans], 1).astype(float)


def draw(random: np.random.Generator, weighed: bool = True) -> Figures:
    """One feeder's figures, over the range that feeders for small tanks may cover."""

    def between(low: float, high: float) -> float:
        return float(np.exp(random.uniform(np.log(low), np.log(high))))

    gain = between(0.0005, 0.003)
    count = int(random.integers(1, 11))
    typical_g = float(np.clip(between(0.02, 1.5) / count, 0.01, 0.3))
    shares = random.uniform(0.6, 1.4, count)
    capacity_g = float(random.uniform(20, 60))
    return Figures(
        gain_g_per_step=gain,
        gain=float(np.clip(random.normal(1.0, GAIN_SD), 0.6, 1.6)),
        drift=between(0.002, 0.03),
        refill_gain=between(0.005, 0.05),
        particle_g=between(0.0001, 0.001),
        dispersion=between(0.3, 1.5),
        packing=between(0.02, 0.12),
        cell_sd=between(0.0015, 0.010),
        understated=float(1.1 * np.exp(random.normal(0, 0.12))),
        wander=between(0.005, 0.15),
        level=between(0.001, 0.015),
        hung=between(0.005, 0.1),
        tempco=float(random.normal(0, 0.02)),
        lag=between(0.005, 0.03),
        span=float(random.normal(0, 0.002)),
        moisture=between(0.0003, 0.006),
        moisture_days=between(2, 20),
        weighin_sd=between(0.01, 0.05) if weighed else math.inf,
        doses_g=tuple(float(x) for x in np.clip(typical_g * shares, 0.01, 0.3)),
        capacity_g=capacity_g,
        refill_below_g=float(np.clip(capacity_g * random.uniform(0.1, 0.95), 4, None)),
    )


def _room_c(day: float) -> float:
    """A room that is warmest in the afternoon, and changes from week to week."""
    return 23.5 + 1.5 * math.sin(2 * math.pi * (day - 0.4)) + 0.8 * math.sin(2 * math.pi * day / 9)


def live(
    figures: Figures, weeks: int, random: np.random.Generator, plan: Callable[[Life, int], float] | None = None
) -> Life:
    """Weeks of one feeder. A weigh-in on every seventh evening, one in eight forgotten; refills when little is left.

    plan: asked at the beginning of each day, with what has happened and the instant, for the gain to feed by; by
    default the calibrated one.
    """
    life = Life(figures, weeks)
    gain, zero, entry, last = figures.gain, random.normal(0, 0.5), 1, 0.0
    dry_g, damp = figures.capacity_g * random.uniform(0.5, 1.0), random.normal(0, figures.moisture)
    slots = [(7 + 13 * i / max(len(figures.doses_g) - 1, 1)) / 24 for i in range(len(figures.doses_g))]
    in_force = figures.gain_g_per_step
    for day in range(7 * weeks):
        if plan is not None:
            in_force = plan(life, START_MS + day * DAY_MS)
        for slot, target_g in zip(slots, figures.doses_g, strict=True):
            now = day + slot
            apart, last = now - last, now
            keep = math.exp(-apart / figures.moisture_days)
            damp = keep * damp + random.normal(0, figures.moisture * math.sqrt(1 - keep**2))
            gain = max(0.3, gain + random.normal(0, figures.drift * figures.gain * math.sqrt(apart)))
            zero += random.normal(0, figures.wander * math.sqrt(apart))
            at_ms = START_MS + round(now * DAY_MS)
            if dry_g < figures.refill_below_g:
                added_g = figures.capacity_g - dry_g
                sd_g = float(random.uniform(0.02, 0.06))
                life.refills.append(Refill(entry, at_ms - HOUR_MS // 2, round(added_g + random.normal(0, sd_g), 2)))
                entry, dry_g = entry + 1, dry_g + added_g
                gain *= 1 + random.normal(0, figures.refill_gain)
                zero += random.normal(0, figures.hung)
            steps = max(1, round(target_g / in_force))
            out_g, dose = _dose(life, entry, at_ms, target_g, steps, dry_g * (1 + damp), gain, zero, random)
            life.doses.append(dose)
            life.true_g.append(out_g)
            dry_g, entry = dry_g - out_g / (1 + damp), entry + 1
        if math.isfinite(figures.weighin_sd) and day % 7 == 6 and random.random() > 0.125:
            seen_g = dry_g * (1 + damp) + random.normal(0, figures.weighin_sd)
            at_ms = START_MS + day * DAY_MS + 21 * HOUR_MS
            life.weighins.append(WeighIn(entry, at_ms, round(seen_g, 2), round(figures.weighin_sd, 3)))
            entry, zero = entry + 1, zero + random.normal(0, figures.hung)
    return life


def _dose(
    life: Life,
    entry: int,
    at_ms: int,
    target_g: float,
    steps: int,
    content_g: float,
    gain: float,
    zero: float,
    random: np.random.Generator,
) -> tuple[float, Dose]:
    figures = life.figures
    day = (at_ms - START_MS) / DAY_MS
    mean_g = steps * figures.gain_g_per_step * gain
    variance = scatter_var(figures, mean_g)
    out_g = min(float(random.gamma(mean_g**2 / variance, variance / mean_g)), content_g)
    celsius = _room_c(day - figures.lag)
    base = zero + figures.tempco * (celsius - 25) + random.normal(0, figures.level)
    sd = figures.cell_sd / math.sqrt(2)
    before = (1 + figures.span) * content_g + base + random.normal(0, sd)
    after = (1 + figures.span) * (content_g - out_g) + base + random.normal(0, sd)
    stated = figures.cell_sd / figures.understated * math.sqrt(random.chisquare(30) / 30)
    life.content_g.append(content_g)
    life.celsius.append(celsius)
    outcome, weighed = "ok", random.random() > 0.005
    if not weighed and random.random() < 0.3:
        # A hold ended it early, and the cell did not settle.
        outcome, out_g = "interrupted", out_g * random.random()
    return out_g, Dose(
        entry,
        at_ms,
        "feeder",
        outcome,
        round(target_g, 6),
        steps,
        round(before, 4) if weighed else None,
        round(after, 4) if weighed else None,
        round(stated, 5) if weighed else None,
        temperature_c=round(_room_c(day) + random.normal(0, 0.1), 1),
    )


def scatter_var(figures: Figures, mean_g: float) -> float:
    """Variance of a dose, g2: particles that fall by chance, and packing."""
    return figures.dispersion * figures.particle_g * mean_g + (figures.packing * mean_g) ** 2


def lives(seed: int, feeders: int, weeks: int, weighed: bool = True) -> Iterator[Life]:
    """Feeders drawn one after the other, each from its own number."""
    for number in range(feeders):
        random = np.random.default_rng((seed, number))
        yield live(draw(random, weighed), weeks, random)


# -- what goes wrong ---------------------------------------------------------------------------------------------------


def shifted(doses: Sequence[Dose], from_ms: int, grams: float) -> list[Dose]:
    """The cell shows so much more from an instant on."""
    return [
        replace(d, before_g=d.before_g + grams, after_g=d.after_g + grams)
        if d.at_ms >= from_ms and d.before_g is not None and d.after_g is not None
        else d
        for d in doses
    ]


def fuller(history: History, from_ms: int, grams: float) -> History:
    """The hopper holds so much more from an instant on."""
    weighins = [replace(w, mass_g=w.mass_g + grams) if w.at_ms >= from_ms else w for w in history.weighins]
    return replace(history, doses=shifted(history.doses, from_ms, grams), weighins=weighins)
