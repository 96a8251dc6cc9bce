"""Placing in time what a board without a clock reports: by its boot and its uptime.

A message cannot arrive before it was sent, so every live arrival minus its uptime is a latest possible beginning of
that boot; the smallest of them is the best one. Once a board has a clock, one message with both gives it exactly.
Retained messages say nothing: they may have waited for weeks.
"""

from dataclasses import dataclass, field

TIGHTER_MS = 60_000  # where a boot is found to have begun this much earlier, the times calculated by it are corrected


@dataclass(slots=True)
class Boots:
    """When each (device, boot) began at the latest, in UNIX milliseconds, and whether that is exact.

    changed: what is to be saved. moved: boots by which calculated times are to be corrected.
    """

    known: dict[tuple[str, str], tuple[int, bool]]
    changed: set[tuple[str, str]] = field(default_factory=set)
    placed: dict[tuple[str, str], int] = field(default_factory=dict)
    moved: set[tuple[str, str]] = field(default_factory=set)

    def note_clock(self, device: str, boot: str, at_ms: int, uptime_ms: int) -> None:
        """A message with a clock's time fixes its boot; the first such message is taken."""
        key = (device, boot)
        before = self.known.get(key)
        if before is None or not before[1]:
            self._put(key, at_ms - uptime_ms, True)

    def note_arrival(self, device: str, boot: str, arrival_ms: int, uptime_ms: int) -> None:
        """A live message without a clock's time bounds its boot."""
        key = (device, boot)
        before = self.known.get(key)
        latest_ms = arrival_ms - uptime_ms
        if before is None or (not before[1] and latest_ms < before[0]):
            self._put(key, latest_ms, False)

    def at_ms(self, device: str, boot: str, uptime_ms: int, arrival_ms: int) -> int:
        """The latest possible instant of an uptime; the arrival where nothing is known of the boot."""
        known = self.known.get((device, boot))
        return arrival_ms if known is None else min(arrival_ms, known[0] + uptime_ms)

    def _put(self, key: tuple[str, str], began_ms: int, exact: bool) -> None:
        before = self.known.get(key)
        if before is not None:
            # Many small steps add up to a large one: the change is measured from the time that was last used.
            placed_ms = self.placed.setdefault(key, before[0])
            if abs(placed_ms - began_ms) >= TIGHTER_MS:
                self.moved.add(key)
                self.placed[key] = began_ms
        self.known[key] = (began_ms, exact)
        self.changed.add(key)
