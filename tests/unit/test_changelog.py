"""The changelog's fragments: joined at a release, and in order at any other time."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A project of version 1.2.0 whose changelog ends at 1.1.0."""
    for folder in ("deploy/changes", "service/tareline"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / "deploy/changelog.py").write_text((ROOT / "deploy/changelog.py").read_text())
    (tmp_path / "service/tareline/__init__.py").write_text('__version__ = "1.2.0"\n')
    (tmp_path / "deploy/CHANGELOG.md").write_text(
        "# Changelog\n\nWords.\n\n## 1.1.0 (2026-01-01)\n\n### Fixed\n\n- Old.\n"
    )
    (tmp_path / "deploy/changes/README.md").write_text("No fragment\n")
    return tmp_path


def run(project: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(project / "deploy/changelog.py"), *options]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_a_release_joins_the_fragments_into_a_section_on_top(project: Path) -> None:
    (project / "deploy/changes/b.fixed.md").write_text("What was wrong\nis right.\n")
    (project / "deploy/changes/a.fixed.md").write_text("This too.\n")
    (project / "deploy/changes/c.added.md").write_text("There is more.\n")
    done = run(project)
    assert (done.returncode, done.stderr) == (0, "")
    head, newer, older = (project / "deploy/CHANGELOG.md").read_text().split("\n## ")
    assert head == "# Changelog\n\nWords.\n"
    title, _, body = newer.partition("\n")
    assert title.startswith("1.2.0 (20")
    assert body == "\n### Added\n\n- There is more.\n\n### Fixed\n\n- This too.\n- What was wrong is right.\n"
    assert older == "1.1.0 (2026-01-01)\n\n### Fixed\n\n- Old.\n"
    assert [path.name for path in (project / "deploy/changes").iterdir()] == ["README.md"]


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("a.improved.md", "It is better.", "expected NAME.KIND.md"),
        ("a.fixed.txt", "It is right.", "expected NAME.KIND.md"),
        ("a.fixed.md", "wip", "expected whole sentences"),
        ("a.fixed.md", "", "expected whole sentences"),
    ],
)
def test_a_fragment_that_is_not_as_it_must_be_is_named_and_nothing_is_changed(
    project: Path, name: str, text: str, told: str
) -> None:
    before = (project / "deploy/CHANGELOG.md").read_text()
    (project / "deploy/changes" / name).write_text(text)
    for options in ((), ("--check",)):
        done = run(project, *options)
        assert done.returncode == 1
        assert told in done.stderr
        assert name in done.stderr
    assert (project / "deploy/CHANGELOG.md").read_text() == before


def test_a_version_is_released_once_and_never_without_a_change(project: Path) -> None:
    assert "no fragment" in run(project).stderr
    (project / "deploy/changes/a.fixed.md").write_text("It is right.\n")
    assert run(project).returncode == 0
    (project / "deploy/changes/b.fixed.md").write_text("It is right again.\n")
    again = run(project)
    assert again.returncode == 1
    assert "1.2.0 already" in again.stderr
    assert (project / "deploy/changes/b.fixed.md").exists()


def test_this_projects_fragments_are_in_order() -> None:
    done = run(ROOT, "--check")
    assert done.returncode == 0, done.stderr
