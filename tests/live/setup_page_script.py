"""A board's set-up page alone, under CPython or MicroPython: prints "ready", and at its end "saved" or "over".

argv: the firmware's folder, the folder that is the flash, the port, for how many milliseconds.
"""

import sys

sys.path.insert(0, sys.argv[1])

import time

from files import Files
from setup_page import SetupPage, listen
from setup_settings import load, save


class Ticks:
    """What MicroPython's time has besides."""

    def ticks_ms(self):
        return time.time_ns() // 1000000

    def ticks_diff(self, end, start):
        return end - start


flash = Files(sys.argv[2])
settings, sound = load(flash)
assert sound
page = SetupPage(settings, lambda new: save(flash, new), Ticks(), lambda: None)
listener = listen("127.0.0.1", int(sys.argv[3]))
sys.stdout.write("ready\n")
if hasattr(sys.stdout, "flush"):
    sys.stdout.flush()
print("saved" if page.serve(listener, int(sys.argv[4])) else "over")
