"""What a form sends: read, checked by the same model as the API's call, then entered or refused.

What a form may send, which of its fields are numbers, dates or times, and which are required follows from its model.
Forms differ from the API in few ways: an empty field was not given, a comma is a decimal point, a time is local time of
the tank.
"""

import dataclasses
import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from types import NoneType, UnionType
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin, get_type_hints

from fastapi import Depends, Request
from pydantic import AwareDatetime, BaseModel, ValidationError
from pydantic.fields import FieldInfo
from starlette.exceptions import HTTPException

from tareline.errors import FieldError, first_problem
from tareline.web.text.words import read_date, read_local_time, read_number, read_whole

Typed = Mapping[str, str]
Body = dict[str, Any]
Wrong = dict[str, str]
T = TypeVar("T")

FORM_BYTES = 64 * 1024
FORM_FIELDS = 40
PRESS = "press one of the buttons of this form"
FORM_TYPE = "application/x-www-form-urlencoded"


@dataclass(frozen=True, slots=True)
class Form:
    """A form for a model: a request of the API, or a dataclass that a query takes.

    own: fields that only the form has, by the type that they are read as. words: the words that a field is chosen by,
    and what each stands for in the body. required: what may not be empty besides what the model requires. optional:
    what may be empty all the same, since it follows from another field. instead: the form's field that is asked in
    place of one of the model. buttons: fields that are pressed: a message about them stands above the whole form, since
    they have no field.
    """

    model: type[Any]
    own: Mapping[str, type] = dataclasses.field(default_factory=dict)
    words: Mapping[str, Mapping[str, Any]] = dataclasses.field(default_factory=dict)
    required: frozenset[str] = frozenset()
    optional: frozenset[str] = frozenset()
    instead: Mapping[str, str] = dataclasses.field(default_factory=dict)
    buttons: frozenset[str] = frozenset()

    @property
    def fields(self) -> dict[str, type]:
        """Every field that it may send, with the type that it is read as."""
        asked = {name: kind for name, kind in _types(self.model).items() if name not in self.instead}
        return asked | dict(self.own)

    def needs(self, field: str) -> bool:
        """Whether a field may not be empty."""
        if field in self.required:
            return True
        info = _model_fields(self.model).get(field)
        return info is not None and info.is_required() and field not in self.optional

    def beside(self, field: str) -> str:
        """The field that a message about a field of the model stands beside; "" is the whole form."""
        shown = self.instead.get(field, field)
        return shown if shown in self.fields and shown not in self.buttons else ""


@dataclass(frozen=True, slots=True)
class Refusal:
    """A form that was refused: a message for each field that is wrong, "" being the whole form; the HTTP status."""

    wrong: Wrong
    status: int = 422


def _model_fields(model: type[Any]) -> Mapping[str, FieldInfo]:
    return model.model_fields if issubclass(model, BaseModel) else {}


def _types(model: type[Any]) -> dict[str, type]:
    """The plain type of each field of a model, except the reference, which no person types."""
    hints = get_type_hints(model)
    names = [*_model_fields(model)] or [field.name for field in dataclasses.fields(model)]
    return {name: _plain(hints[name]) for name in names if name != "client_ref"}


def _plain(hint: Any) -> Any:
    """The type without `Annotated` and without None."""
    origin = get_origin(hint)
    if origin is Annotated:
        return _plain(get_args(hint)[0])
    if origin in (Union, UnionType):
        return _plain(next(one for one in get_args(hint) if one is not NoneType))
    return hint


async def _form(request: Request) -> dict[str, str]:
    """A posted form's fields; refused when larger than any person types."""
    if int(request.headers.get("content-length", "0")) > FORM_BYTES:
        raise HTTPException(413, f"this form is larger than {FORM_BYTES // 1024} KiB, the most that is taken")
    body = await request.body()
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if body and (kind != FORM_TYPE or not body.isascii()):
        raise HTTPException(422, "what was sent is not a form as browsers send it")
    try:
        form = await request.form(max_fields=FORM_FIELDS)
    except HTTPException:
        raise HTTPException(422, f"this form has more than {FORM_FIELDS} fields, the most that are taken") from None
    return {name: text.strip() for name, text in form.multi_items() if isinstance(text, str)}


Sent = Annotated[dict[str, str], Depends(_form)]


def read_form(form: Form, sent: Typed, zone: str) -> tuple[Body, Wrong]:
    """The body for the service, and a message for each field that could not be read.

    Empty fields are left out; an empty date and time thereby means now, a given one is local time in `zone`.
    """
    body: Body = {}
    wrong: Wrong = {}
    for field, kind in form.fields.items():
        text = sent.get(field, "")
        try:
            if text:
                words = form.words.get(field)
                body[field] = _read(field, kind, text, zone) if words is None else _choose(field, words, text)
            elif form.needs(field):
                button = field in form.buttons
                wrong[form.beside(field)] = PRESS if button else "expected something here; found nothing"
        except FieldError as error:
            wrong[form.beside(field)] = error.message
    if sent.get("client_ref"):
        # The same form sent twice is one entry; a form that was changed and sent again is another.
        said = "\n".join(sent.get(field, "") for field in form.fields)
        body["client_ref"] = f"{sent['client_ref'][:64]}-{hashlib.sha256(said.encode()).hexdigest()[:16]}"
    return body, wrong


def _read(field: str, kind: Any, text: str, zone: str) -> Any:
    """A text as its type. A text of another type than number or time stays a text, which the model checks."""
    if kind is float:
        return read_number(field, text)
    if kind is int:
        return read_whole(field, text)
    if kind is date:
        return read_date(field, text)
    return read_local_time(field, text, zone) if kind is AwareDatetime else text


def _choose(field: str, words: Mapping[str, Any], text: str) -> Any:
    if text not in words:
        raise FieldError(field, f"expected {' or '.join(words)}; found {text[:40]!r}")
    return words[text]


def _check(form: Form, body: Body, wrong: Wrong) -> None:
    """Put each message of the model beside its field, after the messages about what could not be read."""
    names = _model_fields(form.model)
    try:
        form.model.model_validate({k: v for k, v in body.items() if k in names})
    except ValidationError as error:
        unread = not wrong.keys().isdisjoint(names)
        for one in error.errors(include_url=False):
            # Missing fields were reported at reading; rules about several fields apply once all of them could be read.
            if one["type"] != "missing" and (one["loc"] or not unread):
                field, message = first_problem(one)
                wrong.setdefault(form.beside(field), message)


def submit(
    form: Form, sent: Typed, zone: str, enter: Callable[[Body], T],
    complete: Callable[[Body, Wrong], None] | None = None,
) -> T | Refusal:  # fmt: skip
    """Read a form, complete and check it, and enter what it says: what `enter` answers, or why it was refused.

    complete: adds to the body what follows from what was typed. Raises FieldError (404) where something is not there
    that the form does not ask for.
    """
    body, wrong = read_form(form, sent, zone)
    if complete is not None:
        complete(body, wrong)
    if issubclass(form.model, BaseModel):
        _check(form, body, wrong)
    if wrong:
        return Refusal(wrong)
    try:
        return enter(body)
    except FieldError as error:
        field = form.beside(error.field)
        if error.status == 404 and not field:
            raise
        return Refusal({field: error.message}, error.status)
