"""Doses on any way to the books, held against a model of a few lines (contract: rules that both sides keep).

Whatever is repeated, shuffled, lost, given up or interrupted by a restart: a dose that came is in the ledger exactly
once, and `received` never passes one that is missing unless an entry says that it was given up.
"""

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from house import FEEDER, HOUR_MS, MINUTE_MS, NOON_MS, House
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

LAST = 12


class Model:
    """The house beside what a reader of the contract would expect of it."""

    def __init__(self, folder: Path) -> None:
        self.house = House(folder).furnish()
        self.house.hear(self.house.online(), self.house.hello())
        self.came: set[int] = set()
        self.given_up: set[int] = set()

    def body(self, seq: int) -> dict[str, Any]:
        """A dose as the flash holds it: the same whenever it is sent."""
        return self.house.dose_body(
            seq, at_ms=NOON_MS - HOUR_MS + seq * 1000, target_g=seq / 100, after_g=50 - seq / 100
        )

    def deliver(self, seqs: list[int]) -> None:
        self.house.hear(*[self.house.message("dose", self.body(seq)) for seq in seqs])
        self.came |= set(seqs)

    def restart(self, first: int, last: int) -> None:
        self.house.restart()
        self.hello(first, last)

    def hello(self, first: int, last: int) -> None:
        """The device holds what lies in [first, last] still, and nothing before."""
        self.house.hear(self.house.online(), self.house.hello(journal_from=first, journal_to=last))

    def wait(self, minutes: int) -> None:
        self.house.pass_time(minutes * MINUTE_MS, 30_000, promising=True)

    def check(self) -> None:
        standing = self.house.standing("dose")
        assert sorted(e.seq for e in standing) == sorted(self.came)
        assert len(self.house.ledger("dose")) == len(self.came)
        for entry in standing:
            expected = self.body(entry.seq)
            assert {name: entry.own[name] for name in expected} == expected
        for entry in self.house.ledger("gap"):
            self.given_up |= set(range(entry.own["from"], entry.to + 1))
        missing = [n for e in self.house.standing("gap") for n in range(e.own["from"], e.own["to"] + 1)]
        assert len(missing) == len(set(missing))
        assert set(missing) == self.given_up - self.came
        accounted = self.came | self.given_up
        prefix = next(n for n in range(LAST * 10) if n + 1 not in accounted)
        told = [m["seq"] for m in self.house.told("received")]
        assert told == sorted(told)
        assert told[-1] == prefix
        assert self.house.rejects() == []


SEQS = st.integers(1, LAST)
STEPS = st.one_of(
    st.tuples(st.just("deliver"), st.lists(SEQS, min_size=1, max_size=6)),
    st.tuples(st.just("deliver"), st.lists(SEQS, min_size=1, max_size=6)),
    st.tuples(st.just("restart"), st.integers(1, 4), st.integers(0, LAST)),
    st.tuples(st.just("hello"), st.integers(1, LAST), st.integers(0, LAST)),
    st.tuples(st.just("wait"), st.sampled_from([1, 20])),
)


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(STEPS, min_size=1, max_size=6))
def test_each_dose_is_in_the_ledger_once_and_received_never_passes_a_missing_one(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[Any, ...]]
) -> None:
    model = Model(tmp_path_factory.mktemp("model"))
    try:
        for name, *values in steps:
            getattr(model, name)(*values)
            model.check()
        # In the end everything comes, backwards and twice: then nothing is missing any more.
        model.deliver([*range(LAST, 0, -1), *range(1, LAST + 1)])
        model.check()
        assert model.house.standing("gap") == []
        assert model.house.last("received") == {"journal": "journal", "seq": LAST}
        assert "lost doses" not in model.house.today().flags
    finally:
        model.house.close()


@given(st.permutations(range(1, LAST + 1)), st.lists(st.integers(1, LAST), max_size=2))
def test_the_order_and_the_batches_in_which_doses_come_make_no_difference(
    tmp_path_factory: pytest.TempPathFactory, order: list[int], cuts: list[int]
) -> None:
    model = Model(tmp_path_factory.mktemp("order"))
    try:
        edges = sorted({0, *cuts, LAST})
        for start, end in pairwise(edges):
            model.deliver(order[start:end])
            model.check()
        assert model.house.last("received") == {"journal": "journal", "seq": LAST}
        assert len(model.house.ledger("gap")) == 0
    finally:
        model.house.close()


# -- asking and giving up ----------------------------------------------------------------------------------------------


