"""The hardware seam of firmware/feeder.py without faults; a ghost that tells what a board's flash would tell; and want
of memory."""

import sys
from collections.abc import Callable
from random import Random
from typing import Any

from flash import Flash

from tareline.resources import load_firmware

feeder_module = load_firmware("feeder")
PERIOD = 1 << 30
SEAM_FILES = ("sim_board.py", "seam.py", "flash.py")
FIRMWARE = str(feeder_module.__file__).rpartition("/")[0]


class Seam:
    """What of the hardware never fails and never moves; a ghost needs no more."""

    ticks_period = PERIOD
    firmware = "test"
    calibration = "factory"
    most_steps = 100_000
    damaged_files: tuple[str, ...] = ()
    watchdog_bit = False
    cell_fault = ("cell_dead", "")

    def __init__(self, name: str, gain_ng: int, flash: Flash) -> None:
        self.name, self.board, self.gain_ng, self.flash = name, f"board of {name}", gain_ng, flash
        self.read, self.append, self.replace = flash.read, flash.append, flash.replace

    def temperature_c100(self) -> int | None:
        return 2450

    def weigh(self) -> tuple[int, int] | None:
        return 50_000_000, 500

    def tare(self) -> bool:
        return True

    def calibrate(self, mass_ug: int) -> bool:
        return mass_ug > 0

    def restart(self) -> None: ...

    def room(self) -> int:
        return 1000

    def pump(self) -> None: ...


class Ghost(Seam):
    """A copy of a board's flash in another board without a clock: what would be known if power went now."""

    def __init__(self, board: Seam) -> None:
        super().__init__(board.name, board.gain_ng, Flash(dict(board.flash.files), Random(0)))
        self.doses: list[dict[str, Any]] = []
        self.announced_ng = board.gain_ng
        self.opened: dict[str, Any] | None = None
        self._look()

    def ticks_ms(self) -> int:
        return 0

    def now_ms(self) -> None:
        return None

    def random_id(self) -> str:
        return "ghost"

    def step(self, steps: int) -> int:
        return steps

    def publish(self, tail: str, fields: dict[str, Any], retained: bool) -> bool:
        if tail == "dose":
            self.doses.append(fields)
        elif tail == "hello":
            self.announced_ng = round(fields["gain_g_per_step"] * 1e9)
        return True

    def _look(self) -> None:
        """opened: the newest dose that flash has begun and not ended; announced_ng: the gain in force by flash."""
        feeder = feeder_module.Feeder(self)
        feeder.on_connect()
        feeder.tick()
        cut = [dose for dose in self.doses if dose["outcome"] == "interrupted"]
        self.opened = max(cut, key=lambda dose: dose["seq"], default=None)


class Starved:
    """While it lasts, one call raises MemoryError: the calls-th one that the firmware makes, of all (anywhere), or of
    those to its hardware (at its seam) alone. failed() is called at that moment."""

    def __init__(self, calls: int, anywhere: bool, failed: Callable[[], None]) -> None:
        self.calls, self.anywhere, self.failed = calls, anywhere, failed

    def __enter__(self) -> "Starved":
        sys.setprofile(self._called)
        return self

    def __exit__(self, *_: object) -> None:
        sys.setprofile(None)

    def _called(self, frame: Any, event: str, _: Any) -> None:
        caller = frame.f_back if event == "call" else frame
        if event not in ("call", "c_call") or caller is None or not caller.f_code.co_filename.startswith(FIRMWARE):
            return
        at_seam = event == "call" and frame.f_code.co_filename.endswith(SEAM_FILES)
        if at_seam or self.anywhere:
            self.calls -= 1
            if self.calls == 0:
                sys.setprofile(None)
                self.failed()
                raise MemoryError("the world's")
