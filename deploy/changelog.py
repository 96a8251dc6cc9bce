"""Joins the fragments in deploy/changes/ into a new section of deploy/CHANGELOG.md, for the version of the package.

    python deploy/changelog.py [--check]

A fragment is one file for each change: deploy/changes/NAME.KIND.md, with KIND added, changed, fixed or removed, and one
or more whole sentences in it. --check only says what is wrong with them. README.md in that folder is no fragment.
"""

import argparse
import re
import sys
from datetime import UTC, datetime
from pathlib import Path

KINDS = {"added": "Added", "changed": "Changed", "fixed": "Fixed", "removed": "Removed"}
NAME = re.compile(rf"[a-z0-9-]+\.({'|'.join(KINDS)})\.md")


def fragments(folder: Path) -> dict[str, list[str]]:
    """The texts in a folder by their kind, in the order of their names, each on one line.

    Raises ValueError, naming the file, where a name is not as above or a file has no text.
    """
    found: dict[str, list[str]] = {kind: [] for kind in KINDS}
    for path in sorted(folder.iterdir()):
        if path.name == "README.md":
            continue
        kind = NAME.fullmatch(path.name)
        if kind is None:
            raise ValueError(f"{path}: expected NAME.KIND.md with KIND one of {', '.join(KINDS)}")
        text = " ".join(path.read_text().split())
        if not text.endswith("."):
            raise ValueError(f"{path}: expected whole sentences; found {text!r}")
        found[kind[1]].append(text)
    return found


def section(version: str, day: str, texts: dict[str, list[str]]) -> str:
    """A version's section of the changelog; kinds without a text have no heading."""
    parts = [f"## {version} ({day})\n"]
    for kind, title in KINDS.items():
        if texts[kind]:
            parts.append(f"### {title}\n")
            parts.append("\n".join(f"- {text}" for text in texts[kind]) + "\n")
    return "\n".join(parts)


def release(root: Path, day: str) -> None:
    """Puts the section of the package's version on top of deploy/CHANGELOG.md and deletes the fragments that are in it.

    Raises ValueError where there is no fragment, one is not as it must be, or the version has a section already.
    """
    found = re.search(r'^__version__ = "(.+)"$', (root / "service/tareline/__init__.py").read_text(), re.MULTILINE)
    if found is None:
        raise ValueError("service/tareline/__init__.py states no version")
    texts = fragments(root / "deploy/changes")
    if not any(texts.values()):
        raise ValueError("deploy/changes/ has no fragment")
    log = root / "deploy/CHANGELOG.md"
    head, mark, older = log.read_text().partition("\n## ")
    if f"{mark}{older}".find(f"\n## {found[1]} ") >= 0:
        raise ValueError(f"CHANGELOG.md has a section for {found[1]} already: raise the version first")
    log.write_text(f"{head}\n{section(found[1], day, texts)}{mark}{older}")
    for path in (root / "deploy/changes").iterdir():
        if path.name != "README.md":
            path.unlink()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="change nothing; fail where a fragment is wrong")
    root = Path(__file__).parents[1]
    try:
        if parser.parse_args().check:
            fragments(root / "deploy/changes")
        else:
            release(root, datetime.now(UTC).date().isoformat())
    except ValueError as error:
        sys.exit(str(error))


if __name__ == "__main__":
    main()
