"""A feeder's logic on the core, whose hardware is the host's: every call of the seam goes out, every call of the owner
comes in. Runs under MicroPython; remote.py is the other end.

A frame is what stands in the shared memory: the size of its JSON and of its bytes (two little-endian words of four
bytes), the bytes, the JSON. One byte on the second serial line says that it is complete. The JSON is [CALL, name,
argument...], [ANSWER, value], [CUT], [REFUSED, text] for an OSError, or [FAILED, text]; a call of either side may come
while an answer is waited for. The host's end with its clock and its ticks, which stand still while the core computes.
"""

import gc
import json
import struct
import sys

import core
import uctypes
from feeder import Feeder

IN, OUT = 0x21900000, 0x21A00000
CALL, ANSWER, CUT, REFUSED, FAILED = range(5)


class PowerCut(BaseException):
    """The host says that the power is gone: nothing of the program goes on."""


class Served:
    """The hardware seam of feeder.py; and the feeder, from one start to the next."""

    def __init__(self):
        self.feeder = None
        self.bell = bytearray(1)
        self.now = self.ticks = None
        self.data = b""

    # Frames

    def _ring(self, said, data=b""):
        text = json.dumps(said).encode()
        uctypes.bytearray_at(OUT, 8)[:] = struct.pack("<II", len(text), len(data))
        uctypes.bytearray_at(OUT + 8, len(data))[:] = data
        uctypes.bytearray_at(OUT + 8 + len(data), len(text))[:] = text
        core.send(b"!")

    def _hear(self):
        while not core.receive(self.bell):
            core.wait(1000)
        text, data = struct.unpack("<II", uctypes.bytearray_at(IN, 8))
        heard = json.loads(bytes(uctypes.bytearray_at(IN + 8 + data, text)))
        self.data = bytes(uctypes.bytearray_at(IN + 8, data))
        self.ticks = heard.pop()
        self.now = heard.pop()
        return heard

    def serve(self, waiting):
        """Answer calls; with `waiting`, until the answer to our own has come, and return that."""
        while True:
            heard = self._hear()
            kind = heard[0]
            if kind == ANSWER:
                return heard[1]
            if kind == CUT:
                raise PowerCut
            if kind == REFUSED:
                raise OSError(heard[1])
            try:
                answer = self._do(heard[1], heard[2:])
            except PowerCut:
                self._ring([CUT])
                if waiting:
                    raise
                self.feeder = None
                gc.collect()
            except Exception as error:
                sys.print_exception(error)
                self._ring([FAILED, repr(error)])
            else:
                self._ring([ANSWER, answer])

    def _do(self, name, arguments):
        if name == "boot":
            for field, value in arguments[0].items():
                setattr(self, field, value)
            for module, constant, value in arguments[1]:
                setattr(__import__(module), constant, value)
            self.feeder = None
            gc.collect()
            self.feeder = Feeder(self)
            return None
        if name == "on_message":
            return self.feeder.on_message(arguments[0], self.data)
        if name == "button_held":
            return self.feeder.button_held
        if name == "stop_code":
            return self.feeder.memory.stop.code
        return getattr(self.feeder, name)(*arguments)

    def _ask(self, data, *call):
        self._ring((CALL,) + call, data)
        return self.serve(True)

    def _say(self, *call):
        return self._ask(b"", *call)

    # The seam

    def ticks_ms(self):
        return self.ticks

    def now_ms(self):
        return self.now

    def random_id(self):
        return self._say("random_id")

    def temperature_c100(self):
        return self._say("temperature_c100")

    def weigh(self):
        weight = self._say("weigh")
        return weight and tuple(weight)

    def tare(self):
        return self._say("tare")

    def calibrate(self, mass_ug):
        return self._say("calibrate", mass_ug)

    def restart(self):
        return self._say("restart")

    def step(self, steps):
        return self._say("step", steps)

    def pump(self):
        return self._say("pump")

    def room(self):
        return self._say("room")

    def publish(self, tail, fields, retained):
        return self._ask(json.dumps(fields).encode(), "publish", tail, retained)

    def read(self, name, at=0, size=None):
        return self.data if self._say("read", name, at, size) else None

    def append(self, name, data):
        return self._ask(data, "append", name)

    def replace(self, name, parts):
        for part in parts:  # which may read meanwhile
            self._ask(part, "part")
        return self._say("replace", name)


def start():
    Served().serve(False)
