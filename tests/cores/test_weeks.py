"""Weeks of 14 meals a day on the core, with the link over its line: heap, and time for a dose.

Time is virtual where nobody needs to wait (see on_core/core_board.py), and counted in instructions of the core.
"""

import os
from functools import partial

import pytest
from core_device import (
    DOSE_TURNS,
    DOSE_US,
    FIRST_MS,
    FREE,
    HOPPER_UG,
    LARGEST_FREE,
    LEAP_TO_S,
    MEASURE,
    MOST_DOSE_US,
    NETWORK,
    STEPS,
    VIRTUAL,
    Device,
)
from desk import Ear
from emulated import ERASES, LARGEST, PROGRAMS, SKIPPED_S, STARTS
from hearing import HEAPS, KIB, LARGEST_PIECE_BYTES, Make, asked, seqs, told, wait
from plans import DAY_MS, HOURS, TARGET_G, plan
from servers import Broker

FULL = os.environ.get("TARELINE_FULL") == "1"
MEALS = len(HOURS)
NS_SHIFT = 3  # 8 ns an instruction, 125 million a second: between a small board's 64 and a fast one's 240 MHz


def all_came(core: Device, ear: Ear, count: int) -> bool:
    """Whether the first `count` doses have come over the line."""
    return seqs(core, ear) >= set(range(1, count + 1))


@pytest.mark.timeout(900)  # a minute or two where nothing else runs
@pytest.mark.parametrize(("heap_bytes", "days"), [(heap, 30 if FULL else 5) for heap in HEAPS])
def test_weeks(device: Make, ear: Ear, broker: Broker, heap_bytes: int, days: int) -> None:
    """Each day: a new plan of 8 KiB and `received` over the line, then 14 meals without a network."""
    core = device("feeder", heap_bytes, ns_shift=NS_SHIFT)
    core[VIRTUAL] = 1
    free, largest = [], []
    for day in range(days):
        now_ms = FIRST_MS + day * DAY_MS
        ear.say(core.name, "plan", plan(now_ms, now_ms, day + 1), retain=True)
        if day == 0:
            core.start(broker.port)
        core[NETWORK] = 1
        told(core, ear, "applied", plan_version=day + 1)
        if day == 0:
            core[LARGEST] = 0
        else:
            wait(core, partial(all_came, core, ear, MEALS * day))
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
    per_dose = core[DOSE_US] / doses / 2**NS_SHIFT / 1e3
    most = core[MOST_DOSE_US] / 2**NS_SHIFT / 1e3
    print(
        f"\n{heap_bytes // KIB} KiB: {doses} doses, {per_dose:.1f} million instructions for one, at most {most:.1f}; "
        f"free {min(free)} to {max(free)} bytes, at the end {free[-1]}; largest free piece {min(largest)} to "
        f"{max(largest)}; largest allocation {core[LARGEST]}; flash: {core[ERASES] / days:.0f} erases and "
        f"{core[PROGRAMS] / days:.0f} programs a day"
    )
    assert core[STARTS] == 1
    given = ear.of(core.name, "dose")
    assert {dose["outcome"] for dose in given} == {"ok"}
    assert len({dose["meal"] for dose in given}) == len(seqs(core, ear)) == MEALS * (days - 1)
    assert core[STEPS] == doses * round(TARGET_G * 1000)
    assert core[HOPPER_UG] == 60_000_000 - doses * TARGET_G * 1_000_000
    assert ear.of(core.name, "fault") == []
    assert min(largest) >= LARGEST_PIECE_BYTES
    assert core[LARGEST] <= LARGEST_PIECE_BYTES
