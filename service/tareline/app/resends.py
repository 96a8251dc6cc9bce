"""Missing doses: devices are asked for them again, and in the end they are given up, with an error in the log."""

import itertools
import logging
import secrets
from collections.abc import Iterator

from tareline.app import dispatch
from tareline.app.context import Context
from tareline.app.downlink import Downlink
from tareline.app.ingest.ingest import Ingest
from tareline.app.ingest.result import IngestResult
from tareline.app.ingest.state import DeviceStates
from tareline.mqtt import messages as wire
from tareline.mqtt.link import Down
from tareline.store.devices import Device

log = logging.getLogger(__name__)

RANGES = 20  # asked for at a time

Journal = tuple[str, str]  # a device, and the name of its journal
Range = tuple[int, int]  # the first and the last number of doses


class Resends:
    """Asks for missing doses again. Used by the link's thread only."""

    def __init__(self, context: Context, states: DeviceStates, ingest: Ingest, downlink: Downlink) -> None:
        self._context, self._states, self._ingest, self._downlink = context, states, ingest, downlink
        self._asked: dict[str, tuple[Journal, Range, int]] = {}  # by command; and the number of the asking
        self._numbers = itertools.count(1)

    def ask(self) -> Iterator[IngestResult]:
        """Ask devices that are online for missing doses. Yields the result of each loss that is given up."""
        now_s = self._context.clock.monotonic_s()
        for key, track in list(self._states.tracks.items()):
            missing = track.missing()
            device, journal = key
            known = self._states.devices.get(device)
            if not missing or known is None or not known.online or not _is_current(known, journal):
                continue
            if not track.ask_due(now_s):
                continue
            if track.given_up:
                why = f"not sent again though asked for {track.answered} times"
                yield self._ingest.give_up(device, journal, (1, missing[-1][1]), why)
                continue
            track.note_ask(now_s)
            number = next(self._numbers)
            commands = []
            for first, last in missing[:RANGES]:
                command = f"resend-{secrets.token_hex(6)}"
                self._asked[command] = (key, (first, last), number)
                commands.append(
                    Down(f"{device}/down/command", dispatch.encode(wire.resend(command, first, last)), False)
                )
            ranges = ", ".join(f"{first} to {last}" for first, last in missing[:RANGES])
            log.warning("asking %s again for doses %s", device, ranges)
            self._downlink.publish(commands)

    def promised(self, command: str) -> None:
        """A device has answered that it sends doses again."""
        asked = self._asked.pop(command, None)
        if asked is not None:
            self._states.tracks[asked[0]].note_answer(asked[2])

    def refused(self, command: str) -> IngestResult | None:
        """A device refused to send doses again; returns what follows from their loss, None where nobody had asked."""
        asked = self._asked.pop(command, None)
        if asked is None:
            return None
        (device, journal), lost, _ = asked
        return self._ingest.give_up(device, journal, lost, "the device refused to send them again")


def _is_current(known: Device, journal: str) -> bool:
    return bool((known.hello or {}).get("journal", journal) == journal)
