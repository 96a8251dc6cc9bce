"""A feeder put together: its hardware with a scale, its logic, its button.

Besides what runner.py names, the platform has gain_ng, most_steps, ceiling_ug, cell (convert(): counts or None),
step(n) and button (look(): None, "short" or "long").
"""

from feeder import Feeder
from runner import Seam, run
from weighing import Scale


class FeederSeam(Seam):
    """A feeder's hardware, with the scale."""

    def __init__(self, platform):
        Seam.__init__(self, platform)
        self.gain_ng = platform.gain_ng
        self.most_steps = platform.most_steps
        self.ceiling_ug = platform.ceiling_ug
        self.step = platform.step
        self.scale = Scale(platform.cell, platform, self.pump)
        self.weigh = self.scale.weigh
        self.tare = self.scale.tare
        self.calibrate = self.scale.calibrate

    @property
    def calibration(self):
        return self.scale.calibration

    @property
    def cell_fault(self):
        return self.scale.fault, self.scale.detail

    def look(self):
        """The button."""
        pressed = self.platform.button.look()
        if pressed == "short":
            self.logic.press()
        elif pressed == "long":
            self.logic.long_press()

    def pump(self):
        """Between chunks of steps and samples of the scale: take in what the network has brought, hand over holds, look
        at the button."""
        drained = self.link.pump()
        self.hand_over("hold")
        self.look()
        return drained


def run_feeder(platform, settings):
    """Run a feeder until a restart is asked for or the platform has ended."""
    seam = FeederSeam(platform)
    logic = Feeder(seam)
    run(seam, logic, settings, seam.look)
