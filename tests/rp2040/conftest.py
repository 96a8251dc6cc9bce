"""The image that every test of this folder runs, built where it is missing."""

from pathlib import Path

import pytest
from image import NoImageError, image


@pytest.fixture(scope="session")
def rp2_image() -> Path:
    """MicroPython for the RP2040."""
    try:
        return image()
    except NoImageError as error:
        pytest.fail(f"the image for the RP2040 cannot be built: {error}", pytrace=False)
