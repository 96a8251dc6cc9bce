"""Some seeds of the seeded world with the feeders' logic on emulated cores, each feeder of a world on its own.

tests/sim/world.py says what a world is; a seed's faults come from the same streams of chance as there.
"""

import os
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hearing import SMALL
from remote import RemoteFeeder, ServedCore

sys.path.append(str(Path(__file__).resolve().parents[1] / "sim"))

import sim_board
import world

FULL = os.environ.get("TARELINE_FULL") == "1"
SEEDS = range(60) if FULL else (30, 38, 63)
DAYS = 10
# What must have happened in them, or they are too tame to show anything.
HAPPENS = (
    "plan ok",
    "plan held",
    "command ok",
    "button ok",
    "fallback ok",
    "power cuts at a write or a step",
    "power cuts while the motor turned",
    "holds handed over during a dose",
    "fed without a clock",
    "service killed",
    "broker crashes",
    "fault flash_failed",
    "stop over",
    "poison handed over",
)
PREFIX = "tareline_firmware_"


@pytest.fixture
def cores(modules: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, ServedCore]]:
    """Cores by the name of their feeder, made when a feeder is first started."""
    made: dict[str, ServedCore] = {}
    pace = [(module.__name__.removeprefix(PREFIX), name, value) for module, name, value in world.PACE]
    real = sim_board.feeder_module.Feeder

    def feeder(hardware: Any) -> Any:
        if not isinstance(hardware, sim_board.Board):
            return real(hardware)  # a look at what flash says
        if hardware.name not in made:
            folder = Path(tempfile.mkdtemp(dir=tmp_path))
            made[hardware.name] = ServedCore(folder, modules, SMALL)
        return RemoteFeeder(hardware, made[hardware.name], pace)

    monkeypatch.setattr(sim_board, "feeder_module", SimpleNamespace(Feeder=feeder))
    yield made
    for core in made.values():
        core.close()


@pytest.mark.timeout(0)
def test_no_rule_is_broken_on_cores(cores: dict[str, ServedCore]) -> None:
    counts: Counter[str] = Counter()
    for seed in SEEDS:
        counts.update(world.World(seed, DAYS).run().counts)
        assert cores, "no feeder ran on a core"
        for core in cores.values():
            counts["calls"] += core.calls
            core.close()
        cores.clear()
    print(f"\n{counts['calls']} calls, {counts['doses moved']} doses, {counts['power cuts']} power cuts")
    assert [what for what in HAPPENS if not counts[what]] == []
    assert counts["calls"] > 10 * counts["doses moved"] > 0
