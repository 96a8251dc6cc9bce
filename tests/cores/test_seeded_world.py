"""Some seeds of the seeded world with the feeders' logic on emulated cores: each feeder of a world on a core of its own.

tests/sim/world.py says what a world is; a seed's faults come from the same streams of chance as there.
"""

import os
import sys
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

SEEDS = range(100) if os.environ.get("TARELINE_FULL") == "1" else range(2)
DAYS = 10
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
            made[hardware.name] = ServedCore(tmp_path / hardware.name, modules, SMALL)
        return RemoteFeeder(hardware, made[hardware.name], pace)

    monkeypatch.setattr(sim_board, "feeder_module", SimpleNamespace(Feeder=feeder))
    yield made
    for core in made.values():
        core.close()


@pytest.mark.timeout(900)
@pytest.mark.parametrize("seed", SEEDS)
def test_no_rule_is_broken_on_a_core(cores: dict[str, ServedCore], seed: int) -> None:
    counts = world.World(seed, DAYS).run().counts
    calls = sum(core.calls for core in cores.values())
    print(
        f"\nseed {seed}: {len(cores)} cores, {calls} calls, {counts['doses moved']} doses, {counts['power cuts']} cuts"
    )
    assert counts["plan ok"] > 0
    assert calls > 10 * counts["doses moved"] > 0
