"""Holds: what puts them in force, what alone ends them, and what never does."""

from dataclasses import dataclass, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, consumes, invariant, rule

from tareline.core.safety.hold import HoldState, Kind, Reason, Release, added_by, fold, release_refused, restored_by
from tareline.core.safety.lines import AMMONIA_LINES, NAMES, KnownValue, crossings, make_line, with_samples
from tareline.core.units import CANONICAL

HOLD = Reason(1, 1000, "line", "hold", "ammonia", analyte="ammonia", limit=2.0)
REDUCE = Reason(2, 1000, "line", "reduce", "ammonia", 0.5, "ammonia", limit=1.0)
PERSON = Reason(3, 1000, "person", "hold", "medication")


def known(
    counted: float, at_ms: int = 2000, may_cross: bool = True, assumed: tuple[str, ...] = (), entry: int = 9
) -> KnownValue:
    return KnownValue("ammonia", counted, at_ms, entry, may_cross, assumed)


# What is in force


def test_nothing_in_force_feeds_in_full() -> None:
    state = HoldState()
    assert (state.held, state.reduce_to, state.since_ms) == (False, 1.0, None)


def test_any_hold_holds_and_the_smallest_share_counts() -> None:
    quarter = Reason(4, 900, "line", "reduce", "nitrite", 0.25, "nitrite", limit=1.0)
    assert fold([REDUCE], []).held is False
    assert fold([REDUCE, quarter], []).reduce_to == 0.25
    state = fold([REDUCE, HOLD, quarter], [])
    assert (state.held, state.reduce_to, state.since_ms) == (True, 0.25, 900)
    assert fold([Reason(5, 0, "line", "reduce", "stop", 0.0, "ammonia", limit=1.0)], []).reduce_to == 0.0


def test_a_release_ends_the_reasons_it_names_and_no_others() -> None:
    state = fold([HOLD, PERSON], [Release(7, 5000, (1,))])
    assert state.reasons == (PERSON,)
    assert [(p.reason.entry, p.from_ms, p.to_ms) for p in state.periods] == [(1, 1000, 5000), (3, 1000, None)]


reasons = st.builds(
    Reason,
    entry=st.integers(1, 8),
    since_ms=st.integers(0, 100),
    kind=st.sampled_from(["line", "person", "board", "installation"]),
    do=st.just("hold"),
    text=st.just(""),
)
releases = st.builds(
    Release,
    entry=st.integers(100, 200),
    at_ms=st.integers(100, 200),
    reasons=st.lists(st.integers(1, 8), max_size=4).map(tuple),
)


@given(st.lists(reasons, max_size=6, unique_by=lambda r: r.entry), st.lists(releases, max_size=5), st.randoms())
def test_the_fold_does_not_depend_on_the_order_of_arrival(some: list, ends: list, random: object) -> None:
    shuffled = list(some), list(ends)
    for entries in shuffled:
        random.shuffle(entries)  # type: ignore[attr-defined]
    one, other = fold(some, ends), fold(*shuffled)
    assert set(one.reasons) == set(other.reasons)
    assert set(one.periods) == set(other.periods)


@given(st.lists(reasons, max_size=6, unique_by=lambda r: r.entry), st.lists(releases, max_size=5))
def test_a_reason_is_in_force_until_its_first_release(some: list[Reason], ends: list[Release]) -> None:
    state = fold(some, ends)
    for reason, period in zip(some, state.periods, strict=True):
        naming = [release.at_ms for release in ends if reason.entry in release.reasons]
        assert (reason in state.reasons) is (not naming)
        assert (period.from_ms, period.to_ms) == (reason.since_ms, min(naming, default=None))


# What a reading can show


@pytest.mark.parametrize(
    ("water", "cleared"),
    [
        (None, False),
        (known(0.0, at_ms=1000, entry=0), False),  # as old as the hold, and entered before it
        (known(0.0, at_ms=1000), True),  # in the same millisecond, but entered after it
        (known(0.0, at_ms=999), False),
        (known(0.0, at_ms=1001), True),
        (known(1.99), True),
        (known(2.0), False),
        (known(2.0 * (1 - 1e-12)), False),  # on the line but for the last digit of a conversion
        (known(5.0), False),
        (known(5.0, may_cross=False), True),  # a chart's lowest step: nothing seen
        (known(0.1, assumed=("ph",)), False),  # an assumption shows nothing
        (known(0.1, may_cross=False, assumed=("ph",)), False),
    ],
)
def test_a_line_is_cleared_by_a_newer_reading_below_it_only(water: KnownValue | None, cleared: bool) -> None:
    assert HOLD.cleared_by(water) is cleared
    assert (HOLD.needs(water) is None) is cleared


