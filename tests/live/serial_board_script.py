"""What a board of the tests runs when it gets power: MicroPython's port for Linux, with a folder as its whole flash.

argv: the folder, the firmware's folder, a file that tells that the board has reset itself, "program" or "prompt", and
as JSON: networks {name: password} of the radio, size_bytes of the flash. What no desk has is simulated here:
machine.reset and the radio. The program of a feeder is the firmware's own, on the simulated hardware of the desk.
"""

import json
import os
import sys

import vfs

folder, firmware, mark, what, how = sys.argv[1:6]
mark = open(mark, "w")
how = json.loads(how)
networks = how["networks"]


class Flash:
    """The folder as a file system of this size, in blocks of 4 KiB. VfsPosix below a folder cannot rename by itself."""

    BLOCK = 4096

    def __init__(self, folder, size_bytes):
        self.folder = folder
        self.size_bytes = size_bytes
        self.inside = vfs.VfsPosix(folder)
        self.plain = vfs.VfsPosix()
        for name in ("open", "ilistdir", "stat", "mkdir", "remove", "rmdir", "chdir", "getcwd"):
            setattr(self, name, getattr(self.inside, name))

    def mount(self, read_only, make):
        pass

    def umount(self):
        pass

    def rename(self, old, new):
        self.plain.rename(self.folder + old, self.folder + new)

    def _blocks(self, path):
        count = 0
        for entry in self.inside.ilistdir(path):
            inner = path.rstrip("/") + "/" + entry[0]
            if entry[1] & 0x4000:
                count += self._blocks(inner) + 2
            else:
                count += (self.inside.stat(inner)[6] + self.BLOCK - 1) // self.BLOCK
        return count

    def statvfs(self, path):
        blocks = self.size_bytes // self.BLOCK
        free = max(0, blocks - self._blocks("/"))
        return (self.BLOCK, self.BLOCK, blocks, free, free, 0, 0, 0, 0, 255)


vfs.umount("/")
vfs.mount(Flash(folder, how["size_bytes"]), "/")
vfs.mount(vfs.VfsPosix(firmware), "/bench")
os.chdir("/")
sys.path[:] = ["", ".frozen"]


class Module:
    """What `import` finds under a name."""


def reset():
    mark.write("reset")
    mark.flush()
    raise SystemExit


class Wlan:
    """A radio in a house with these networks."""

    joined = None
    state = 0

    def __init__(self, kind):
        pass

    def active(self, on):
        pass

    def isconnected(self):
        return Wlan.joined is not None

    def disconnect(self):
        Wlan.joined = None

    def connect(self, ssid, key):
        if ssid not in networks:
            Wlan.state = 201
        elif networks[ssid] != (key or ""):
            Wlan.state = 202
        else:
            Wlan.joined = ssid

    def status(self):
        return Wlan.state

    def scan(self):
        return [(name.encode(), b"", 6, -50, 3, False) for name in networks]


def start():
    sys.path.append("/bench")
    import desk
    from desk_feeder import FeederDesk
    from feeder_rig import run_feeder
    from files import Files
    from selfcheck import damaged

    class Platform(FeederDesk):
        def __init__(self, *arguments):
            FeederDesk.__init__(self, *arguments)
            self.damaged_files = damaged(Files("/fw_a"), Files("/fw_a"))

    desk.main(Platform, run_feeder, "/", "/fw_a", lambda: False)


machine = Module()
machine.reset = reset
network = Module()
network.WLAN = Wlan
network.STA_IF = 0
network.STAT_NO_AP_FOUND = 201
network.STAT_WRONG_PASSWORD = 202
program = Module()
program.start = start
sys.modules.update({"machine": machine, "network": network, "board_feeder": program})
if what == "program":
    try:
        with open("/main.py") as file:
            text = file.read()
        exec(text, {})
    except KeyboardInterrupt:
        print("interrupted")
    except OSError as error:
        if error.errno != 2:
            raise
