"""A desk that runs from sets of modules, as a board does, and takes updates: under MicroPython only.

Stands beside starter.py in the folder that is the device's flash. Each life is a start of the board: everything is
imported anew from the set that the starter chooses. What ends a life with an error is a crash, and the next follows.
"""

import gc
import sys
import time

import starter

HARDWARE = {"feeder": ("FeederDesk", "run_feeder"), "probe": ("ProbeDesk", "run_probe")}
PROOF_MS = 5000  # a desk shows in seconds what a board proves in ten minutes
CALM_MS = 1000


def _life(flash, kind):
    """From a start to a restart."""
    program = starter.enter(flash, ("desk_" + kind,))
    print("runs", starter.running)
    import json

    from files import Files
    from runner import guarded
    from selfcheck import damaged

    settings = json.loads(Files(flash).read("settings.json"))
    name, run = HARDWARE[kind]
    platform = getattr(program, name)(flash, settings, flash + starter.running, lambda: False)
    modules = Files(flash + starter.running)  # where the manifest stands beside what it tells of
    platform.damaged_files = damaged(modules, modules)
    platform.proof_ms = PROOF_MS
    if not guarded(getattr(program, run), platform, settings):
        time.sleep(CALM_MS / 1000)


def start(flash, kind):
    """Run the device of this folder until the process ends."""
    flash = flash.rstrip("/") + "/"
    standing = set(sys.modules)
    while True:
        path = list(sys.path)
        try:
            _life(flash, kind)
        except Exception as error:  # as starter.start does it
            sys.print_exception(error)
            time.sleep(CALM_MS / 1000)
        for name in [name for name in sys.modules if name not in standing]:
            del sys.modules[name]
        sys.path[:] = path
        gc.collect()