@pytest.mark.parametrize(
    ("water", "cleared"),
    [(known(6.5), True), (known(6.0), False), (known(5.0), False), (known(6.2, may_cross=False), False)],
)
def test_a_line_from_below_is_cleared_above_it_and_not_by_a_scale_that_ends_there(
    water: KnownValue, cleared: bool
) -> None:
    acid = Reason(1, 1000, "line", "hold", "pH", analyte="ph", above=False, limit=6.0)
    assert acid.cleared_by(water) is cleared


@pytest.mark.parametrize(("limit_of_detection", "cleared"), [(0.5, True), (1.99, True), (2.0, False), (3.0, False)])
def test_below_detection_clears_an_upper_line_only_from_a_limit_under_it(
    limit_of_detection: float, cleared: bool
) -> None:
    water = replace(known(limit_of_detection), detected=False)
    assert HOLD.cleared_by(water) is cleared
    needs = HOLD.needs(water)
    assert needs is None if cleared else "could not detect anything below" in (needs or "")


def test_below_detection_shows_no_water_above_a_line() -> None:
    soft = Reason(1, 1000, "line", "hold", "kh", analyte="kh", above=False, limit=1.0)
    assert not soft.cleared_by(KnownValue("kh", 2.0, 2000, 9, True, detected=False))
    assert soft.cleared_by(KnownValue("kh", 2.0, 2000, 9, True))


def test_heat_is_cleared_by_a_reading_or_by_a_probes_newest_plausible_sample() -> None:
    hot = Reason(1, 1000, "line", "hold", "heat", analyte="temperature", limit=30.0)
    assert hot.needs(None) == (
        "a reading or a probe's sample newer than the hold with temperature below 30 degC; none has been taken since"
    )
    assert hot.needs(with_samples({}, {"temperature": (30.5, 2000)}).get("temperature")) is not None
    assert hot.needs(with_samples({}, {"temperature": (26.0, 999)}).get("temperature")) is not None
    sampled = with_samples({}, {"temperature": (26.0, 2000)})
    assert hot.needs(sampled.get("temperature")) is None
    assert release_refused(fold([hot], []), sampled) == []


def test_what_is_needed_is_said_in_words() -> None:
    assert HOLD.needs(None) == (
        "a reading newer than the hold with total ammonia below 2 mg/L as N; none has been taken since"
    )
    assert (HOLD.needs(known(2.345)) or "").endswith("the newest still counts as 2.35")
    assumed = HOLD.needs(known(0.1, assumed=("ph", "temperature"))) or ""
    assert assumed.endswith("the newest is based on an assumed pH and temperature, which must be measured")
    acid = Reason(1, 1000, "line", "hold", "pH", analyte="ph", above=False, limit=6.0)
    assert "pH above 6;" in (acid.needs(None) or "")


@pytest.mark.parametrize("kind", ["person", "board", "installation"])
def test_a_hold_that_no_line_asked_for_needs_only_a_person(kind: Kind) -> None:
    state = fold([Reason(1, 1000, kind, "hold", "why")], [])
    assert release_refused(state, {}) == []


def test_a_release_is_refused_for_every_hold_that_is_not_cleared_and_for_no_reduction() -> None:
    nitrite = Reason(4, 1000, "line", "hold", "nitrite", analyte="nitrite", limit=1.0)
    state = fold([HOLD, nitrite, PERSON, REDUCE], [])
    assert len(release_refused(state, {})) == 2
    (left,) = release_refused(state, {"ammonia": known(1.5)})
    assert "nitrite" in left
    assert release_refused(state, {"ammonia": known(1.5), "nitrite": known(0.1)}) == []


def test_a_low_reading_restores_a_reduction_and_releases_no_hold() -> None:
    state = fold([HOLD, REDUCE, PERSON], [])
    assert restored_by(state, {"ammonia": known(0.1)}) == [REDUCE]
    assert restored_by(state, {"ammonia": known(1.0)}) == []
    assert restored_by(state, {"ammonia": known(0.1, at_ms=1000, entry=0)}) == []
    assert restored_by(state, {"ammonia": known(0.1, assumed=("temperature",))}) == []
    assert restored_by(state, {"nitrite": known(0.1)}) == []


# What a crossing adds


def asked(state: HoldState, counted: float, lines: tuple = AMMONIA_LINES) -> list[tuple[str, float | None]]:
    found = crossings(lines, {"ammonia": known(counted)}, "stocked")
    return [(crossing.do, crossing.line.reduce_to) for crossing in added_by(state, found)]


def test_a_crossing_adds_what_is_not_in_force_yet() -> None:
    assert asked(HoldState(), 0.7) == []  # a notification holds nothing
    assert asked(HoldState(), 1.2) == [("reduce", 0.5)]
    assert asked(HoldState(), 2.2) == [("reduce", 0.5), ("hold", None)]
    assert asked(fold([REDUCE], []), 1.2) == []
    assert asked(fold([REDUCE], []), 2.2) == [("hold", None)]
    assert asked(fold([HOLD, REDUCE], []), 2.2) == []
    assert asked(fold([HOLD], []), 2.2) == [("reduce", 0.5)]


