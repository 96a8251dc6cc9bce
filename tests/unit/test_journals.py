"""How far a journal has come: against a model that keeps every number in a set."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from tareline.mqtt.journals import ASKS, FIRST_ASK_S, LONGEST_WAIT_S, Track

HIGHEST = 30


class Journal(RuleBasedStateMachine):
    """Doses come in any order and more than once; the device tells how many there are; some are given up."""

    def __init__(self) -> None:
        super().__init__()
        self.track = Track()
        self.settled: set[int] = set()
        self.known_to = 0

    @property
    def received(self) -> int:
        return next(seq for seq in range(HIGHEST + 2) if seq + 1 not in self.settled)

    @property
    def missing(self) -> list[int]:
        highest = max(self.known_to, max(self.settled, default=0))
        return [seq for seq in range(1, highest + 1) if seq not in self.settled]

    @rule(seq=st.integers(1, HIGHEST))
    def take(self, seq: int) -> None:
        self.track.take(seq)
        self.settled.add(seq)

    @rule(seq=st.integers(0, HIGHEST))
    def hello(self, seq: int) -> None:
        self.track.known_to = max(self.track.known_to, seq)
        self.known_to = max(self.known_to, seq)

    @rule(to=st.integers(0, HIGHEST))
    def give_up(self, to: int) -> None:
        lost = self.track.give_up(to)
        numbers = [seq for first, last in lost for seq in range(first, last + 1)]
        self.known_to = max(self.known_to, to)
        assert numbers == [seq for seq in self.missing if seq <= to]
        self.settled |= set(numbers)
        assert (self.track.asked, self.track.next_ask_s) == (0, None)

    @rule()
    def restart(self) -> None:
        """What survives is how far it was received and what lies on disk above."""
        self.track = Track(self.track.received, set(self.track.above))
        self.known_to = 0

    @invariant()
    def agrees(self) -> None:
        assert self.track.received == self.received
        assert self.track.above == {seq for seq in self.settled if seq > self.received}
        assert [self.track.seen(seq) for seq in range(1, HIGHEST + 2)] == [
            seq in self.settled for seq in range(1, HIGHEST + 2)
        ]
        ranges = self.track.missing()
        assert [seq for first, last in ranges for seq in range(first, last + 1)] == self.missing
        assert all(last + 1 < first for (_, last), (first, _) in pairwise(ranges))


TestJournal = Journal.TestCase


def test_every_dose_in_order() -> None:
    track = Track()
    for seq in (1, 2, 3):
        assert not track.seen(seq)
        track.take(seq)
    assert (track.received, track.missing()) == (3, [])


def test_a_gap_is_missing_until_it_comes() -> None:
    track = Track(known_to=9)
    for seq in (1, 4, 7):
        track.take(seq)
    assert track.missing() == [(2, 3), (5, 6), (8, 9)]
    track.take(3)
    track.take(2)
    assert (track.received, track.missing()) == (4, [(5, 6), (8, 9)])


def test_giving_up_says_which_and_stops_waiting_for_them_alone() -> None:
    track = Track(known_to=9)
    for seq in (1, 4, 7):
        track.take(seq)
    assert track.give_up(5) == [(2, 3), (5, 5)]
    assert (track.received, track.missing()) == (5, [(6, 6), (8, 9)])
    assert track.give_up(6) == [(6, 6)]
    assert track.received == 7
    assert track.give_up(3) == []


def test_a_journal_that_begins_high_costs_no_memory_for_what_it_lost() -> None:
    track = Track()
    assert track.give_up(2**52) == [(1, 2**52)]
    assert track.received == 2**52


def test_asking_waits_a_moment_then_ever_longer_and_ends() -> None:
    track = Track(known_to=1)
    assert not track.ask_due(100.0)
    assert not track.ask_due(100.0 + FIRST_ASK_S - 0.01)
    now_s = 100.0 + FIRST_ASK_S
    waits: list[float] = []
    while not track.given_up:
        assert track.ask_due(now_s)
        track.note_ask(now_s)
        track.note_answer(len(waits) + 1)
        assert not track.ask_due(now_s)
        assert track.next_ask_s is not None
        waits.append(track.next_ask_s - now_s)
        now_s = track.next_ask_s
    assert len(waits) == ASKS
    assert waits == pytest.approx([4, 8, 16, 32, 64, 128, 256, LONGEST_WAIT_S])


def test_progress_begins_the_asking_anew_and_a_repeat_does_not() -> None:
    track = Track(received=3, known_to=9)
    track.ask_due(0.0)
    track.note_ask(FIRST_ASK_S)
    asked = (track.asked, track.next_ask_s)
    track.take(2)
    track.take(7)
    assert (track.asked, track.next_ask_s) == asked
    track.take(4)
    assert (track.asked, track.next_ask_s) == (0, None)


@given(st.permutations(range(1, 12)))
def test_any_order_of_arrival_ends_the_same(order: list[int]) -> None:
    track = Track()
    for seq in order:
        track.take(seq)
    assert (track.received, track.above, track.missing()) == (11, set(), [])
