"""One emulated core: its flash, its power, its serial lines, and the words that it shares with the test.

The flash is a file that outlives the process, as a chip's does: ending the process is a power cut. Nothing here knows
what the program on the core does.
"""

import mmap
import shutil
import socket
import struct
import subprocess
import sys
from pathlib import Path

import build

HERE = Path(__file__).resolve().parent
DESK = Path(sys.executable).with_name("micropython")
MEMORY_BYTES = 16 << 20
BLOCKS = 256  # of 4 KiB: 1 MiB, a quarter of the smallest board's flash
WORDS_AT = 8 << 20

# Words that core.c names; those from 32 on are on_core's.
HEAP_BYTES, FLASH_BLOCKS, SEED, CLOCK_LOW, CLOCK_HIGH, SKIPPED_MS, SKIPPED_S, STARTS, ERASES, PROGRAMS = range(10)
LARGEST, FAIL_ABOVE, CUT_IN = range(10, 13)


class Core:
    """A core in a folder of its own. heap_bytes: of MicroPython; ns_shift: 2 to this power nanoseconds pass
    with each instruction; None: time is real."""

    def __init__(self, folder: Path, heap_bytes: int, ns_shift: int | None = None) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.flash = folder / "flash.bin"
        fresh = not self.flash.exists()
        self._file = self.flash.open("w+b" if fresh else "r+b")
        if fresh:
            self._file.write(b"\xff" * (BLOCKS * 4096))
            self._file.truncate(MEMORY_BYTES)
            self._file.flush()
        self._memory = mmap.mmap(self._file.fileno(), MEMORY_BYTES)
        self.ns_shift = ns_shift
        self[HEAP_BYTES] = heap_bytes
        self[FLASH_BLOCKS] = BLOCKS
        self[SEED] = 1
        self.line: socket.socket | None = None
        self._process: subprocess.Popen[bytes] | None = None

    def __getitem__(self, word: int) -> int:
        value: int = struct.unpack_from("<I", self._memory, WORDS_AT + 4 * word)[0]
        return value

    def __setitem__(self, word: int, value: int) -> None:
        struct.pack_into("<I", self._memory, WORDS_AT + 4 * word, value)

    def set_clock(self, unix_ms: int) -> None:
        """What the core's clock shows at its next start; it goes on from there."""
        self[CLOCK_LOW], self[CLOCK_HIGH] = unix_ms & 0xFFFFFFFF, unix_ms >> 32
        self[SKIPPED_MS] = self[SKIPPED_S] = 0

    # Flash from outside, while the core has no power

    def put(self, folder: Path) -> None:
        """Copy a folder's files into the flash's file system."""
        self._copy("put", folder)

    def get(self) -> dict[str, bytes]:
        """Every file at the top of the flash's file system."""
        folder = self.folder / "taken"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        self._copy("get", folder)
        return {path.name: path.read_bytes() for path in folder.iterdir()}

    def _copy(self, what: str, folder: Path) -> None:
        assert self._process is None, "the core has power"
        self._memory.flush()
        command: list[str | Path] = [
            DESK,
            "-X",
            "heapsize=8m",
            HERE / "flash_script.py",
            what,
            self.flash,
            str(BLOCKS),
            folder,
        ]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
        assert done.returncode == 0, done.stdout + done.stderr

    # Power

    @property
    def log(self) -> str:
        """What the program has printed, over all starts."""
        path = self.folder / "console.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def on(self) -> "Core":
        """Power on. `line` is then the test's end of the second serial line."""
        program = shutil.which("qemu-system-arm")
        assert program is not None, "qemu-system-arm is not installed; the tests of the cores need it"
        assert self._process is None, "the core has power already"
        self.line, theirs = socket.socketpair()
        command = [
            *(program, "-machine", "mps2-an385,memory-backend=flash"),
            *("-object", f"memory-backend-file,id=flash,size={MEMORY_BYTES},mem-path={self.flash},share=on"),
            *("-kernel", str(build.core()), "-display", "none", "-monitor", "none"),
            *("-semihosting-config", "enable=on,target=native"),
            *("-serial", "stdio", "-chardev", f"socket,id=line,fd={theirs.fileno()}", "-serial", "chardev:line"),
        ]
        if self.ns_shift is not None:
            command += ["-icount", f"shift={self.ns_shift},sleep=on"]
        with (self.folder / "console.log").open("ab") as log, theirs:
            self._process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, pass_fds=[theirs.fileno()]
            )
        return self

    @property
    def runs(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def ended(self, timeout_s: float) -> int:
        """Wait until the program ends by itself; its exit code."""
        assert self._process is not None
        code = self._process.wait(timeout_s)
        self.off()
        return code

    def off(self) -> None:
        """Cut the power."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None
        if self.line is not None:
            self.line.close()
            self.line = None

    def close(self) -> None:
        self.off()
        self._memory.close()
        self._file.close()
