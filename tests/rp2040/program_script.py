"""Runs on the board: the whole feeder, with the firmware's drivers on its pins and the serial line for a network.

The pins are those of test_program_on_pins.py.
"""

import binascii
import gc
import json
import os
import time

import machine
from button import Button
from ds18b20 import DS18B20
from feeder_rig import run_feeder
from files import Files
from hx711 import HX711
from machine import Pin
from onewire_bus import OneWireBus
from runner import FIRMWARE, guarded
from sockets import Sockets
from stepper import Stepper

READ_TEMPERATURE_MS = 30000


class PinsBoard(Files):
    """The platform of runner.py."""

    ticks_period = 1 << 30
    firmware = FIRMWARE
    watchdog_bit = False
    damaged_files = ()
    most_steps = 20000

    def __init__(self, settings):
        Files.__init__(self, "/")
        self.board = binascii.hexlify(machine.unique_id()).decode()
        self.power_ms = settings["power_ms"]
        self.gain_ng = settings["gain_ng_per_step"]
        self.sockets = Sockets(settings)
        self.cell = HX711(Pin(16, Pin.IN), Pin(17, Pin.OUT), time, machine)
        self.motor = Stepper(Pin(18, Pin.OUT), Pin(19, Pin.OUT), Pin(20, Pin.OUT, value=1), time)
        self.step = self.motor.turn
        self.button = Button(Pin(21, Pin.IN, Pin.PULL_UP), time)
        self.thermometer = DS18B20(OneWireBus(Pin(4, Pin.OPEN_DRAIN), time, machine), time)
        self.read_at = None
        self.last_c100 = None
        self.cycles = 0

    def temperature_c100(self):
        now = time.ticks_ms()
        if self.read_at is None or time.ticks_diff(now, self.read_at) >= READ_TEMPERATURE_MS:
            self.read_at = now
            self.last_c100 = self.thermometer.read()
        return self.last_c100

    def ticks_ms(self):
        return time.ticks_ms()

    def now_ms(self):
        """The time since the clock with a battery was read, at the start; settings.json has what it showed."""
        return self.power_ms + time.ticks_ms()

    def random_id(self):
        return binascii.hexlify(os.urandom(6)).decode()

    def ended(self):
        return False

    def end_cycle(self):
        """Say now and then how many control cycles there were, when, and what the heap has free."""
        self.cycles += 1
        if self.cycles % 50 == 0:
            print("cycle", self.cycles, time.ticks_ms(), gc.mem_free())


with open("settings.json") as file:
    settings = json.load(file)
print("started", time.ticks_ms(), gc.mem_free())
print("ended", guarded(run_feeder, PinsBoard(settings), settings))
