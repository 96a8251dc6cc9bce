"""One board from the plug to its hello: its firmware and settings, or its settings alone."""

import json
import tempfile
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from tareline.boards import files as boards
from tareline.boards.keys import device_key
from tareline.errors import FieldError
from tareline.flashing import answers, writing
from tareline.flashing.greeting import Greeting
from tareline.flashing.wire import BoardError, RefusedError, Wire, choose
from tareline.resources import load_firmware
from tareline.settings import Broker, Settings

SETS = ("/fw_a", "/fw_b")
TRIAL_S = 60.0  # of silence: joining a network and a TLS handshake take some
STEPS = {
    "network": "the board has joined the network",
    "name": "it knows the broker's address",
    "connection": "it has reached the broker",
    "login": "the broker has let it in",
}
TROUBLE = {
    "network": "the board cannot join the network",
    "name": "the board cannot look up the broker",
    "connection": "the board cannot reach the broker",
    "certificate": "the board does not accept the broker's certificate",
    "login": "the broker does not let the board in",
}


class Talk(Protocol):
    """Whoever sits before it."""

    def say(self, text: str) -> None: ...

    def ask(self, question: str, default: str | None, hidden: bool) -> str: ...

    def confirm(self, question: str) -> bool: ...

    def progress(self, text: str, total: int) -> AbstractContextManager[Callable[[int], None]]: ...


@dataclass(frozen=True, slots=True)
class Order:
    """What the board shall be. board: of firmware/pins.py; None for what the board says of itself."""

    kind: str
    device: str
    given: answers.Given
    port: str | None = None
    board: str | None = None
    erase: bool = False


def flash(order: Order, service: Settings, talk: Talk) -> dict[str, Any]:
    """Write a board and wait for its hello, which is returned. Raises BoardError, FieldError, RuntimeError, OSError."""
    broker = service.broker
    with Greeting(broker.url, broker.root, order.device, order.given.ca) as greeting:
        with Wire(choose(order.port)) as wire:
            board = _board(wire, order.board)
            known = _known(wire, order, talk)
            settings = answers.board_settings(
                order.given, order.kind, order.device, board, broker.root, broker.url, known, talk.ask
            )
            settings["key"] = _key(service, order.device)
            with tempfile.TemporaryDirectory() as folder:
                out = Path(folder) / "board"
                boards.prepare(out, settings, order.given.ca)
                _write(wire, out, talk)
            talk.say("Trying the network and the broker from the board.")
            _try(wire, settings, talk)
            greeting.forget()
            wire.restart()
        _tell_setup(settings, talk)
        return _hello(greeting, talk)


def change(given: answers.Given | None, port: str | None, broker: Broker, talk: Talk) -> dict[str, Any]:
    """Change the settings of a board that runs our firmware; None asks for each. What fails on trial is not kept.

    Returns its hello. Raises as flash does.
    """
    with Wire(choose(port)) as wire:
        known, sound = writing.settings(wire)
        if known is None or not sound:
            raise BoardError(f"{wire.port}: the board's settings cannot be read; write the board with tareline flash")
        device, kind = known["device"], known["kind"]
        given = given or answers.asked_anew(known, talk.ask)
        settings = answers.board_settings(
            given, kind, device, known["board"], known["root"], answers.url_of(known), known, talk.ask
        )
        with Greeting(broker.url, known["root"], device, given.ca) as greeting:
            with tempfile.TemporaryDirectory() as folder:
                fresh = Path(folder)
                if given.ca is not None:
                    (fresh / boards.CA).write_bytes(given.ca.read_bytes())
                    _put(wire, fresh, talk)
                talk.say("Trying the new settings from the board; they are kept only if they work.")
                _try(wire, settings, talk)
                boards.save_settings(fresh, settings)
                _put(wire, fresh, talk)
            greeting.forget()
            wire.restart()
            return _hello(greeting, talk)


@dataclass(frozen=True, slots=True)
class Prepared:
    """A board's folder: how many files, their size, and the modules that the firmware's interpreter has loaded."""

    files: int
    size_bytes: int
    loaded: list[str] | None


def folder(
    kind: str, device: str, board: str | None, given: answers.Given, service: Settings, out: Path, talk: Talk
) -> Prepared:
    """Prepare a board's folder without a board. Raises as flash does."""
    broker = service.broker
    settings = answers.board_settings(
        given, kind, device, board or answers.DEFAULT_BOARD, broker.root, broker.url, None, talk.ask
    )
    settings["key"] = _key(service, device)
    boards.prepare(out, settings, given.ca)
    _tell_setup(settings, talk)
    files = sum(path.is_file() for path in out.rglob("*"))
    return Prepared(files, boards.check(out), boards.loads(out))


