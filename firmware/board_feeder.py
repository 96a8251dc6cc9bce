"""A feeder's hardware on a board: which pin does what stands in settings.json, under `pins`."""

import time

import board
import machine
from button import Button
from feeder_rig import run_feeder
from hx711 import HX711
from machine import Pin
from stepper import Stepper

STEP_US = 2500
LONGEST_DOSE_US = 60000000  # half of the watchdog's time; weighing and writing take some of the rest
READ_TEMPERATURE_MS = 30000


class FeederBoard(board.Board):
    """Cell, auger, thermometer at the cell, button."""

    most_steps = LONGEST_DOSE_US // STEP_US

    def __init__(self, settings):
        board.Board.__init__(self, settings)
        pins = self.pins
        self.gain_ng = settings["gain_ng_per_step"]
        self.cell = HX711(Pin(pins["cell_data"], Pin.IN), Pin(pins["cell_clock"], Pin.OUT), time, machine)
        stall = Pin(pins["motor_stall"], Pin.IN) if "motor_stall" in pins else None
        out = Pin(pins["motor_step"], Pin.OUT), Pin(pins["motor_direction"], Pin.OUT)
        self.motor = Stepper(out[0], out[1], Pin(pins["motor_enable"], Pin.OUT, value=1), time, STEP_US, 1, stall)
        self.step = self.motor.turn
        self.button = Button(Pin(pins["button"], Pin.IN, Pin.PULL_UP), time)
        self.thermometer = board.thermometer(pins["thermometer"])
        self.read_at = None
        self.last_c100 = None

    def temperature_c100(self):
        """The cell's temperature, read anew when the last one is half a minute old."""
        now = time.ticks_ms()
        if self.read_at is None or time.ticks_diff(now, self.read_at) >= READ_TEMPERATURE_MS:
            self.read_at = now
            self.last_c100 = self.thermometer.read()
        return self.last_c100


def start():
    """Run the feeder of this board."""
    board.start(FeederBoard, run_feeder)
