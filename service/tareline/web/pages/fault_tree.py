"""The fault tree as a page: `firmware/FAULTS.md`, its one source, split into what the template shows.

A heading of the second level begins a fault; its paragraphs begin with "Stops it:", "At most:" and "Tests:".
"""

import re
from dataclasses import dataclass
from functools import lru_cache

from markupsafe import Markup, escape

from tareline.resources import firmware_dir

_KEYS = ("Stops it", "At most", "Tests")
_SPAN = re.compile(r"`([^`]+)`|\*([^*]+)\*")


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: what stops it, how much can leave before that, and the ids of the tests that show it."""

    title: str
    anchor: str
    stops: Markup
    at_most: Markup
    tests: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FaultTree:
    """The document: its title, the paragraphs before the first fault, and the faults in order."""

    title: str
    intro: tuple[Markup, ...]
    faults: tuple[Fault, ...]


@lru_cache(maxsize=1)
def fault_tree() -> FaultTree:
    """The document that travels with this version."""
    return read_faults((firmware_dir() / "FAULTS.md").read_text(encoding="utf-8"))


def read_faults(text: str) -> FaultTree:
    """Split the document into faults. Raises ValueError naming the fault whose paragraphs are not the three
    expected."""
    head, *sections = re.split(r"^## ", text, flags=re.M)
    title, *intro = _paragraphs(head)
    return FaultTree(title.removeprefix("# "), tuple(map(_marked, intro)), tuple(map(_fault, sections)))


def _fault(section: str) -> Fault:
    title, *paragraphs = _paragraphs(section)
    found = dict(paragraph.split(": ", 1) for paragraph in paragraphs if ": " in paragraph)
    if tuple(found) != _KEYS or len(paragraphs) != len(_KEYS):
        raise ValueError(f"{title}: expected the paragraphs {', '.join(_KEYS)}; found {', '.join(found)}")
    anchor = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")
    tests = tuple(re.findall(r"`([^`]+)`", found["Tests"]))
    return Fault(title, anchor, _marked(found["Stops it"]), _marked(found["At most"]), tests)


def _paragraphs(text: str) -> list[str]:
    return [" ".join(block.split()) for block in re.split(r"\n\s*\n", text.strip())]


def _marked(text: str) -> Markup:
    """Text with `code` and *emphasis* as HTML, everything else escaped."""
    parts, end = [], 0
    for span in _SPAN.finditer(text):
        code, stressed = span.groups()
        parts += [escape(text[end : span.start()]), _element("code", code) if code else _element("em", stressed)]
        end = span.end()
    return Markup("").join([*parts, escape(text[end:])])


def _element(name: str, text: str) -> Markup:
    return Markup("<{0}>{1}</{0}>").format(Markup(name), text)