def _board(wire: Wire, named: str | None) -> str:
    """Which of the boards of firmware/pins.py this is. Raises FieldError where another was named."""
    machine = str(wire.facts["machine"]).upper().replace("-", "")
    marks = {"ESP32S3": "esp32-s3", "ESP32C3": "esp32-c3", "RP2350": "pico-2-w", "RP2040": "pico-w"}
    found = next((board for mark, board in marks.items() if mark in machine), "esp32")
    if named is not None and named != found:
        raise FieldError("board", f"{named} was named, but {wire.port} is {found} ({wire.facts['machine']})")
    return found


def _known(wire: Wire, order: Order, talk: Talk) -> dict[str, Any] | None:
    """The settings that the board has, for the same device; erased when asked. Raises BoardError for another's."""
    known, sound = writing.settings(wire)
    if order.erase:
        name = f"{known['device']} ({known['kind']})" if known else "what is on it"
        if not talk.confirm(f"Erase {name}: calibration, plan, and doses not told yet are lost. Go on?"):
            raise BoardError("nothing was erased, nothing was written")
        writing.erase(wire)
        return None
    if known and (known["device"], known["kind"]) != (order.device, order.kind):
        raise BoardError(
            f"{wire.port}: this board is {known['device']}, a {known['kind']}. To make it {order.device}, a "
            f"{order.kind}, erase it (--erase): what it has not told yet is lost"
        )
    return known if sound else None


def _write(wire: Wire, folder: Path, talk: Talk) -> None:
    bytecode = (folder / "starter.mpy").read_bytes()[1]
    if bytecode != wire.bytecode:
        raise BoardError(
            f"{wire.port}: the board takes compiled modules of version {wire.bytecode}, mpy-cross makes {bytecode}; "
            "put the MicroPython of mpy-cross's own version on the board"
        )
    _choose_set(wire, folder)
    files = writing.wanted(folder)
    found = writing.differences(wire, files)
    writing.room(wire, files, found)
    size = sum(files[path].stat().st_size for path in found.wrong)
    talk.say(f"{len(found.right)} files are right already, {len(found.wrong)} to write, {len(found.stray)} to remove.")
    with talk.progress("writing", size) as heard:
        writing.write(wire, files, found, heard)
    talk.say(f"All {len(files)} files verified on the board.")


def _choose_set(wire: Wire, folder: Path) -> None:
    """Where the board remembers which of its sets it starts, let that be the one that is written; the counter of
    updates continues."""
    remembered = wire.ask(f"text({writing.CHOICE!r})")
    if remembered is not None:
        starter = load_firmware("starter")
        flash = starter.Flash(f"{folder}/")
        (folder / starter.RECORD).write_bytes(bytes.fromhex(remembered))
        starter.save(flash, starter.fresh(starter.load(flash)["counter"]))


def _put(wire: Wire, folder: Path, talk: Talk) -> None:
    """Write these few files and nothing else."""
    files = writing.wanted(folder)
    found = writing.differences(wire, files, strays=False)
    with talk.progress("writing", sum(files[path].stat().st_size for path in found.wrong)) as heard:
        writing.write(wire, files, found, heard)


def _try(wire: Wire, settings: dict[str, Any], talk: Talk) -> None:
    """Try the settings from the board. Raises BoardError that names the step and why."""
    last = ""

    def heard(line: str) -> None:
        nonlocal last
        last = line
        word, _, step = line.partition(" ")
        if word == "done":
            talk.say(f"  {STEPS.get(step, step)}")

    code = (
        f"import sys,json,network,time\nsys.path[:0]={list(SETS)!r}\nimport setup_try\n"
        f"setup_try.run(json.loads({json.dumps(settings)!r}),network,time)"
    )
    try:
        wire.run(code, heard, TRIAL_S)
    except RefusedError as error:
        raise BoardError(f"the trial from the board ended with an error: {error}") from error
    if last != "works":
        _, step, why = [*last.split(" ", 2), "", ""][:3]
        raise BoardError(f"{TROUBLE.get(step, 'the trial from the board failed')}: {why or last}")


def _key(service: Settings, device: str) -> str:
    """What the service signs this device's updates with."""
    return device_key(Path(service.updates.secret_file), device)


def _tell_setup(settings: dict[str, Any], talk: Talk) -> None:
    if "button" in settings["pins"]:
        talk.say(
            "To change network or broker without this computer: hold the button while the board gets its power, and "
            f"for five seconds more; join the network {load_firmware('setup_start').name_of(settings)!r} with the "
            f"password {settings['setup_password']}, and open http://192.168.4.1/ within ten minutes."
        )


def _hello(greeting: Greeting, talk: Talk) -> dict[str, Any]:
    talk.say("Waiting for the board's hello.")
    return greeting.wait()
