"""What a feeder keeps and tells: the journal under power cuts, delivery until `received`, outcomes and faults, and then
everything at once against the rules."""

import json
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from fault_codes import fault_codes
from feeder_world import (
    DAY,
    GAIN_NG,
    HOUR,
    MIDNIGHT,
    MINUTE,
    PowerCutError,
    World,
    base,
    dosing,
    hold,
    journal,
    meal,
    memory,
    plan,
    running,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from tareline.mqtt.messages import Applied, DoseMessage, Fault, Hello, Reply, Status, Weight
from tareline.resources import firmware_dir, load_firmware

EIGHT = MIDNIGHT + 9 * HOUR

# Journal and delivery


def test_every_dose_is_offered_again_at_each_connect_oldest_first_until_it_is_received() -> None:
    desk = running(plan(cap_g=5))
    for i in range(6):
        desk.command(f"c{i}", "dispense", target_g=0.05)
    desk.run(1)
    desk.say("received", {"journal": desk.feeder.memory.journal_id, "seq": 2})
    desk.sent.clear()
    desk.feeder.on_disconnect()
    desk.run(MINUTE)
    assert desk.of("dose") == []
    desk.connect().run(1)
    assert [dose["seq"] for dose in desk.of("dose")] == [3, 4, 5, 6]
    hello = desk.of("hello")[0]
    assert (hello["journal_from"], hello["journal_to"]) == (3, 6)


def test_the_window_bounds_what_is_under_way() -> None:
    desk = running(plan(cap_g=5))
    desk.feeder.on_disconnect()
    for _ in range(5):
        desk.feeder.press()
        desk.run(1)
    desk.window = 0
    desk.connect().run(MINUTE)
    assert desk.of("dose") == []
    desk.window = 10
    desk.run(1)
    assert len(desk.of("dose")) == 5


def test_what_is_not_received_is_offered_again_after_a_while() -> None:
    desk = running(plan())
    desk.command("c", "dispense", target_g=0.05)
    desk.run(2 * HOUR)
    # After 5, 10, 20, 40 minutes; 60 more would be later.
    assert len(desk.of("dose")) == 5
    assert len(desk.doses()) == 1


def test_resend_publishes_what_is_held_of_the_range() -> None:
    desk = running(plan(cap_g=5))
    for i in range(6):
        desk.command(f"c{i}", "dispense", target_g=0.05)
    desk.run(1).say("received", {"journal": desk.feeder.memory.journal_id, "seq": 2})
    desk.sent.clear()
    reply = desk.command("again", "resend", expires=0, **{"from": 1, "to": 4})
    assert reply["ok"]
    assert reply["result"]["held"] == 2
    desk.run(1)
    assert [dose["seq"] for dose in desk.of("dose")] == [3, 4]
    assert not desk.command("none", "resend", expires=0, **{"from": 1, "to": 2})["ok"]


def test_a_command_that_comes_before_the_link_is_up_is_answered() -> None:
    desk = running(plan(cap_g=5)).boot()  # what waited at the broker comes before the subscription is confirmed
    assert desk.command("c", "dispense", target_g=0.05)["ok"]


def test_received_of_another_journal_frees_nothing() -> None:
    desk = running(plan())
    desk.command("c", "dispense", target_g=0.05)
    desk.say("received", {"journal": "other", "seq": 1})
    assert desk.feeder.memory.first_held() == 1


def test_received_frees_the_journal_and_the_numbers_go_on() -> None:
    desk = running(plan(cap_g=100))
    largest = 0
    for i in range(1, 400):
        desk.command(f"c{i}", "dispense", expires=desk.true_ms + 1, target_g=0.01)
        desk.run(1000)
        desk.say("received", {"journal": desk.feeder.memory.journal_id, "seq": i})
        largest = max(largest, len(desk.files["journal.bin"]))
    assert largest < 40_000
    desk.boot().connect()
    desk.command("last", "dispense", target_g=0.01)
    assert max(desk.feeder.memory.places.numbers()) == 400
    assert not desk.command("c399", "dispense", target_g=0.01)["ok"]


def test_a_rewritten_journal_without_a_dose_still_knows_meals_counter_and_number() -> None:
    desk = running(plan(meals=(meal("m", EIGHT, 0.1),), cap_g=0.15)).run(2 * HOUR + MINUTE)
    desk.say("received", {"journal": desk.feeder.memory.journal_id, "seq": 1})
    desk.feeder.memory.rewrite(desk.true_ms)
    desk.boot().connect().run(MINUTE)
    assert desk.steps() == 100
    assert desk.command("c", "dispense", target_g=0.1)["result"] == {"seq": 2, "outcome": "capped", "steps": 50}


def test_a_number_that_was_never_used_is_refused_and_no_dose_forgotten() -> None:
    desk = running(plan())
    desk.feeder.on_disconnect()
    desk.command("c", "dispense", target_g=0.05)
    desk.say("received", {"journal": "id2", "seq": 41})
    assert list(desk.feeder.memory.places.numbers()) == [1]
    desk.connect().run(MINUTE)
    assert "message_refused" in desk.faults()
    assert list(desk.doses()) == [1]
    desk.command("d", "dispense", target_g=0.05)
    assert list(desk.feeder.memory.places.numbers()) == [1, 2]


def test_after_damage_a_number_that_the_service_has_is_not_given_again() -> None:
    desk = running(plan())
    desk.command("c", "dispense", target_g=0.05)
    spoilt = bytearray(desk.files["journal.bin"])
    spoilt[-200] ^= 1
    desk.files["journal.bin"] = bytes(spoilt)
    desk.boot().connect().say("received", {"journal": desk.feeder.memory.journal_id, "seq": 41})
    desk.run(26 * HOUR).boot().connect()
    desk.command("d", "dispense", target_g=0.05)
    assert max(desk.feeder.memory.places.numbers()) >= 42
    assert 41 not in list(desk.feeder.memory.places.numbers())


def test_a_torn_end_of_the_journal_is_dropped_and_what_follows_is_kept() -> None:
    desk = running(plan(cap_g=5))
    desk.command("c1", "dispense", target_g=0.05)
    desk.files["journal.bin"] += journal.frame(b'{"k": "x", "id": "torn", "until": null}')[:-4]
    desk.boot().connect()
    desk.command("c2", "dispense", target_g=0.05)
    desk.boot().connect().run(1)
    assert sorted(desk.doses()) == [1, 2]
    assert "journal_damaged" not in desk.faults()


def test_damage_inside_the_journal_keeps_the_rest_and_stops_feeding_until_the_counter_is_reset() -> None:
    desk = running(plan(cap_g=0.5))
    for i in range(3):
        desk.command(f"c{i}", "dispense", target_g=0.05)
    content = bytearray(desk.files["journal.bin"])
    content[content.index(b'"c1"')] ^= 1
    desk.files["journal.bin"] = bytes(content)
    desk.boot().connect().run(1)
    assert sorted(desk.doses()) == [1, 2, 3]
    assert "journal_damaged" in desk.faults()
    assert desk.command("c9", "dispense", target_g=0.05)["result"]["steps"] == 0
    desk.run(26 * HOUR)
    assert desk.command("c10", "dispense", target_g=0.05)["result"]["steps"] == 50


def test_a_last_record_that_has_changed_is_damage_and_no_write_cut_short() -> None:
    """Its dose may have been told, and counted: the number is not used again, and the day's counter is not believed."""
    desk = running(plan(cap_g=5)).say("hold", hold(True, 1))
    for i in range(3):
        desk.command(f"c{i}", "dispense", target_g=0.05)  # each is one record: held
    content = bytearray(desk.files["journal.bin"])
    content[content.rindex(b'"k"') + 1] ^= 4
    desk.files["journal.bin"] = bytes(content)
    desk.boot().connect().run(1)
    assert "journal_damaged" in desk.faults()
    told = set(desk.doses())
    desk.say("hold", hold(False, 2)).command("after", "dispense", target_g=0.05)
    desk.run(1)
    after = desk.doses()[max(desk.doses())]
    assert after["seq"] not in told
    assert after["seq"] > 3
    assert after["outcome"] == "capped"


def test_a_wiped_journal_gets_another_name() -> None:
    desk = running(plan())
    first = desk.feeder.memory.journal_id
    del desk.files["journal.bin"]
    desk.boot().connect()
    assert desk.feeder.memory.journal_id != first


def test_a_dose_that_cannot_be_written_is_not_fed() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),)))
    desk.refuse_writes = True
    desk.run(2 * HOUR + 5 * MINUTE)
    assert desk.moves == []
    assert "flash_failed" in desk.faults()
    desk.refuse_writes = False
    desk.run(MINUTE)  # still within the grace
    assert desk.steps() == 50


