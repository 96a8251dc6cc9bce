"""Breaking a rule on purpose, and asking whether the world notices."""

import re
from collections.abc import Callable, Collection
from typing import Any

import pytest
from truth import RuleBrokenError
from world import World

from tareline.resources import load_firmware

feeder = load_firmware("feeder")
Patch = pytest.MonkeyPatch
SEEDS = 60  # among these one must notice
# Troubles of the hardware and of strangers, by which a feeder often stands still before other rules are tried.
HARDWARE = ("gain", "leak", "stuck", "noise", "cell", "refill", "memory", "rot", "swap", "poison", "stranger")


def around(patch: Patch, owner: Any, name: str, made: Callable[[Any], Any]) -> None:
    """Put `made(original)` in a method's place."""
    patch.setattr(owner, name, made(getattr(owner, name)))


def not_kept(name: str) -> Callable[[Patch], None]:
    def breaks(patch: Patch) -> None:
        def made(original: Any) -> Any:
            return lambda flash, file, value: None if file == name else original(flash, file, value)

        around(patch, feeder, "save_one", made)

    return breaks


def notices(words: str, first: int, days: int, without: Collection[str] = ()) -> bool:
    """Whether one of some seeds, without some of the troubles, says in these words that a rule is broken."""
    for seed in range(first, first + SEEDS):
        try:
            World(seed, days, without=without).run()
        except RuleBrokenError as error:
            if re.search(words, str(error)):
                return True
    return False
