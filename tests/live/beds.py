"""What a device of the conformance tests runs in: a thread of the test, or a program of its own."""

import contextlib
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from breakers import EXAMPLES, PowerGone, Probe, feeder_example

ARDUINO = Path(__file__).parents[1] / "arduino"


class Bed:
    """A device of the test in a thread, started again whenever it ends."""

    def __init__(self, made: type, port: int, folder: Path, clock: bool = True, name: str = "") -> None:
        self.name = name or f"{made.__name__}{'' if clock else '-blind'}".lower()
        self.kind = "probe" if issubclass(made, Probe) else "feeder"
        self._made, self._port, self._flash, self._clock = made, port, folder / self.name, clock
        self._ended = threading.Event()
        self._hardware = feeder_example.Hardware()
        self._thread = threading.Thread(target=self._live, name=self.name, daemon=True)

    def __enter__(self) -> "Bed":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join(20)

    def _start(self) -> Any:
        if self.kind == "probe":
            return self._made(self.name, "127.0.0.1", self._port, 0.5, self._clock)
        if not self._clock:
            self._hardware.ahead_ms = None
        return self._made(self.name, "127.0.0.1", self._port, self._flash, self._hardware)

    def _live(self) -> None:
        while not self._ended.is_set():
            device = self._start()
            with contextlib.suppress(PowerGone):
                device.run(self._ended.is_set)
            if device.client.socket() is not None:
                device.client.socket().close()


class Program:
    """A device that is a program of its own."""

    def __init__(self, name: str, kind: str, folder: Path, *command: str) -> None:
        self.name, self.kind = name, kind
        self._command, self._log = command, folder / f"{name}.log"

    def __enter__(self) -> "Program":
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(self._command, stdout=log, stderr=log)
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait(10)


def sketch(kind: str, name: str, folder: Path) -> str:
    """Compile an example sketch for this computer; the program's path."""
    compiler = shutil.which("g++")
    assert compiler is not None, "g++ is not installed; it compiles the example sketches"
    words = [f'DEVICE="{name}"', "PERIOD_MS=500", f'SKETCH="{EXAMPLES}/{kind}_sketch/{kind}_sketch.ino"']
    words += ["IS_FEEDER"] if kind == "feeder" else []
    command = [compiler, "-std=c++17", "-O1", "-Wall", "-Wextra", "-Werror", f"-I{ARDUINO}"]
    made = subprocess.run(
        [*command, *(f"-D{word}" for word in words), str(ARDUINO / "host.cpp"), "-o", str(folder / name)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert made.returncode == 0, made.stderr
    return str(folder / name)


def programs(port: int, folder: Path) -> Iterator[Program]:
    """The examples that are no classes of this process, and our own firmware on a desk."""
    where = ("127.0.0.1", str(port))
    micropython = str(Path(sys.executable).with_name("micropython"))
    tareline = str(Path(sys.executable).with_name("tareline"))
    for kind in ("feeder", "probe"):
        for clock in ((), ("no-clock",)):
            name = "-".join(("sketch", kind, *clock))
            yield Program(name, kind, folder, sketch(kind, name, folder), *where, str(folder / f"{name}.bin"), *clock)
        name = f"plain-{kind}"
        last = str(folder / f"{name}.json") if kind == "feeder" else "0.5"
        file = str(EXAMPLES / f"{kind}_micropython.py")
        # As little memory as a small board has; objects of this 64-bit interpreter take twice a board's.
        yield Program(name, kind, folder, micropython, "-X", "heapsize=256k", file, name, *where, last)
        for runtime, options in (("micropython", ()), ("cpython", ("--no-clock",))):
            name = f"desk-{kind}-{runtime}"
            command = [tareline, "desk", kind, "--device", name, "--broker", f"mqtt://127.0.0.1:{port}", "--flash"]
            more = ("--sample-s", "5") if kind == "probe" else ()
            yield Program(name, kind, folder, *command, str(folder / name), "--runtime", runtime, *options, *more)
