"""A load cell and an auger that don't exist, with the true state of the hopper in a file.

`hardware.json` in the flash folder is the world outside the device, replaced atomically: `hopper_g` (true content),
`gain_g_per_step` (announced), `true_gain_g_per_step` (what a step really gives, within 3 % of it unless told
otherwise), `board`, and `knobs`. Anyone may replace the file while the device runs: a refill is a larger `hopper_g`, a
knob provokes an outcome. Knobs, all absent in good order:

  jam: true           steps are made, nothing comes out             -> outcome jam
  stall: true         the motor stops after half of a chunk          -> outcome jam
  short: 0.4          that share of the food comes out               -> outcome short
  cell: "dead"        the cell gives no weight                       -> a dose without a weight, fault cell_dead
  (hopper_g: 0)                                                      -> outcome empty
"""

import json
import math
import os
import random
import secrets
from pathlib import Path
from typing import Any

NAME = "hardware.json"
SAMPLES = 16
SAMPLE_NOISE_G = 0.004  # one conversion of a small cell, settled (judgement)
QUANTUM_G = 0.0005
DRIFT_G_PER_K = 0.002  # the zero follows the temperature by more than a small dose over a day
REFERENCE_C = 25.0
STEP_SCATTER = 0.10  # relative, of what one step gives; a dose of n steps scatters by a root of n less
GAIN_TOLERANCE = 0.025


class Hardware:
    """What the firmware's seam asks of cell and auger. Masses in micrograms at the seam, grams in the file."""

    def __init__(
        self, folder: Path, hopper_g: float = 60.0, gain_g_per_step: float = 0.001, knobs: dict[str, Any] | None = None
    ) -> None:
        """hopper_g and gain_g_per_step hold for a new folder only; an existing hardware.json stays as it is.

        knobs are added to those in the file.
        """
        self._path = folder / NAME
        self._random = random.Random()
        if self._path.exists():
            state = self.read()
        else:
            true_gain = gain_g_per_step * (1 + self._random.uniform(-GAIN_TOLERANCE, GAIN_TOLERANCE))
            state = {"hopper_g": hopper_g}
            state["gain_g_per_step"] = gain_g_per_step
            state["true_gain_g_per_step"] = true_gain
            state["board"] = f"sim-{secrets.token_hex(6)}"
            state["knobs"] = {}
        # A file made by hand may hold no more than hopper_g.
        state.setdefault("gain_g_per_step", gain_g_per_step)
        state.setdefault("true_gain_g_per_step", state["gain_g_per_step"])
        state.setdefault("board", f"sim-{secrets.token_hex(6)}")
        state["knobs"] = {**state.get("knobs", {}), **(knobs or {})}
        self._write(state)
        self.gain_ng = round(state["gain_g_per_step"] * 1e9)
        self.board = str(state["board"])
        self.calibration = "factory"
        self._tare_g = 0.0
        self._scale = 1.0

    def read(self) -> dict[str, Any]:
        """The file's content now."""
        state: dict[str, Any] = json.loads(self._path.read_text(encoding="utf-8"))
        return state

    def _write(self, state: dict[str, Any]) -> None:
        fresh = self._path.with_suffix(".new")
        fresh.write_text(json.dumps(state, indent=1), encoding="utf-8")
        os.replace(fresh, self._path)

    def temperature_at(self, now_ms: int) -> float:
        """Degrees Celsius: a room that is warmest in the afternoon."""
        return 23.5 + 1.5 * math.sin(2 * math.pi * (now_ms / 86_400_000 - 0.4))

    def _sense_g(self, temperature_c: float) -> tuple[float, float] | None:
        """Mean and standard deviation of the mean over the samples of one weighing, or None from a dead cell."""
        state = self.read()
        if state["knobs"].get("cell") == "dead":
            return None
        true_g = state["hopper_g"] + DRIFT_G_PER_K * (temperature_c - REFERENCE_C)
        samples = [
            round((true_g + self._random.gauss(0.0, SAMPLE_NOISE_G)) / QUANTUM_G) * QUANTUM_G for _ in range(SAMPLES)
        ]
        mean = sum(samples) / SAMPLES
        variance = sum((sample - mean) ** 2 for sample in samples) / (SAMPLES - 1)
        return mean, math.sqrt(variance / SAMPLES)

    def weigh(self, temperature_c: float) -> tuple[int, int] | None:
        """Mean and deviation of the mean in micrograms, or None."""
        sensed = self._sense_g(temperature_c)
        if sensed is None:
            return None
        mean, deviation = sensed
        return round((mean - self._tare_g) * self._scale * 1e6), max(1, round(deviation * self._scale * 1e6))

    def tare(self, temperature_c: float) -> bool:
        """Let the present content count as nothing."""
        sensed = self._sense_g(temperature_c)
        if sensed is not None:
            self._tare_g = sensed[0]
        return sensed is not None

    def calibrate(self, mass_ug: int, temperature_c: float) -> bool:
        """Let the present content count as this mass; False where the cell gives no weight, or one without sense."""
        sensed = self._sense_g(temperature_c)
        if sensed is None or mass_ug <= 0 or sensed[0] - self._tare_g <= 0:
            return False
        self._scale = mass_ug / 1e6 / (sensed[0] - self._tare_g)
        self.calibration = f"at {mass_ug / 1e6:g} g"
        return True

    def step(self, steps: int) -> int:
        """Turn the auger: what comes out leaves the file's hopper. Returns the steps made."""
        state = self.read()
        knobs = state["knobs"]
        made = steps // 2 if knobs.get("stall") else steps
        share = 0.0 if knobs.get("jam") else float(knobs.get("short", 1.0))
        scatter = max(0.0, self._random.gauss(1.0, STEP_SCATTER / math.sqrt(max(1, made))))
        out_g = made * state["true_gain_g_per_step"] * share * scatter
        state["hopper_g"] = max(0.0, state["hopper_g"] - out_g)
        self._write(state)
        return made
