"""Updates over the air on a device: which set is started, power cuts, bit rot, and what is no update."""

import hmac
import itertools
import json
import os
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import portable_update as portable
import pytest
from feeder_world import HOUR, MIDNIGHT, MINUTE, meal, plan, running

from present import present
from tareline.resources import load_firmware

FULL = os.environ.get("TARELINE_FULL") == "1"

starter = load_firmware("starter")
update = load_firmware("update")
install = load_firmware("install")
journal = load_firmware("journal")
selfcheck = load_firmware("selfcheck")
files = load_firmware("files")

EIGHT = MIDNIGHT + 9 * HOUR
WHOLE = [set(), {"fw_a"}, {"fw_b"}, {"fw_a", "fw_b"}]


def key_of(record: dict[str, Any]) -> str:
    return json.dumps(record, sort_keys=True)


def every_record() -> Iterator[dict[str, Any]]:
    """Every record that any order of events can lead to, from a fresh one (told and counter left alone)."""
    known: dict[str, dict[str, Any]] = {}
    waiting = [starter.fresh()]
    while waiting:
        record = waiting.pop()
        if key_of(record) in known:
            continue
        known[key_of(record)] = record
        for whole in WHOLE:
            waiting.append(starter.on_start(record, whole.__contains__)[0])
        if record["trial"] is None:
            waiting.append(starter.on_trial(record, starter.other(record["set"]), 1))
        else:
            waiting += [starter.on_proof(record, "x"), starter.on_return(record, "x")]
    yield from known.values()


def test_the_starter_decides_rightly_from_every_record() -> None:
    records = list(every_record())
    assert len(records) > 20
    for record, whole in itertools.product(records, WHOLE):
        after, chosen = starter.on_start(record, whole.__contains__)
        assert chosen in starter.SETS
        trial = record["trial"]
        may_try = trial in whole and record["starts"] < starter.MOST_STARTS
        if may_try:
            assert (chosen, after["trial"], after["starts"]) == (trial, trial, record["starts"] + 1)
            assert after["set"] == record["set"]
            continue
        # Not tried: the set in force, or where that is damaged the other one, unless that one's own trial failed.
        assert after["trial"] is None
        failed = trial if trial is not None else record["failed"]
        assert after["failed"] == failed
        if record["set"] in whole or not whole - {failed}:
            assert chosen == record["set"] == after["set"]
        else:
            assert chosen == after["set"] == starter.other(record["set"])
            assert after["result"][0] == "firmware_damaged"
        if trial is not None and chosen == record["set"]:
            assert after["result"][0] == "update_failed"
        if after != record:
            assert after["told"] is False
        assert after["counter"] == record["counter"]


def test_a_set_on_trial_is_started_twice_at_most_in_any_order_of_events() -> None:
    for first in every_record():
        record, starts = first, 0
        while record["trial"] is not None:
            record, chosen = starter.on_start(record, {"fw_a", "fw_b"}.__contains__)
            starts += chosen == record["trial"]
        assert starts <= starter.MOST_STARTS
        for _ in range(5):
            record, chosen = starter.on_start(record, {"fw_a", "fw_b"}.__contains__)
            assert chosen == record["set"]


def test_the_starters_records_are_those_of_the_journal(tmp_path: Path) -> None:
    flash = starter.Flash(f"{tmp_path}/")
    there = files.Files(str(tmp_path))
    assert starter.load(flash) == starter.fresh()
    for record in every_record():
        starter.save(flash, record)
        assert journal.load_one(there, starter.RECORD) == (record, False)
        journal.save_one(there, starter.RECORD, record)
        assert starter.load(flash) == record
    content = (tmp_path / starter.RECORD).read_bytes()
    for at, bit in itertools.product(range(len(content)), (1, 128)):
        (tmp_path / starter.RECORD).write_bytes(content[:at] + bytes([content[at] ^ bit]) + content[at + 1 :])
        assert starter.load(flash) == starter.fresh()
    for length in range(len(content)):
        (tmp_path / starter.RECORD).write_bytes(content[:length])
        assert starter.load(flash) == starter.fresh()


def test_whole_means_the_same_to_the_starter_and_to_the_selfcheck(tmp_path: Path) -> None:
    (tmp_path / "fw_a").mkdir()
    there = files.Files(str(tmp_path / "fw_a"))
    names = portable.a_set("good", 0)
    for name, data in names.items():
        there.replace(name, [data])
    flash = starter.Flash(f"{tmp_path}/")
    assert not starter.is_whole(flash, "fw_a")
    journal.save_one(there, selfcheck.NAME, {name: selfcheck.crc_of(there, name) for name in names})
    assert starter.is_whole(flash, "fw_a")
    assert not starter.is_whole(flash, "fw_b")
    rng = random.Random(1)
    for name in [*names, selfcheck.NAME]:
        path = tmp_path / "fw_a" / name
        content = path.read_bytes()
        at = rng.randrange(len(content))
        path.write_bytes(content[:at] + bytes([content[at] ^ 1 << rng.randrange(8)]) + content[at + 1 :])
        assert not starter.is_whole(flash, "fw_a")
        assert selfcheck.damaged(there, there) == [name]
        path.unlink()
        assert not starter.is_whole(flash, "fw_a")
        path.write_bytes(content)
    assert starter.is_whole(flash, "fw_a")