def test_a_dose_goes_out_only_as_flash_has_it() -> None:
    desk = running(plan(meals=(meal("m", EIGHT, 0.1),)))
    desk.on_step = lambda: setattr(desk, "refuse_writes", True)
    desk.run(2 * HOUR + MINUTE)
    assert desk.steps() == 100
    assert desk.of("dose") == []
    desk.refuse_writes = False
    desk.boot().connect().run(MINUTE)  # power lost before the end could be written
    assert [dose["outcome"] for dose in desk.doses().values()] == ["interrupted"]


def test_a_journal_that_is_full_stops_feeding_and_drops_nothing(monkeypatch: Any) -> None:
    monkeypatch.setattr(memory, "MOST_DOSES", 5)
    desk = running(plan(meals=(meal("m", EIGHT),), cap_g=5))
    for i in range(5):
        desk.command(f"c{i}", "dispense", target_g=0.01)
    steps = desk.steps()
    desk.run(3 * HOUR)
    assert desk.steps() == steps
    assert "journal_full" in desk.faults()
    assert sorted(desk.doses()) == [1, 2, 3, 4, 5]
    desk.say("received", {"journal": desk.feeder.memory.journal_id, "seq": 5})
    desk.command("c9", "dispense", target_g=0.01)
    assert desk.steps() == steps + 10


