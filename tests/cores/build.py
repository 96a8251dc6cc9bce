"""Builds the emulated core: MicroPython's own port for a Cortex-M3 (MPS2-AN385) in qemu, from Debian's source package.

    python tests/cores/build.py        builds it where it is missing, and prints its path

One build serves every size of heap. What is built is kept under .venv/cores, by the version of the sources and by what
is in tests/cores/port; removing that folder makes the next start take the sources that Debian's suite has by then.
"""

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PORT = HERE / "port"
CACHE = ROOT / ".venv" / "cores"


class NoCoreError(Exception):
    """The core cannot be built; the text says why, in one line."""


def _run(*command: str | Path, cwd: Path) -> str:
    environment = {key: value for key, value in os.environ.items() if key not in ("MAKEFLAGS", "MFLAGS", "BUILD")}
    try:
        done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False, env=environment)
    except FileNotFoundError as error:
        raise NoCoreError(f"{command[0]} is not installed: {error}") from None
    if done.returncode != 0:
        said = [line for line in (done.stderr or done.stdout).splitlines() if line.strip()]
        wrong = [line for line in said if "rror" in line] or said or ["it said nothing"]
        raise NoCoreError(f"{Path(command[0]).name} ended with {done.returncode}: {wrong[0].strip()}")
    return done.stdout


def core() -> Path:
    """The core's ELF file, built where it is missing. Raises NoCoreError."""
    CACHE.mkdir(parents=True, exist_ok=True)
    with (CACHE / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        try:
            sources = Path(_run(ROOT / "deploy" / "debian-source", CACHE / "sources", "micropython", cwd=ROOT).strip())
        except NoCoreError as error:
            raise NoCoreError(str(error).partition(": ")[2] or str(error)) from None
        digest = hashlib.sha256()
        for path in sorted(path for path in PORT.rglob("*") if path.is_file()):
            digest.update(path.relative_to(PORT).as_posix().encode() + b"\0" + path.read_bytes())
        built = CACHE / f"{sources.stem}-{digest.hexdigest()[:12]}.elf"
        if not built.exists():
            _build(sources, built)
        return built


def _build(sources: Path, built: Path) -> None:
    tree = CACHE / "tree"
    shutil.rmtree(tree, ignore_errors=True)
    # apt has checked the files' hashes against the signed suite; the maintainer's own key need not be here.
    _run("dpkg-source", "--no-check", "--no-copy", "-x", sources, tree, cwd=CACHE)
    options = (f"BOARD_DIR={PORT}", f"USER_C_MODULES={PORT}", "BOARD=core")
    _run("make", "-j2", *options, cwd=tree / "ports" / "qemu")
    fresh = built.with_suffix(".new")
    shutil.copyfile(tree / "ports" / "qemu" / "build-core" / "firmware.elf", fresh)
    fresh.rename(built)
    shutil.rmtree(tree)


if __name__ == "__main__":
    try:
        print(core())
    except NoCoreError as no_core:
        sys.exit(f"the emulated core cannot be built: {no_core}")
