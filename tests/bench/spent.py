"""What something costs in processor time, for the benches beside this file."""

import time
from collections.abc import Callable


def spent_ms(what: Callable[[], object]) -> float:
    """Milliseconds of this process that a call took."""
    began = time.process_time()
    what()
    return (time.process_time() - began) * 1e3
