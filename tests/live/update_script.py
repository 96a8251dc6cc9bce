"""A feeder on a desk that runs from sets of modules, as a board does, and takes updates. Runs under MicroPython:

    update_script.py FLASH PROOF_MS

Each life is a start of the board: everything is imported anew from the set that the starter chooses. What ends a life
with an error is a crash, and the next life follows.
"""

import gc
import sys
import time

FLASH = sys.argv[1].rstrip("/") + "/"
CALM_MS = 100

sys.path.insert(0, FLASH)
import starter  # noqa: E402 - it stands on the flash

STANDING = set(sys.modules)


def life():
    """From a start to a restart."""
    program = starter.enter(FLASH, ("desk_feeder",))
    print("runs", starter.running)
    import json

    from files import Files
    from runner import guarded
    from selfcheck import damaged

    settings = json.loads(Files(FLASH).read("settings.json"))
    code = Files(FLASH + starter.running)

    class Board(program.FeederDesk):
        """The desk's hardware; the manifest stands beside the modules."""

        proof_ms = int(sys.argv[2])

        def __init__(self):
            program.FeederDesk.__init__(self, FLASH, settings, FLASH + starter.running, lambda: False)
            self.damaged_files = damaged(code, code)

    if not guarded(program.run_feeder, Board(), settings):
        time.sleep_ms(CALM_MS)


while True:
    try:
        life()
    except Exception as error:  # as starter.start does it
        sys.print_exception(error)
        time.sleep_ms(CALM_MS)
    for name in [name for name in sys.modules if name not in STANDING]:
        del sys.modules[name]
    del sys.path[0]
    gc.collect()
