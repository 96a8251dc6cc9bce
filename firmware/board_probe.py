"""A probe's hardware on a board: which pin does what stands in settings.json, under `pins`."""

import time

import board
from board import pin_number
from converter import ConverterInput
from machine import Pin
from probe_rig import run_probe


class ProbeBoard(board.Board):
    """Thermometer and conductivity cell. In the words of sensing.py the reference is both resistors, and the voltage is
    that on both: it reaches the excitation, so no converter's end lies below (see converter.py)."""

    excitation_uv = 3300000
    full_uv = 3300000

    def __init__(self, settings, dog, bitten):
        outputs = [Pin(pin_number(settings, name), Pin.OUT, value=0) for name in ("drive_a", "drive_b")]
        inputs = [board.port.AnalogInput(Pin(pin_number(settings, name))) for name in ("converter_a", "converter_b")]
        self.converter = ConverterInput(outputs[0], outputs[1], inputs[0], inputs[1], time)
        self.converter_uv = self.converter.read
        self.rest = self.converter.rest
        board.Board.__init__(self, settings, dog, bitten)
        self.reference_ohm = 2 * settings["reference_ohm"]
        self.thermometer = board.thermometer(pin_number(settings, "thermometer"))
        self.temperature_c100 = self.thermometer.read


def start():
    """Run the probe of this board."""
    board.start(ProbeBoard, run_probe)
