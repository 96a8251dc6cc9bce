"""The probe's logic in whole numbers, for CPython and MicroPython alike: `run()` returns what both must agree on.

Under MicroPython, with the firmware's folder and this one on the path: `import portable_probe; portable_probe.run()`.
`memory(folder, days)` shows that nothing grows.
"""

import gc

try:
    from tareline.resources import load_firmware
except ImportError:
    load_firmware = __import__

from probe_world import DAY, HOUR, MINUTE, Received, World

sensing = load_firmware("sensing")
packs = load_firmware("packs")
backlog = load_firmware("backlog")
files = load_firmware("files")


def numbers():
    """Maths and texts."""
    found = []
    for uv in (5, 6600, 123456, 976000, 2999999):
        found.append(sensing.conductance_ns(uv, 3300000, 1000))
    line = sensing.Calibration([(140823, 1400000), (1282460, 12820000)])
    assert line.conductivity_us_per_m(1400000) == 140823
    assert line.conductivity_us_per_m(12820000) == 1282460
    for conductance in (0, 420000, 5000001):
        found.append(line.conductivity_us_per_m(conductance))
    found.append(line.cell_per_km())
    for c100 in (1000, 1234, 2500, 3499):
        found.append(sensing.standard_us_per_m(1282460, c100))
    samples = [(1792879200123, 2450, 42000, 512345), (1792879259999, -5, None, 7)]
    found.append(packs.pack(samples).decode())
    found.append(packs.pack([(61000, None, 1, 0)], "b", 90500).decode())
    found.append(packs.decimal(-1792879200123, 3))
    return found


def outage():
    """Two days away without a clock, a restart between them, then the time: what was sent and what was lost."""
    limit, backlog.LIMIT = backlog.LIMIT, 4096
    try:
        world = World(has_clock=False).boot()
        received = Received(world)
        world.run(DAY)
        world.off(HOUR).boot().run(DAY)
        world.answers_time = True
        world.connect().run(10 * MINUTE)
        assert not world.probe.backlog.waits()
        found = [len(received.samples), received.repeats, world.writes, world.packs]
        found.extend(world.faults())
        return found
    finally:
        backlog.LIMIT = limit


class Counter:
    """Takes packs without keeping them."""

    def __init__(self, world):
        self.count = 0
        world.on_pack = self.take

    def take(self, payload):
        self.count += payload.count(b'"voltage"')


def memory(folder, days=7):
    """Days with the network away every second twelve hours, on a flash in a folder; returns the free bytes after each
    day where the runtime tells them."""
    world = World()
    flash = files.Files(folder)
    world.read, world.append, world.replace = flash.read, flash.append, flash.replace
    world.boot()
    counter = Counter(world)
    free = []
    for _ in range(days):
        world.connect().run(12 * HOUR)
        world.cut().run(12 * HOUR)
        world.sent = []
        gc.collect()
        if hasattr(gc, "mem_free"):
            free.append(gc.mem_free())
    world.connect().run(HOUR)
    assert counter.count == days * 1440 + 60, counter.count
    return free


def run():
    """A list of whole numbers and texts."""
    return numbers() + outage()
