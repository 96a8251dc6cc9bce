"""Fetching and verifying a new set of modules in the folder that is not in force; see update.py.

Each step does one small thing: ask for a piece, write one, verify one file. Everything can be begun anew at any moment;
what stands on flash and is right is not fetched again.
"""

import binascii
import hashlib

import starter
from journal import save_one

LIST = "files.txt"  # in a set: a line "name size SHA-256" for each file
PIECE = 720  # bytes of a file in one message, which has them as short texts, for streaming.py
WINDOW = 512
BLOCK = 4096
RESERVE = 32768  # bytes of flash that an update leaves for doses
LARGEST = 65536  # of a file
LARGEST_SET = 262144
TRIES = 3  # of a file that does not arrive as it was signed
ASK_FIRST_MS = 3000
ASK_LAST_MS = 300000
WAIT_MS = 1000


class FailedError(Exception):
    """An update that can't be installed; the text says why."""


def read_line(line):
    """(name, size, SHA-256) from a line of the list. Raises ValueError."""
    name, size, sha256 = str(line, "utf-8").split(" ")
    stem, _, suffix = name.partition(".")
    plain = stem.replace("_", "a")
    if suffix not in ("mpy", "py") or len(name) > 40 or not _is_plain(plain) or len(sha256) != 64:
        raise ValueError("a line that is none")
    size_bytes = int(size)
    if not 0 < size_bytes <= LARGEST:
        raise ValueError("a file of %d bytes" % size_bytes)
    return name, size_bytes, sha256


def _is_plain(stem):
    for character in stem:
        if not ("a" <= character <= "z" or "0" <= character <= "9"):
            return False
    return bool(stem)


class Install:
    """The installation of an offer in a folder. `complete` once the set stands there whole; `why`: what it fails of.

    flash: the platform of update.py; publish(tail, fields, retained).
    """

    def __init__(self, flash, offer, program, folder, publish):
        self.flash = flash
        self.offer = offer
        self.program = program
        self.folder = folder
        self.publish = publish
        self.complete = False
        self.why = None
        self.uptime = 0
        self.connected = False
        self.wanted = None  # (file, at, size) that was asked for
        self.piece = None
        self.again_ms = ASK_FIRST_MS
        self.asked_at = None
        self.work = self._steps()

    def step(self, uptime, connected):
        """Do the next thing. Returns how many milliseconds to wait unless something comes. Raises OSError."""
        self.uptime, self.connected = uptime, connected
        try:
            return next(self.work)
        except StopIteration:
            self.complete = True
        except FailedError as error:
            self.why = str(error)
        return 0

    def take(self, fields):
        """`down/piece`: kept where it is the one that was asked for. Raises ValueError, KeyError or TypeError."""
        if self.wanted is None or fields["counter"] != self.offer["counter"]:
            return
        name, at, size = self.wanted
        if fields["file"] == name and fields["at"] == at:
            data = b"".join([binascii.a2b_base64(part) for part in fields["data"]])
            if len(data) == size:
                self.piece = data

    def ask_again(self):
        """The link is new: what was asked for is asked for at once."""
        self.asked_at = None
        self.again_ms = ASK_FIRST_MS

    def _steps(self):
        offer, flash, folder = self.offer, self.flash, self.folder
        flash.make(folder)
        flash.remove(folder + "/" + starter.MANIFEST)
        if self._digest(folder + "/" + LIST)[1] != offer["sha256"]:
            for name in flash.names(folder):
                flash.remove(folder + "/" + name)
                yield 0
        yield from self._fetch(LIST, offer["size"], offer["sha256"])
        missing = RESERVE
        manifest = {}
        for name, size, _ in self._listed():
            have = flash.size(folder + "/" + name) or 0
            missing += 0 if have == size else (size + BLOCK - 1) // BLOCK * BLOCK
            manifest[name] = size
        if sum(manifest.values()) > LARGEST_SET or self.program not in [name.split(".")[0] for name in manifest]:
            raise FailedError("the list is not that of a set of %s" % self.program)
        if flash.free_bytes() < missing:
            raise FailedError("no room: %d bytes of flash are free, %d are needed" % (flash.free_bytes(), missing))
        for name, size, sha256 in self._listed():
            crc = yield from self._fetch(name, size, sha256)
            manifest[name] = [size, crc]
        for name in flash.names(folder):
            if name != LIST and name not in manifest:
                flash.remove(folder + "/" + name)
        save_one(flash, folder + "/" + starter.MANIFEST, manifest)
        if not starter.is_whole(flash, folder):
            raise FailedError("flash does not keep what is written to it")

    def _listed(self):
        """Yields (name, size, SHA-256) of each line of the list, read a line at a time."""
        at = 0
        while True:
            data = self.flash.read(self.folder + "/" + LIST, at, 128)
            if not data:
                return
            end = data.find(b"\n")
            try:
                if end < 0:
                    raise ValueError("no line")
                line = read_line(data[:end])
            except ValueError as error:
                raise FailedError("the list of files: %s" % error) from None
            yield line
            at += end + 1

    def _fetch(self, name, size, sha256):
        """Have this file in the folder, verified; returns its CRC-32."""
        path = self.folder + "/" + name
        for _ in range(TRIES):
            have = self.flash.size(path) or 0
            if have > size or (have < size and have % PIECE):
                self.flash.remove(path)  # a write that power cut short
                have = 0
            while have < size:
                yield from self._ask(name, have, min(PIECE, size - have))
                piece, self.piece = self.piece, None
                self.flash.append(path, piece)
                have += len(piece)
            yield 0
            crc, found = self._digest(path)
            if found == sha256:
                return crc
            self.flash.remove(path)
        raise FailedError("%s: what arrives is not what was signed" % name)

    def _ask(self, name, at, size):
        """Wait for a piece, asking for it now and then."""
        self.wanted = (name, at, size)
        self.asked_at = None
        while self.piece is None:
            if self.connected and (self.asked_at is None or self.uptime - self.asked_at >= self.again_ms):
                if self.asked_at is not None:
                    self.again_ms = min(2 * self.again_ms, ASK_LAST_MS)
                fields = {"counter": self.offer["counter"], "file": name, "at": at, "size": size}
                if self.publish("fetch", fields, False):
                    self.asked_at = self.uptime
            yield WAIT_MS
        self.wanted = None
        self.again_ms = ASK_FIRST_MS

    def _digest(self, path):
        """(CRC-32, SHA-256 in hexadecimal) of a file, read in pieces."""
        sha256 = hashlib.sha256()
        crc = at = 0
        while True:
            data = self.flash.read(path, at, WINDOW)
            if not data:
                return crc & 0xFFFFFFFF, binascii.hexlify(sha256.digest()).decode()
            sha256.update(data)
            crc = binascii.crc32(data, crc)
            at += len(data)
