"""A feeder's hardware that doesn't exist. Fields of hardware.json, masses in grams:

  hopper_g               true content; a refill is a larger one
  gain_g_per_step        announced; true_gain_g_per_step: what a step really gives
  board                  the hardware's own id
  clock_ahead_s          by how much the device's clock is wrong; the tick counter knows nothing of it
  knobs                  what is out of order, all absent in good order:
    over: 4                times as much food comes out as a step gives -> outcome over, fault stopped_over
    jam: true              steps are made, nothing comes out             -> outcome jam
    stall: true            the motor stops after half of a chunk         -> outcome jam
    short: 0.4             that share of the food comes out              -> outcome short
    cell: "dead"           no conversions                                -> a dose without a weight, fault cell_dead
    cell: "saturated"      conversions at the end of their range         -> fault cell_saturated
    cell: "stuck"          the same count again and again                -> fault cell_stuck
    cell: "quiet"          less noise than a converter has by itself     -> fault cell_quiet
    press: "short"         somebody presses the button, once ("long": holds it down)
    (hopper_g: 0)                                                        -> outcome empty

The cell is of 100 g on a 24-bit converter: 17 600 counts a gram (1 mV/V, amplified 128 times; judgement), noise of one
conversion 4 mg, zero drifting with temperature by more than a small dose a day, settling after every movement.
"""

import math
import random

from desk import HARDWARE, Desk, Outside, gauss, main, now_ms, pause_ms, room_c
from feeder_rig import run_feeder
from weighing import Scale

COUNTS_PER_G = 17600
ZERO_COUNTS = 211000
NOISE_G = 0.004
DRIFT_G_PER_K = 0.002
SETTLING_G = 0.006  # how far a movement puts the cell off, at most; gone by a factor e in SETTLING_S
SETTLING_S = 0.3
STEP_SCATTER = 0.10  # relative, of what one step gives; a dose of n steps scatters by a root of n less
GAIN_TOLERANCE = 0.025
STEPS_PER_S = 400
CALIBRATING_G = 50
CEILING_G = 5


class Cell:
    """The driver's place: conversions of a load cell on which the hopper hangs."""

    ceiling = 8388607
    rate_hz = 10
    least_noise = 4

    def __init__(self, outside):
        self.outside = outside
        self.off_g = 0.0
        self.last = None

    def moved(self):
        self.off_g = SETTLING_G * (2 * random.random() - 1)

    def convert(self):
        state = self.outside.look()
        fault = state["knobs"].get("cell")
        if fault == "dead":
            return None
        if fault == "saturated":
            return self.ceiling
        if fault == "stuck" and self.last is not None:
            return self.last
        self.off_g *= math.exp(-1 / (self.rate_hz * SETTLING_S))
        mass_g = state["hopper_g"] + self.off_g + DRIFT_G_PER_K * (room_c(now_ms()) - 25)
        noise = gauss() * (1 if fault == "quiet" else NOISE_G * COUNTS_PER_G)
        self.last = max(-self.ceiling - 1, min(self.ceiling, int(ZERO_COUNTS + mass_g * COUNTS_PER_G + noise)))
        return self.last


class Button:
    """The driver's place: a press that hardware.json asks for, once."""

    def __init__(self, outside):
        self.outside = outside

    def look(self):
        pressed = self.outside.knob("press")
        if pressed:
            del self.outside.look()["knobs"]["press"]
            self.outside.write()
        return pressed


class FeederDesk(Desk):
    """A feeder's hardware."""

    most_steps = 20000

    def __init__(self, folder, settings, code_folder, ended):
        Desk.__init__(self, folder, settings, code_folder, ended)
        gain = settings.get("gain_g_per_step", 0.001)
        fields = {"hopper_g": settings.get("hopper_g", 60), "gain_g_per_step": gain}
        fields["board"] = "desk-" + self.random_id()
        fields["knobs"] = {}
        if self.read(HARDWARE) is None:
            fields["true_gain_g_per_step"] = gain * (1 + GAIN_TOLERANCE * (2 * random.random() - 1))
        self.outside = Outside(self, fields)
        self.board = self.outside.state["board"]
        self.ceiling_ug = int(settings.get("ceiling_g_per_day", CEILING_G) * 1000000)
        self.gain_ng = int(self.outside.state["gain_g_per_step"] * 1000000000 + 0.5)
        self.cell = Cell(self.outside)
        self.button = Button(self.outside)
        self.step_ms = 1000 / settings.get("steps_per_s", STEPS_PER_S)
        if self.read("scale.bin") is None:
            self._calibrate()

    def _calibrate(self):
        """What a maker does on the bench: tare the empty hopper, then hang a known mass on it."""
        bench = Bench({"hopper_g": 0, "knobs": {}})
        scale = Scale(Cell(bench), self)
        scale.tare()
        bench.state["hopper_g"] = CALIBRATING_G
        scale.calibrate(CALIBRATING_G * 1000000)

    def temperature_c100(self):
        return int(room_c(now_ms()) * 100)

    def step(self, steps):
        """Turn the auger: what comes out leaves the file's hopper. Returns the steps made."""
        state = self.outside.look()
        knobs = state["knobs"]
        made = steps // 2 if knobs.get("stall") else steps
        share = 0 if knobs.get("jam") else knobs.get("short", 1) * knobs.get("over", 1)
        scatter = max(0, 1 + gauss() * STEP_SCATTER / math.sqrt(max(1, made)))
        out_g = made * state.get("true_gain_g_per_step", state["gain_g_per_step"]) * share * scatter
        state["hopper_g"] = max(0, state["hopper_g"] - out_g)
        self.outside.write()
        self.cell.moved()
        pause_ms(made * self.step_ms)
        return made


class Bench:
    """Where a cell hangs while it is calibrated."""

    def __init__(self, state):
        self.state = state

    def look(self):
        return self.state


def start(folder, code_folder, ended=lambda: False):
    """Run the feeder of this folder until `ended()`."""
    main(FeederDesk, run_feeder, folder, code_folder, ended)
