"""How large a statistical suite is, and which seeds it draws, so that one command repeats a figure."""

import os


def size(check: int) -> int:
    """How many feeders or tanks: TARELINE_SIZE where it is set, else as many as the check takes."""
    return int(os.environ.get("TARELINE_SIZE", check))


def first_seed(check: int) -> int:
    """The first seed: TARELINE_SEED where it is set. Other seeds are tanks that no setting was chosen on."""
    return int(os.environ.get("TARELINE_SEED", check))
