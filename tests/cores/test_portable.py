"""The portable test files on the core, whose floats are single ones in truth: what they say is what CPython says."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from core_device import compile_to
from emulated import Core

UNIT = Path(__file__).resolve().parents[1] / "unit"
FIRMWARE = UNIT.parents[1] / "firmware"
HEAP_BYTES = 3 << 20  # what is told is all kept in memory
MAIN = """import json
import sys

sys.path.insert(0, "/fw_a")
with open("/told.txt", "w") as file:
    for one in __import__("{name}").run():
        file.write(json.dumps(one) + "\\n")
assert 1 / 3 == 0.33333334 and 16777217.0 == 16777216.0
"""


@pytest.fixture
def plain_names(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The firmware's modules under the names they have on a board, for as long as a test runs."""
    import sys

    monkeypatch.syspath_prepend(str(UNIT))
    monkeypatch.syspath_prepend(str(FIRMWARE))
    before = set(sys.modules)
    yield
    for name in set(sys.modules) - before:
        path = getattr(sys.modules[name], "__file__", None)
        if path is not None and Path(path).parent in (FIRMWARE, UNIT):
            del sys.modules[name]


@pytest.mark.parametrize("name", [path.stem for path in sorted(UNIT.glob("portable_*.py"))])
@pytest.mark.usefixtures("plain_names")
def test_the_core_says_what_cpython_says(name: str, modules: Path, tmp_path: Path) -> None:
    files = tmp_path / "files"
    (files / "fw_a").mkdir(parents=True)
    for path in modules.iterdir():
        (files / "fw_a" / path.name).symlink_to(path)
    for path in (UNIT / "probe_world.py", *UNIT.glob("portable_*.py")):
        compile_to(path, files / "fw_a" / f"{path.stem}.mpy", optimise=0)
    (files / "main.py").write_text(MAIN.format(name=name))
    core = Core(tmp_path / "core", HEAP_BYTES)
    try:
        core.put(files)
        assert core.on().ended(120) == 0, core.log
        there = [json.loads(line) for line in core.get()["told.txt"].splitlines()]
    finally:
        core.close()
    here = json.loads(json.dumps(__import__(name).run()))
    assert len(here) > 20
    assert there == here
