"""A feeder on a desk that runs from sets of modules, as a board does, and takes updates. Runs under MicroPython:

    update_script.py FLASH PROOF_MS

Each life is a start of the board: everything is imported anew from the set that the starter chooses. What ends a life
with an error is a crash, and the next life follows.
"""

import gc
import json
import sys

FLASH = sys.argv[1].rstrip("/")
PROOF_MS = int(sys.argv[2])
CALM_MS = 100

sys.path.insert(0, FLASH)
import starter  # noqa: E402 - it stands on the flash

STANDING = set(sys.modules)


def life(folder):
    """From a start to a restart."""
    from desk_feeder import FeederDesk
    from feeder import Feeder
    from feeder_rig import FeederSeam
    from files import Files
    from link import TAILS, Link
    from orders import decode
    from selfcheck import damaged
    from update import Updater

    settings = json.loads(Files(FLASH).read("settings.json"))
    code = FLASH + "/" + folder
    platform = FeederDesk(FLASH, settings, code, lambda: False)
    platform.damaged_files = damaged(Files(code), Files(code))
    seam = FeederSeam(platform)
    logic = Feeder(seam)

    def up():
        logic.on_connect()
        updater.on_connect()

    def down():
        logic.on_disconnect()
        updater.on_disconnect()

    link = Link(
        settings,
        settings["device"],
        platform.ticks_ms,
        platform.ticks_period,
        up,
        down,
        logic.on_fault,
        None,
        TAILS + ("update", "piece"),
    )
    seam.connect(link, logic)
    updater = Updater(settings, "desk_feeder", folder, platform, link.publish, logic._tell, seam.restart, PROOF_MS)
    while not seam.restarting:
        wait_ms = min(logic.tick(), updater.tick(logic.uptime, None))
        link.poll(wait_ms)
        while not seam.restarting:
            message = link.take()
            if message is None:
                break
            tail, payload, item = message
            if tail in ("update", "piece"):
                updater.on_message(tail, decode(payload))
            elif not logic.on_message(tail, payload):
                link.inbox.insert(0, message)
                break
            if tail == "received":
                updater.heard()
            link.acknowledge(item)
    link.close()


while True:
    for name in [name for name in sys.modules if name not in STANDING]:
        del sys.modules[name]
    gc.collect()
    chosen = starter.choose(starter.Flash(FLASH + "/"))
    sys.path[0] = FLASH + "/" + chosen
    print("runs", chosen)
    try:
        life(chosen)
    except Exception as error:
        sys.print_exception(error)
        __import__("time").sleep_ms(CALM_MS)
