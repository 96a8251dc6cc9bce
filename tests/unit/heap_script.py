"""Thirty simulated days on a small heap, after ten in which every bounded list has filled: prints for each day what is
allocated after a collection. Runs under MicroPython: heap_script.py FIRMWARE FOLDER DAYS."""

import gc
import sys

sys.path.insert(0, sys.argv[1])

from files import Files  # noqa: E402
from link import Link  # noqa: E402
from portable_world import DAY, MANY, PERIOD, Days  # noqa: E402


class NoNetwork:
    """A network that is never there."""

    def open(self):
        raise OSError(113)

    def sleep(self, wait_ms):
        pass


def nothing(*_):
    pass


gc.threshold(4096)
world = Days(Files(sys.argv[2]), 1, MANY)
world.boot()
world.plan()
settings = {"host": "nowhere", "port": 1883, "root": "tareline"}
link = Link(settings, "feeder", world.ticks_ms, PERIOD, nothing, nothing, nothing, NoNetwork())
for _ in range(int(sys.argv[3])):
    moved = world.moved
    end = world.true_ms + DAY
    while world.true_ms < end:
        world.hour()
        link.poll(0)
    if world.moved == moved and world.feeder.plan is None:
        raise AssertionError("no plan is in force: nothing was measured")
    world.told = []
    world.doses = {seq: world.doses[seq] for seq in world.doses if seq > world.feeder.memory.next_seq - 40}
    gc.collect()
    print(gc.mem_alloc(), gc.mem_free(), world.moved - moved)
