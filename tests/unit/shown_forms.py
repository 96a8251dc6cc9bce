"""The forms of a page as a browser shows them: what each holds, and what it says is wrong."""

from dataclasses import dataclass, field
from html.parser import HTMLParser


@dataclass
class ShownForm:
    """A form. values: by field, as the browser would send it. hidden, choices and buttons: which of them are such.

    wrong: the message that each field in error is described by. alert: the message above the form.
    focus: what takes the focus: names of fields, "" being the message above the form.
    """

    action: str
    method: str
    values: dict[str, str] = field(default_factory=dict)
    hidden: list[str] = field(default_factory=list)
    choices: dict[str, list[str]] = field(default_factory=dict)
    buttons: dict[str, list[str]] = field(default_factory=dict)
    required: list[str] = field(default_factory=list)
    wrong: dict[str, str] = field(default_factory=dict)
    alert: str = ""
    focus: list[str] = field(default_factory=list)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: dict[str, ShownForm] = {}
        self._form: ShownForm | None = None
        self._texts: dict[str, str] = {}  # of paragraphs with an id
        self._described: list[tuple[ShownForm, str, str]] = []
        self._paragraph: str | None = None
        self._area: str | None = None
        self._choice: str | None = None

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attributes}
        if tag == "form":
            self._form = ShownForm(given["action"], given["method"])
            self.forms[given.get("id", given["action"])] = self._form
        if tag == "p":
            self._paragraph = given.get("id", "alert" if given.get("role") == "alert" else None)
        form, name = self._form, given.get("name", "")
        if form is None:
            return
        if "autofocus" in given:
            form.focus.append(name)
        if tag == "button" and name:
            form.buttons.setdefault(name, []).append(given["value"])
        if tag in ("input", "select", "textarea"):
            self._control(form, tag, name, given)
        if tag == "option" and self._choice is not None:
            form.choices[self._choice].append(given["value"])
            if "selected" in given or len(form.choices[self._choice]) == 1:
                form.values[self._choice] = given["value"]

    def _control(self, form: ShownForm, tag: str, name: str, given: dict[str, str]) -> None:
        form.values[name] = given.get("value", "")
        if given.get("type") == "hidden":
            form.hidden.append(name)
        if given.get("aria-required") == "true":
            form.required.append(name)
        if given.get("aria-invalid") == "true":
            self._described.append((form, name, given["aria-describedby"].split(" ")[-1]))
        if tag == "textarea":
            self._area = name
        if tag == "select":
            self._choice, form.choices[name] = name, []

    def handle_data(self, data: str) -> None:
        if self._area is not None and self._form is not None:
            self._form.values[self._area] += data
        elif self._paragraph == "alert" and self._form is not None:
            self._form.alert += data
        elif self._paragraph is not None:
            self._texts[self._paragraph] = self._texts.get(self._paragraph, "") + data

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._form = None
        elif tag == "p":
            self._paragraph = None
        elif tag == "textarea":
            self._area = None
        elif tag == "select":
            self._choice = None

    def close(self) -> None:
        super().close()
        for form, name, text in self._described:
            form.wrong[name] = self._texts[text]


def shown_forms(html: str) -> dict[str, ShownForm]:
    """The forms of a page by their id, or by their address where they have none."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    return reader.forms
