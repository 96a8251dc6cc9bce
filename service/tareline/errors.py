"""The errors a caller can act on: each names the field, what was expected and the HTTP status it maps to."""

import re
from collections.abc import Mapping
from typing import Any


class FieldError(ValueError):
    """One thing is wrong with what somebody sent.

    field: name of the field, as the sender wrote it ("" where the whole request is meant).
    message: what was expected and what was found, in one sentence.
    status: 404 unknown, 409 refused by the state of things, 422 not understood.
    """

    def __init__(self, field: str, message: str, status: int = 422) -> None:
        super().__init__(f"{field}: {message}" if field else message)
        self.field = field
        self.message = message
        self.status = status


def first_problem(error: Mapping[str, Any]) -> tuple[str, str]:
    """The field and one sentence of a pydantic error."""
    field = ".".join(str(part) for part in error["loc"])
    message = str(error["msg"]).removeprefix("Value error, ")
    name, colon, rest = message.partition(": ")
    if not field and colon and name.isidentifier():
        return name, rest
    if error["type"] == "missing":
        return field, "expected, and not there"
    if error["type"] == "extra_forbidden":
        return field, "not a field of this entry"
    if error["type"] == "float_parsing" and re.fullmatch(r"\s*-?\d*,\d+\s*", error["input"]):
        return field, f"expected a decimal point; found {error['input'][:80]!r}"
    message = message[0].lower() + message[1:]
    secret = field.endswith("token") or field.startswith("notify.")
    if "; found " in message or isinstance(error["input"], dict) or secret:
        return field, message  # said already, or more than the one value that is wrong: there may be secrets in it
    return field, f"{message}; found {repr(error['input'])[:80]}"
