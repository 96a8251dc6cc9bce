"""The seeded world: thirty days for each seed, and no rule of feeding, holding or bookkeeping broken in any of them.

`python tests/sim/world.py SEED` repeats one. 200 seeds here, 20 000 with TARELINE_FULL=1.
"""

import gc
import multiprocessing
import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

import pytest
from truth import RuleBrokenError
from world import World

FULL = os.environ.get("TARELINE_FULL") == "1"
SEEDS = 20_000 if FULL else 200
WORKERS = 2
# What must have happened, or the world has grown too tame to show anything.
HAPPENS = (
    "plan ok",
    "plan held",
    "plan missed",
    "plan capped",
    "plan interrupted",
    "plan jam",
    "fallback ok",
    "button ok",
    "button held",
    "command ok",
    "command interrupted",
    "fed without a clock",
    "doses of a leaping clock",
    "power cuts at a write or a step",
    "power cuts while the motor turned",
    "holds handed over during a dose",
    "service killed",
    "service away",
    "broker crashes",
    "long presses",
    "fault flash_failed",
    "fault clock_jump",
    "clock back",
    "clock ahead",
    "clock 2106",
    "clock lost",
    "auger gives more",
    "auger gives less",
    "auger sticks",
    "leak by drops",
    "leak as a trickle",
    "noisy cell",
    "cell dead",
    "cell stuck",
    "cell frozen",
    "hopper off, told service",
    "hopper off, told button",
    "hopper off, told nobody",
    "poison handed over",
    "memory failed in a turn",
    "memory failed in a message",
    "bits flipped",
    "boards swapped",
    "second installation",
    "stop over",
    "stop loss",
    "stop installations",
    "fault stopped_unweighed",
    "repairs",
    "released without a repair",
    "calibrations",
)


def _prepare() -> None:
    gc.freeze()
    gc.set_threshold(20_000, 50, 100)  # a world makes no cycles worth looking for


def _run(seed: int) -> tuple[int, str, Counter[str]]:
    world = World(seed)
    try:
        world.run()
    except (Exception, RuleBrokenError) as error:
        return seed, f"{type(error).__name__}: {error}", world.counts
    return seed, "", world.counts


@pytest.mark.timeout(0)
def test_no_seed_breaks_a_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONHASHSEED", "0")  # sets of texts are walked in the same order when a seed is repeated
    counts: Counter[str] = Counter()
    broken = []
    # An executor, for a pool would start a process that cannot begin again and again without end.
    with ProcessPoolExecutor(WORKERS, multiprocessing.get_context("spawn"), _prepare) as pool:
        for seed, error, happened in pool.map(_run, range(SEEDS), chunksize=5):
            counts.update(happened)
            if error:
                broken.append(f"python tests/sim/world.py {seed}: {error}")
    assert not broken, "\n".join([f"{len(broken)} of {SEEDS} seeds", *broken[:20]])
    assert [what for what in HAPPENS if not counts[what]] == []