def asked_after_s(house: House) -> list[int]:
    """Seconds from now until each time the gap is asked for, until it is given up."""
    found: list[int] = []
    begun_ms = house.clock.now_ms()
    while not house.ledger("gap"):
        before = len(house.told("command"))
        house.pass_time(1000, promising=True)
        found += [(house.clock.now_ms() - begun_ms) // 1000] * (len(house.told("command")) - before)
    return found


def test_a_gap_is_asked_for_eight_times_with_doubling_pauses_and_then_given_up(
    house: House, caplog: pytest.LogCaptureFixture
) -> None:
    """`resend` with backoff, and given up loudly (issue: taking doses; the numbers are ours)."""
    house.hear(house.online(), house.hello(), house.dose(1), house.dose(4))
    caplog.clear()
    asked = asked_after_s(house)
    assert len(asked) == 8
    pauses = [b - a for a, b in pairwise(asked)]
    assert pauses == [4, 8, 16, 32, 64, 128, 256]
    lost = [r for r in caplog.records if r.levelname == "ERROR"]
    assert ["2 to 3" in r.getMessage() for r in lost] == [True]
    assert [(e.own["from"], e.own["to"]) for e in house.ledger("gap")] == [(2, 3)]
    assert house.last("received") == {"journal": "journal", "seq": 4}
    asked_once_given_up = len(house.told("command"))
    house.pass_time(HOUR_MS, MINUTE_MS)
    assert len(house.told("command")) == asked_once_given_up
    assert len(house.ledger("gap")) == 1


def test_a_dose_of_the_gap_that_comes_begins_the_asking_anew(house: House) -> None:
    """The device does answer: it gets the whole patience again for the rest."""
    house.hear(house.online(), house.hello(), house.dose(1), house.dose(4))
    house.pass_time(5 * MINUTE_MS)
    asked = len(house.told("command"))
    house.hear(house.dose(2))
    house.pass_time(5 * MINUTE_MS)
    assert house.ledger("gap") == []
    assert house.told("command")[-1]["args"] == {"from": 3, "to": 3}
    assert len(house.told("command")) > asked + 4


def test_asking_rests_while_the_device_is_away(house: House) -> None:
    house.hear(house.online(), house.hello(), house.dose(1), house.dose(3))
    house.pass_time(10_000)
    asked = len(house.told("command"))
    assert asked > 0
    house.hear(house.online(online=False))
    house.pass_time(2 * HOUR_MS, MINUTE_MS)
    assert len(house.told("command")) == asked
    assert house.ledger("gap") == []
    house.hear(house.online())
    house.pass_time(10_000)
    assert len(house.told("command")) > asked


def test_a_gap_is_still_asked_for_after_a_restart(house: House) -> None:
    house.hear(house.online(), house.hello(), house.dose(1), house.dose(3))
    house.restart()
    house.sent.clear()
    house.pass_time(10_000)
    assert house.told("command")[0]["args"] == {"from": 2, "to": 2}


def test_doses_announced_before_a_restart_are_asked_for_after_it(house: House) -> None:
    """The hello that the broker kept says again how far the journal goes."""
    house.hear(house.online(), house.hello(journal_to=3), house.dose(1))
    house.restart()
    house.sent.clear()
    house.hear(house.hello(journal_to=3, retained=True))
    house.pass_time(10_000)
    assert house.told("command")[0]["args"] == {"from": 2, "to": 3}


def test_what_was_given_up_stays_given_up_over_a_restart(house: House) -> None:
    house.hear(house.online(), house.hello(), house.dose(1))
    house.hear(house.hello(journal_from=5, journal_to=5))
    assert house.last("received") == {"journal": "journal", "seq": 4}
    house.restart()
    house.hear(house.hello(journal_from=5, journal_to=5), house.dose(5))
    assert house.last("received") == {"journal": "journal", "seq": 5}
    assert [(e.own["from"], e.own["to"]) for e in house.ledger("gap")] == [(2, 4)]


# -- what is in the books can be shown ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "rejected"),
    [
        (b'"\\u0000"', False),
        (b"NaN", False),
        (b"[" * 150 + b"]" * 150, False),
        (b'"' + b"\xf0\x9f\x90\x9f" * 999 + b'"', False),
        (b"[" * 900 + b"]" * 900, True),
        (b"1" * 5000, True),
        (b'"\\ud800"', True),
        (b"\xef\xbb\xbf", True),
    ],
    ids=["nul", "NaN", "deep", "fish", "too deep", "huge number", "half a pair", "byte order mark"],
)
def test_a_field_of_any_kind_never_makes_the_books_unreadable(house: House, field: bytes, rejected: bool) -> None:
    """Unknown fields are ignored; the ledger is for ever, so a message in it must stay readable for ever."""
    raw = json.dumps(house.dose_body(1)).encode()
    house.hear(house.message("dose", raw[:-1] + b', "extra": ' + field + b"}"), house.dose(2))
    for shown in (*house.ledger(), *house.rejects(), house.today(), *house.service.devices.all()):
        assert shown.model_dump_json()
    entries = [e.entry for e in house.ledger("dose")]
    assert (len(entries), len(house.rejects())) == ((1, 1) if rejected else (2, 0))
    for entry in entries:
        assert house.service.ledger.entry(entry).model_dump_json()


def test_unknown_fields_may_have_the_name_of_another_kinds_field(house: House) -> None:
    """A device's extra fields are kept as they came, whatever a field of that name holds in a dose."""
    strange: dict[str, Any] = {"food": [1], "mass_g": "much", "count": None, "estimate_g": {}}
    house.hear(house.message("fault", {"boot": "boot", "at_ms": None, "uptime_ms": 5, "code": "jam", **strange}))
    (fault,) = house.ledger("fault")
    assert {name: house.service.ledger.entry(fault.entry).own[name] for name in strange} == strange


def test_unknown_fields_cannot_pass_for_the_entrys_own(house: House) -> None:
    """A device's extra fields say nothing about the entry itself."""
    lies: dict[str, Any] = {"entry": 7, "kind": "hold", "void": True, "corrects": 1, "corrected_by": [9]}
    where: dict[str, Any] = {"tank": "sill", "by": "nobody", "at": "never", "at_low": "never", "at_high": "never"}
    house.hear(house.dose(1, **lies, **where))
    entry = house.ledger("dose")[0]
    assert (entry.kind, entry.void, entry.corrects, entry.by) == ("dose", False, None, None)
    assert entry.corrected_by == []
    assert entry.at_low is None
    assert entry.at_high is None
    assert entry.feeder == FEEDER
    assert house.today().doses[0].seq == 1
