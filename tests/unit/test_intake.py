"""Taking what devices send: once, in place, and whatever it is (issue: taking doses; contract: rules of both sides)."""

import json
from datetime import datetime
from itertools import pairwise
from typing import Any

import pytest
from house import DAY_MS, FEEDER, HOUR_MS, MINUTE_MS, NOON_MS, TANK, House
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from present import present
from tareline.mqtt import messages as wire


def received(house: House) -> int:
    last = house.last("received")
    return 0 if last is None else int(last["seq"])


def gaps(house: House) -> list[tuple[int, int]]:
    return [(e.own["from"], e.own["to"]) for e in house.standing("gap")]


# -- once --------------------------------------------------------------------------------------------------------------


def test_a_dose_twice_in_one_batch_is_one(house: House) -> None:
    house.hear(house.dose(1), house.dose(1), house.dose(2))
    house.hear(house.dose(2))
    assert len(house.ledger("dose")) == 2
    assert received(house) == 2
    assert house.rejects() == []


def test_the_same_number_with_another_content_is_refused_in_one_batch_too(house: House) -> None:
    house.hear(house.dose(1), house.dose(1, target_g=0.3))
    assert house.doses()[1].target_g == 0.25
    assert [r.reason.partition(":")[0] for r in house.rejects()] == ["target_g"]
    assert received(house) == 1


def test_a_clock_set_meanwhile_makes_no_other_dose(house: House) -> None:
    """The journal may be resent with times that the board learnt later."""
    house.hear(house.dose(1, at_ms=None))
    house.hear(house.dose(1))
    assert len(house.standing("dose")) == 1
    assert house.rejects() == []


def test_the_same_numbers_of_another_journal_are_other_doses(house: House) -> None:
    house.hear(house.dose(1), house.dose(1, journal="another"))
    assert len(house.standing("dose")) == 2


def test_what_was_received_is_known_after_a_restart(house: House) -> None:
    house.hear(house.dose(1), house.dose(2), house.dose(4))
    house.restart()
    house.hear(house.dose(2), house.dose(4), house.dose(3))
    assert sorted(e.seq for e in house.ledger("dose")) == [1, 2, 3, 4]
    assert received(house) == 4


def test_a_dose_is_in_the_books_whatever_its_cell_showed(house: House) -> None:
    """The firmware sends what the cell shows: far below zero where the hopper that was tared is taken off."""
    house.hear(house.dose(1, before_g=-119.997682, after_g=-119.998408, sd_g=0.001414, outcome="empty"))
    assert house.rejects() == []
    [dose] = house.ledger("dose")
    assert (dose.outcome, dose.before_g, dose.after_g, dose.steps) == ("empty", -119.997682, -119.998408, 250)


# -- gaps --------------------------------------------------------------------------------------------------------------


def with_gaps(house: House, *seqs: int, journal_to: int = 0) -> None:
    house.hear(house.online(), house.hello(journal_to=journal_to), *[house.dose(seq) for seq in seqs])


def test_a_gap_is_asked_for_after_a_moment_and_again_with_longer_pauses(house: House) -> None:
    with_gaps(house, 1, 3)
    assert house.told("command") == []
    asked_at: list[int] = []
    for _ in range(400):
        before = len(house.told("command"))
        house.pass_time(1000)
        if len(house.told("command")) > before:
            asked_at.append(house.clock.now_ms())
        if gaps(house):
            break
    assert len(asked_at) >= 5
    pauses = [b - a for a, b in pairwise(asked_at)]
    assert pauses == sorted(pauses)
    assert pauses[-1] > pauses[0]
    assert all(c["do"] == "resend" and c["args"] == {"from": 2, "to": 2} for c in house.told("command"))
    assert len({c["id"] for c in house.told("command")}) == len(house.told("command"))


def test_doses_announced_by_hello_and_never_sent_are_asked_for(house: House) -> None:
    with_gaps(house, 1, journal_to=4)
    house.pass_time(5000)
    assert house.told("command")[0]["args"] == {"from": 2, "to": 4}


def test_a_device_that_is_offline_is_not_asked(house: House) -> None:
    with_gaps(house, 1, 3)
    house.hear(house.online(online=False))
    house.pass_time(20 * MINUTE_MS)
    assert house.told("command") == []
    assert gaps(house) == []


def test_doses_never_sent_again_are_given_up_loudly(house: House) -> None:
    with_gaps(house, 1, 4)
    house.pass_time(30 * MINUTE_MS, promising=True)
    assert gaps(house) == [(2, 3)]
    assert "asked" in house.standing("gap")[0].why
    assert received(house) == 4
    assert "lost doses" in house.today().flags


