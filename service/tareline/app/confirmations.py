"""Announces to pages the holds that a feeder has not confirmed within a minute."""

import logging
from collections.abc import Callable

from tareline.app.context import Context
from tareline.core.safety.hold import CONFIRM_MS
from tareline.store import devices as device_store
from tareline.store.devices import Device

log = logging.getLogger(__name__)


class Confirmations:
    """Watches for confirmations of holds. Used by the link's thread only.

    known: what is known of a device.
    """

    def __init__(self, context: Context, known: Callable[[str], Device]) -> None:
        self._context, self._known = context, known
        self._overdue: set[tuple[str, int]] = set()
        self._started_ms = context.stamp_ms()

    def watch(self) -> None:
        """Announce each hold message that has become overdue since the last time."""
        now_ms = self._context.stamp_ms()
        with self._context.store.read() as tx:
            told = device_store.issued(tx)
        for (name, topic), message in told.items():
            asked_ms = max(message.issued_ms, self._started_ms)
            if (
                topic != "hold"
                or self._context.waiting_ms(asked_ms) < CONFIRM_MS
                or (name, message.version) in self._overdue
            ):
                continue
            self._overdue.add((name, message.version))
            if not self._known(name).confirms("hold", message.version):
                log.warning("%s has not confirmed its hold message for a minute", name)
                self._context.announce("hold", self._context.tank_of(name, now_ms))