def test_a_persons_hold_or_another_analytes_takes_the_place_of_none() -> None:
    nitrite = Reason(4, 1000, "line", "hold", "nitrite", analyte="nitrite", limit=1.0)
    acid = Reason(5, 1000, "line", "hold", "ammonia", analyte="ammonia", above=False, limit=0.1)
    assert ("hold", None) in asked(fold([PERSON, nitrite, acid], []), 2.2)


def test_a_stricter_reduction_is_added_and_a_laxer_one_is_not() -> None:
    stop = make_line("ammonia", 1.5, None, "mg/L", "N", "reduce", 0.0)
    half = fold([REDUCE], [])
    assert asked(half, 1.6, (stop,)) == [("reduce", 0.0)]
    stopped = fold([Reason(4, 0, "line", "reduce", "", 0.0, "ammonia", limit=1.5)], [])
    assert asked(stopped, 1.6) == []


# A tank's life, against twenty naive lines


@dataclass
class Keeper:
    """The naive model: a tank with the default lines on total ammonia, kept by somebody who follows the rules."""

    held_since: int | None = None
    reduced_since: int | None = None
    person: bool = False
    newest: tuple[int, float] | None = None


class TankLife(RuleBasedStateMachine):
    """Readings, some typed in late, a person's holds and releases, in any order."""

    late = Bundle("late")

    def __init__(self) -> None:
        super().__init__()
        self.model = Keeper()
        self.now_ms = 1000
        self.entries: tuple[list[Reason], list[Release]] = ([], [])
        self.number = 0

    @property
    def state(self) -> HoldState:
        return fold(*self.entries)

    def water(self) -> dict[str, KnownValue]:
        newest = self.model.newest
        return {} if newest is None else {"ammonia": KnownValue("ammonia", newest[1], newest[0], 1, True)}

    def next(self) -> int:
        self.number += 1
        self.now_ms += 10
        return self.number

    def judge(self) -> None:
        """As the service does: restore by rule, then enter what the crossings ask for."""
        restored = restored_by(self.state, self.water())
        if restored:
            self.entries[1].append(Release(self.next(), self.now_ms, tuple(r.entry for r in restored)))
        for crossing in added_by(self.state, crossings(AMMONIA_LINES, self.water(), "stocked")):
            line, do = crossing.line, crossing.do
            assert do != "notify"
            reduce_to = line.reduce_to if do == "reduce" else None
            reason = Reason(self.next(), self.now_ms, "line", do, "", reduce_to, line.analyte, True, line.canonical)
            self.entries[0].append(reason)

    def read(self, at_ms: int, value: float) -> None:
        model = self.model
        if model.newest is None or at_ms >= model.newest[0]:
            model.newest = (at_ms, value)
        newest_ms, newest = model.newest
        if model.reduced_since is not None and newest_ms > model.reduced_since and newest < 1.0:
            model.reduced_since = None
        self.judge()
        if newest >= 1.0 and model.reduced_since is None:
            model.reduced_since = self.now_ms
        if newest >= 2.0 and model.held_since is None:
            model.held_since = self.now_ms

    values = st.sampled_from([0.0, 0.5, 0.99, 1.0, 1.5, 1.99, 2.0, 4.0])

    @rule(value=values)
    def reading(self, value: float) -> None:
        self.next()
        self.read(self.now_ms, value)

    @rule(target=late)
    def noted_on_paper(self) -> int:
        self.next()
        return self.now_ms

    @rule(at_ms=consumes(late), value=values)
    def typed_in_later(self, at_ms: int, value: float) -> None:
        self.next()
        self.read(at_ms, value)

    @rule()
    def person_holds(self) -> None:
        self.entries[0].append(Reason(self.next(), self.now_ms, "person", "hold", ""))
        self.model.person = True

    @rule()
    def person_releases(self) -> None:
        model = self.model
        refused = release_refused(self.state, self.water())
        shown = model.newest is not None and model.newest[1] < 2.0 and model.newest[0] > (model.held_since or 0)
        assert bool(refused) is (model.held_since is not None and not shown)
        if refused or not self.state.held:
            return
        ended = tuple(r.entry for r in self.state.reasons if r.do == "hold")
        self.entries[1].append(Release(self.next(), self.now_ms, ended))
        model.held_since, model.person = None, False

    @invariant()
    def agrees(self) -> None:
        assert self.state.held is (self.model.held_since is not None or self.model.person)
        assert self.state.reduce_to == (0.5 if self.model.reduced_since is not None else 1.0)


TestTankLife = TankLife.TestCase


def test_every_analyte_has_a_name_for_people() -> None:
    for analyte in CANONICAL:
        reason = Reason(1, 1000, "line", "hold", "", analyte=analyte, limit=1.0)
        assert f"newer than the hold with {NAMES[analyte]} below 1" in (reason.needs(None) or "")
