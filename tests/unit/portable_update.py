"""Updates over the air, for CPython and MicroPython alike: `run()` returns what both must agree on.

A device whose sets hold a few small files, a service that answers what it asks for, and a flash on which power can go
at any write. What a set does when it runs stands in its own files, so that a new one can be good, crash or be deaf.
"""

import binascii
import hashlib
import json
import sys

try:
    from tareline.resources import load_firmware
except ImportError:
    load_firmware = __import__

starter = load_firmware("starter")
update = load_firmware("update")
install = load_firmware("install")
journal = load_firmware("journal")
sys.modules["install"] = install  # update.py imports it when there is something to install

KEY = b"thirty-two bytes of a device key"
SETTINGS = {"device": "feeder-1", "key": binascii.hexlify(KEY).decode()}
STATE = {
    "journal.bin": b"doses and the day's counter",
    "hold.bin": b"held",
    "plan.bin": b"plan",
    "settings.json": b"{}",
}
MINUTE = 60000
HOUR = 60 * MINUTE


class PowerCut(BaseException):
    """The power is gone."""


class Disk:
    """Flash with folders. Every write counts; `cut` makes one the last: before it, in the torn middle, after it."""

    def __init__(self, files):
        self.files = dict(files)
        self.writes = 0
        self.cut_at = None
        self.how = None
        self.refused = 0  # writes that raise OSError
        self.free = 1 << 20

    def cut(self, number, how):
        self.cut_at, self.how = self.writes + number, how

    def _write(self, name, after, torn):
        self.writes += 1
        if self.refused:
            self.refused -= 1
            raise OSError(5)
        if self.writes == self.cut_at:
            if self.how != "before":
                self._put(name, torn if self.how == "torn" else after)
            raise PowerCut()
        self._put(name, after)

    def _put(self, name, data):
        if data is None:
            self.files.pop(name, None)
        else:
            self.files[name] = data

    def read(self, name, at=0, size=None):
        data = self.files.get(name)
        if data is None:
            return None
        return data[at:] if size is None else data[at : at + size]

    def append(self, name, data):
        before = self.files.get(name, b"")
        self._write(name, before + data, before + data[: len(data) // 2])

    def replace(self, name, parts):
        self._write(name, b"".join(parts), self.files.get(name))

    def remove(self, name):
        if name in self.files:
            self._write(name, None, self.files[name])

    def size(self, name):
        return len(self.files[name]) if name in self.files else None

    def names(self, folder):
        return sorted([name[len(folder) + 1 :] for name in self.files if name.startswith(folder + "/")])

    def make(self, folder):
        pass

    def free_bytes(self):
        return self.free


def a_set(behaviour, number):
    """Modules of an invented program: sizes around a piece's, and what it does when it runs."""
    files = {"board_feeder.mpy": behaviour.encode()}
    for name, size in (("a.mpy", 719), ("b.mpy", 720), ("c_1.mpy", 721 + number), ("d.mpy", 2160)):
        files[name] = bytes([(number + at) % 251 for at in range(size)])
    return files


def installed(disk, folder, files):
    """Put a set on flash as the flasher does."""
    for name in files:
        disk.files[folder + "/" + name] = files[name]
    journal.save_one(
        disk, folder + "/manifest.bin", {name: starter.crc_of(disk, folder + "/" + name) for name in files}
    )


class Service:
    """Offers a set, answers every so many requests of a device."""

    def __init__(self, files, counter, firmware="0.2.0", key=KEY, device="feeder-1", program="board_feeder"):
        lines = ["%s %d %s\n" % (n, len(files[n]), _sha256(files[n])) for n in sorted(files)]
        self.files = dict(files)
        self.files[install.LIST] = "".join(lines).encode()
        self.offer = {"counter": counter, "program": program, "firmware": firmware}
        self.offer["size"] = len(self.files[install.LIST])
        self.offer["sha256"] = _sha256(self.files[install.LIST])
        mac = update.hmac_sha256(key, update.signed_bytes(device, self.offer))
        self.offer["mac"] = binascii.hexlify(mac).decode()
        self.loses = 0  # of this many requests one is answered; 0: all are
        self.spoils = 0  # answers that come with another content
        self.asked = 0

    def answer(self, fields):
        self.asked += 1
        if self.loses and self.asked % self.loses:
            return None
        data = self.files[fields["file"]][fields["at"] : fields["at"] + fields["size"]]
        if self.spoils:
            self.spoils -= 1
            data = bytes([data[0] ^ 1]) + data[1:]
        answer = {name: fields[name] for name in ("counter", "file", "at")}
        parts = [data[at : at + 144] for at in range(0, len(data), 144)]
        answer["data"] = [binascii.b2a_base64(part).decode().strip() for part in parts]
        return answer


def wire(fields):
    """A message as the link hands it over: pieces of its bytes."""
    data = json.dumps(fields).encode()
    return [data[at : at + 100] for at in range(0, len(data), 100)]


def _sha256(data):
    return binascii.hexlify(hashlib.sha256(data).digest()).decode()


class World:
    """One device and one service. Time is what the device's loop waits."""

    def __init__(self, new="good", counter=7, free=1 << 20):
        self.disk = Disk(STATE)
        self.sets = {"old": a_set("good", 0), "new": a_set(new, 1)}
        installed(self.disk, "fw_a", self.sets["old"])
        self.disk.free = free
        self.disk.writes = 0
        self.service = Service(self.sets["new"], counter)
        self.online = True
        self.told = []
        self.states = []
        self.ran = []
        self.quiet_ms = None
        self.updater = None

    def version(self, folder):
        """Which set a folder holds, complete to the byte."""
        for name in ("old", "new"):
            files = self.sets[name]
            if all(self.disk.files.get(folder + "/" + one) == files[one] for one in files):
                return name
        return None

    def boot(self):
        """The board starts: what the starter runs must be one whole set, and the state files as they were."""
        self.restarting = self.connected = False
        self.uptime = 0
        folder = starter.choose(self.disk)
        version = self.version(folder)
        assert version is not None, folder
        for name, content in STATE.items():
            assert self.disk.files[name] == content
        self.ran.append(version)
        self.behaviour = self.disk.files[folder + "/board_feeder.mpy"].decode()
        if self.behaviour == "crash":
            return False
        self.updater = update.Updater(
            SETTINGS, "board_feeder", folder, self.disk, self.publish, self.tell, self.restart
        )
        if self.online and self.behaviour != "deaf":
            self.connected = True
            self.updater.on_message("update", wire(self.service.offer))
            self.updater.heard()
        return True

    def publish(self, tail, fields, retained):
        if tail == "fetch":
            answer = self.service.answer(fields)
            if answer is not None:
                self.updater.on_message("piece", wire(answer))
        else:
            self.states.append(fields["state"])
        return True

    def tell(self, code, detail):
        self.told.append((code, detail))

    def restart(self):
        self.restarting = True

    def run(self, limit_ms=2 * HOUR):
        """Run, with a start anew whenever the device wants one or ends, until nothing is left to do or time is over."""
        spent = 0
        alive = self.boot()
        for _ in range(5000):
            if spent >= limit_ms:
                return self
            if not alive or self.restarting:
                spent += 1000
                alive = self.boot()
                continue
            waited = self.updater.tick(self.uptime, lambda: self.quiet_ms, self.connected)
            self.uptime += max(waited, 10)
            spent += max(waited, 10)
            if self.over():
                return self
        return self

    def over(self):
        record = self.updater.record
        return record["trial"] is None and self.updater.offer is None and record["result"] and record["told"]

    def outcome(self):
        record = starter.load(self.disk)
        return [record["set"], record["trial"], record["counter"], self.version(record["set"])]


def cut_at_every_write(how, step=1):
    """An update for each write at which power can go: how many there were, and that each ended well."""
    whole = World().run()
    assert whole.outcome() == ["fw_b", None, 7, "new"], whole.outcome()
    cuts = 0
    for number in range(1, whole.disk.writes + 1, step):
        world = World()
        world.disk.cut(number, how)
        try:
            world.run()
            raise AssertionError("no power cut at write %d" % number)
        except PowerCut:
            cuts += 1
        world.run()
        assert world.outcome() == ["fw_b", None, 7, "new"], (number, world.outcome(), world.told)
        assert world.told[-1][0] == "update_done", (number, world.told)
    return cuts


def refused_at_every_write():
    """The same with a flash that refuses one write and goes on."""
    writes = World().run().disk.writes
    for number in range(writes):
        world = World()
        calls = [0]
        inner = world.disk._write

        def write(name, after, torn, inner=inner, calls=calls, number=number, world=world):
            calls[0] += 1
            if calls[0] == number + 1:
                world.disk.refused = 1
            inner(name, after, torn)

        world.disk._write = write
        world.run(3 * HOUR)
        assert world.outcome()[3] == "new", (number, world.outcome(), world.told)
    return writes


def run():
    """Each line: what happened, as plain values."""
    return went_well() + gone_back() + not_taken() + put_off() + cut_short()


def went_well():
    found = []
    world = World().run()
    found.append(["good", world.outcome(), world.ran, world.told, world.states, world.service.asked])
    again = len(world.ran)
    world.boot()
    world.updater.tick(0, lambda: None, True)
    found.append(["the same offer again", world.updater.offer, len(world.ran) - again, world.service.asked])
    return found


def gone_back():
    found = []
    for new in ("crash", "deaf"):
        world = World(new).run(3 * HOUR)
        assert world.version("fw_a") == "old"
        found.append([new, world.outcome(), world.ran, world.told, world.states[-1]])
        world.service = Service(a_set("good", 1), 8)
        world.sets["new"] = a_set("good", 1)
        world.run()
        found.append(["then a good one", world.outcome(), world.told[-1]])
    return found


def not_taken():
    found = []
    for name in ("loses", "spoils"):
        world = World()
        setattr(world.service, name, 3)
        world.run()
        found.append([name, world.outcome(), world.told, world.service.asked])
    world = World()
    world.service.spoils = 1000
    world.run(10 * MINUTE)
    found.append(["spoils all", world.outcome(), world.told, world.states])
    world = World(free=40000).run(10 * MINUTE)
    found.append(["no room", world.outcome(), world.told, world.states])
    for what in ({"key": b"another"}, {"device": "feeder-2"}, {"program": "board_probe"}):
        world = World()
        world.service = Service(world.sets["new"], 7, **what)
        world.run(MINUTE)
        found.append([sorted(what), world.outcome(), world.told, world.states, world.disk.writes])
    for name in ("counter", "firmware", "size", "sha256"):
        world = World()
        value = world.service.offer[name]
        world.service.offer[name] = value + 1 if isinstance(value, int) else value[:-1] + "x"
        world.run(MINUTE)
        found.append(["changed", name, world.outcome(), world.told])
    # An older offer, signed by the right key, after a newer one.
    world = World(counter=9).run()
    world.service = Service(world.sets["old"], 8)
    world.run(HOUR)
    found.append(["replayed", world.outcome(), len(world.ran)])
    return found


def put_off():
    """Shortly before a meal, and with a low battery, nothing is done."""
    found = []
    world = World()
    world.quiet_ms = update.QUIET_MS - 1
    world.run(HOUR)
    found.append(["before a meal", world.outcome(), world.service.asked, world.ran])
    world.quiet_ms = update.QUIET_MS
    world.run()
    found.append(["after it", world.outcome(), world.ran])
    world = World()
    world.disk.battery_ok = lambda: False
    world.run(HOUR)
    found.append(["low battery", world.outcome(), world.service.asked])
    return found


def cut_short():
    found = []
    for how in ("before", "torn", "after"):
        found.append(["cut", how, cut_at_every_write(how)])
    found.append(["refused", refused_at_every_write()])
    # RFC 4231, test cases 2 and 6 (from memory; CPython's own hmac says the same in test_update.py).
    large = b"Test Using Larger Than Block-Size Key - Hash Key First"
    for key, message, expected in (
        (b"Jefe", b"what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
        (b"\xaa" * 131, large, "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"),
    ):
        assert binascii.hexlify(update.hmac_sha256(key, message)).decode() == expected
    return found
