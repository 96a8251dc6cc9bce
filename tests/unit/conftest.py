"""What the unit tests share: a house of their own for each test."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from house import House


@pytest.fixture
def house_settings() -> dict[str, Any]:
    """Settings of the house's service besides its store; a test file that needs others defines this fixture anew."""
    return {}


@pytest.fixture
def house(tmp_path: Path, house_settings: dict[str, Any]) -> Iterator["House"]:
    """A furnished house. A test file that needs more in it defines `house` anew, upon this one."""
    from house import House  # the whole service: files that need none of it start without

    made = House.furnished(tmp_path, **house_settings)
    yield made
    made.close()