def test_two_power_cuts_at_any_two_writes() -> None:
    """Whatever the second one hits: a whole set runs, and it ends with the new one, or went back and says so."""
    writes = portable.World().run().disk.writes
    ended = {"new": 0, "old": 0}
    step = 1 if FULL else 2
    for first, second in itertools.product(range(1, writes + 1), range(1, writes + 1, step)):
        for how in ("before", "torn", "after"):
            world = portable.World()
            for number in (first, second):
                world.disk.cut(number, how)
                try:
                    world.run()
                except portable.PowerCut:
                    continue
            world.disk.cut_at = None
            world.run()
            kept = world.outcome()[3]
            assert (world.told[-1][0] == "update_done") == (kept == "new"), (first, second, how, world.told)
            # The last three writes are the trial's: its start counted, its proof, and that it was told.
            assert kept == "new" or first >= writes - 2, (first, second, how, world.ran)
            ended[kept] += 1
    print(f"\ntwo cuts: {ended}")
    assert ended["new"] > 10 * ended["old"]


def test_power_cuts_before_a_rollback_is_kept_change_nothing_of_it() -> None:
    whole = portable.World("crash").run()
    for number in range(1, whole.disk.writes + 1):
        for how in ("before", "torn", "after"):
            world = portable.World("crash")
            world.disk.cut(number, how)
            with pytest.raises(portable.PowerCut):
                world.run()
            world.run()
            assert world.outcome()[3] == "old"
            assert world.told[-1][0] == "update_failed"


def test_one_bit_of_rot_in_the_set_in_force_starts_the_one_before() -> None:
    world = portable.World().run()
    assert world.outcome()[3] == "new"
    at = world.disk.files["fw_b/d.mpy"]
    world.disk.files["fw_b/d.mpy"] = at[:1000] + bytes([at[1000] ^ 16]) + at[1001:]
    world.told.clear()
    world.run()
    assert world.ran[-1] == "old"
    assert world.told[0][0] == "firmware_damaged"


def test_a_set_whose_trial_failed_is_not_started_even_where_the_other_is_damaged() -> None:
    world = portable.World("crash").run()
    assert world.outcome()[3] == "old"
    world.disk.files["fw_a/a.mpy"] = b"rot"
    assert starter.choose(world.disk) == "fw_a"


def test_a_restart_by_a_person_during_the_trial_does_not_end_it() -> None:
    world = portable.World()
    world.run(5 * portable.MINUTE)
    assert world.ran == ["old", "new"]
    world.run()
    assert world.ran == ["old", "new", "new"]
    assert world.outcome() == ["fw_b", None, 7, "new"]


def test_an_update_goes_on_over_an_outage_of_the_network() -> None:
    world = portable.World()
    answer = world.service.answer
    left = [5]

    def cut_off(fields: dict[str, Any]) -> dict[str, Any] | None:
        left[0] -= 1
        return answer(fields) if left[0] > 0 else None

    world.service.answer = cut_off  # type: ignore[method-assign]
    world.run(portable.HOUR)
    asked = -left[0]
    assert world.outcome()[3] == "old"
    assert 5 < asked < 30  # it asks ever more rarely, five minutes apart in the end
    left[0] = 1000
    world.run()
    assert world.outcome()[3] == "new"


def test_the_largest_message_is_below_two_kibibytes() -> None:
    sizes = [len(json.dumps(portable.World().service.offer))]
    world = portable.World()
    inner = world.service.answer

    def measured(fields: dict[str, Any]) -> Any:
        answer = inner(fields)
        sizes.append(len(json.dumps(answer)))
        return answer

    world.service.answer = measured  # type: ignore[method-assign]
    world.run()
    assert world.outcome()[3] == "new"
    assert 1000 < max(sizes) < 1200


@pytest.mark.parametrize(
    "line",
    ["../a.mpy 5 " + 64 * "0", "a.txt 5 " + 64 * "0", "a.mpy 0 " + 64 * "0", "a.mpy 5 00", "a.mpy", "/a.mpy 5 x"],
)
def test_a_signed_list_that_is_no_list_is_given_up(line: str) -> None:
    world = portable.World()
    world.service = portable.Service({}, 7)
    world.service.files[install.LIST] = f"{line}\n".encode()
    resign(world.service)
    world.run(portable.HOUR)
    assert world.outcome()[3] == "old"
    assert "the list of files" in world.told[-1][1]
    assert sorted(world.disk.names("fw_b")) == [install.LIST]


