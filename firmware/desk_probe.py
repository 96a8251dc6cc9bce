"""A probe's hardware that doesn't exist. Fields of hardware.json:

  temperature_c            mean of the water over a day; it swings by 0.8 degC, warmest in the afternoon
  conductivity_25_s_per_m  of the water at 25 degC at the beginning of a week; it rises by 0.4 % a day, as where fish
                           are fed, and starts over every week, as with a water change
  board                    the hardware's own id
  knobs                    what is out of order, all absent in good order:
    thermometer: "dead"      no valid answer                                -> fault thermometer_dead
    converter: "dead"        no conversions                                 -> fault converter_dead
    converter: "dry"         out of the water                               -> fault probe_dry
    converter: "saturated"   at its end                                     -> fault converter_saturated
    converter: "shorted"     like a wire                                    -> fault probe_shorted
    converter: "noisy"       conversions that scatter wildly                -> fault converter_noisy

The cell has 100 per metre, in series with 1 kilo-ohm at 3.3 V, on a converter of 12 bits that ends at 3.1 V.
Conductivity rises with the temperature by 2 % a kelvin (ISO 7888 gives 1.9 % near 25 degC for natural waters, from
memory).
"""

import math
import random

from desk import DAY_MS, Desk, Outside, gauss, main, now_ms
from journal import save_one
from probe_rig import run_probe

SWING_C = 0.8
PER_KELVIN = 0.02
RISE_PER_DAY = 0.004
TEMPERATURE_NOISE_C = 0.03
CELL_PER_M = 100
CONVERSIONS = 32
NOISE_UV = 1500
STEP_UV = 806  # 3.3 V by 12 bits


class ProbeDesk(Desk):
    """A probe's hardware."""

    excitation_uv = 3300000
    reference_ohm = 1000
    full_uv = 3100000

    def __init__(self, folder, settings, code_folder, ended):
        Desk.__init__(self, folder, settings, code_folder, ended)
        fields = {"temperature_c": 24.5, "knobs": {}, "board": "desk-" + self.random_id()}
        fields["conductivity_25_s_per_m"] = settings.get("conductivity_25_s_per_m", 0.042)
        self.outside = Outside(self, fields)
        self.board = self.outside.state["board"]
        if self.read("sensor.bin") is None:
            # As a maker leaves it: one standard of 0.1413 S/m, in which a cell of 100 per metre has 1 413 uS.
            save_one(self, "sensor.bin", {"points": [[141300, 1413000]]})

    def _water_c(self):
        return self.outside.look()["temperature_c"] + SWING_C * math.sin(2 * math.pi * (now_ms() / DAY_MS - 0.4))

    def temperature_c100(self):
        if self.outside.knob("thermometer") == "dead":
            return None
        return int(100 * (self._water_c() + TEMPERATURE_NOISE_C * gauss()) + 0.5)

    def converter_uv(self):
        fault = self.outside.knob("converter")
        if fault == "dead":
            return None
        at_25 = self.outside.look()["conductivity_25_s_per_m"] * (1 + RISE_PER_DAY * (now_ms() / DAY_MS % 7))
        conductance = at_25 * (1 + PER_KELVIN * (self._water_c() - 25)) / CELL_PER_M
        share = conductance * self.reference_ohm / (1 + conductance * self.reference_ohm)
        share = {"dry": 0.0005, "saturated": 0.96, "shorted": 0.995}.get(fault, share)
        values = []
        for _ in range(CONVERSIONS):
            uv = share * self.excitation_uv + NOISE_UV * gauss()
            if fault == "noisy":
                uv += 400000 * (2 * random.random() - 1)
            top = self.excitation_uv if fault == "shorted" else self.full_uv
            values.append(int(max(0, min(top, uv)) / STEP_UV + 0.5) * STEP_UV)
        return values


def start(folder, code_folder, ended=lambda: False):
    """Run the probe of this folder until `ended()`."""
    main(ProbeDesk, run_probe, folder, code_folder, ended)
