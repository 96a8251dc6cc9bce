"""The loop that a board and a desk share: platform, link and control logic put together.

A platform is what board.py and desk.py provide:

  facts      board, firmware, ticks_period, damaged_files, watchdog_bit
  time       ticks_ms(), now_ms(), random_id()
  flash      read(name, at, size), append(name, data), replace(name, parts)
  water      temperature_c100(), and what feeder_rig.py and probe_rig.py name
  network    sockets: see sockets.py, or None
  life       ended(), end_cycle(): feeds the watchdog

One turn of the loop is a complete control cycle, and the watchdog is fed at its end and nowhere else. While a motor
turns, the logic calls `pump` between chunks of steps, which takes in what the network has brought and hands over holds:
a hold waits for one chunk and one look at the socket at most. The calls that may block longer (looking up a name,
connecting) happen only without a connection, when no hold can come.
"""

import gc
import sys

import starter
from base import CRASH, MINUTE_MS
from journal import load_one, save_one
from link import TAILS, Link

FIRMWARE = "0.1.0"
COLLECT_BYTES = 4096  # often, so that what lives long lies close together; main.py sets it before anything is imported
LOOK_MS = 20  # how often the button is looked at
STARTS = "starts.bin"  # how many starts in a row have ended in a crash
CALM_MS = 10 * MINUTE_MS  # a start that has lasted so long is a good one
MOST_CRASHES = 3  # then what the broker holds for this device may be the cause
LARGEST_BLOCK = 16384  # a larger free block is not looked for: a board might take it from its Wi-Fi


class Heap:
    """What the heap had left at least since the start, after a collection. Nothing under CPython."""

    def __init__(self):
        self.free = None
        self.largest = None

    def look(self):
        if not hasattr(gc, "mem_free"):
            return {}
        gc.collect()
        free = gc.mem_free()
        largest = LARGEST_BLOCK
        while largest > 64:
            try:
                bytearray(largest - 32)
                break
            except MemoryError:
                largest //= 2
        self.free = free if self.free is None else min(self.free, free)
        self.largest = largest if self.largest is None else min(self.largest, largest)
        return {"heap_free_bytes": self.free, "heap_largest_bytes": self.largest}


class Seam:
    """What the logic sees of its hardware: the platform's own calls under the names that feeder.py and probe.py use."""

    def __init__(self, platform):
        self.platform = platform
        self.board = platform.board
        self.firmware = platform.firmware
        self.ticks_period = platform.ticks_period
        self.damaged_files = platform.damaged_files
        self.watchdog_bit = platform.watchdog_bit
        self.ticks_ms = platform.ticks_ms
        self.now_ms = platform.now_ms
        self.random_id = platform.random_id
        self.read = platform.read
        self.append = platform.append
        self.replace = platform.replace
        self.temperature_c100 = platform.temperature_c100
        self.heap = Heap()
        self.link = None
        self.logic = None
        self.updater = None
        self.restarting = False

    def connect(self, link, logic):
        self.link = link
        self.logic = logic
        self.room = link.room

    def publish(self, tail, fields, retained=False, token=None):
        if tail == "hello":
            fields.update(self.heap.look())
        return self.link.publish(tail, fields, retained, token)

    def restart(self):
        self.restarting = True

    def hand_over(self, tail=None):
        """Give the logic what has come, holds first, or only what has this tail; acknowledge what it has taken."""
        while not self.restarting:
            message = self.link.take(tail)
            if message is None:
                return
            if message[0] == "command" and not self.link.outbox.takes_answers():
                self.link.inbox.insert(0, message)  # it waits until its answer can be kept
                return
            if self.updater is not None and message[0] in self.updater.tails:
                self.updater.on_message(message[0], message[1])
            elif not self.logic.on_message(message[0], message[1]):
                self.link.inbox.insert(0, message)  # to be given again later
                return
            elif self.updater is not None and message[0] == "received":
                self.updater.heard()
            self.link.acknowledge(message[2])


def run(seam, logic, settings, look=None):
    """Run one device from its start until a restart is asked for or the platform has ended.

    look: called every LOOK_MS, for what must not wait until the logic is called again.
    """
    platform = seam.platform
    if hasattr(gc, "threshold"):
        gc.threshold(COLLECT_BYTES)
    if platform.watchdog_bit:
        _count_crash(platform)
    crashes = load_one(platform, STARTS)[0] or 0
    updater = None
    if starter.running is not None:
        from update import Updater  # a device that does not run from a set of modules takes no updates

        updater = Updater(
            settings, starter.program, starter.running, platform, seam.publish, logic.on_fault, seam.restart
        )
    link = Link(
        settings,
        settings["device"],
        platform.ticks_ms,
        platform.ticks_period,
        logic.on_connect,
        logic.on_disconnect,
        logic.on_fault,
        platform.sockets,
        TAILS + (updater.tails if updater else ()),
        forget=crashes >= MOST_CRASHES,
    )
    seam.connect(link, logic)
    seam.updater = updater
    while not seam.restarting and not platform.ended():
        wait_ms = logic.tick()
        if updater is not None:
            if link.delivered:  # a probe's samples: the broker has them
                updater.heard()
            wait_ms = min(wait_ms, updater.tick(logic.uptime, logic.quiet_ms, link.up))
        if look:
            look()
            wait_ms = min(wait_ms, LOOK_MS)
        link.poll(wait_ms)
        seam.hand_over()
        if crashes and logic.uptime >= CALM_MS:
            crashes = 0
            platform.replace(STARTS, [])
        platform.end_cycle()
    link.close()


def guarded(run, platform, settings):
    """Run, and where that ends with an error that nobody expected, keep it on flash to be told after the next start."""
    try:
        run(platform, settings)
    except Exception as error:
        if hasattr(sys, "print_exception"):
            sys.print_exception(error)
        try:
            save_one(platform, CRASH, ("%r" % error)[:200])
            _count_crash(platform)
        except OSError:
            pass  # flash may be what has failed
        return False
    return True


def _count_crash(platform):
    save_one(platform, STARTS, (load_one(platform, STARTS)[0] or 0) + 1)
