"""How far a device's journal of doses has been received, what is missing, and when to ask for it again."""

from dataclasses import dataclass, field

FIRST_ASK_S = 2.0  # messages resent after a reconnect may still be on their way
LONGEST_WAIT_S = 300.0
ASKS = 8  # answered requests, in about thirteen minutes; then the doses are given up, with an error in the log


@dataclass(slots=True)
class Track:
    """One journal of one device.

    received: every dose up to here is on disk or given up. above: those on disk beyond. known_to: the highest that the
    device says it has. asked, answered, next_ask_s: how often the present gap was asked for, how often the device said
    that it sends it, and when to ask next (monotonic).
    """

    received: int = 0
    above: set[int] = field(default_factory=set)
    known_to: int = 0
    asked: int = 0
    answered: int = 0
    next_ask_s: float | None = None
    _answered_last: int = 0

    @property
    def frontier(self) -> int:
        """The highest dose that is known to exist."""
        return max(self.received, self.known_to, max(self.above, default=0))

    def seen(self, seq: int) -> bool:
        """Whether this dose is already on disk or given up."""
        return seq <= self.received or seq in self.above

    def take(self, seq: int) -> None:
        """A dose has come."""
        if seq == self.received + 1:
            self.received = seq
            if self.above:
                self._advance()
            self.begin_anew()
        elif seq > self.received:
            self.above.add(seq)

    def give_up(self, to: int, first: int = 1) -> list[tuple[int, int]]:
        """Stop waiting for what is missing from `first` to `to`; returns those ranges."""
        self.known_to = max(self.known_to, to)
        lost = [(max(a, first), min(b, to)) for a, b in self.missing() if a <= to and b >= first]
        for a, b in lost:
            if a == self.received + 1:
                self.received = b
                self._advance()
            else:
                self.above.update(range(a, b + 1))
        self.begin_anew()
        return lost

    def missing(self) -> list[tuple[int, int]]:
        """The ranges not received below the highest dose known to exist."""
        ranges = []
        first = self.received + 1
        for seq in sorted(self.above):
            if seq > first:
                ranges.append((first, seq - 1))
            first = seq + 1
        if self.known_to >= first:
            ranges.append((first, self.known_to))
        return ranges

    def ask_due(self, now_s: float) -> bool:
        """Whether it is time to ask for what is missing. The first request waits a moment after a gap is seen.

        A device that has left so many requests without an answer is absent: it is asked again when it says hello.
        """
        if self.asked - self.answered >= ASKS:
            return False
        if self.next_ask_s is None:
            self.next_ask_s = now_s + FIRST_ASK_S
            return False
        return now_s >= self.next_ask_s

    def note_ask(self, now_s: float) -> None:
        """A request was sent: the pause until the next one is twice as long."""
        self.asked += 1
        self.next_ask_s = now_s + min(LONGEST_WAIT_S, FIRST_ASK_S * 2**self.asked)

    def note_answer(self, number: int) -> None:
        """The device has said that it sends what the request of this number asked for; numbers ascend."""
        if number > self._answered_last:
            self.answered += 1
            self._answered_last = number

    def begin_anew(self) -> None:
        """A part of the gap has come, or the device has said hello: requests are counted from zero again."""
        self.asked = self.answered = 0
        self.next_ask_s = None

    @property
    def given_up(self) -> bool:
        return self.answered >= ASKS

    def _advance(self) -> None:
        while self.received + 1 in self.above:
            self.received += 1
            self.above.discard(self.received)