def test_several_ranges_that_are_promised_at_a_time_are_asked_for_as_often_as_one(house: House) -> None:
    with_gaps(house, 1, 3, 5, 7)
    house.pass_time(4 * MINUTE_MS, promising=True)
    assert gaps(house) == []
    house.pass_time(30 * MINUTE_MS, promising=True)
    assert gaps(house) == [(2, 2), (4, 4), (6, 6)]


def test_a_device_that_does_not_answer_loses_no_dose_and_is_asked_again_at_its_hello(house: House) -> None:
    """The broker may take a device to be online that is not; given up, its doses would be dropped by it unsaid."""
    with_gaps(house, 1, 4)
    house.pass_time(30 * MINUTE_MS)
    asked = len(house.told("command"))
    assert asked > 0
    house.pass_time(30 * HOUR_MS, MINUTE_MS)
    assert gaps(house) == []
    assert received(house) == 1
    assert len(house.told("command")) == asked, "its commands pile up at the broker"
    house.hear(house.hello(journal_from=2, journal_to=4))
    house.pass_time(5000)
    assert house.told("command")[-1]["args"] == {"from": 2, "to": 3}
    house.hear(house.dose(2), house.dose(3))
    assert received(house) == 4


def test_lost_doses_count_as_meals_until_somebody_knows_better(house: House) -> None:
    """Overfeeding kills sooner than fasting: what may have been fed is taken off what is left of the day."""
    before_g = present(house.today().remaining_g)
    with_gaps(house, 1, 3)
    house.hear(house.hello(journal_from=3, journal_to=3))
    assert gaps(house) == [(2, 2)]
    assert house.today().remaining_g == pytest.approx(before_g - 0.25 - 0.25 - 0.5)


def test_only_the_range_that_was_refused_is_given_up(house: House) -> None:
    """Doses 7 and 8 may still come: until they are on disk, `received` must stay below them."""
    with_gaps(house, 1, 4, 5, 6, 9)
    house.pass_time(5000)
    commands = {(c["args"]["from"], c["args"]["to"]): c["id"] for c in house.told("command")}
    assert set(commands) == {(2, 3), (7, 8)}
    house.hear(house.message("reply", {"id": commands[2, 3], "ok": False}))
    assert gaps(house) == [(2, 3)]
    assert received(house) == 6
    house.hear(house.dose(7), house.dose(8))
    assert received(house) == 9
    assert gaps(house) == [(2, 3)]


def test_a_range_refused_behind_one_that_is_still_missing_gives_up_nothing_before_it(house: House) -> None:
    with_gaps(house, 1, 4, 5, 6, 9)
    house.pass_time(5000)
    commands = {(c["args"]["from"], c["args"]["to"]): c["id"] for c in house.told("command")}
    house.hear(house.message("reply", {"id": commands[7, 8], "ok": False}))
    assert received(house) == 1
    house.hear(house.dose(2), house.dose(3))
    assert sorted(house.doses()) == [1, 2, 3, 4, 5, 6, 9]


def test_a_lost_dose_that_comes_after_all_leaves_only_what_is_still_missing(house: House) -> None:
    with_gaps(house, 1)
    house.hear(house.hello(journal_from=6, journal_to=6))
    assert gaps(house) == [(2, 5)]
    house.hear(house.dose(3))
    assert sorted(gaps(house)) == [(2, 2), (4, 5)]
    house.hear(house.dose(2), house.dose(5), house.dose(4))
    assert gaps(house) == []
    assert sorted(house.doses()) == [1, 2, 3, 4, 5]
    assert "lost doses" not in house.today().flags


def test_doses_in_the_batch_of_the_hello_that_no_longer_holds_them_were_never_lost(house: House) -> None:
    """They had waited at the broker; saying first that they are lost would be a false alarm in the books."""
    house.hear(house.dose(1), house.dose(2), house.hello(journal_from=3, journal_to=3), house.dose(3))
    assert house.ledger("gap") == []
    assert sorted(house.doses()) == [1, 2, 3]


def test_the_gap_of_a_journal_that_was_formatted_is_given_up_loudly(house: House) -> None:
    """Nobody can send these doses any more."""
    with_gaps(house, 1, 3)
    house.hear(house.hello(journal="after-the-format", journal_to=0))
    house.pass_time(30 * MINUTE_MS)
    assert gaps(house) == [(2, 2)]


def test_one_absurd_number_does_not_use_up_the_journal(house: House) -> None:
    """`received` would otherwise tell the device to throw away everything that it is yet to send."""
    with_gaps(house, 1)
    house.hear(house.dose(2**53 - 1, uptime_ms=2000))
    house.pass_time(30 * MINUTE_MS)
    assert received(house) <= 2
    house.hear(house.dose(2))
    assert received(house) == 2


