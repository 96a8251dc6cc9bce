"""A feeder's day on littlefs over a block device that dies. Runs under MicroPython:

    littlefs_script.py FIRMWARE TESTS wear DAYS         programs, erases and the most erased block of so many days
    littlefs_script.py FIRMWARE TESTS die START STRIDE  power goes at every STRIDE-th program or erase from START on

After each death the file system is mounted from what the device holds, the feeder boots and goes on to the end of the
day. What must hold is asserted; one line tells how many deaths there were.
"""

import gc
import sys

import vfs

sys.path[:0] = [sys.argv[1], sys.argv[2]]

from files import Files  # noqa: E402
from portable_world import DAY, GAIN_NG, MANY, MIDNIGHT, Days, PowerCut  # noqa: E402

BLOCK = 4096
BLOCKS = 64
PROGRAM, ERASE = 0, 1


class Device:
    """Flash of 64 blocks of 4 KiB: programming clears bits, erasing sets them; it can die in the middle of either."""

    def __init__(self, content=None):
        self.content = content or bytearray(b"\xff" * (BLOCK * BLOCKS))
        self.left = None  # operations until it dies
        self.counts = [0, 0]
        self.erased = [0] * BLOCKS

    def _operation(self, kind):
        """Whether this operation is the one in which power goes."""
        self.counts[kind] += 1
        if self.left is None:
            return False
        self.left -= 1
        if self.left < 0:
            raise PowerCut()
        return self.left == 0

    def readblocks(self, block, buffer, offset=0):
        at = block * BLOCK + offset
        buffer[:] = self.content[at : at + len(buffer)]

    def writeblocks(self, block, buffer, offset=0):
        dies = self._operation(PROGRAM)
        at = block * BLOCK + offset
        size = len(buffer)
        # A torn page: the first half is there, and of the byte at the edge some bits.
        until = size // 2 if dies else size
        self.content[at : at + until] = buffer[:until]
        if dies:
            if until < size:
                self.content[at + until] &= buffer[until] | 0x55
            raise PowerCut()

    def ioctl(self, what, block):
        if what == 4:
            return BLOCKS
        if what == 5:
            return BLOCK
        if what == 6:
            dies = self._operation(ERASE)
            at = block * BLOCK
            size = BLOCK // 2 if dies else BLOCK
            self.content[at : at + size] = b"\xff" * size
            self.erased[block] += 1
            if dies:
                raise PowerCut()
            return 0
        return None


class Traced(Days):
    """Notes what moved for which dose, and refuses a movement that flash does not know of."""

    def __init__(self, flash):
        Days.__init__(self, flash, 7)
        self.steps_of = {}

    def step(self, steps):
        seq = self.feeder.memory.open_seq
        assert seq is not None, "a movement without an intent"
        self.steps_of[seq] = self.steps_of.get(seq, 0) + steps
        return Days.step(self, steps)

    def something(self):
        """Only what writes flash: presses, commands, and what the service has received."""
        what = self.luck(8)
        if what == 0:
            self.feeder.press()
        elif what == 1:
            command = {"id": "c%d" % self.luck(40), "expires_at_ms": self.true_ms + DAY, "do": "dispense"}
            command["target_g"] = 0.02
            self.say("command", command)
        elif what == 2:
            self.say("received", {"journal": self.feeder.memory.journal_id, "seq": max([0] + list(self.doses))})
        elif what == 3:
            self.version += 1
            self.say("hold", {"installation": "A", "version": self.version, "held": False, "reduce_to": 0.9})


def mounted(device):
    try:
        vfs.umount("/flash")
    except OSError:
        pass
    vfs.mount(vfs.VfsLfs2(device, progsize=32, readsize=32, lookahead=32), "/flash")
    return Files("/flash")


def rest_of_day(world):
    while world.true_ms < MIDNIGHT + DAY:
        world.hour()


def judge(world):
    """What must hold whatever happened to the power."""
    memory = world.feeder.memory
    for seq in world.steps_of:
        assert seq < memory.next_seq, "dose %d is forgotten" % seq
        known = world.doses.get(seq)
        if known is None:
            assert memory.places.get(seq) is not None or seq <= memory.received, "dose %d is lost" % seq
            known = (None, None, None, memory.dose(seq)["n"]) if memory.places.get(seq) is not None else None
        assert known is None or known[3] >= world.steps_of[seq], "dose %d says less than moved" % seq
    meals = [dose[0] for dose in world.doses.values() if dose[0] is not None]
    assert len(meals) == len(set(meals)), "a meal twice"
    assert world.moved * GAIN_NG <= 400000 * 1000, "over the cap"
    assert memory.counter.used_ug * 1000 >= world.moved * GAIN_NG, "the counter forgot a dose"


def day(operations):
    """A day in which power goes at this operation. Returns whether it went."""
    device = Device()
    vfs.VfsLfs2.mkfs(device, progsize=32, readsize=32, lookahead=32)
    world = Traced(mounted(device))
    died = False
    device.left = operations
    while True:
        try:
            if world.feeder is None or died:
                world.boot()
            if not died:
                world.plan()
            rest_of_day(world)
            break
        except PowerCut:
            assert not died
            died = True
            device = Device(bytearray(device.content))
            files = mounted(device)
            world.flash = files
            world.read, world.append, world.replace = files.read, files.append, files.replace
            world.true_ms += 1000
            world.ticks = 0
    world.feeder.on_connect()
    world.feeder.tick()
    judge(world)
    return died


def die(start, stride):
    deaths = 0
    at = start
    while day(at):
        deaths += 1
        at += stride
        gc.collect()
    print(deaths, at)


def wear(days):
    device = Device()
    vfs.VfsLfs2.mkfs(device, progsize=32, readsize=32, lookahead=32)
    world = Days(mounted(device), 7, MANY)
    world.boot()
    world.plan()
    device.counts = [0, 0]
    device.erased = [0] * BLOCKS
    fed = 0
    for _ in range(24 * days):
        before = world.moved
        world.hour()
        fed += world.moved > before
        if len(world.doses) > 100:
            world.doses = {seq: world.doses[seq] for seq in world.doses if seq > world.feeder.memory.next_seq - 40}
    assert fed > 8 * days, "hardly a dose was fed: nothing was measured"
    print(device.counts[PROGRAM], device.counts[ERASE], max(device.erased))


if sys.argv[3] == "wear":
    wear(int(sys.argv[4]))
else:
    die(int(sys.argv[4]), int(sys.argv[5]))
