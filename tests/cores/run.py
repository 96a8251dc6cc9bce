"""Runs a device on an emulated core by hand, until Ctrl-C: what it prints comes to the terminal.

    python tests/cores/run.py feeder --port 1883 --folder scratch [--heap-kib 128] [--fail-above BYTES]

The broker listens on this port of this machine; the device's name is feeder-1 or probe-1. The folder keeps its flash,
which is made anew where the folder does not exist. --fail-above: a larger allocation fails with a MemoryError, whose
traceback says whose it is.
"""

import argparse
import contextlib
import tempfile
import threading
import time
from pathlib import Path

from core_device import FREE, LARGEST_FREE, MEASURE, Device, compiled
from emulated import FAIL_ABOVE, LARGEST, STARTS

SHOW_EVERY_S = 10


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("kind", choices=("feeder", "probe"))
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--heap-kib", type=int, default=128)
    parser.add_argument("--fail-above", type=int, default=0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        device = Device(given.folder, compiled(Path(made) / "fw_a"), given.kind, 1024 * given.heap_kib)
    device[FAIL_ABOVE] = given.fail_above
    device.set_clock(int(time.time() * 1000))
    shown = len(device.log)
    device.start(given.port)
    never = threading.Event()
    with contextlib.suppress(KeyboardInterrupt):
        while device.runs:
            device[MEASURE] = 1
            never.wait(SHOW_EVERY_S)
            print(device.log[shown:][-2000:], end="")
            shown = len(device.log)
            print(
                f"starts {device[STARTS]}, free {device[FREE]} bytes, largest free piece {device[LARGEST_FREE]}, "
                f"largest allocation {device[LARGEST]}"
            )
    device.close()


if __name__ == "__main__":
    main()
