"""How many small wrong changes of what keeps animals safe the tests notice: lines, holds, stops, plans, rations, caps.

    python tests/bench/mutation.py [MODULE...]    for example: python tests/bench/mutation.py safety.hold

Each mutant runs in a process of its own, against the test files that concern its module, until a test fails. It counts
as noticed where one fails or computes for far too long. What survives is printed. Mutants that change nothing anybody
could see are named in `equivalent.py` with the reason, and are not counted. Properties are tried with as few examples
as in the quick check, so the whole check notices no less. With modules named, only they are run and no figures are
kept.
"""

import ast
import importlib
import importlib.abc
import importlib.machinery
import inspect
import os
import resource
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import zip_longest
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any

import pytest
from equivalent import EQUIVALENT
from figures import keep
from hypothesis import Phase, settings
from mutants import Mutant, mutants

ROOT = Path(__file__).parents[2]
# The quick and direct tests of a module first: most mutants end there.
CONCERNED = {
    "safety.lines": ("published/test_default_lines.py", "unit/test_lines.py", "published/test_unionised_ammonia.py"),
    "safety.exceedance": ("unit/test_spells.py", "published/test_known_spells.py"),
    "safety.hold": ("unit/test_hold.py", "unit/test_due.py"),
    "safety.stops": ("unit/test_snapshot_rules.py", "unit/test_stops.py"),
    "safety.known_water": ("unit/test_snapshot_rules.py",),
    "safety.ramp": ("unit/test_ramp.py", "unit/test_ramp_record.py"),
    "feeding.ration": ("unit/test_ration.py", "unit/test_plan.py", "unit/test_carry_over.py"),
    "feeding.absence": ("unit/test_absence.py",),
    "feeding.plan": ("unit/test_plan.py", "unit/test_carry_over.py", "unit/test_absence.py"),
}
# Imported once, before the processes part: most of a run's second is theirs.
HEAVY = ("numpy", "scipy.special", "scipy.stats", "sqlalchemy", "alembic", "pydantic", "fastapi", "apprise", "httpx")
FLOOR = 0.9  # of the mutants of all modules named
FAILED = 9  # the exit of a process whose tests could not even begin; pytest's own are less
MOST_BYTES = 4 << 30  # what a mutant that fills a list for ever may take


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module a tree of its own in place of its file's."""

    def __init__(self, name: str, tree: ast.Module) -> None:
        self.name, self.file, self.tree = name, _file(name), tree

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        del path, target
        named = fullname == f"tareline.core.{self.name}"
        return importlib.machinery.ModuleSpec(fullname, self, origin=str(self.file)) if named else None

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = str(self.file)
        exec(compile(self.tree, self.file, "exec"), module.__dict__)


class _Hasty:
    """For pytest: a property that fails is not made smaller first, and nothing is remembered of it."""

    def pytest_sessionstart(self) -> None:
        settings.register_profile("mutants", phases=(Phase.explicit, Phase.generate), database=None)
        settings.load_profile("mutants")


class _OfBodies(_Hasty):
    """For pytest: the tests are collected once, and run in a new process for every mutant of a function's body.

    told(index) is called of each that no test notices. What noticed the mutant before is tried first.
    """

    def __init__(self, name: str, found: Sequence[Mutant], told: Callable[[int], None]) -> None:
        self.name, self.found, self.told = name, found, told

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        if session.testsfailed or not session.items:
            os._exit(FAILED)
        begun_s = os.times().children_user
        if _ended(partial(_run, session), 600):
            os._exit(FAILED)
        most_cpu_s = int(10 + 3 * (os.times().children_user - begun_s))
        for i, mutant in enumerate(self.found):
            ended = _ended(partial(_run_on, session, self.name, mutant), most_cpu_s)
            if ended is None:
                continue
            if ended == 0:
                self.told(i)
            elif ended > FAILED:
                session.items.insert(0, session.items.pop(ended - FAILED - 1))
        return True


def _run(session: pytest.Session) -> int:
    """The collected tests until the first one that fails: its number from FAILED + 1 on; 0 where all pass."""
    for i, (item, after) in enumerate(zip_longest(session.items, session.items[1:])):
        session.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        if session.testsfailed:
            return min(FAILED + 1 + i, 255)
    return 0


def _run_on(session: pytest.Session, name: str, mutant: Mutant) -> int:
    _put(name, mutant)
    return _run(session)


def _put(name: str, mutant: Mutant) -> None:
    """Give the function around a mutant, in the module as it is imported, the mutant's code."""
    found: Any = importlib.import_module(f"tareline.core.{name}")
    code = compile(mutant.tree, "mutant", "exec")
    for part in mutant.function.split("."):
        found = vars(found)[part]
        code = next(one for one in code.co_consts if isinstance(one, CodeType) and one.co_name == part)
    if isinstance(found, property):
        found = found.fget
    inspect.unwrap(found).__code__ = code


