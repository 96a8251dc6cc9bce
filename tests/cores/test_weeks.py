"""Weeks of 14 meals a day on the core, with the link over its line: heap, time, and the way back after a long absence.

Time is virtual where nobody needs to wait (see on_core/core_board.py), and counted in instructions of the core.
"""

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from desk import Ear
from device import DOSE_TICKS, DOSE_TURNS, FIRST_MS, FREE, HOPPER_UG, LARGEST_FREE, LEAP_TO_S, MEASURE
from device import MOST_DOSE_TICKS, NETWORK, STEPS, VIRTUAL, Device
from emulated import DESK, ERASES, LARGEST, PROGRAMS, SKIPPED_S, STARTS
from hearing import HEAPS, KIB, LARGEST_PIECE_BYTES, Make, asked, told
from plans import DAY_MS, HOURS, TARGET_G, plan
from servers import Broker
from waiting import until

from tareline.resources import firmware_dir

HERE = Path(__file__).resolve().parent
DAYS = 30
MEALS = len(HOURS)
NS_SHIFT = 3  # 8 ns an instruction, 125 million a second: between a small board's 64 and a fast one's 240 MHz
TICK_NS = 40
AWAY_DAYS = 60


def seqs(device: Device, ear: Ear) -> set[int]:
    return {dose["seq"] for dose in ear.of(device.name, "dose")}


def wait(device: Device, condition: Callable[[], Any], timeout: float = 60) -> None:
    until(condition, timeout, lambda: device.log[-1500:])


@pytest.mark.parametrize("heap_bytes", HEAPS)
def test_thirty_days(device: Make, ear: Ear, broker: Broker, heap_bytes: int) -> None:
    """Each day: a new plan of 8 KiB and `received` over the line, then 14 meals without a network."""
    core = device("feeder", heap_bytes, ns_shift=NS_SHIFT)
    core[VIRTUAL] = 1
    free, largest = [], []
    for day in range(DAYS):
        now_ms = FIRST_MS + day * DAY_MS
        ear.say(core.name, "plan", plan(now_ms, now_ms, day + 1), retain=True)
        if day == 0:
            core.start(broker.port)
        core[NETWORK] = 1
        told(core, ear, "applied", plan_version=day + 1)
        if day == 0:
            core[LARGEST] = 0
        else:
            wait(core, lambda known=MEALS * day: seqs(core, ear) >= set(range(1, known + 1)))
            journal = told(core, ear, "hello")["journal"]
            ear.say(core.name, "received", {"journal": journal, "seq": MEALS * day}, retain=True)
            reply = asked(core, ear, f"day {day}", "resend", **{"from": 1, "to": MEALS * day})
            assert reply["result"]["held"] == 0
        core[MEASURE] = 1
        wait(core, lambda: not core[MEASURE])
        free.append(core[FREE])
        largest.append(core[LARGEST_FREE])
        core[NETWORK] = 0
        assert core.bridge is not None
        core.bridge.drop()
        core[LEAP_TO_S] = (day + 1) * DAY_MS // 1000
        wait(core, lambda: core[SKIPPED_S] >= core[LEAP_TO_S])
        assert core[DOSE_TURNS] == MEALS * (day + 1)
    doses = core[DOSE_TURNS]
    per_dose = core[DOSE_TICKS] * TICK_NS / doses / 2**NS_SHIFT / 1e6
    most = core[MOST_DOSE_TICKS] * TICK_NS / 2**NS_SHIFT / 1e6
    print(
        f"\n{heap_bytes // KIB} KiB: {doses} doses, {per_dose:.1f} million instructions for one, at most {most:.1f}; "
        f"free {min(free)} to {max(free)} bytes, at the end {free[-1]}; largest free piece {min(largest)} to "
        f"{max(largest)}; largest allocation {core[LARGEST]}; flash: {core[ERASES] / DAYS:.0f} erases and "
        f"{core[PROGRAMS] / DAYS:.0f} programs a day"
    )
    assert core[STARTS] == 1
    given = ear.of(core.name, "dose")
    assert {dose["outcome"] for dose in given} == {"ok"}
    assert len({dose["meal"] for dose in given}) == len(seqs(core, ear)) == MEALS * (DAYS - 1)
    assert core[STEPS] == doses * round(TARGET_G * 1000)
    assert core[HOPPER_UG] == 60_000_000 - doses * TARGET_G * 1_000_000
    assert ear.of(core.name, "fault") == []
    assert min(largest) >= LARGEST_PIECE_BYTES
    assert core[LARGEST] <= LARGEST_PIECE_BYTES


def away(folder: Path, days: int) -> dict[str, int]:
    """A flash that the firmware wrote itself in these days without the service: its files go into the folder."""
    folder.mkdir()
    script = [DESK, "-X", "heapsize=32m", HERE / "away_script.py", firmware_dir(), HERE.parent / "unit"]
    done = subprocess.run([*script, folder, str(days)], capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    told_at_the_end: dict[str, int] = json.loads(done.stdout)
    assert told_at_the_end["next_seq"] > MEALS * (days - 1), "the plan was not accepted"
    return told_at_the_end


@pytest.mark.parametrize("heap_bytes", HEAPS)
def test_sixty_days_without_the_service(
    device: Make, ear: Ear, broker: Broker, heap_bytes: int, tmp_path: Path
) -> None:
    """840 doses wait on flash; then power comes back, a new plan of 8 KiB is taken, and every dose is received."""
    end = away(tmp_path / "away", AWAY_DAYS)
    waiting, now_ms = end["next_seq"] - 1, end["true_ms"]
    core = device("feeder", heap_bytes)
    core.put(tmp_path / "away")
    core.set_clock(now_ms)
    first_due_ms = now_ms + 10 * 60_000
    ear.say(core.name, "plan", plan(first_due_ms - 10 * 3_600_000, now_ms, 10**6, cap_g=20.0), retain=True)
    core.start(broker.port)
    hello = told(core, ear, "hello")
    assert (hello["journal_from"], hello["journal_to"]) == (1, waiting)
    core[LARGEST] = 0
    told(core, ear, "applied", plan_version=10**6)
    wait(core, lambda: seqs(core, ear) == set(range(1, waiting + 1)))
    ear.say(core.name, "received", {"journal": hello["journal"], "seq": waiting}, retain=True)
    assert asked(core, ear, "all", "resend", **{"from": 1, "to": waiting})["result"]["held"] == 0
    assert asked(core, ear, "food", "dispense", target_g=0.1)["result"]["outcome"] == "ok"
    core[MEASURE] = 1
    wait(core, lambda: not core[MEASURE])
    print(
        f"\n{heap_bytes // KIB} KiB: {waiting} doses received; free {core[FREE]} bytes, largest free piece "
        f"{core[LARGEST_FREE]}; largest allocation {core[LARGEST]}"
    )
    assert core[STARTS] == 1
    assert core[STEPS] == 100
    assert core[LARGEST] <= LARGEST_PIECE_BYTES
