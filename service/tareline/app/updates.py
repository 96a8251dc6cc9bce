"""Updates over the air, the service's side: sets of modules are built, offered, handed out piece by piece, followed.

An offer is retained and kept like a plan, so that a device finds it whenever it connects; the set itself stands in
memory only. After a restart of the service it is built anew when the device keeps asking; where the package has
become another meanwhile, the device is offered that one instead.
"""

import hashlib
import logging
import tempfile
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tareline.app.answers.updates import UpdateAnswer
from tareline.app.context import Context
from tareline.boards import files as boards
from tareline.boards.keys import device_key
from tareline.core.calendar import rfc3339
from tareline.errors import FieldError
from tareline.mqtt import messages as wire
from tareline.resources import firmware_dir, load_firmware
from tareline.store import devices as device_store
from tareline.store import ledger
from tareline.store.devices import Issued

log = logging.getLogger(__name__)

TOPIC = "update"
LIST = "files.txt"


@dataclass(frozen=True, slots=True)
class FirmwareSet:
    """Files by name, the list of them first; `sha256` is the list's, and so the whole set's."""

    program: str
    files: dict[str, bytes]
    sha256: str
    firmware: str

    @property
    def size(self) -> int:
        """Bytes of all files, the list's included."""
        return sum(len(data) for data in self.files.values())

    def offset(self, name: str) -> int:
        """Bytes of the files before this one, in the order in which a device fetches them."""
        names = list(self.files)
        return sum(len(self.files[before]) for before in names[: names.index(name)])


def build(program: str, mpy: int) -> FirmwareSet:
    """The set of a program from this package's firmware. mpy: version of the compiled modules that the device loads; 0
    for sources. Raises FieldError (409) where that cannot be made."""
    names = boards.set_of(program)
    if program not in names:
        raise FieldError("program", f"this package has no firmware {program!r}", 409)
    suffix = ".mpy" if mpy else ".py"
    modules = {name + suffix: _compiled(name, mpy) if mpy else _source(name) for name in names}
    lines = [f"{name} {len(data)} {hashlib.sha256(data).hexdigest()}\n" for name, data in modules.items()]
    listed = "".join(lines).encode()
    digest = hashlib.sha256(listed).hexdigest()
    firmware = f"{load_firmware('runner').FIRMWARE} build {digest[:8]}"
    return FirmwareSet(program, {LIST: listed, **modules}, digest, firmware)


def _source(name: str) -> bytes:
    return (firmware_dir() / f"{name}.py").read_bytes()


def _compiled(name: str, mpy: int) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / f"{name}.mpy"
        try:
            boards.cross_compile(firmware_dir() / f"{name}.py", target)
        except RuntimeError as error:
            raise FieldError("", str(error), 409) from error
        data = target.read_bytes()
    if data[1] != mpy:  # the second byte of the file's head, by MicroPython's documentation of .mpy files
        raise FieldError(
            "",
            f"the device loads modules of version {mpy}, and this service's mpy-cross makes version {data[1]}: "
            "put the MicroPython of that version on the board",
            409,
        )
    return data