def test_an_absurd_hello_does_not_use_up_the_journal(house: House) -> None:
    house.hear(house.online(), house.hello(journal_from=2**52, journal_to=2**52), house.dose(1), house.dose(2))
    assert received(house) == 2


# -- placing in time ---------------------------------------------------------------------------------------------------


def at(house: House, seq: int) -> tuple[str, str | None, str | None]:
    entry = house.doses()[seq]
    return entry.at, entry.at_low, entry.at_high


def test_a_dose_with_a_clock_has_an_instant_and_no_interval(house: House) -> None:
    house.hear(house.dose(1, at_ms=NOON_MS - HOUR_MS))
    assert at(house, 1) == ("2025-06-15T11:00:00.000+00:00", None, None)


def test_a_dose_weeks_late_stands_on_its_own_day(house: House) -> None:
    house.hear(house.dose(1, at_ms=NOON_MS - 20 * DAY_MS))
    assert at(house, 1)[0].startswith("2025-05-26T12:00")
    assert house.today().doses == []


def test_without_a_clock_the_smallest_arrival_minus_uptime_places_the_boot(house: House) -> None:
    """A slow message is placed by a quick one of the same boot."""
    house.hear(house.message("weight", {"boot": "boot", "uptime_ms": 600_000, "mass_g": 50.0, "sd_g": 0.02}))
    house.clock.advance(HOUR_MS)  # the boot began at 11:50
    house.hear(house.dose(1, at_ms=None, uptime_ms=900_000))
    assert at(house, 1) == ("2025-06-15T12:05:00.000+00:00", None, "2025-06-15T12:05:00.000+00:00")


def test_retained_messages_say_nothing_about_time(house: House) -> None:
    house.hear(house.hello(uptime_ms=10 * DAY_MS, clock="unset", retained=True))
    house.hear(house.dose(1, at_ms=None, uptime_ms=600_000))
    assert at(house, 1)[0] == "2025-06-15T12:00:00.000+00:00"


def test_the_interval_begins_at_the_dose_before(house: House) -> None:
    house.hear(house.dose(1, boot="before", at_ms=NOON_MS - HOUR_MS))
    house.hear(house.dose(2, at_ms=None, uptime_ms=60_000))
    assert at(house, 2) == (
        "2025-06-15T12:00:00.000+00:00",
        "2025-06-15T11:00:00.000+00:00",
        "2025-06-15T12:00:00.000+00:00",
    )
    assert "clock uncertain" in house.today().flags


def test_the_interval_does_not_depend_on_how_messages_were_batched(house: House) -> None:
    house.hear(house.dose(1, boot="before", at_ms=NOON_MS - HOUR_MS), house.dose(2, at_ms=None, uptime_ms=60_000))
    assert at(house, 2)[1] == "2025-06-15T11:00:00.000+00:00"


def test_a_clock_learnt_later_corrects_what_was_placed_before_and_the_old_entry_stays(house: House) -> None:
    house.hear(house.dose(1, at_ms=None, uptime_ms=0))
    first = house.ledger("dose")[0]
    # Ten minutes later the board has a clock, and the first dose turns out to have been an hour earlier.
    house.hear(house.dose(2, at_ms=NOON_MS - 50 * MINUTE_MS, uptime_ms=10 * MINUTE_MS))
    assert at(house, 1) == ("2025-06-15T11:00:00.000+00:00", None, None)
    entries = {e.entry: e for e in house.ledger("dose")}
    assert len(entries) == 3
    assert entries[first.entry].at == first.at
    assert entries[first.entry].corrected_by == [house.doses()[1].entry]
    assert house.doses()[1].corrects == first.entry


def test_a_quicker_message_of_the_boot_corrects_a_dose_that_came_slowly(house: House) -> None:
    house.hear(house.dose(1, at_ms=None, uptime_ms=0))  # as if it had begun at noon
    house.clock.advance(MINUTE_MS)
    house.hear(house.dose(2, at_ms=None, uptime_ms=30 * MINUTE_MS))  # it began at 11:31 at the latest
    assert at(house, 1)[0] == "2025-06-15T11:31:00.000+00:00"
    assert at(house, 1)[2] == "2025-06-15T11:31:00.000+00:00"


