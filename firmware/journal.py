"""Records on flash, each valid as a whole or not at all: length, CRC-32 and a JSON payload.

The flash seam: `read(name, at=0, size=None)` gives bytes (fewer at the end) or None where there is no such file;
`append(name, data)` and `replace(name, parts)` return when the data would survive a power cut. `replace` takes the new
content in parts, so that a large file never stands in memory, and leaves the old content or the new one, nothing
between. All may raise OSError.
"""

import binascii
import json
import struct

HEAD_SIZE = 6
LARGEST = 1024  # a record in a file of several
LARGEST_ONE = 2048  # a file of one record
WINDOW = 1536  # bytes looked at while reading a journal


def frame(payload):
    """A record's bytes from its payload's bytes."""
    return struct.pack("<HI", len(payload), binascii.crc32(payload) & 0xFFFFFFFF) + payload


def unframe(data, at, largest=LARGEST):
    """The payload of the record at this offset, or None where no valid record begins."""
    if at + HEAD_SIZE > len(data):
        return None
    length, crc = struct.unpack_from("<HI", data, at)
    end = at + HEAD_SIZE + length
    if length == 0 or length > largest or end > len(data):
        return None
    payload = data[at + HEAD_SIZE : end]
    if binascii.crc32(payload) & 0xFFFFFFFF != crc:
        return None
    return payload


def scan(flash, name):
    """Yields (offset, payload) of each record in order, and (offset, None) where bytes begin that are no record.

    Such bytes at the end are a write that power cut short, unless they end where their length says; before a valid
    record they are damage.
    """
    start = 0
    data = flash.read(name, 0, WINDOW) or b""
    at = 0
    bad = False
    while at < len(data):
        payload = unframe(data, at)
        if payload is not None:
            yield start + at, payload
            bad = False
            at += HEAD_SIZE + len(payload)
        else:
            if not bad:
                yield start + at, None
            bad = True
            at += 1
        if len(data) - at < HEAD_SIZE + LARGEST and len(data) >= WINDOW:
            start += at
            data = flash.read(name, start, WINDOW) or b""
            at = 0


def save_one(flash, name, value):
    """Replace a file by one record."""
    flash.replace(name, [frame(json.dumps(value).encode())])


def load_one(flash, name):
    """A file's one record: (value or None, whether there is a file that cannot be read)."""
    data = flash.read(name, 0, HEAD_SIZE + LARGEST_ONE)
    if not data:
        return None, data is not None
    payload = unframe(data, 0, LARGEST_ONE)
    if payload is None:
        return None, True
    try:
        return json.loads(payload), False
    except ValueError:
        return None, True


def save_many(flash, name, values):
    """Replace a file by one record for each value, each within LARGEST. Their number follows: none can be missing."""

    def parts():
        count = 0
        for value in values:
            count += 1
            yield frame(json.dumps(value).encode())
        yield frame(json.dumps(count).encode())

    flash.replace(name, parts())


def load_many(flash, name):
    """Yields what `save_many` kept; nothing where there is no file. Raises ValueError where the file is damaged."""
    count = 0
    value = None
    ended = True
    for _, payload in scan(flash, name):
        if payload is None:
            raise ValueError("%s: damaged" % name)
        value = json.loads(payload)
        ended = isinstance(value, int)
        if ended and value != count:
            raise ValueError("%s: damaged" % name)
        if not ended:
            count += 1
            yield value
    if not ended:
        raise ValueError("%s: cut short" % name)


class Journal:
    """A file of records. `dirty` means that flash may hold less, or more, than was asked: rewrite before appending."""

    def __init__(self, flash, name):
        self.flash = flash
        self.name = name
        self.dirty = False
        self.damaged = False
        self.size = 0

    def load(self):
        """Yields (offset, value) of the records in order; sets size, dirty and damaged."""
        bad = False
        for at, payload in scan(self.flash, self.name):
            if payload is None:
                bad = True
                self.size = at + 1
                self.damaged = self.damaged or self._was_whole(at)
                continue
            if bad:
                self.damaged = True
            self.size = at + HEAD_SIZE + len(payload)
            yield at, json.loads(payload)
        self.dirty = bad

    def _was_whole(self, at):
        """Whether what cannot be read here ends where its length says: flash had all of it once, and has changed."""
        head = self.flash.read(self.name, at, HEAD_SIZE)
        if len(head) < HEAD_SIZE:
            return False
        length = struct.unpack("<HI", head)[0]
        return 0 < length <= LARGEST and len(self.flash.read(self.name, at + HEAD_SIZE + length - 1, 2)) == 1

    def value(self, at):
        """The record at this offset. Raises OSError where it can't be read any more."""
        payload = unframe(self.flash.read(self.name, at, HEAD_SIZE + LARGEST) or b"", 0)
        if payload is None:
            raise OSError("%s: no record at %d any more" % (self.name, at))
        return json.loads(payload)

    def append(self, value):
        """Write one record and wait for it; returns its offset. After an OSError the journal is dirty."""
        if self.dirty:
            raise OSError("the journal must be rewritten first")
        data = frame(json.dumps(value).encode())
        self.dirty = True
        self.flash.append(self.name, data)
        self.dirty = False
        at = self.size
        self.size += len(data)
        return at

    def rewrite(self, values, written):
        """Replace the whole file by these (key, value) pairs, one after the other; written(key, offset) is called for
        each whose key is not None."""
        size = [0]

        def parts():
            for key, value in values:
                data = frame(json.dumps(value).encode())
                if key is not None:
                    written(key, size[0])
                size[0] += len(data)
                yield data

        self.flash.replace(self.name, parts())
        self.dirty = False
        self.size = size[0]
