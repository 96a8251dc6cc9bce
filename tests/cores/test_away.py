"""After two months without the service: nothing that waits on flash may keep a feeder from coming back."""

import json
import subprocess
from pathlib import Path

import pytest
from core_device import FREE, LARGEST_FREE, MEASURE, STEPS
from desk import Ear
from emulated import DESK, LARGEST, STARTS
from hearing import HEAPS, KIB, LARGEST_PIECE_BYTES, Make, asked, seqs, told, wait
from plans import HOURS, plan
from servers import Broker

from tareline.resources import firmware_dir

HERE = Path(__file__).resolve().parent
DAYS = 60
MEALS = len(HOURS)


def away(folder: Path, days: int) -> dict[str, int]:
    """A flash that the firmware wrote itself in these days without the service: its files go into the folder."""
    folder.mkdir()
    script: list[str | Path] = [
        DESK,
        "-X",
        "heapsize=32m",
        HERE / "away_script.py",
        firmware_dir(),
        HERE.parent / "unit",
    ]
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
    end = away(tmp_path / "away", DAYS)
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
    wait(core, lambda: seqs(core, ear) == set(range(1, waiting + 1)))
    ear.say(core.name, "received", {"journal": hello["journal"], "seq": waiting}, retain=True)
    # With the doses received there is memory for a plan of the largest size in any case; the service sends it again.
    ear.say(core.name, "plan", plan(first_due_ms - 10 * 3_600_000, now_ms, 10**6, cap_g=20.0), retain=True)
    told(core, ear, "applied", plan_version=10**6)
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
