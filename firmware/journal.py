"""An append-only file of records on flash: length, CRC-32 and a JSON payload each.

A record is valid as a whole or not at all. Bytes after the last valid record are a write that power cut short: they are
dropped, and the file is rewritten before anything is appended behind them. Bytes between valid records are damage:
reading goes on behind it, and `damaged` says so.

The flash seam: `read(name)` gives bytes or None, `append(name, data)` and `replace(name, data)` return when the data
would survive a power cut; `replace` leaves the old content or the new one, nothing between. All may raise OSError.
"""

import binascii
import json
import struct

HEAD_SIZE = 6
LARGEST = 60000


def frame(payload):
    """A record's bytes from its payload's bytes."""
    return struct.pack("<HI", len(payload), binascii.crc32(payload) & 0xFFFFFFFF) + payload


def unframe(data, at):
    """The payload of the record at this offset, or None where no valid record begins."""
    if at + HEAD_SIZE > len(data):
        return None
    length, crc = struct.unpack("<HI", data[at : at + HEAD_SIZE])
    end = at + HEAD_SIZE + length
    if length == 0 or length > LARGEST or end > len(data):
        return None
    payload = data[at + HEAD_SIZE : end]
    if binascii.crc32(payload) & 0xFFFFFFFF != crc:
        return None
    return payload


def scan(data):
    """All valid payloads in order; whether damage lies between them; whether the end is torn."""
    payloads = []
    at = 0
    bad = False
    damaged = False
    while at < len(data):
        payload = unframe(data, at)
        if payload is None:
            bad = True
            at += 1
            continue
        if bad:
            damaged = True
            bad = False
        payloads.append(payload)
        at += HEAD_SIZE + len(payload)
    return payloads, damaged, bad


def save_one(flash, name, value):
    """Replace a file by one record."""
    flash.replace(name, frame(json.dumps(value).encode()))


def load_one(flash, name):
    """A file's one record: (value or None, whether there is a file that cannot be read)."""
    data = flash.read(name)
    if not data:
        return None, data is not None
    payload = unframe(data, 0)
    if payload is None:
        return None, True
    try:
        return json.loads(payload), False
    except ValueError:
        return None, True


class Journal:
    """The journal file. `dirty` means that flash may hold less, or more, than was asked: rewrite before appending."""

    def __init__(self, flash, name):
        self.flash = flash
        self.name = name
        self.dirty = False
        self.damaged = False
        self.size = 0

    def load(self):
        """The records' values in order, [] for a new file."""
        data = self.flash.read(self.name) or b""
        payloads, self.damaged, torn = scan(data)
        self.dirty = torn or self.damaged
        self.size = len(data)
        return [json.loads(payload) for payload in payloads]

    def append(self, value):
        """Write one record and wait for it. After an OSError the journal is dirty."""
        if self.dirty:
            raise OSError("the journal must be rewritten first")
        data = frame(json.dumps(value).encode())
        self.dirty = True
        self.flash.append(self.name, data)
        self.dirty = False
        self.size += len(data)

    def rewrite(self, values):
        """Replace the whole file by these records."""
        data = b"".join([frame(json.dumps(value).encode()) for value in values])
        self.flash.replace(self.name, data)
        self.dirty = False
        self.size = len(data)
