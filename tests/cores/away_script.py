"""Runs under the desk's MicroPython: writes a feeder's flash as its firmware does in weeks of 14 meals a day in which
plans come and no dose is ever received. Prints {"true_ms", "next_seq"}: the time at the end, the next dose's number.

away_script.py FIRMWARE UNIT_TESTS FOLDER DAYS
"""

import json
import sys

sys.path[:0] = sys.argv[1:3]

from files import Files
from portable_world import DAY, MANY, Days


class Weeks(Days):
    """Days in which nothing happens but meals, and nobody hears of them."""

    def something(self):
        pass

    def room(self):
        return 0


world = Weeks(Files(sys.argv[3]), 1, MANY)
world.target_g = 0.02  # so that a plan of all these meals is no larger than the contract allows
world.boot()
world.plan()
end = world.true_ms + int(sys.argv[4]) * DAY
while world.true_ms < end:
    world.hour()
print(json.dumps({"true_ms": world.true_ms, "next_seq": world.feeder.memory.next_seq}))
