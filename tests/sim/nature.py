"""What is true about one feeder, whatever its firmware believes: food in the hopper, the auger, leaks, and the cell.

All masses are whole micrograms. The figures are ours (common practice, no source), on the bad side of what cheap parts
do: an auger scatters by 3 % from chunk to chunk, a cell's zero walks by up to 1 mg per square root of an hour and by up
to 2 mg per kelvin, and the deviation that the seam states for a weight is the true one of its noise.
"""

import math
from collections.abc import Callable
from random import Random
from typing import NamedTuple

HOUR = 3_600_000
DAY = 24 * HOUR
FULL_UG = 60_000_000
HOPPER_UG = 120_000_000  # the hopper itself: what a tared cell shows below zero when it is taken off
SCATTER = 0.03


class Leak(NamedTuple):
    """Food that leaves without steps: so much each time, so often."""

    drop_ug: int
    every_ms: int


class Auger:
    """factor: true grams by the grams that the steps announce. While it sticks nothing comes, and later more."""

    def __init__(self, rng: Random) -> None:
        self.rng = rng
        self.factor = 1.0
        self.sticks = False
        self.held_back_ug = 0

    def give(self, expected_ug: int) -> int:
        """What truly comes out of some steps."""
        mass_ug = max(0, round(expected_ug * self.factor * self.rng.gauss(1.0, SCATTER)))
        if self.sticks:
            self.held_back_ug += mass_ug
            return 0
        clump_ug, self.held_back_ug = self.held_back_ug, 0
        return mass_ug + clump_ug

    def gives_in(self) -> None:
        """The clump lets go with the next steps: up to all of what was held back."""
        self.sticks = False
        self.held_back_ug = round(self.held_back_ug * self.rng.random())

    def repair(self) -> None:
        self.factor, self.sticks, self.held_back_ug = 1.0, False, 0


class Cell:
    """A load cell under its seam. state: `good`; `dead` (no weight); `stuck` (the seam notices: no weight); `frozen`
    (nothing notices: the last weight again and again)."""

    def __init__(self, rng: Random, now_ms: int) -> None:
        self.rng = rng
        self.state = "good"
        self.sd_ug = rng.choice((500, 500, 1000))
        self.usual_sd_ug = self.sd_ug
        self._walk_ug = rng.choice((100, 300, 1000))  # per square root of an hour
        self._ug_per_kelvin = rng.choice((0, 500, -500, 2000, -2000))
        self._swing_k = rng.choice((0.5, 1.5, 3.0))
        self._zero_ug = 0.0
        self._last_ms = now_ms
        self._frozen_ug = 0

    def temperature_c100(self, now_ms: int) -> int:
        return 2450 + round(100 * self._kelvin(now_ms))

    def _kelvin(self, now_ms: int) -> float:
        return self._swing_k * math.sin(2 * math.pi * (now_ms % DAY) / DAY)

    def tare(self) -> None:
        self._zero_ug = 0.0

    def freeze(self, shown_ug: int) -> None:
        self.state, self._frozen_ug = "frozen", shown_ug

    def weigh(self, on_it_ug: int, now_ms: int) -> tuple[int, int] | None:
        hours = (now_ms - self._last_ms) / HOUR
        self._last_ms = now_ms
        self._zero_ug += self.rng.gauss(0.0, self._walk_ug * math.sqrt(max(0.0, hours)))
        if self.state in ("dead", "stuck"):
            return None
        if self.state == "frozen":
            return self._frozen_ug, self.sd_ug
        shown = on_it_ug + self._zero_ug + self._ug_per_kelvin * self._kelvin(now_ms) + self.rng.gauss(0.0, self.sd_ug)
        return round(shown), self.sd_ug


class Nature:
    """One feeder's hardware. `leaked(at_ms, mass_ug)` is called for all that leaves without steps."""

    def __init__(self, random: Callable[[str], Random], name: str, now_ms: int) -> None:
        self.auger = Auger(random(name + "/auger"))
        self.cell = Cell(random(name + "/cell"), now_ms)
        self.content_ug = FULL_UG
        self.hung = True
        self.leak: Leak | None = None
        self._drop_ms = 0
        self.leaked: Callable[[int, int], None] = lambda at_ms, mass_ug: None

    def begin_leak(self, leak: Leak, now_ms: int) -> None:
        self.advance(now_ms)
        self.leak, self._drop_ms = leak, now_ms + leak.every_ms

    def advance(self, now_ms: int) -> None:
        """Everything that leaked by now."""
        while self.leak is not None and self._drop_ms <= now_ms:
            mass_ug = min(self.content_ug, self.leak.drop_ug)
            if self.hung and mass_ug:
                self.content_ug -= mass_ug
                self.leaked(self._drop_ms, mass_ug)
            self._drop_ms += self.leak.every_ms

    def turn(self, expected_ug: int, now_ms: int) -> int:
        """The motor turns; returns what truly left the hopper."""
        self.advance(now_ms)
        mass_ug = min(self.auger.give(expected_ug), self.content_ug) if self.hung else 0
        self.content_ug -= mass_ug
        return mass_ug

    def on_the_cell_ug(self) -> int:
        return self.content_ug if self.hung else -HOPPER_UG

    def weigh(self, now_ms: int) -> tuple[int, int] | None:
        self.advance(now_ms)
        return self.cell.weigh(self.on_the_cell_ug(), now_ms)

    def repair(self, now_ms: int) -> None:
        """A person mends auger and hopper."""
        self.advance(now_ms)
        self.auger.repair()
        self.leak = None
