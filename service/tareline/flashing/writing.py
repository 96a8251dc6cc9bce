"""What stands on a board's flash against what should: only what differs is written, and all of it is verified.

Whether a file is right, the board says: it reads the file and computes its SHA-256. A file is written beside the old
one and takes its place when it is whole, so a run that was cut short leaves whole files, and the next one continues
behind them. The order makes an unfinished set harmless: the modules first, then their manifest, and last what starts
them.
"""

import base64
import hashlib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tareline.flashing.wire import PIECE, BoardError, RefusedError, Wire
from tareline.resources import load_firmware

ROUNDS = 3  # of writing what the board reads differently
SPARE_BLOCKS = 8  # what a file system needs for itself, and the state files of the first days
SET = "/fw_a"
CHOICE = "/boot.bin"  # which set is started; without it, this one
LAST = ("/ca.pem", CHOICE, "/settings.json", "/starter.mpy", "/main.py")  # behind the set, in this order

Heard = Callable[[int], None]  # told how many bytes have been written now


@dataclass(frozen=True, slots=True)
class Differences:
    """Paths on the board: what is right already, what must be written, and what does not belong there."""

    right: list[str]
    wrong: list[str]
    stray: list[str]


def wanted(folder: Path) -> dict[str, Path]:
    """The files of a prepared folder by their paths on the board, in the order in which they are written."""
    found = {f"/{path.relative_to(folder).as_posix()}": path for path in folder.rglob("*") if path.is_file()}

    def place(path: str) -> tuple[int, bool, str]:
        return (LAST.index(path) + 1 if path in LAST else 0), path.endswith("/manifest.bin"), path

    return {path: found[path] for path in sorted(found, key=place)}


def differences(wire: Wire, files: Mapping[str, Path], strays: bool = True) -> Differences:
    """What stands on the board against these files; strays: whether what does not belong to them is looked for.

    Files that the firmware wrote itself are no strays.
    """
    stand = dict(zip(files, wire.stand(list(files)), strict=True))
    wrong = [path for path, file in files.items() if stand[path] != _of(file.read_bytes())]
    present: list[str] = wire.ask("files('/')") if strays else []
    stray = [path for path in present if path not in files and _is_stray(path)]
    return Differences([path for path in files if path not in wrong], wrong, stray)


def _of(data: bytes) -> tuple[int, str]:
    return len(data), hashlib.sha256(data).hexdigest()


def _is_stray(path: str) -> bool:
    """Whether a file is of another set of ours: in our folder, cut short, or a module at the root, which would be
    imported in place of the folder's."""
    return path.startswith(f"{SET}/") or (path.count("/") == 1 and path.endswith((".mpy", ".new")))


def room(wire: Wire, files: Mapping[str, Path], found: Differences) -> None:
    """Raises BoardError where what is wrong would not fit."""
    block = int(wire.facts["block_bytes"])
    gone = sum(one[0] if one else 0 for one in wire.stand(found.wrong + found.stray))
    sizes = [files[path].stat().st_size for path in found.wrong]
    # Each in whole blocks; the largest once more, since it stands beside the one it replaces.
    needed = sum(block * math.ceil(size / block) for size in [*sizes, max(sizes, default=0)]) + SPARE_BLOCKS * block
    free = int(wire.facts["free_bytes"]) + gone
    if needed > free:
        raise BoardError(
            f"no room on the board: {needed / 1024:.0f} KiB are needed, {free / 1024:.0f} KiB are free; "
            "--erase makes room"
        )


def write(wire: Wire, files: Mapping[str, Path], found: Differences, heard: Heard) -> None:
    """Make the board's files these. Raises BoardError."""
    if found.stray:
        wire.run(f"remove({found.stray!r})")
    wrong = found.wrong
    for _ in range(ROUNDS):
        for path in wrong:
            _write_one(wire, path, files[path].read_bytes(), heard)
        stand = dict(zip(files, wire.stand(list(files)), strict=True))
        wrong = [path for path, file in files.items() if stand[path] != _of(file.read_bytes())]
        if not wrong:
            return
    raise BoardError(f"the board's flash does not keep what is written to it: {', '.join(wrong)}")


def _write_one(wire: Wire, path: str, data: bytes, heard: Heard) -> None:
    try:
        wire.run(f"w=Writing({path!r})")
        for at in range(0, len(data), PIECE):
            piece = data[at : at + PIECE]
            wire.run(f"w.add({base64.b64encode(piece)!r})")
            heard(len(piece))
        wire.run(f"w.end({_of(data)[1]!r})")
    except RefusedError as error:
        if "ENOSPC" in str(error) or str(error).endswith(" 28"):
            raise BoardError(f"no room on the board for {path}; --erase makes room") from error
        raise BoardError(f"the board cannot write {path}: {error}") from error


def erase(wire: Wire) -> None:
    """Remove everything from the board's flash."""
    wire.run("erase()")
    wire.facts = wire.ask("facts()")


def settings(wire: Wire) -> tuple[dict[str, Any] | None, bool]:
    """The settings on the board, None where there are none that can be read; and whether their CRC is right."""
    found = wire.ask("text('/settings.json')")
    if found is None:
        return None, False
    known, sound = load_firmware("setup_settings").loads(bytes.fromhex(found))
    return known, bool(sound)
