"""The shape of the package: few modules at its root, few rows of layers, short modules, and no class name twice where
names meet."""

import ast
import tomllib
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "service" / "tareline"
MOST_AT_THE_ROOT = 12
MOST_ROWS = 10
MOST_LINES = 460


def modules(*parts: str) -> list[Path]:
    return sorted(PACKAGE.joinpath(*parts).rglob("*.py"))


def layers() -> list[tuple[str, list[str]]]:
    """Each contract of layers: its name and its rows."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    return [(one["name"], one["layers"]) for one in contracts if one["type"] == "layers"]


def test_at_most_a_dozen_modules_stand_at_the_root() -> None:
    found = sorted(path.name for path in PACKAGE.glob("*.py"))
    assert "service.py" in found
    assert len(found) <= MOST_AT_THE_ROOT, found


@pytest.mark.parametrize(("name", "rows"), layers(), ids=lambda one: one if isinstance(one, str) else "")
def test_at_most_ten_rows_of_layers(name: str, rows: list[str]) -> None:
    assert 2 <= len(rows) <= MOST_ROWS, name


def test_the_whole_package_the_core_and_the_application_have_layers() -> None:
    assert len(layers()) >= 3


def test_no_module_is_long() -> None:
    lines = {
        path.relative_to(PACKAGE).as_posix(): len(path.read_text(encoding="utf-8").splitlines()) for path in modules()
    }
    assert len(lines) > 200
    assert {name: count for name, count in lines.items() if count > MOST_LINES} == {}


def test_no_class_name_stands_twice_in_core_and_application() -> None:
    named = Counter(
        node.name
        for path in [*modules("core"), *modules("app")]
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.ClassDef)
    )
    assert len(named) > 100
    assert [name for name, count in named.items() if count > 1] == []
