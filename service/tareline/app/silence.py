"""Enters into the ledger that a device has been off the broker for a minute, and that it is back."""

import logging
from dataclasses import replace

from sqlalchemy import Connection

from tareline.app.context import Context
from tareline.app.ingest.state import DeviceStates
from tareline.core.units import MINUTE_MS
from tareline.store import devices as device_store
from tareline.store import ledger
from tareline.store.devices import Device

log = logging.getLogger(__name__)

SILENT_MS = MINUTE_MS  # a board that restarts is back sooner


class Silence:
    """Enters silence and return. Used by the link's thread only."""

    def __init__(self, context: Context, states: DeviceStates) -> None:
        self._context, self._states = context, states

    def note(self) -> None:
        """Enter what has changed since the last call."""
        now_ms = self._context.stamp_ms()
        for known in list(self._states.devices.values()):
            silent = known.online is False and self._context.waiting_ms(known.status_ms or now_ms) >= SILENT_MS
            back = bool(known.online) and known.silence_noted
            if (silent and not known.silence_noted) or back:
                with self._context.write() as tx:
                    self._enter(tx, replace(known, silence_noted=silent), known.status_ms or now_ms)

    def _enter(self, tx: Connection, known: Device, at_ms: int) -> None:
        event = "silent" if known.silence_noted else "back"
        ledger.add(tx, "device", at_ms, self._context.stamp_ms(), {"event": event}, device=known.device)
        device_store.save(tx, known)
        self._states.devices[known.device] = known
        log.warning("%s is %s", known.device, event)
        self._context.announce("device", self._context.tank_of(known.device, at_ms))