class Updates:
    """What is offered to devices and how far they are. send: publishes what was issued. Used from any thread."""

    def __init__(self, context: Context, secret_file: Path, send: Callable[[Sequence[Issued]], None]) -> None:
        self._context, self._secret_file, self._send = context, secret_file, send
        self._sets: dict[str, FirmwareSet] = {}
        self._states: dict[str, wire.UpdateState] = {}
        self._asked: dict[str, wire.Fetch] = {}
        self._building: set[str] = set()
        with context.store.read() as tx:
            self._offers = {name: one for (name, topic), one in device_store.issued(tx).items() if topic == TOPIC}

    def offer(self, device: str, by: str | None = None) -> UpdateAnswer:
        """Offer this package's firmware to a device; answers with where that stands.

        Raises FieldError: 404 for a device that is not registered; 409 where it takes no updates or runs this already.
        """
        self._known(device)
        state = self._states.get(device)
        if state is None:
            raise FieldError("device", f"{device} has not said yet whether it takes updates; is it online?", 409)
        if state.program is None:
            text = f"{device} takes no updates over the air: `tareline flash` gives it a key and two sets of modules"
            raise FieldError("device", text, 409)
        made = build(state.program, state.mpy)
        with self._context.in_order:
            last = self._offers.get(device)
            same = last is not None and last.body["sha256"] == made.sha256 and last.version == state.counter
            if same and state.state in ("trial", "done"):
                raise FieldError("device", f"{device} runs this firmware already ({made.firmware})", 409)
            self._sets[made.sha256] = made
            self._issue(device, made, max(state.counter, 0 if last is None else last.version), by)
        return self.view(device)

    def _known(self, device: str) -> dict[str, Any]:
        register = self._context.register
        found = register.now("feeder", device) or register.now("probe", device)
        if found is None:
            raise FieldError("device", f"there is no device {device!r}", 404)
        return found

    def _issue(self, device: str, made: FirmwareSet, after: int, by: str | None) -> None:
        """down/update: the firmware on offer, its list of files by size and digest, signed in `mac`. Retained.

        `in_order` is held.
        """
        now_ms = self._context.stamp_ms()
        counter = max(now_ms, after + 1)
        body: dict[str, Any] = {"counter": counter, "program": made.program, "firmware": made.firmware}
        body |= {"size": len(made.files[LIST]), "sha256": made.sha256}
        key = bytes.fromhex(device_key(self._secret_file, device))
        update = load_firmware("update")
        body["mac"] = update.hmac_sha256(key, update.signed_bytes(device, body)).hex()
        message = Issued(device, TOPIC, counter, now_ms, body)
        with self._context.write() as tx:
            device_store.issue(tx, message)
            said = {"event": "update", "firmware": made.firmware, "counter": counter}
            ledger.add(tx, "device", now_ms, now_ms, said, device=device, by=by)
        self._send([message])
        self._offers[device] = message
        self._asked.pop(device, None)
        log.info("%s is offered the firmware %s", device, made.firmware)

    def heard(self, device: str, state: wire.UpdateState) -> None:
        """A device has said how far it is."""
        with self._context.in_order:
            before = self._states.get(device)
            self._states[device] = state
        if before != state and state.state in ("done", "failed"):
            log.log(
                logging.WARNING if state.state == "failed" else logging.INFO,
                "the update of %s: %s %s",
                device,
                state.state,
                state.detail or "",
            )

    def piece(self, device: str, asked: wire.Fetch) -> dict[str, Any] | None:
        """The piece that a device asks for; None where it cannot be given now: the device asks again."""
        with self._context.in_order:
            offer = self._offers.get(device)
            if offer is None or offer.version != asked.counter:
                return None
            found = self._sets.get(offer.body["sha256"])
            if found is None:
                if device not in self._building:
                    self._building.add(device)
                    threading.Thread(target=self._build_again, args=(device, offer), name="build", daemon=True).start()
                return None
            self._asked[device] = asked
        data = found.files.get(asked.file, b"")[asked.at : asked.at + asked.size]
        return wire.piece(asked, data) if data else None

    def _build_again(self, device: str, offer: Issued) -> None:
        """Build the set of an offer that was made before this start of the service."""
        try:
            state = self._states.get(device)
            if state is None:
                return  # the device states its modules' version with its next connection
            made = build(offer.body["program"], state.mpy)
            with self._context.in_order:
                self._sets[made.sha256] = made
                if made.sha256 != offer.body["sha256"] and self._offers[device] is offer:
                    self._issue(device, made, offer.version, None)
        except Exception:  # the device continues as it is, and asks again
            log.exception("the set that %s asks for could not be built", device)
        finally:
            self._building.discard(device)

    def view(self, device: str) -> UpdateAnswer:
        """Where an update of a device stands. Raises FieldError (404)."""
        tank = self._known(device).get("tank")
        zone = self._context.zone(tank) if tank is not None else "UTC"
        with self._context.in_order:
            offer, state, asked = self._offers.get(device), self._states.get(device), self._asked.get(device)
            made = None if offer is None else self._sets.get(offer.body["sha256"])
        fits = offer is not None and state is not None and state.counter == offer.version
        word = state.state if state is not None and fits else "none" if offer is None else "offered"
        done = 0
        if made is not None and word in ("ready", "trial", "done"):
            done = made.size
        elif made is not None and asked is not None and asked.file in made.files and word == "fetching":
            done = made.offset(asked.file) + asked.at
        return UpdateAnswer(
            device=device,
            takes_updates=None if state is None else state.program is not None,
            firmware=None if offer is None else offer.body["firmware"],
            offered=None if offer is None else rfc3339(offer.issued_ms, zone),
            state=word,
            detail=state.detail if state is not None and word in ("done", "failed") else None,
            done_bytes=done,
            total_bytes=None if made is None else made.size,
        )
