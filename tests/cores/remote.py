"""A feeder's logic on an emulated core, with the calls of firmware/feeder.py: what owns it need not know.

The hardware is an object on this side, with the seam that feeder.py names; its calls come over shared memory, and both
sides ring by a byte on the core's second serial line (on_core/core_served.py describes the frames). Whatever the
hardware raises ends what the core was doing, as a power cut does, and goes on from here.
"""

import json
import struct
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from emulated import Core

IN, OUT = 9 << 20, 10 << 20
CALL, ANSWER, CUT, REFUSED, FAILED = range(5)
FACTS = (
    *("firmware", "board", "calibration", "gain_ng", "ticks_period", "most_steps", "damaged_files", "watchdog_bit"),
    *("cell_fault", "ceiling_ug"),
)
MAIN = """import gc

gc.threshold(4096)
import sys

sys.path.insert(0, "/fw_a")
import core_served

core_served.start()
"""


class RemoteError(AssertionError):
    """The program on the core ended with an error that nobody expected; the text is its traceback."""


class ServedCore(Core):
    """A core that waits for feeders to run; one at a time."""

    def __init__(self, folder: Path, modules: Path, heap_bytes: int) -> None:
        super().__init__(folder, heap_bytes)
        files = folder / "files"
        files.mkdir()
        (files / "main.py").write_text(MAIN)
        (files / "fw_a").symlink_to(modules)
        self.put(files)
        self.on()
        self.calls = 0

    def ring(self, said: list[Any], data: bytes) -> None:
        text = json.dumps(said).encode()
        self._memory[IN : IN + 8] = struct.pack("<II", len(text), len(data))
        self._memory[IN + 8 : IN + 8 + len(data) + len(text)] = data + text
        assert self.line is not None
        self.line.sendall(b"!")

    def hear(self) -> tuple[list[Any], bytes]:
        assert self.line is not None
        self.line.settimeout(60)
        if not self.line.recv(1):
            raise RemoteError(f"the core is off: {self.log[-1500:]}")
        self.calls += 1
        text, size = struct.unpack("<II", self._memory[OUT : OUT + 8])
        at = OUT + 8 + size
        heard: list[Any] = json.loads(self._memory[at : at + text])
        return heard, self._memory[OUT + 8 : at]


class RemoteFeeder:
    """What firmware/feeder.py's Feeder is to its owner. constants: (module, name, value) set on the core before."""

    def __init__(self, hardware: Any, core: ServedCore, constants: list[tuple[str, str, int]]) -> None:
        self._hardware = hardware
        self._core = core
        self._parts: list[bytes] = []
        self._raised: BaseException | None = None
        self.connected = False
        self._call("boot", {name: getattr(hardware, name) for name in FACTS if hasattr(hardware, name)}, constants)

    def on_connect(self) -> None:
        self._call("on_connect")
        self.connected = True

    def on_disconnect(self) -> None:
        self._call("on_disconnect")
        self.connected = False

    def on_message(self, tail: str, payload: bytes) -> Any:
        return self._call("on_message", tail, data=payload)

    def on_fault(self, code: str, detail: str) -> None:
        self._call("on_fault", code, detail)

    def tick(self) -> Any:
        return self._call("tick")

    def press(self) -> None:
        self._call("press")

    def long_press(self) -> None:
        self._call("long_press")

    @property
    def button_held(self) -> bool:
        return bool(self._call("button_held"))

    @property
    def memory(self) -> Any:
        """Of what it remembers, why it has stopped itself."""
        return SimpleNamespace(stop=SimpleNamespace(code=self._call("stop_code")))

    def _call(self, *call: Any, data: bytes = b"") -> Any:
        self._say([CALL, *call], data)
        while True:
            heard, blob = self._core.hear()
            if heard[0] == ANSWER:
                return heard[1]
            if heard[0] == FAILED:
                raise RemoteError(f"{heard[1]}: {self._core.log[-1500:]}")
            if heard[0] == CUT:
                assert self._raised is not None
                raise self._raised
            try:
                answer = self._serve(heard[1], heard[2:], blob)
            except OSError as error:
                self._say([REFUSED, str(error)])
            except BaseException as error:
                self._raised = error
                self._say([CUT])
            else:
                self._say([ANSWER, answer[0]], answer[1])

    def _say(self, said: list[Any], data: bytes = b"") -> None:
        self._core.ring([*said, self._hardware.now_ms(), self._hardware.ticks_ms()], data)

    def _serve(self, name: str, arguments: list[Any], blob: bytes) -> tuple[Any, bytes]:
        hardware = self._hardware
        if name == "read":
            data = hardware.read(*arguments)
            return data is not None, data or b""
        if name == "append":
            return hardware.append(arguments[0], blob), b""
        if name == "part":
            self._parts.append(blob)
            return None, b""
        if name == "replace":
            parts, self._parts = self._parts, []
            return hardware.replace(arguments[0], parts), b""
        if name == "publish":
            tail, retained = arguments
            return hardware.publish(tail, json.loads(blob), retained), b""
        return getattr(hardware, name)(*arguments), b""