def resign(service: Any) -> None:
    content = service.files[install.LIST]
    service.offer |= {"size": len(content), "sha256": portable._sha256(content)}
    service.offer["mac"] = update.hmac_sha256(portable.KEY, update.signed_bytes("feeder-1", service.offer)).hex()


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("counter", True),
        ("counter", 0),
        ("counter", None),
        ("size", 1 << 20),
        ("mac", 5),
        ("mac", ["x"]),
        ("firmware", "a\nb"),
        ("sha256", 65 * "a"),
        ("program", {"a": 1}),
    ],
)
def test_fields_that_cannot_be_are_refused_and_told(field: str, value: Any) -> None:
    for offer in ({field: value}, {}):
        world = portable.World()
        world.online = False
        world.boot()
        fields = {name: one for name, one in world.service.offer.items() if name != field} | offer
        present(world.updater).on_message("update", portable.wire(fields))
        (told,) = world.told
        assert told[0] == "message_refused"
        assert field in told[1]
        assert present(world.updater).offer is None
        assert world.disk.writes == 0


@pytest.mark.parametrize(
    "payload", [b"", b"[", b"[" * 4000, b"{}", b"\xff", b'{"data": "x"}', b'{"counter": 7, "data": [1]}']
)
@pytest.mark.parametrize("tail", ["update", "piece"])
def test_rubbish_ends_nothing(tail: str, payload: bytes) -> None:
    world = portable.World()
    inner, said = world.service.answer, []

    def answer(fields: dict[str, Any]) -> Any:
        said.append(fields)
        present(world.updater).on_message(tail, [payload[:100], payload[100:]])
        return inner(fields)

    world.service.answer = answer  # type: ignore[method-assign]
    world.run()
    assert world.outcome()[3] == "new"
    assert len(said) > 5


class Failing:
    """Raises at its n-th call, once."""

    def __init__(self, inner: Callable[..., Any], at: int, error: BaseException) -> None:
        self.inner, self.left, self.error = inner, at, error

    def __call__(self, *arguments: Any) -> Any:
        self.left -= 1
        if self.left == 0:
            raise self.error
        return self.inner(*arguments)


@pytest.mark.parametrize("name", ["read", "append", "replace", "size", "names", "free_bytes"])
@pytest.mark.parametrize("at", [1, 2, 5, 9])
def test_without_memory_for_a_moment_it_begins_anew(name: str, at: int) -> None:
    world = portable.World()
    world.boot()
    setattr(world.disk, name, Failing(getattr(world.disk, name), at, MemoryError("no block")))
    while not world.restarting:
        world.uptime += max(10, present(world.updater).tick(world.uptime, lambda: None, True))
        assert world.uptime < portable.HOUR
    world.run()
    assert world.outcome()[3] == "new"


def test_an_error_that_nobody_expected_ends_the_update_and_nothing_else() -> None:
    world = portable.World()
    world.disk.free_bytes = Failing(world.disk.free_bytes, 1, KeyError("surprise"))  # type: ignore[method-assign]
    world.run(portable.HOUR)
    assert world.outcome() == ["fw_a", None, 7, "old"]
    assert world.told == [("update_failed", "0.2.0: an error that nobody expected: KeyError('surprise')")]
    assert world.ran == ["old"]


def test_the_code_agrees_with_an_independent_one() -> None:
    """CPython's own hmac, for keys and messages of many lengths."""
    rng = random.Random(4231)
    for length in (0, 1, 31, 32, 63, 64, 65, 200):
        key, message = rng.randbytes(length), rng.randbytes(3 * length + 1)
        assert update.hmac_sha256(key, message) == hmac.digest(key, message, "sha256")


def test_a_real_folder_takes_an_update(tmp_path: Path) -> None:
    """The same on the files of a desk instead of the test's own flash."""
    world = portable.World()
    for name, data in world.disk.files.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(data)
    flash = files.Files(str(tmp_path))

    class Real(dict[str, bytes]):
        """The files that the world looks at, read from the folder."""

        def get(self, name: str, default: Any = None) -> Any:
            return flash.read(name)

        def __getitem__(self, name: str) -> Any:
            return flash.read(name)

    flash.files = Real()
    flash.writes = 0
    world.disk = flash
    world.run()
    assert world.outcome() == ["fw_b", None, 7, "new"]
    kept: Callable[[str], set[str]] = lambda folder: {path.name for path in (tmp_path / folder).iterdir()}  # noqa: E731
    assert kept("fw_b") == set(world.sets["new"]) | {install.LIST, starter.MANIFEST}
    assert kept("fw_a") == set(world.sets["old"]) | {starter.MANIFEST}


def test_a_feeder_says_how_long_it_is_until_the_next_meal() -> None:
    desk = running(plan(meals=(meal("one", EIGHT), meal("two", EIGHT + HOUR))))
    assert desk.feeder.quiet_ms() == EIGHT - present(desk.now_ms())
    desk.run(EIGHT - present(desk.now_ms()) + MINUTE)
    assert desk.feeder.quiet_ms() == EIGHT + HOUR - present(desk.now_ms())
    assert running(None).feeder.quiet_ms() is None
