"""A feeder that doesn't exist: the firmware's own control logic on simulated hardware, as a real MQTT device.

The folder given as flash is all that survives: end the process with SIGKILL and it was a power cut. One process at a
time may use a folder.
"""

import fcntl
import os
import secrets
import signal
import sys
import threading
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any

import typer

from tareline import __version__
from tareline.clock import Clock, SystemClock
from tareline.resources import load_firmware
from tareline.simulate.hardware import Hardware
from tareline.simulate.wire import Wire

STEPS_PER_S = 400.0
TICKS_PERIOD = 1 << 30  # a board's tick counter wraps here, so this one does too


class FolderFlash:
    """The firmware's flash on a folder: every write is on disk when the call returns."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def read(self, name: str) -> bytes | None:
        try:
            return (self._folder / name).read_bytes()
        except FileNotFoundError:
            return None

    def append(self, name: str, data: bytes) -> None:
        with (self._folder / name).open("ab") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())

    def replace(self, name: str, data: bytes) -> None:
        fresh = self._folder / f"{name}.new"
        with fresh.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(self._folder / name)
        folder = os.open(self._folder, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


class Seam(FolderFlash):
    """What the firmware's logic sees: hardware, clock, flash and link under the names it knows."""

    ticks_period = TICKS_PERIOD
    firmware = f"{__version__}-sim"

    def __init__(self, folder: Path, hardware: Hardware, clock: Clock, has_clock: bool, steps_per_s: float) -> None:
        super().__init__(folder)
        self.hardware = hardware
        self.wire: Wire
        self.feeder: Any = None
        self.restarting = False
        self._clock = clock
        self._has_clock = has_clock
        self._steps_per_s = steps_per_s
        self.board = hardware.board
        self.gain_ng = hardware.gain_ng

    @property
    def calibration(self) -> str:
        return self.hardware.calibration

    def ticks_ms(self) -> int:
        return int(self._clock.monotonic_s() * 1000) % TICKS_PERIOD

    def now_ms(self) -> int | None:
        return self._clock.now_ms() if self._has_clock else None

    def random_id(self) -> str:
        return secrets.token_hex(6)

    def temperature_c(self) -> float:
        return round(self.hardware.temperature_at(self._clock.now_ms()), 2)

    def weigh(self) -> tuple[int, int] | None:
        return self.hardware.weigh(self.temperature_c())

    def tare(self) -> bool:
        return self.hardware.tare(self.temperature_c())

    def calibrate(self, mass_ug: int) -> bool:
        return self.hardware.calibrate(mass_ug, self.temperature_c())

    def step(self, steps: int) -> int:
        made = self.hardware.step(steps)
        self.wire.spend(made / self._steps_per_s)
        return made

    def came_up(self) -> None:
        self.feeder.on_connect()

    def went_down(self) -> None:
        self.feeder.on_disconnect()

    def restart(self) -> None:
        self.restarting = True

    def publish(self, tail: str, fields: dict[str, Any], retained: bool) -> None:
        self.wire.publish(tail, fields, retained)

    def room(self) -> int:
        return self.wire.room()

    def pump(self) -> None:
        """Hand over the holds that have come; the rest waits until the dose is over."""
        self.wire.wait(0)
        for item in [item for item in self.wire.inbox if item[0] == "hold"]:
            self.wire.inbox.remove(item)
            self.hand_over(*item)

    def hand_over(self, tail: str, message: Any) -> None:
        """Give a message to the logic, then acknowledge it."""
        if self.feeder.on_message(tail, message.payload):
            self.wire.acknowledge(message)


def _lock(folder: Path) -> int:
    """Take the folder for this process; RuntimeError where another one has it."""
    lock = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(lock)
        raise RuntimeError(f"flash {folder}: another device process uses it") from error
    return lock