def test_two_copies_of_the_counter_that_differ_stop_feeding_until_a_restart() -> None:
    desk = running(plan(cap_g=0.5))
    desk.command("c1", "dispense", target_g=0.05)
    desk.feeder.memory.counter.used_ug &= ~(1 << 15)  # a bit that fell over in memory
    assert desk.command("c2", "dispense", target_g=0.05)["result"]["steps"] == 0
    desk.run(1)
    assert "counter_differs" in desk.faults()
    desk.boot().connect()
    assert desk.command("c3", "dispense", target_g=0.05)["result"]["steps"] == 50


def test_a_counter_that_differs_on_flash_is_no_counter() -> None:
    desk = running(plan(cap_g=0.5))
    desk.command("c1", "dispense", target_g=0.05)
    counter = desk.feeder.memory.counter
    counter.turned += 1
    desk.feeder.memory.rewrite()
    desk.boot().connect()
    assert desk.command("c2", "dispense", target_g=0.05)["result"]["steps"] == 0
    desk.run(26 * HOUR)
    assert desk.command("c3", "dispense", target_g=0.05)["result"]["steps"] == 50


def test_months_without_the_service_keep_every_dose_on_flash_and_little_in_memory() -> None:
    desk = running(plan(cap_g=500))
    desk.feeder.on_disconnect()
    for _ in range(400):
        desk.feeder.press()
        desk.run(1)
    desk.boot()
    assert len(desk.feeder.memory.places) == 400
    desk.connect().run(2000)
    assert sorted(desk.doses()) == list(range(1, 401))


# Outcomes, faults, documents


def dispensed(desk: World, target_g: float = 0.2) -> str:
    desk.command("c", "dispense", target_g=target_g)
    desk.run(1)
    return str(desk.of("dose")[-1]["outcome"])


def test_a_jam_is_seen_by_the_scale_and_by_the_motor() -> None:
    desk = running(plan())
    desk.share = 0.0
    assert dispensed(desk) == "jam"
    stalled = running(plan())
    stalled.stall_after = 5
    assert dispensed(stalled) == "jam"
    assert stalled.doses()[1]["steps"] == 5


def test_an_empty_hopper_and_a_short_dose() -> None:
    empty = running(plan())
    empty.hopper_ug = 20_000
    assert dispensed(empty) == "empty"
    short = running(plan())
    short.share = 0.5
    assert dispensed(short) == "short"


def test_a_dead_cell_leaves_a_dose_unweighed_but_not_unrecorded() -> None:
    desk = running(plan())
    desk.cell = "dead"
    assert dispensed(desk) == "ok"
    assert desk.doses()[1]["before_g"] is None
    assert "cell_dead" in desk.faults()


def test_mass_that_leaves_without_a_step_is_told() -> None:
    desk = running(plan()).run(MINUTE)
    desk.hopper_ug -= 1_000_000
    desk.run(2 * HOUR)
    assert "mass_lost" in desk.faults()


def test_mass_that_leaves_during_a_dose_is_told_too() -> None:
    desk = running(plan(cap_g=5))
    desk.on_step = lambda: setattr(desk, "hopper_ug", desk.hopper_ug - 1_000_000)
    assert dispensed(desk, 0.05) == "over"


