"""The feeder on littlefs, under MicroPython, on a flash that dies at any program or erase, torn pages included."""

import subprocess
import sys
from pathlib import Path

from tareline.resources import firmware_dir

SCRIPT = Path(__file__).with_name("littlefs_script.py")
PORTABLE = Path(__file__).parents[1] / "unit"
MICROPYTHON = Path(sys.executable).with_name("micropython")
WORKERS = 2
DAYS = 30
BLOCKS = 64
# Erase cycles that makers of NOR flash guarantee for a sector (100 000; data sheets of common parts, from memory).
CYCLES = 100_000


def start(*arguments: object) -> "subprocess.Popen[str]":
    command = [str(MICROPYTHON), "-X", "heapsize=8m", str(SCRIPT), str(firmware_dir()), str(PORTABLE)]
    return subprocess.Popen(
        [*command, *map(str, arguments)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )


def finish(process: "subprocess.Popen[str]") -> list[int]:
    out, _ = process.communicate(timeout=290)
    assert process.returncode == 0, f"exit code {process.returncode}: run the script by hand to see more"
    return [int(word) for word in out.splitlines()[-1].split()]  # what a dying device says stands before


def test_power_may_go_at_every_program_and_erase_of_a_day() -> None:
    """Every one: as many deaths as the day has operations, shared among the workers."""
    told = [finish(process) for process in [start("die", 1 + i, WORKERS) for i in range(WORKERS)]]
    deaths = sum(count for count, _ in told)
    operations = min(end for _, end in told) - 1
    assert deaths == operations
    assert operations > 500
    print(f"\n{deaths} power cuts, one at every program and erase of a day; no rule was broken")


def test_the_flash_lasts_for_decades() -> None:
    programs, erases, worst = finish(start("wear", DAYS))
    years = CYCLES / (worst / DAYS) / 365.25
    print(f"\n14 meals a day on {BLOCKS} blocks: {programs / DAYS:.0f} programs and {erases / DAYS:.1f} erases a day;")
    print(f"the most used block {worst / DAYS:.1f} erases a day: {CYCLES} cycles in {years:.0f} years")
    assert years > 20
