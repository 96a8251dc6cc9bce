"""Placing what a board without a clock reports: never after it came, never later for knowing more."""

from hypothesis import given
from hypothesis import strategies as st

from tareline.mqtt.timestamps import TIGHTER_MS, Boots

HOUR = 3_600_000
BOOT = ("feeder", "b1")


def test_an_uptime_of_an_unknown_boot_is_placed_at_its_arrival() -> None:
    assert Boots({}).at_ms(*BOOT, uptime_ms=5, arrival_ms=1000) == 1000


def test_the_smallest_arrival_minus_uptime_is_the_latest_beginning() -> None:
    boots = Boots({})
    boots.note_arrival(*BOOT, arrival_ms=10_000, uptime_ms=1000)
    boots.note_arrival(*BOOT, arrival_ms=20_500, uptime_ms=12_000)
    boots.note_arrival(*BOOT, arrival_ms=40_000, uptime_ms=30_000)
    assert boots.known == {BOOT: (8500, False)}
    assert boots.at_ms(*BOOT, uptime_ms=500, arrival_ms=60_000) == 9000


def test_a_clock_fixes_a_boot_and_nothing_moves_it_after_that() -> None:
    boots = Boots({})
    boots.note_arrival(*BOOT, 10_000, 1000)
    boots.note_clock(*BOOT, at_ms=7000, uptime_ms=1000)
    assert boots.known == {BOOT: (6000, True)}
    boots.note_clock(*BOOT, at_ms=5000, uptime_ms=1000)
    boots.note_arrival(*BOOT, 3000, 1000)
    assert boots.known == {BOOT: (6000, True)}


def test_a_clock_may_also_show_a_boot_to_have_begun_later() -> None:
    """The service's own clock was behind when the first message came."""
    boots = Boots({})
    boots.note_arrival(*BOOT, 10_000, 1000)
    boots.note_clock(*BOOT, at_ms=HOUR, uptime_ms=0)
    assert boots.known == {BOOT: (HOUR, True)}
    assert boots.moved == {BOOT}


def test_nothing_is_placed_after_it_came() -> None:
    boots = Boots({BOOT: (HOUR, True)})
    assert boots.at_ms(*BOOT, uptime_ms=0, arrival_ms=10_000) == 10_000


def test_boots_of_one_board_and_boards_with_one_boot_are_kept_apart() -> None:
    boots = Boots({})
    boots.note_arrival("a", "b1", 10_000, 0)
    boots.note_arrival("a", "b2", 20_000, 0)
    boots.note_arrival("z", "b1", 30_000, 0)
    assert boots.known == {("a", "b1"): (10_000, False), ("a", "b2"): (20_000, False), ("z", "b1"): (30_000, False)}
    assert boots.changed == set(boots.known)


def test_what_says_nothing_new_changes_nothing() -> None:
    boots = Boots({BOOT: (5000, False)})
    boots.note_arrival(*BOOT, 9000, 1000)
    boots.note_arrival(*BOOT, 6000, 1000)
    assert (boots.changed, boots.moved) == (set(), set())
    boots.note_arrival(*BOOT, 5999, 1000)
    assert (boots.changed, boots.moved) == ({BOOT}, set())


def test_a_boot_found_much_earlier_is_placed_anew_and_a_first_one_is_not() -> None:
    boots = Boots({})
    boots.note_arrival(*BOOT, HOUR, 0)
    assert boots.moved == set()
    boots.note_arrival(*BOOT, HOUR - TIGHTER_MS + 1, 0)
    assert boots.moved == set()
    boots.note_arrival(*BOOT, HOUR - TIGHTER_MS, 0)
    assert boots.moved == {BOOT}


def test_many_small_steps_move_as_far_as_a_large_one() -> None:
    boots = Boots({BOOT: (HOUR, False)})
    moved = 0
    for i in range(1, 101):
        boots.note_arrival(*BOOT, HOUR - i * 6000, 0)
        moved += len(boots.moved)
        boots.moved.clear()
    assert moved == 10


@given(
    st.integers(10**9, 10**12),
    st.lists(st.tuples(st.integers(0, 10**7), st.integers(0, 10**6)), min_size=1, max_size=10),
    st.integers(0, 10**7),
    st.integers(0, 10**6),
)
def test_without_a_clock_the_estimate_never_lies_before_the_truth_and_only_tightens(
    began_ms: int, messages: list[tuple[int, int]], uptime_ms: int, delay_ms: int
) -> None:
    boots = Boots({})
    arrival_ms = began_ms + uptime_ms + delay_ms
    last = arrival_ms
    for sent_ms, delay in messages:
        boots.note_arrival(*BOOT, began_ms + sent_ms + delay, sent_ms)
        placed = boots.at_ms(*BOOT, uptime_ms, arrival_ms)
        assert began_ms + uptime_ms <= placed <= last
        last = placed
    assert last == min(arrival_ms, began_ms + uptime_ms + min(delay for _, delay in messages))


@given(st.lists(st.tuples(st.booleans(), st.integers(10**9, 10**9 + 10**7), st.integers(0, 10**6)), max_size=20))
def test_against_a_naive_model(events: list[tuple[bool, int, int]]) -> None:
    boots = Boots({})
    for clock, at_ms, uptime_ms in events:
        (boots.note_clock if clock else boots.note_arrival)(*BOOT, at_ms, uptime_ms)
    clocks = [at_ms - uptime_ms for clock, at_ms, uptime_ms in events if clock]
    arrivals = [at_ms - uptime_ms for clock, at_ms, uptime_ms in events if not clock]
    if clocks:
        assert boots.known == {BOOT: (clocks[0], True)}
    elif arrivals:
        assert boots.known == {BOOT: (min(arrivals), False)}
    else:
        assert boots.known == {}
