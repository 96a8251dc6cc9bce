"""The names by which tanks, devices and other things are called: parts of topics and addresses."""

import re

_IDENTIFIER = re.compile(r"[a-z0-9][a-z0-9_-]{0,31}")


def identifier(value: str) -> str:
    """The value as it is. Raises ValueError for what is no identifier."""
    if not _IDENTIFIER.fullmatch(value):
        raise ValueError("expected 1 to 32 of a-z, 0-9, - and _, beginning with a letter or a digit")
    return value
