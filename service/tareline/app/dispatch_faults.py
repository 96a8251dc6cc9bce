"""Feeders that cannot be told what holds now, since it could not be worked out: for the log, /healthz and alerts."""

from collections.abc import Mapping
from dataclasses import dataclass

ERROR_LETTERS = 200


@dataclass(frozen=True, slots=True)
class DispatchFault:
    """Since when a feeder cannot be told, and why it could not be told last."""

    since_ms: int
    error: str


class DispatchFaults:
    """The feeders that cannot be told. Written within transactions of the store, read by any thread.

    It needs no lock: the mapping is replaced as one.
    """

    def __init__(self) -> None:
        self._faults: Mapping[str, DispatchFault] = {}

    def faults(self) -> Mapping[str, DispatchFault]:
        """The faults that last, by feeder."""
        return self._faults

    def note(self, feeder: str, error: Exception, now_ms: int) -> None:
        """A feeder could not be told."""
        before = self._faults.get(feeder)
        since_ms = now_ms if before is None else before.since_ms
        text = f"{type(error).__name__}: {error}"[:ERROR_LETTERS]
        self._faults = {**self._faults, feeder: DispatchFault(since_ms, text)}

    def end(self, feeder: str) -> None:
        """A feeder was told, or nothing new was to be told."""
        if feeder in self._faults:
            self._faults = {name: fault for name, fault in self._faults.items() if name != feeder}