def test_a_gain_that_changes_too_fast_is_refused() -> None:
    desk = running(plan(version=11, gain=0.00115))
    assert desk.feeder._gain()[0] == 1_150_000
    desk.say("plan", plan(version=12, gain=0.0013)).run(MINUTE)
    assert desk.feeder._gain()[0] == 1_150_000
    assert "gain_refused" in desk.faults()
    desk.boot().connect().run(DAY).say("plan", plan(version=13, gain=0.0013))
    assert desk.of("hello")[-1]["gain_g_per_step"] == 0.00115
    desk.run(1)
    assert desk.of("hello")[-1]["gain_g_per_step"] == 0.0013


def test_a_long_press_holds_until_the_next_one_also_over_a_restart() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),)))
    desk.feeder.long_press()
    desk.run(1)
    assert desk.faults() == ["button_hold"]
    desk.boot().connect().say("hold", hold(False, version=20))
    desk.feeder.press()
    desk.run(2 * HOUR + MINUTE)
    assert desk.moves == []
    assert {dose["outcome"] for dose in desk.doses().values()} == {"held"}
    desk.feeder.long_press()
    desk.held = False
    desk.feeder.press()
    desk.run(MINUTE)
    assert desk.steps() == 50
    assert desk.faults()[-1] == "button_release"


def test_a_damaged_file_of_its_own_stops_feeding_and_is_told() -> None:
    desk = World()
    desk.damaged_files = ("feeding.mpy",)
    desk.boot().connect().say("plan", plan(meals=(meal("m", EIGHT),)))
    desk.run(3 * HOUR)
    assert desk.moves == []
    assert "firmware_damaged" in desk.faults()
    desk.say("hold", hold(False, version=30)).run(DAY)
    assert desk.moves == []


def test_a_dose_ends_before_the_watchdogs_time() -> None:
    desk = World()
    desk.most_steps = 100
    desk.boot().connect().say("plan", plan(cap_g=5))
    assert desk.command("c", "dispense", target_g=0.3)["result"] == {"seq": 1, "outcome": "capped", "steps": 100}


def test_a_start_by_the_watchdog_is_told() -> None:
    desk = World()
    desk.watchdog_bit = True
    desk.boot().connect().run(1)
    assert desk.faults() == ["watchdog_restart"]


def test_everything_it_says_is_understood_by_the_service() -> None:
    desk = running(plan(meals=(meal("m", EIGHT),), fallback_g=0.1, gain=0.005))
    desk.command("c", "dispense", target_g=0.1)
    desk.feeder.press()
    desk.run(DAY)
    models: dict[str, Any] = {
        "status": Status,
        "hello": Hello,
        "applied": Applied,
        "dose": DoseMessage,
        "weight": Weight,
        "fault": Fault,
        "reply": Reply,
    }
    seen = set()
    for tail, fields in desk.sent:
        models[tail].model_validate_json(json.dumps(fields))
        seen.add(tail)
    assert seen == set(models)


def test_the_readme_lists_the_outcomes_and_fault_codes_of_the_code() -> None:
    text = (firmware_dir() / "README.md").read_text(encoding="utf-8")
    table = text.split("## Outcomes")[1].split("## ")[0]
    assert dict(re.findall(r"^\| `(\w+)` \| (.*?) \|$", table, re.M)) == dosing.OUTCOMES
    codes = fault_codes()
    texts = (
        base.FAULTS
        | load_firmware("weighing").FAULTS
        | load_firmware("probe").PROBE_FAULTS
        | load_firmware("update").UPDATE_FAULTS
    )
    assert {code: codes.get(code) for code in texts} == texts
    # Every code that is told stands in the table, and every code of the table is told somewhere.
    sources = "".join(path.read_text(encoding="utf-8") for path in Path(firmware_dir()).glob("*.py"))
    told = set(re.findall(r'_(?:fault|tell|ail|refuse)\(\s*"(\w+)"', sources))
    assert told <= set(codes)
    assert [code for code in codes if sources.count(f'"{code}"') < 1 + (code in texts)] == []


@given(values=st.lists(st.dictionaries(st.text(max_size=5), st.integers()), max_size=6), cut=st.integers(0, 200))
def test_a_journal_cut_anywhere_gives_the_records_before_the_cut(values: list[dict[str, int]], cut: int) -> None:
    frames = [journal.frame(json.dumps(value).encode()) for value in values]
    whole = b"".join(frames)
    kept, length = 0, 0
    while kept < len(frames) and length + len(frames[kept]) <= cut:
        length += len(frames[kept])
        kept += 1
    desk = World()
    desk.files["journal.bin"] = whole[:cut]
    read = journal.Journal(desk, "journal.bin")
    assert [value for _, value in read.load()] == values[:kept]
    assert not read.damaged
    assert read.dirty == (length < min(cut, len(whole)))


# Everything at once


