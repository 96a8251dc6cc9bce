"""A desk: the platform of runner.py on hardware that doesn't exist, with the true state of things in one file.

The folder is the device's flash. `hardware.json` in it is the world outside: anyone may replace it, as a whole, while
the device runs. desk_feeder.py and desk_probe.py say what it holds.
"""

import binascii
import json
import math
import os
import random
import time

from files import Files
from journal import save_one
from runner import FIRMWARE, guarded
from selfcheck import NAME as MANIFEST
from selfcheck import crc_of, damaged

HARDWARE = "hardware.json"
SETTINGS = "settings.json"
TICKS_PERIOD = 1 << 30  # a board's tick counter wraps here, so this one does too
CALM_MS = 1000
DAY_MS = 86400000


def gauss():
    """A normal deviate (twelve uniform ones less six)."""
    total = -6.0
    for _ in range(12):
        total += random.random()
    return total


def ticks_ms():
    """A counter that follows no clock, as a board's."""
    if hasattr(time, "monotonic_ns"):
        return time.monotonic_ns() // 1000000 % TICKS_PERIOD
    return time.ticks_ms() % TICKS_PERIOD


def now_ms():
    return time.time_ns() // 1000000


def pause_ms(ms):
    time.sleep(ms / 1000)


def room_c(at_ms):
    """Degrees Celsius: a room that is warmest in the afternoon."""
    return 23.5 + 1.5 * math.sin(2 * math.pi * (at_ms / DAY_MS - 0.4))


class Outside:
    """hardware.json, read at every look. What it lacks is as in `fields`."""

    def __init__(self, flash, fields):
        self.flash = flash
        self.fields = fields
        self.state = fields
        self.look()
        self.write()

    def look(self):
        """The state now."""
        try:
            found = json.loads(self.flash.read(HARDWARE) or b"{}")
            self.state = dict(self.fields)
            self.state.update(found)
        except (ValueError, TypeError):
            pass  # rubbish: the world stays as it was
        return self.state

    def knob(self, name):
        return self.look()["knobs"].get(name)

    def write(self):
        self.flash.replace(HARDWARE, [json.dumps(self.state).encode()])


class Desk(Files):
    """What both kinds of device have: flash, clock, and the end of it all."""

    ticks_period = TICKS_PERIOD
    firmware = FIRMWARE + "-desk"
    watchdog_bit = False
    sockets = None

    def __init__(self, folder, settings, code_folder, ended):
        Files.__init__(self, folder)
        self.settings = settings
        self.outside = None  # the world: whoever knows its fields fills it in
        self.ended = ended
        self.damaged_files = damaged(Files(code_folder), self)

    def ticks_ms(self):
        return ticks_ms()

    def now_ms(self):
        if not self.settings.get("clock", True):
            return None
        return now_ms() + 1000 * self.outside.look().get("clock_ahead_s", 0)

    def random_id(self):
        return binascii.hexlify(os.urandom(6)).decode()

    def end_cycle(self):
        """A desk has no watchdog: SIGKILL does its work."""


def install(folder, code_folder):
    """Write the manifest of the firmware that a desk runs: every module in its folder."""
    code = Files(code_folder)
    names = [name for name in os.listdir(code_folder) if name.endswith(".py")]
    save_one(Files(folder), MANIFEST, {name: crc_of(code, name) for name in names})


def main(platform, run, folder, code_folder, ended):
    """Run the device of this folder, again after each restart, until `ended()`."""
    settings = json.loads(Files(folder).read(SETTINGS))
    while not ended():
        if not guarded(run, platform(folder, settings, code_folder, ended), settings):
            pause_ms(CALM_MS)