def test_boots_are_known_after_a_restart(house: House) -> None:
    house.hear(house.message("weight", {"boot": "boot", "uptime_ms": 600_000, "mass_g": 50.0, "sd_g": 0.02}))
    house.restart()
    house.clock.advance(HOUR_MS)
    house.hear(house.dose(1, at_ms=None, uptime_ms=900_000))
    assert at(house, 1)[0] == "2025-06-15T12:05:00.000+00:00"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 48 * 60), st.integers(0, 600), st.booleans()), min_size=1, max_size=8))
def test_a_dose_placed_by_its_boot_is_never_before_it_happened(
    tmp_path_factory: pytest.TempPathFactory, events: list[tuple[int, int, bool]]
) -> None:
    """Whatever the delays: at_high is an upper bound of the true time. Events: minute of the boot, delay, is a dose."""
    house = House.furnished(tmp_path_factory.mktemp("placing"))
    arrivals = sorted((minute + delay, minute, seq) for seq, (minute, delay, _) in enumerate(events, 1))
    for arrival, minute, seq in arrivals:
        house.clock.set(NOON_MS + arrival * MINUTE_MS)
        if events[seq - 1][2]:
            house.hear(house.dose(seq, at_ms=None, uptime_ms=minute * MINUTE_MS))
        else:
            weight = {"boot": "boot", "uptime_ms": minute * MINUTE_MS, "mass_g": 5.0, "sd_g": 0.1}
            house.hear(house.message("weight", weight))
    best = min(arrival - minute for arrival, minute, _ in arrivals)
    for seq, entry in house.doses().items():
        placed = house.service.ledger.entry(entry.entry)
        minute = events[seq - 1][0]
        high_ms = round(datetime.fromisoformat(present(placed.at_high)).timestamp() * 1000)
        assert NOON_MS + minute * MINUTE_MS <= high_ms <= NOON_MS + (minute + best + 1) * MINUTE_MS
    house.close()


# -- devices -----------------------------------------------------------------------------------------------------------


def test_a_device_that_is_silent_for_a_minute_is_a_fact_in_the_books_and_so_is_its_return(house: House) -> None:
    house.hear(house.online())
    house.hear(house.online(online=False))
    house.pass_time(59_000)
    assert house.ledger("device") == []
    house.pass_time(2000)
    assert [e.event for e in house.ledger("device")] == ["silent"]
    house.pass_time(MINUTE_MS)
    house.hear(house.online())
    house.pass_time(2000)
    assert [e.event for e in house.ledger("device")] == ["silent", "back"]


def test_silence_is_noted_once_over_restarts(house: House) -> None:
    house.hear(house.online(online=False))
    house.pass_time(2 * MINUTE_MS)
    house.restart()
    house.pass_time(5 * MINUTE_MS)
    assert [e.event for e in house.ledger("device")] == ["silent"]


def test_two_boards_under_one_name_hold_the_feeder_and_a_person_releases(house: House) -> None:
    house.hear(house.online(), house.hello())
    house.hear(house.hello(board="second", boot="other"))
    assert house.hold().held
    assert [r.kind for r in house.hold().reasons] == ["board"]
    assert "second" in house.hold().reasons[0].text
    held = house.last("hold")
    assert held is not None
    assert held["held"]
    for board, boot in (("board", "boot"), ("second", "other"), ("board", "boot")):  # both keep coming back
        house.hear(house.hello(board=board, boot=boot))
    assert len(house.hold().reasons) == 1
    house.service.release(TANK, {"note": "replaced the board", "by": "the keeper"})
    assert not house.hold().held


def test_another_installation_under_this_root_holds_every_tank(house: House) -> None:
    house.add("tank", id="sill", name="sill", volume_l=30, timezone="UTC")
    own = house.last("plan")
    assert own is not None
    topic = f"tareline/{FEEDER}/down/plan"
    own_message = type(house.dose(1))(topic, json.dumps(own).encode(), NOON_MS)
    house.hear(own_message)
    assert not house.hold().held
    foreign = type(own_message)(topic, json.dumps({**own, "installation": "another"}).encode(), NOON_MS)
    house.hear(foreign)
    house.hear(foreign)
    for tank in (TANK, "sill"):
        assert [r.kind for r in house.hold(tank).reasons] == ["installation"]
    held = house.last("hold")
    assert held is not None
    assert held["held"]
    assert "another" in held["reason"]


@pytest.mark.parametrize("payload", [b"", b"\xff", b"[]", b"7", b'{"installation":' + b"[" * 9999, b"1" * 9999])
def test_a_foreign_plan_that_is_rubbish_holds_nothing_and_breaks_nothing(house: House, payload: bytes) -> None:
    house.hear(type(house.dose(1))(f"tareline/{FEEDER}/down/plan", payload, NOON_MS), house.dose(1))
    assert not house.hold().held
    assert sorted(house.doses()) == [1]


