"""What a batch of messages brought."""

from dataclasses import dataclass, field

from tareline.mqtt import messages as wire


@dataclass(slots=True)
class IngestResult:
    """What a batch brought, for what follows from it.

    dosed: feeders of which doses were entered, corrected or given up. held: tanks that were held because of what
    devices sent. journals: (device, journal) of which more was received. clockless: (device, hello) of boards whose
    clock is not set. greeted: feeders that said hello. devices: devices that sent something. done_commands,
    refused_resends: ids of commands. counts: messages by kind.
    """

    dosed: set[str] = field(default_factory=set)
    held: set[str] = field(default_factory=set)
    journals: set[tuple[str, str]] = field(default_factory=set)
    clockless: list[tuple[str, wire.Hello]] = field(default_factory=list)
    greeted: set[str] = field(default_factory=set)
    devices: set[str] = field(default_factory=set)
    done_commands: set[str] = field(default_factory=set)
    refused_resends: set[str] = field(default_factory=set)
    fetches: list[tuple[str, wire.Fetch]] = field(default_factory=list)
    updates: list[tuple[str, wire.UpdateState]] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    def count(self, what: str, n: int = 1) -> None:
        """Count messages of one kind."""
        self.counts[what] = self.counts.get(what, 0) + n

    def add(self, other: "IngestResult") -> None:
        """Add what another batch brought."""
        self.dosed |= other.dosed
        self.held |= other.held
        self.journals |= other.journals
        self.clockless += other.clockless
        self.greeted |= other.greeted
        self.devices |= other.devices
        self.done_commands |= other.done_commands
        self.refused_resends |= other.refused_resends
        self.fetches += other.fetches
        self.updates += other.updates
        for what, n in other.counts.items():
            self.count(what, n)
