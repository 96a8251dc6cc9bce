"""The fault tree names every fault, faults codes that the firmware tells, and tests that exist."""

import ast
import re
from functools import lru_cache
from pathlib import Path

import pytest
from fault_codes import fault_codes

from tareline.resources import firmware_dir, load_firmware
from tareline.web.pages.fault_tree import Fault, fault_tree, read_faults

ROOT = Path(__file__).parents[2]
FAULTS = fault_tree().faults
WHAT = (
    "Motor driver shorted",
    "Auger slips forward or gives more than it should",
    "Hopper leaks",
    "Load cell broken",
    "Load cell stuck",
    "Load cell drifts",
    "Wrong gain",
    "Wrong plan",
    "The device's clock is wrong",
    "The service's clock is wrong",
    "Flash corrupt",
    "Restart loop",
    "Button stuck",
    "Two installations",
    "Message flood",
    "Poison message",
    "Board swapped",
    "Power cut in a dose",
    "Update gone wrong",
)


@lru_cache
def functions(path: Path) -> frozenset[str]:
    """The test functions at the top of a file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return frozenset(node.name for node in tree.body if isinstance(node, ast.FunctionDef))


def test_every_fault_is_there() -> None:
    assert tuple(fault.title for fault in FAULTS) == WHAT
    assert len({fault.anchor for fault in FAULTS}) == len(WHAT)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.anchor)
def test_each_named_test_exists(fault: Fault) -> None:
    assert fault.tests
    for test in fault.tests:
        path, _, name = test.partition("::")
        assert (ROOT / path).is_file(), test
        assert name.startswith("test_"), test
        assert name in functions(ROOT / path), test


def test_each_code_is_one_of_the_firmware() -> None:
    text = (firmware_dir() / "FAULTS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([a-z]+(?:_[a-z]+)*)`", text))
    others = {"ceiling_g_per_day", *load_firmware("dosing").OUTCOMES}
    assert named - others <= set(fault_codes())
    assert {"stopped_over", "stopped_loss", "stopped_unweighed", "two_installations"} <= named


def test_what_is_not_marked_is_escaped() -> None:
    tree = read_faults("# All\n\nOne <b>.\n\n## It\n\nStops it: `a<b` & *c*.\n\nAt most: 1 g.\n\nTests: `x::y`\n")
    assert tree.intro == ("One &lt;b&gt;.",)
    assert tree.faults[0].stops == "<code>a&lt;b</code> &amp; <em>c</em>."
    assert tree.faults[0].tests == ("x::y",)


def test_a_section_that_lacks_a_paragraph_is_refused() -> None:
    with pytest.raises(ValueError, match="It: expected the paragraphs"):
        read_faults("# All\n\n## It\n\nStops it: nothing.\n")