LARGEST_CAP_G = 0.1
ACTIONS = st.one_of(
    st.tuples(st.just("run"), st.sampled_from([1, 1000, 7 * MINUTE, HOUR, 5 * HOUR, 11 * HOUR])),
    st.tuples(st.just("dispense"), st.sampled_from([0, 1, 2, 3, 4])),
    st.tuples(st.just("press"), st.just(0)),
    st.tuples(st.just("hold"), st.booleans()),
    st.tuples(st.just("plan"), st.sampled_from([0.0, 0.05, 0.1])),
    st.tuples(st.just("old_plan"), st.just(0)),
    st.tuples(st.just("received"), st.integers(0, 20)),
    st.tuples(st.just("link"), st.booleans()),
    st.tuples(st.just("cut"), st.tuples(st.integers(1, 6), st.sampled_from(["before", "torn", "after"]))),
    st.tuples(st.just("off"), st.sampled_from([0, MINUTE, HOUR, 9 * HOUR])),
)


class Story:
    """A desk with a service's view of it: what it last asked for, and what it asks again after a power cut."""

    def __init__(self) -> None:
        self.version = 10
        self.last_hold: dict[str, Any] | None = None
        self.meals = tuple(
            meal(f"{day}/{slot}", MIDNIGHT + day * DAY + slot * HOUR, 0.04) for day in range(7) for slot in (9, 14, 20)
        )
        self.desk = World().boot().connect()
        self.desk.say("plan", plan(meals=self.meals, cap_g=LARGEST_CAP_G))

    def act(self, what: str, value: Any) -> None:
        """One thing that happens; power may go in the middle of it."""
        try:
            getattr(self, what)(value)
        except PowerCutError:
            self.desk.cut_at = None
            self.desk.off(1000).boot()
            if self.last_hold:
                self.desk.say("hold", self.last_hold)  # retained, and not acknowledged: the broker brings it again

    def run(self, ms: int) -> None:
        self.desk.run(ms)

    def dispense(self, number: int) -> None:
        expires = self.desk.true_ms + DAY
        self.desk.say("command", {"id": f"c{number}", "expires_at_ms": expires, "do": "dispense", "target_g": 0.05})

    def press(self, _: int) -> None:
        self.desk.feeder.press()

    def hold(self, held: bool) -> None:
        self.version += 1
        self.last_hold = hold(held, self.version)
        self.desk.say("hold", self.last_hold)
        assert self.desk.held == held

    def plan(self, cap_g: float) -> None:
        self.version += 1
        coming = tuple(one for one in self.meals if one["at_ms"] > self.desk.true_ms)
        self.desk.say("plan", plan(version=self.version, meals=coming, cap_g=cap_g))

    def old_plan(self, _: int) -> None:
        self.desk.say("plan", plan(version=10, meals=self.meals, cap_g=9.0))

    def received(self, seq: int) -> None:
        known = min(seq, len(self.desk.doses()))
        self.desk.say("received", {"journal": self.desk.feeder.memory.journal_id, "seq": known})

    def link(self, up: bool) -> None:
        if up:
            self.desk.connect()
        else:
            self.desk.feeder.on_disconnect()

    def cut(self, when: tuple[int, str]) -> None:
        self.desk.cut_at, self.desk.cut_how = when
        self.desk.run(HOUR)
        self.desk.cut_at = None

    def off(self, ms: int) -> None:
        self.desk.off(ms).boot()


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(actions=st.lists(ACTIONS, min_size=5, max_size=40))
def test_whatever_happens_no_rule_is_broken_and_no_dose_is_lost(actions: list[tuple[str, Any]]) -> None:
    story = Story()
    for what, value in actions:
        story.act(what, value)  # the desk itself fails a step during a hold, and a seq told in two ways
    desk = story.desk
    desk.connect().run(HOUR)
    doses = desk.doses()
    # Every step is covered by a dose, and every number up to the last was told.
    assert sorted(doses) == list(range(1, desk.feeder.memory.next_seq))
    assert desk.steps() <= sum(dose["steps"] for dose in doses.values())
    # A meal and a command act once.
    named = [dose["meal"] for dose in doses.values() if dose["meal"]]
    assert len(named) == len(set(named))
    assert len([dose for dose in doses.values() if dose["cause"] == "command"]) <= 5
    # No local day gets more than the largest cap it ever had.
    for start, end in pairwise(day["start_ms"] for day in plan()["days"]):
        moved = sum(made for at_ms, made in desk.moves if start <= at_ms < end)
        assert moved * GAIN_NG <= LARGEST_CAP_G * 1e9
