"""A board's prompt over a serial port: MicroPython's raw REPL, as mpremote speaks it."""

import contextlib
import io
import json
import struct
from collections.abc import Callable, Iterator
from typing import Any

from tareline.resources import firmware_dir

OLDEST = (1, 28)  # MicroPython; what the firmware's language is checked with
ATTEMPTS = 2  # a program that looks up a name or shakes hands does not hear Ctrl-C for some seconds
ENTER_S = 8.0
QUIET_S = 1.0  # a read gives up after this, so that a silent line is noticed
ANSWER_S = 30.0  # of silence while something runs on the board
PIECE = 1024  # of a file, in one command
LEAST_HEAP = 24 * 1024
WHO = "import sys;print(sys.implementation[0],*sys.implementation[1][:2],getattr(sys.implementation,'_mpy',0)&255)"


class BoardError(RuntimeError):
    """What went wrong with the board, in a sentence for a person."""


class RefusedError(BoardError):
    """The board ran the command, and it raised; the text is the last line of its traceback."""


def ports() -> list[tuple[str, str]]:
    """(device, description) of the serial ports of this machine that belong to something on USB."""
    from serial.tools import list_ports

    return sorted((str(one.device), str(one.description)) for one in list_ports.comports() if one.vid is not None)


def choose(port: str | None) -> str:
    """The port to use. Raises BoardError where there is none, or several and none was named."""
    if port:
        return port
    found = ports()
    if not found:
        raise BoardError(
            "no board: no serial port on USB. Plug the board in with a cable that carries data; --port names any other"
        )
    if len(found) > 1:
        listed = "; ".join(f"{device} ({text})" for device, text in found)
        raise BoardError(f"several boards may be meant; name one with --port: {listed}")
    return found[0][0]


class Wire:
    """One board at its prompt, its program stopped; a context manager. Every call raises BoardError.

    The board makes a soft reset first, so that nothing of its program is in memory.
    """

    def __init__(self, port: str) -> None:
        try:
            from mpremote import transport_serial
        except ImportError as error:
            raise BoardError("mpremote is not installed; firmware/README.md says how, under From bench to board") from (
                error
            )
        self.port = port
        self._restarted = False
        self._failures: tuple[type[Exception], ...] = (transport_serial.TransportError, OSError, struct.error)
        try:
            self._line = transport_serial.SerialTransport(port, timeout=QUIET_S)
        except self._failures as error:
            raise BoardError(f"{port}: {_why_closed(port)}") from error

    def __enter__(self) -> "Wire":
        try:
            self._reach()
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        if not self._restarted:
            self.restart()  # whatever happened, a board is not left at its prompt
        self._close()

    def _close(self) -> None:
        with contextlib.suppress(*self._failures):
            self._line.close()

    def _reach(self) -> None:
        for attempt in range(ATTEMPTS):
            try:
                with contextlib.redirect_stdout(io.StringIO()):  # mpremote prints what it did not expect
                    self._line.enter_raw_repl(soft_reset=True, timeout_overall=ENTER_S)
                break
            except self._failures as error:
                if attempt == ATTEMPTS - 1:
                    raise BoardError(
                        f"{self.port}: what is plugged in does not answer like MicroPython. Put MicroPython on the "
                        "board first, or close what else uses the port"
                    ) from error
        name, *numbers = self.run(WHO).split()
        version = tuple(int(number) for number in numbers[:2])
        if name != "micropython":
            raise BoardError(f"{self.port}: the board runs {name}; expected MicroPython")
        if version < OLDEST:
            found, least = (".".join(map(str, one)) for one in (version, OLDEST))
            raise BoardError(f"{self.port}: the board runs MicroPython {found}, too old; expected {least} or newer")
        self.bytecode = int(numbers[2])
        self.run((firmware_dir() / "setup_serial.py").read_text(encoding="utf-8"))
        self.facts: dict[str, Any] = self.ask("facts()")
        if self.facts["heap_bytes"] < LEAST_HEAP:
            raise BoardError(f"{self.port}: the board has only {self.facts['heap_bytes']} bytes of memory free")

    def run(self, code: str, heard: Callable[[str], None] | None = None, silence_s: float = ANSWER_S) -> str:
        """Run this on the board; what it printed. heard: given each line as it comes. Raises RefusedError."""
        lines: list[str] = []
        pending = bytearray()

        def take(data: bytes) -> None:
            for byte in data:
                if byte in b"\r\x04":
                    continue
                if byte != ord("\n"):
                    pending.append(byte)
                    continue
                lines.append(pending.decode(errors="replace"))
                pending.clear()
                if heard:
                    heard(lines[-1])

        try:
            _, failure = self._line.exec_raw(code, timeout=silence_s, data_consumer=take)
        except self._failures as error:
            raise BoardError(f"{self.port}: the board does not answer any more ({error}); is the cable in?") from error
        if failure:
            raise RefusedError(failure.decode(errors="replace").strip().splitlines()[-1])
        return "\n".join(lines)

    def ask(self, expression: str) -> Any:
        """What a function of setup_serial.py answers."""
        try:
            return json.loads(self.run(expression))
        except ValueError as error:
            raise BoardError(f"{self.port}: the board's answer is garbled; is the cable sound?") from error

    def stand(self, paths: list[str]) -> Iterator[tuple[int, str] | None]:
        """(size, SHA-256) of each file as the board reads it."""
        for line in self.run(f"stand({paths!r})").splitlines():
            found = json.loads(line)
            yield None if found is None else (found[0], found[1])

    def restart(self) -> None:
        """Start the board anew, as after a power cut; nothing can be run on it any more."""
        self._restarted = True
        with contextlib.suppress(*self._failures):
            self._line.exec_raw_no_follow("import machine\nmachine.reset()")


def _why_closed(port: str) -> str:
    """Why a port does not open, in words."""
    import serial

    try:
        serial.Serial(port, exclusive=True).close()
    except serial.SerialException as error:
        said = str(error)
        if "exclusively lock" in said or "Access is denied" in said or "busy" in said.lower():
            return "another program uses the board; close it"
        if "Permission denied" in said:
            return "you may not use this port; on Debian, add yourself to the group dialout and log in again"
        if "No such file" in said or "could not find" in said.lower():
            return "there is no such port"
        return said
    return "the port did not open; try again"