def _ended(tests: Callable[[], int], most_cpu_s: int) -> int | None:
    """What tests return that run in a new process, without a word; None where it was ended for what it used."""
    child = os.fork()
    if child:
        status = os.waitpid(child, 0)[1]
        return os.WEXITSTATUS(status) if os.WIFEXITED(status) else None
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        resource.setrlimit(resource.RLIMIT_CPU, (most_cpu_s, most_cpu_s))
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
        os._exit(tests())
    finally:
        os._exit(FAILED)


def _pytest(name: str, *plugins: object) -> int:
    options = ["-x", "-q", "-p", "no:cacheprovider", "-p", "pytest_timeout"]
    # hypothesis is imported already, which pytest warns of.
    options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    return int(pytest.main([*options, *(f"tests/{file}" for file in CONCERNED[name])], plugins=plugins))


def in_bodies(name: str, found: Sequence[Mutant]) -> list[Mutant]:
    """The mutants of functions' bodies that no test notices."""
    reading, writing = os.pipe()

    def told(index: int) -> None:
        os.write(writing, index.to_bytes(4))

    if _ended(partial(_pytest, name, _OfBodies(name, found, told)), 100_000):
        raise RuntimeError(f"the tests of {name} fail on the module as it is")
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        indices = pipe.read()
    return [found[int.from_bytes(indices[i : i + 4])] for i in range(0, len(indices), 4)]


def at_import(name: str, found: Sequence[Mutant]) -> list[Mutant]:
    """The mutants of what is computed when the module is imported that no test notices: each is imported anew."""

    def tests(mutant: Mutant) -> int:
        sys.meta_path.insert(0, _Changed(name, mutant.tree))
        return _pytest(name, _Hasty())

    return [one for one in found if _ended(partial(tests, one), 120) == 0]


@dataclass(frozen=True, slots=True)
class Counted:
    """How many mutants of a module somebody could see, and those of them that no test noticed."""

    all: int
    survivors: list[Mutant]


def count(name: str) -> Counted:
    """Runs the tests on every mutant of a module.

    Raises RuntimeError where they fail on the module as it is, or where `equivalent.py` names a mutant that there is
    not.
    """
    source = _file(name).read_text(encoding="utf-8")
    known, found = EQUIVALENT.get(name, {}), list(mutants(source))
    missing = known.keys() - {one.name for one in found}
    if missing:
        raise RuntimeError(f"equivalent.py names mutants of {name} that there are not: {sorted(missing)}")
    counted = [one for one in found if one.name not in known]
    survivors = in_bodies(name, [one for one in counted if one.function])
    survivors += at_import(name, [one for one in counted if not one.function])
    return Counted(len(counted), sorted(survivors, key=lambda one: one.line))


def _file(name: str) -> Path:
    return ROOT / "service" / "tareline" / "core" / (name.replace(".", "/") + ".py")


def share(noticed: int, of: int) -> str:
    return f"{noticed} of {of} noticed, {100 * noticed / of:.1f} %"


def main() -> None:
    names = sys.argv[1:] or list(CONCERNED)
    os.chdir(ROOT)
    os.environ.pop("TARELINE_FULL", None)
    os.environ.update(PYTEST_DISABLE_PLUGIN_AUTOLOAD="1", TARELINE_QUICK="1")
    for heavy in HEAVY:
        importlib.import_module(heavy)
    figures: dict[str, str] = {}
    total, survived = 0, 0
    for name in names:
        begun = time.monotonic()
        counted = count(name)
        total, survived = total + counted.all, survived + len(counted.survivors)
        figures[f"`core/{name.replace('.', '/')}.py`"] = share(counted.all - len(counted.survivors), counted.all)
        said = share(counted.all - len(counted.survivors), counted.all)
        print(f"{name}: {said} ({time.monotonic() - begun:.0f} s)", flush=True)
        for one in counted.survivors:
            print(f"  line {one.line}, {one.within}: {one.before[:90]!r} -> {one.after[:90]!r}", flush=True)
    figures["together"] = share(total - survived, total)
    named = sum(len(of_module) for of_module in EQUIVALENT.values())
    figures["besides, not counted, for nobody could see the difference (equivalent.py)"] = str(named)
    if len(names) == len(CONCERNED):
        keep(figures)
    else:
        print(f"together: {figures['together']}")
    if total - survived < FLOOR * total:
        sys.exit(f"fewer than {FLOOR:.0%} of the mutants are noticed")


if __name__ == "__main__":
    main()
