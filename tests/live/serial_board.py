"""A board on a serial line, without a board: MicroPython's own prompt behind a pseudo-terminal, a folder as its flash.

The interpreter is the firmware's, on Linux; its prompt is the one that every port has. What a chip adds is done here: a
reset or a soft reset ends the process, and another one begins, as after a power cut.
"""

import contextlib
import json
import os
import select
import shutil
import subprocess
import sys
import termios
import threading
import tty
from pathlib import Path

from tareline.resources import firmware_dir

# The line becomes the process's own terminal, so that Ctrl-C reaches it. MicroPython handles that itself, so Python's
# own handler must not stand in its way.
INTERPRETER = (
    "import fcntl, signal, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "signal.signal(signal.SIGINT, signal.SIG_DFL); "
    "from micropython_run import run_main; sys.exit(run_main(['micropython'] + sys.argv[1:]))"
)
SCRIPT = Path(__file__).with_name("serial_board_script.py")
RAW = b"raw REPL; CTRL-B to exit\r\n>"


class SerialBoard:
    """A context manager.

    networks: what its radio hears. answer: what is sent for each byte that comes, where this is no board at all.
    """

    def __init__(
        self, flash: Path, networks: dict[str, str], size_bytes: int = 2 << 20, answer: bytes | None = None
    ) -> None:
        self.flash = flash
        flash.mkdir(exist_ok=True)
        self._how = json.dumps({"networks": networks, "size_bytes": size_bytes})
        self._answer = answer
        # A copy: what runs on the board may do to its files what it likes.
        self._bench = flash.with_suffix(".bench")
        shutil.copytree(firmware_dir(), self._bench)
        self._mark = flash.with_suffix(".reset")
        self._mark.write_text("")
        self._outer, self._outer_line = os.openpty()
        tty.setraw(self._outer_line)
        self.port = os.ttyname(self._outer_line)
        self.received = 0
        self.starts = 0
        self._counts: list[tuple[int, threading.Event]] = []
        self._wake_r, self._wake_w = os.pipe()
        self._process: subprocess.Popen[bytes] | None = None
        self._inner = -1
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> "SerialBoard":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.write(self._wake_w, b"x")
        self._thread.join(10)
        assert not self._thread.is_alive()
        for number in (self._outer, self._outer_line, self._wake_r, self._wake_w):
            if number >= 0:
                os.close(number)

    def after(self, count: int) -> threading.Event:
        """Set once so many more bytes have been sent to the board."""
        event = threading.Event()
        self._counts.append((self.received + count, event))
        return event

    def unplug(self) -> None:
        """Pull the cable: the port is gone for whoever has it open."""
        os.write(self._wake_w, b"u")

    # -- the thread --------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        if self._answer is None:
            self._power("program")
        try:
            while True:
                known = [self._outer, self._wake_r] + ([self._inner] if self._inner >= 0 else [])
                found = select.select(known, [], [])[0]
                if self._wake_r in found:
                    if os.read(self._wake_r, 1) == b"x":
                        return
                    os.close(self._outer)
                    os.close(self._outer_line)
                    self._outer = self._outer_line = -1
                    return
                if self._outer in found:
                    self._take(os.read(self._outer, 4096))
                if self._inner in found:
                    self._give()
        finally:
            self._off()

    def _take(self, data: bytes) -> None:
        self.received += len(data)
        for count, event in self._counts:
            if self.received >= count:
                event.set()
        if self._answer is not None:
            os.write(self._outer, self._answer * len(data))
        else:
            with contextlib.suppress(OSError):  # it has just ended
                os.write(self._inner, data)

    def _give(self) -> None:
        data = b""
        with contextlib.suppress(OSError):
            data = os.read(self._inner, 4096)
        if data:
            os.write(self._outer, data)
            return
        self._off()
        if self._mark.read_text():
            self._mark.write_text("")
            self._power("program")
            return
        # Ctrl-D at the raw prompt: MicroPython's soft reset does not run main.py then.
        os.write(self._outer, b"MPY: soft reboot\r\n")
        self._power("prompt")
        self._read_until(b">>> ")
        os.write(self._inner, b"\x01")
        self._read_until(RAW)
        os.write(self._outer, RAW)

    def _read_until(self, end: bytes) -> None:
        found = b""
        while not found.endswith(end):
            assert select.select([self._inner], [], [], 20)[0], found
            found += os.read(self._inner, 1)

    def _power(self, what: str) -> None:
        self.starts += what == "program"
        self._inner, line = os.openpty()
        # A raw line, but for Ctrl-C, which interrupts a program.
        tty.setraw(line)
        attributes = termios.tcgetattr(line)
        attributes[3] |= termios.ISIG | termios.NOFLSH
        termios.tcsetattr(line, termios.TCSANOW, attributes)
        command = [sys.executable, "-c", INTERPRETER, "-i", str(SCRIPT), str(self.flash), str(self._bench)]
        self._process = subprocess.Popen(
            [*command, str(self._mark), what, self._how],
            stdin=line,
            stdout=line,
            stderr=line,
            start_new_session=True,
        )
        os.close(line)

    def _off(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None
            os.close(self._inner)
            self._inner = -1