# -- whatever comes ----------------------------------------------------------------------------------------------------

JSONISH = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=10,
)
TAILS = st.sampled_from(
    ["dose", "status", "hello", "applied", "weight", "samples", "fault", "reply", "gossip", "", "dose/x"]
)
NUMBERS = st.sampled_from(
    [0, -1, 1, 2, 5, 2**31, 2**53 - 1, 2**53, 2**63, 2**64, -(2**63), 10**30, 1e308, -1e308, float("nan"), 1e-320]
)
FIELDS = [
    "journal",
    "seq",
    "boot",
    "at_ms",
    "uptime_ms",
    "meal",
    "cause",
    "target_g",
    "steps",
    "before_g",
    "after_g",
    "sd_g",
    "temperature_c",
    "outcome",
    "online",
    "board",
    "kind",
    "firmware",
    "clock",
    "journal_from",
    "journal_to",
    "plan_version",
    "hold_version",
    "mass_g",
    "code",
    "id",
    "ok",
    "bn",
    "bt",
    "n",
    "u",
    "v",
    "t",
]


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    """A message that was good once: some fields replaced, removed, or the bytes cut and stirred."""
    good = {
        "journal": "journal", "seq": draw(st.integers(1, 6)), "boot": "boot", "uptime_ms": 1000,
        "at_ms": draw(st.none() | st.just(NOON_MS)),
        "meal": None, "cause": "plan", "target_g": 0.5, "steps": 5, "outcome": "ok",
        "online": True, "board": "board", "kind": "feeder", "firmware": "f", "clock": "unset", "journal_from": 1,
        "journal_to": 3, "plan_version": 1, "hold_version": 1, "mass_g": 5.0, "sd_g": None, "code": "c", "id": "i",
        "ok": False,
    }  # fmt: skip
    for field in draw(st.lists(st.sampled_from(FIELDS), max_size=3)):
        good[field] = draw(NUMBERS | JSONISH)
    body: Any = [good] if draw(st.integers(0, 4)) == 0 else good
    payload = json.dumps(body).encode()
    cut = draw(st.integers(0, 3))
    if cut == 0:
        at_byte = draw(st.integers(0, len(payload)))
        payload = payload[:at_byte] + draw(st.binary(max_size=4)) + payload[at_byte + draw(st.integers(0, 4)) :]
    return payload


ANYTHING = st.tuples(TAILS, st.binary(max_size=200) | JSONISH.map(lambda j: json.dumps(j).encode()) | spoilt())


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(ANYTHING, min_size=1, max_size=6))
def test_anything_at_all_is_taken_or_set_aside_and_good_messages_beside_it_are_taken(
    tmp_path_factory: pytest.TempPathFactory, batch: list[tuple[str, bytes]]
) -> None:
    """Never raises; each message is counted once, as something understood or as a reject; nothing needs the last resort
    for what breaks the taking itself."""
    house = House.furnished(tmp_path_factory.mktemp("fuzz"))
    try:
        before, after = house.dose(1, journal="good"), house.dose(2, journal="good")
        messages = [house.message(tail, payload) for tail, payload in batch]
        taken = house.service.ingest.take([before, *messages, after])
        assert sum(taken.counts.values()) == len(messages) + 2
        assert {e.seq for e in house.standing("dose") if e.journal == "good"} >= {1, 2}
        assert not [r.reason for r in house.rejects() if "internal error" in r.reason]
        assert sum(r.count for r in house.rejects()) == taken.counts.get("reject", 0)
        house.service.settle()
        house.pass_time(3000)
        # The same again is nothing new, and the books can be read.
        entries = len(house.ledger("dose"))
        house.service.ingest.take([before, *messages, after])
        assert len(house.ledger("dose")) == entries
        house.service.books.week(TANK, None)
        house.service.devices.all()
        house.restart()
    finally:
        house.close()


def test_a_batch_that_breaks_the_taking_is_taken_message_by_message(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last resort, for an error of ours: the message is set aside with it, those around it are taken."""
    real = wire.DoseMessage.model_validate_json

    def breaks(payload: bytes) -> Any:
        if b'"seq": 2' in payload:
            raise ZeroDivisionError("an error of ours")
        return real(payload)

    monkeypatch.setattr(wire.DoseMessage, "model_validate_json", breaks)
    house.hear(house.dose(1), house.dose(2), house.dose(3))
    assert {seq: e.outcome for seq, e in house.doses().items()} == {1: "ok", 2: "unknown", 3: "ok"}
    assert "an error of ours" in house.rejects()[0].reason
    assert received(house) == 3
