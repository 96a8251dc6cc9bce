"""What a test has to be there before it looks into it."""

from typing import TypeVar

T = TypeVar("T")


def present(value: T | None) -> T:
    """The value; AssertionError where there is none."""
    assert value is not None
    return value
