"""The platform of runner.py on the emulated core; what board.py is on a board. Runs under MicroPython.

Water, cell, auger and network are words that the test and this file share (`word`, `put`). With VIRTUAL nobody waits
for the auger, the cell or a network that is away, and up to LEAP_TO_S (seconds since the start) a turn of the loop
without a connection takes five minutes: so days pass in seconds, and every turn is a whole one.

The link's bytes go over the second serial line to a bridge of the test. Frames on it, both ways: a letter, the number
of the connection (0 to 255), the size in two bytes (little-endian), and as many bytes. The core says O (open), D
(data), C (close); the bridge says U (up), D (data), C (closed or refused). A core that starts says R, drops what an
older program was still to get, and takes what follows the bridge's NEW.
"""

import binascii
import gc
import json
import os
import time

import core
import machine
import runner
from files import Files
from runner import FIRMWARE, guarded
from sockets import Sockets

WORDS = 0x21800000
NEW = b"\0the line is new"
SKIPPED_MS, SKIPPED_S, LARGEST = 5, 6, 10
HOPPER_UG, TURNS, STEPS, PRESS, CELL_FAULT, TRUE_GAIN_NG, VIRTUAL, NETWORK, MEASURE, FREE, LARGEST_FREE = range(32, 43)
DOSE_TURNS, DOSE_US, MOST_DOSE_US, END, STEP_US, TEMPERATURE_C100, CONDUCTANCE_US, LEAP_TO_S = range(43, 51)
LEAP_MS = 300000
CALM_MS = 1000  # after an error, as on a desk


def word(n):
    return machine.mem32[WORDS + 4 * n]


def put(n, value):
    machine.mem32[WORDS + 4 * n] = value


def pass_ms(ms):
    """Let this time pass: where VIRTUAL is set at once, else in truth."""
    if not word(VIRTUAL):
        time.sleep_ms(ms)
        return
    skipped = word(SKIPPED_MS) + ms
    put(SKIPPED_S, word(SKIPPED_S) + skipped // 1000)
    put(SKIPPED_MS, skipped % 1000)


def leave_out_search():
    """The firmware's own search for its largest free block takes one for a moment: no need of its, so not counted."""
    search = getattr(runner, "Heap", None)
    if search is None:
        return
    look = search.look

    def uncounted(heap):
        known = word(LARGEST)
        found = look(heap)
        put(LARGEST, known)
        return found

    search.look = uncounted


class Line(Sockets):
    """Connections over the second serial line; see sockets.py for the calls."""

    def __init__(self):
        self.number = 0
        self.head = bytearray(4)
        self.got = 0  # bytes of the head that have come
        self.left = 0  # bytes of the frame that have not
        self.state = "C"
        self._say("R")
        seen = bytearray(len(NEW))
        while seen != NEW:
            core.wait(100)
            byte = core.receive(memoryview(self.head)[:1])
            if byte:
                seen = seen[1:] + self.head[:1]

    def open(self):
        if not word(NETWORK):
            raise OSError("no network")
        self.number = (self.number + 1) % 256
        self.state = "O"
        self._say("O")
        return self

    def sleep(self, wait_ms):
        pass_ms(wait_ms)

    def wait(self, wait_ms, writing):
        if not writing:
            core.wait(wait_ms)

    def ready(self):
        self._look(None)
        if self.state == "C":
            raise OSError("connection refused")
        return self.state == "U"

    def receive(self, buffer):
        count = self._look(buffer)
        if not count and self.state == "C":
            raise OSError("closed by the broker")
        return count

    def send(self, data):
        data = data[:512]
        self._say("D", data)
        return len(data)

    def close(self):
        self._say("C")
        self.state = "C"

    def _say(self, what, data=b""):
        core.send(bytes((ord(what), self.number, len(data) & 255, len(data) >> 8)))
        core.send(data)

    def _look(self, buffer):
        """Take what has come; data of this connection goes into the buffer. Returns how many bytes did."""
        while True:
            if not self.left:
                self.got += core.receive(memoryview(self.head)[self.got :])
                if self.got < 4:
                    return 0
                self.left = self.head[2] | self.head[3] << 8
            ours = self.head[1] == self.number
            if not self.left:
                if ours:
                    self.state = chr(self.head[0])
                self.got = 0
            elif not ours:
                self.left -= core.receive(bytearray(min(self.left, 64)))
                self.got = 0 if not self.left else 4
                if self.left:
                    return 0
            elif buffer is None:
                return 0
            else:
                count = core.receive(memoryview(buffer)[: self.left])
                self.left -= count
                self.got = 0 if not self.left else 4
                return count


class CoreBoard(Files):
    """What both kinds of device have."""

    ticks_period = 1 << 30
    firmware = FIRMWARE + "-core"
    watchdog_bit = False
    damaged_files = ()
    board = "core-1"

    def __init__(self, settings):
        Files.__init__(self, "/")
        self.sockets = Line()
        self.ticks_ms = time.ticks_ms

    def now_ms(self):
        return time.time_ns() // 1000000

    def random_id(self):
        return binascii.hexlify(os.urandom(6)).decode()

    def temperature_c100(self):
        return word(TEMPERATURE_C100)

    def ended(self):
        return word(END) == 1

    def end_cycle(self):
        put(TURNS, word(TURNS) + 1)
        if word(MEASURE):
            gc.collect()
            free, largest = core.memory()
            put(FREE, free)
            put(LARGEST_FREE, largest)
            put(MEASURE, 0)
        if self.sockets.state == "C" and word(SKIPPED_S) < word(LEAP_TO_S):
            pass_ms(LEAP_MS)


def start(platform, run, drivers):
    """As board.py starts a board: run the device, and reset the core whenever that ends."""
    for name in ("board",) + drivers:  # unused here: so that the heap holds what a board's holds
        __import__(name)
    leave_out_search()
    with open("/settings.json") as file:
        settings = json.load(file)
    try:
        if not guarded(run, platform(settings), settings):
            time.sleep_ms(CALM_MS)
    finally:
        if word(END):
            print("ended as the test asked")
            raise SystemExit
        machine.reset()
