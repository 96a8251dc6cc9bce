"""A feeder's hardware on a board: which pin does what stands in settings.json, under `pins`."""

import time

import board
from board import pin_number
from button import Button
from feeder_rig import run_feeder
from machine import Pin
from stepper import Stepper

STEP_US = 2500
LONGEST_DOSE_US = 60000000  # half of the watchdog's time; weighing and writing take some of the rest
READ_TEMPERATURE_MS = 30000


class FeederBoard(board.Board):
    """Cell, auger, thermometer at the cell, button."""

    most_steps = LONGEST_DOSE_US // STEP_US

    def __init__(self, settings, dog, bitten):
        # The motor first: until its pins are driven, only the resistors beside its driver keep it off.
        enable = Pin(pin_number(settings, "motor_enable"), Pin.OUT, value=1)
        step = Pin(pin_number(settings, "motor_step"), Pin.OUT, value=0)
        direction = Pin(pin_number(settings, "motor_direction"), Pin.OUT)
        stall = Pin(settings["pins"]["motor_stall"], Pin.IN) if "motor_stall" in settings["pins"] else None
        self.motor = Stepper(step, direction, enable, time, STEP_US, 1, stall)
        self.step = self.motor.turn
        self.rest = self.motor.rest
        board.Board.__init__(self, settings, dog, bitten)
        self.ceiling_ug = board.ceiling_ug(settings)
        self.gain_ng = settings["gain_ng_per_step"]
        data, clock = Pin(pin_number(settings, "cell_data"), Pin.IN), Pin(pin_number(settings, "cell_clock"), Pin.OUT)
        self.cell = board.port.LoadCell(data, clock, time)
        self.button = Button(Pin(pin_number(settings, "button"), Pin.IN, Pin.PULL_UP), time)
        self.thermometer = board.thermometer(pin_number(settings, "thermometer"))
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
