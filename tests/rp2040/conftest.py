"""The image that every test of this folder runs, built where it is missing.

The drivers run in every check. The whole program takes four minutes of a core by itself, since the emulator needs some
forty times as long as the chip for what the program computes: it runs with TARELINE_FULL=1.
"""

import os
from pathlib import Path

import pytest
from image import NoImageError, image

collect_ignore = [] if os.environ.get("TARELINE_FULL") == "1" else ["test_program_on_pins.py"]


@pytest.fixture(scope="session")
def rp2_image() -> Path:
    """MicroPython for the RP2040."""
    try:
        return image()
    except NoImageError as error:
        pytest.fail(f"the image for the RP2040 cannot be built: {error}", pytrace=False)
