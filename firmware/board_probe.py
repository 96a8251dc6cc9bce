"""A probe's hardware on a board: which pin does what stands in settings.json, under `pins`."""

import time

import board
from converter import ConverterInput
from machine import ADC, Pin
from probe_rig import run_probe


class ProbeBoard(board.Board):
    """Thermometer and conductivity cell."""

    excitation_uv = 3300000
    full_uv = 3100000

    def __init__(self, settings):
        board.Board.__init__(self, settings)
        pins = self.pins
        self.reference_ohm = settings["reference_ohm"]
        self.thermometer = board.thermometer(pins["thermometer"])
        adc = ADC(Pin(pins["converter"]), atten=ADC.ATTN_11DB)
        self.converter = ConverterInput(adc, Pin(pins["converter_power"], Pin.OUT), time)
        self.temperature_c100 = self.thermometer.read
        self.converter_uv = self.converter.read


def start():
    """Run the probe of this board."""
    board.start(ProbeBoard, run_probe)