def run(
    device: str,
    broker_url: str,
    flash_dir: Path,
    root: str = "tareline",
    stop: threading.Event | None = None,
    clock: Clock | None = None,
    hopper_g: float = 60.0,
    gain_g_per_step: float = 0.001,
    knobs: dict[str, Any] | None = None,
    has_clock: bool = True,
    press_every_s: float | None = None,
    steps_per_s: float = STEPS_PER_S,
) -> None:
    """Run a feeder until `stop` is set, reconnecting for ever.

    hopper_g and gain_g_per_step hold for a new folder; an existing one keeps its hardware.json. has_clock: whether
    the board has a clock of its own, or depends on `down/time`. press_every_s: somebody presses the button that often.
    """
    stop = stop or threading.Event()
    clock = clock or SystemClock()
    firmware = load_firmware("feeder")
    flash_dir.mkdir(parents=True, exist_ok=True)
    lock = _lock(flash_dir)
    try:
        hardware = Hardware(flash_dir, hopper_g, gain_g_per_step, knobs)
        seam = Seam(flash_dir, hardware, clock, has_clock, steps_per_s)
        seam.wire = Wire(device, broker_url, root, stop, seam.came_up, seam.went_down)
        while not stop.is_set():
            seam.restarting = False
            seam.feeder = firmware.Feeder(seam)
            if seam.wire.up:
                seam.feeder.on_connect()
            _serve(seam, stop, clock, press_every_s)
        seam.wire.close()
    finally:
        os.close(lock)


def _serve(seam: Seam, stop: threading.Event, clock: Clock, press_every_s: float | None) -> None:
    """One boot of the logic, until a stop or a restart."""
    pressed_s = clock.monotonic_s()
    while not stop.is_set() and not seam.restarting:
        if press_every_s is not None and clock.monotonic_s() - pressed_s >= press_every_s:
            pressed_s = clock.monotonic_s()
            seam.feeder.press()
        wait_s = seam.feeder.tick() / 1000
        if press_every_s is not None:
            wait_s = max(0.0, min(wait_s, pressed_s + press_every_s - clock.monotonic_s()))
        seam.wire.wait(wait_s)
        while seam.wire.inbox and not seam.restarting:
            seam.hand_over(*seam.wire.inbox.popleft())


def parse_knobs(words: list[str]) -> dict[str, Any]:
    """Knobs from the command line: `jam`, `short=0.4`, `cell=dead`."""
    knobs: dict[str, Any] = {}
    for word in words:
        name, _, value = word.partition("=")
        knobs[name] = value or True
        with suppress(ValueError):
            knobs[name] = float(value)
    return knobs


def main(
    device: Annotated[str, typer.Option(help="the device's name")],
    broker: Annotated[str, typer.Option(help="mqtt://host:port")],
    flash: Annotated[Path, typer.Option(help="folder that is the device's flash")],
    root: Annotated[str, typer.Option(help="topic prefix")] = "tareline",
    hopper_g: Annotated[float, typer.Option(help="food in the hopper of a new folder, grams")] = 60.0,
    gain_g_per_step: Annotated[float, typer.Option(help="announced grams per step of a new folder")] = 0.001,
    knob: Annotated[list[str] | None, typer.Option(help="jam, stall, short=0.4, cell=dead; may be repeated")] = None,
    clock: Annotated[str, typer.Option(help="host, or none for a board without one")] = "host",
    press_every: Annotated[float | None, typer.Option(help="press the button every so many seconds")] = None,
    steps_per_s: Annotated[float, typer.Option(help="speed of the auger")] = STEPS_PER_S,
) -> None:
    """Run a simulated feeder until it is ended. SIGTERM stops it cleanly; SIGKILL is a power cut."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    if clock not in ("host", "none"):
        raise typer.BadParameter("expected host or none", param_hint="--clock")
    try:
        run(
            device,
            broker,
            flash,
            root,
            stop,
            hopper_g=hopper_g,
            gain_g_per_step=gain_g_per_step,
            knobs=parse_knobs(knob or []),
            has_clock=clock == "host",
            press_every_s=press_every,
            steps_per_s=steps_per_s,
        )
    except (RuntimeError, ValueError) as error:
        print(error, file=sys.stderr)
        raise typer.Exit(1) from None


if __name__ == "__main__":
    typer.run(main)
