"""The project's own documents say what the code does: the map, the reference and the figures are compared with it."""

import json
import re
import sys
from pathlib import Path

import pytest
import respx

from tareline.mqtt import messages as wire
from tareline.notify.targets import Letter, Webhook
from tareline.resources import firmware_dir

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "service" / "tareline"
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "tests" / "bench")]

import figures  # noqa: E402

import reference  # noqa: E402

NOW_MS = 1_780_000_000_000
PAGES = 3
LINES_OF_A_PAGE = 66
READMES = sorted(
    path
    for folder in ("service", "firmware", "tests", "deploy", "dashboards")
    for path in (ROOT / folder).rglob("*.md")
    if ".venv" not in path.parts
)


def text_of(*parts: str) -> str:
    return ROOT.joinpath(*parts).read_text(encoding="utf-8")


def names(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


def test_the_reference_is_what_the_code_makes() -> None:
    assert reference.FILE.read_text(encoding="utf-8") == reference.reference(), "run: python tests/reference.py"


def test_every_topic_is_in_the_reference() -> None:
    """What goes down is built in several places: here stands that each of the topics that devices hear is described."""
    heard = set(re.findall(r"^< (\w+)", text_of("firmware", "OTHER-DEVICES.md"), flags=re.MULTILINE))
    assert {"plan", "hold", "received", "time", "command"} <= heard
    assert {f"down/{topic}" for topic in heard} <= set(reference.DOWN)


def test_the_table_of_figures_is_made_from_what_was_measured() -> None:
    assert figures.TABLE.read_text(encoding="utf-8") == figures.table(), "run: python tests/bench/figures.py"


def test_the_figures_name_benches_that_there_are() -> None:
    kept = json.loads(figures.FILE.read_text(encoding="utf-8"))
    assert len(kept) > 5
    for bench, one in kept.items():
        assert one["command"].startswith(f"python tests/bench/{bench}.py")
        assert (ROOT / "tests" / "bench" / f"{bench}.py").is_file()
        assert one["figures"]


def test_every_outcome_of_the_wire_is_in_the_firmwares_table() -> None:
    text = (firmware_dir() / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \|", text.split("## Outcomes")[1].split("## ")[0], flags=re.MULTILINE)
    assert set(rows) == set(wire.Outcome.__args__)  # type: ignore[attr-defined]


def test_every_part_of_a_message_to_a_program_is_in_the_table() -> None:
    text = (PACKAGE / "notify" / "README.md").read_text(encoding="utf-8")
    documented = [name for line in text.splitlines() if line.startswith("| `") for name in names(line.split("|")[1])]
    with respx.mock:
        respx.post("https://hooks.example/").respond(204)
        hook = Webhook("hook", "https://hooks.example/", "plankton")
        hook.send(Letter("1", "test", None, "title", "text", "2025-06-15T12:00:00Z"), NOW_MS, 1)
        (call,) = respx.calls
    assert documented == list(json.loads(call.request.content))
    headers = {name for name in call.request.headers if name.startswith("tareline")}
    assert headers == {name.lower() for name in re.findall(r"`(Tareline-\w+)`", text)}


def mapped() -> list[str]:
    """The paths that the map of DEVELOPERS.md names, from the repository's root; folders end in a stroke."""
    block = text_of("DEVELOPERS.md").split("## The map\n")[1].split("```")[1]
    found, folders = [], [""]
    for line in filter(str.strip, block.splitlines()):
        depth = (len(line) - len(line.lstrip())) // 4
        for name in re.split(r"  +", line.strip())[0].split():
            path = folders[depth] + name
            found.append(path)
            if name.endswith("/"):
                folders[depth + 1 :] = [path]
    return found


def test_the_map_names_what_there_is_and_nothing_else() -> None:
    found = mapped()
    assert len(found) == len(set(found))
    for path in found:
        assert (ROOT / path).is_dir() if path.endswith("/") else (ROOT / path).is_file(), path
    there = {"service/", "firmware/", "dashboards/", "deploy/", "tests/", ".ci/"}
    there |= {f"service/tareline/{path.name}" for path in PACKAGE.glob("*.py") if not path.name.startswith("__")}
    there |= {
        f"{path.parent.relative_to(ROOT).as_posix()}/"
        for path in PACKAGE.rglob("__init__.py")
        if "migrations" not in path.parts
    }
    there |= {f"{path.relative_to(ROOT).as_posix()}/" for path in (ROOT / "tests").iterdir() if any(path.glob("*.py"))}
    assert there <= set(found), sorted(there - set(found))


def test_the_tour_has_three_printed_pages_at_most() -> None:
    assert len(text_of("DEVELOPERS.md").splitlines()) <= PAGES * LINES_OF_A_PAGE


@pytest.mark.parametrize("path", [ROOT / "README.md", ROOT / "DEVELOPERS.md", *READMES], ids=lambda path: path.name)
def test_every_link_leads_somewhere(path: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)", path.read_text(encoding="utf-8")):
        assert target.startswith("https://") or (path.parent / target).exists(), target


@pytest.mark.parametrize("path", [ROOT / "README.md", ROOT / "DEVELOPERS.md", *READMES], ids=lambda path: path.name)
def test_every_file_that_is_named_is_there(path: Path) -> None:
    """Paths of tests and of deploy are given from the root; modules from the package."""
    for name in names(re.sub(r"```.*?```", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)):
        for word in name.split():
            if re.fullmatch(r"(tests|deploy|firmware|dashboards|service)/[\w./*-]*", word):
                assert list(ROOT.glob(word.rstrip("/"))), word
            elif re.fullmatch(r"(app|core|mqtt|store|web|notify|conform|compute)/[\w./]*\.py", word):
                assert (PACKAGE / word).is_file(), word


def test_every_package_says_what_belongs_there() -> None:
    silent = [path for path in PACKAGE.rglob("__init__.py") if '"""' not in path.read_text(encoding="utf-8")]
    assert [path for path in silent if "migrations" not in path.parts] == []


def test_the_readme_opens_with_one_paragraph_and_names_both_commands() -> None:
    text = text_of("README.md")
    title, paragraph = text.split("\n\n")[:2]
    assert title == "# Tareline"
    assert "how much food" in paragraph.replace("\n", " ")
    for command in ("deploy/demo", "deploy/check"):
        assert command in text
        assert (ROOT / command).stat().st_mode & 0o111
