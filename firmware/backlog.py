"""Samples that wait on flash while the network is away: in order, bounded, and thinned evenly when there are too many.

Records of the file (framed as in journal.py), by their first byte:
  h  stride and the number of samples lost, at the head of a file that was rewritten
  s  samples: the boot whose uptime counts their times, empty where they are UNIX milliseconds; then the samples
  d  everything before this offset of the file was delivered

Thinning: a full file is rewritten with every second sample, and from then on every second one is added; the next time
every fourth, and so on. So an outage of any length is covered evenly from end to end. What is kept is a measured value,
not a mean. With a sample a minute the file holds about two days; two weeks keep one sample in eight minutes.

A sample taken before its boot knew the time is placed once that boot knows it. Of an earlier boot it never can be: it
is counted as lost, and no time is invented for it.

Wear: a sample a minute and five to a record are 288 appends a day, and only while the network is away. On littlefs each
programs its data block anew and a metadata entry, at most two erased blocks of 4 KiB: 576 a day. Spread over 128 free
blocks of 100 000 erases each that is 22 000 days, 60 years of outage. Thinning adds 16 blocks each time the outage's
length doubles. Delivery adds one mark per 16 packs and the emptying of the file.
"""

import struct

from journal import HEAD_SIZE, frame, unframe

NAME = "backlog.bin"
LIMIT = 65536
PIECE = 1024
LARGEST_RECORD = 512
GROUP = 8  # samples to a record in a rewritten file
MARK_EVERY = 16
SAMPLE = "<qhii"
SAMPLE_SIZE = 18
NO_TEMPERATURE = -32768
NO_VALUE = -1
KIND_HEAD = 104  # h
KIND_SAMPLES = 115  # s
KIND_DELIVERED = 100  # d


def _encode(boot, samples):
    parts = [b"s", bytes([len(boot)]), boot.encode()]
    for time_ms, temperature, conductivity, voltage in samples:
        parts.append(
            struct.pack(
                SAMPLE,
                time_ms,
                NO_TEMPERATURE if temperature is None else temperature,
                NO_VALUE if conductivity is None else conductivity,
                NO_VALUE if voltage is None else voltage,
            )
        )
    return frame(b"".join(parts))


def _decode(payload):
    """(boot, samples) of a record of samples."""
    start = 2 + payload[1]
    samples = []
    for at in range(start, len(payload), SAMPLE_SIZE):
        time_ms, temperature, conductivity, voltage = struct.unpack(SAMPLE, payload[at : at + SAMPLE_SIZE])
        samples.append(
            (
                time_ms,
                None if temperature == NO_TEMPERATURE else temperature,
                None if conductivity == NO_VALUE else conductivity,
                None if voltage == NO_VALUE else voltage,
            )
        )
    return payload[2:start].decode(), samples


def placed(samples, offset_ms):
    """Samples whose times are uptimes, as UNIX milliseconds."""
    return [(sample[0] + offset_ms,) + sample[1:] for sample in samples]


class Backlog:
    """The file. It is read in pieces: never more than a record's and a piece's bytes stand in memory.

    offset_ms in the calls below: UNIX milliseconds minus uptime of this boot, None where it has no time yet.
    """

    def __init__(self, flash, boot):
        self.flash = flash
        self.boot = boot
        self.damaged = False
        self.loaded = False
        self.dirty = True  # flash may hold less, or more, than we know: rewrite before appending
        self._written = 0
        self._forget()

    def _forget(self):
        self.size = 0
        self.data_end = 0  # where the last record of samples ends
        self.sent_at = 0  # what lies before was delivered
        self.stride = 1
        self.lost = 0
        self.unplaced = False  # whether samples wait for this boot's time
        self._offered = 0
        self._marked = 0

    def load(self):
        """Read the file once. Raises OSError."""
        self._forget()
        self.damaged = False
        end = 0
        for payload, at, gap in self._records(0):
            self.damaged = self.damaged or gap
            end = at
            kind = payload[0]
            if kind == KIND_HEAD:
                self.stride, self.lost = struct.unpack("<II", payload[1:])
            elif kind == KIND_DELIVERED:
                self.sent_at = struct.unpack("<I", payload[1:])[0]
            else:
                self.data_end = at
                boot, samples = _decode(payload)
                if boot:
                    self.lost += len(samples)
        self.dirty = self.damaged or end != self.size
        self.loaded = True

    def _records(self, at):
        """(payload, offset behind it, whether bytes before it were no record) from an offset on; notes the size."""
        piece = b""
        start = at
        at_end = False
        gap = False
        while True:
            if start + len(piece) - at < LARGEST_RECORD and not at_end:
                piece = self.flash.read(NAME, at, PIECE) or b""
                start = at
                at_end = len(piece) < PIECE
            if at - start >= len(piece):
                self.size = at
                return
            payload = unframe(piece, at - start)
            if payload is None:
                at += 1
                gap = True
                continue
            at += HEAD_SIZE + len(payload)
            yield payload, at, gap
            gap = False

    def _readable(self, at, offset_ms):
        """(boot, samples, offset behind) of the records of samples that can be told: placed, or this boot's own."""
        for payload, behind, _ in self._records(at):
            if payload[0] != KIND_SAMPLES:
                continue
            boot, samples = _decode(payload)
            if boot == self.boot and offset_ms is not None:
                yield "", placed(samples, offset_ms), behind
            elif boot in ("", self.boot):
                yield boot, samples, behind

    # Writing: every call returns after the flash has it, or raises OSError and may be repeated

    def add(self, samples, has_time, offset_ms):
        """Append samples at the end, as far as the stride keeps them; has_time: their times are UNIX milliseconds.

        Returns whether the file was rewritten, so that offsets known before mean nothing any more.
        """
        if not self.loaded:
            self.load()
        full = self.size + LARGEST_RECORD > LIMIT
        rewrite = full or self.dirty or (self.unplaced and offset_ms is not None)
        if rewrite:
            self._rewrite(offset_ms, full and 4 * (self.size - self.sent_at) > 3 * LIMIT)
        kept = []
        for sample in samples:
            if self._offered % self.stride == 0:
                kept.append(sample)
            self._offered += 1
        if kept:
            boot = "" if has_time else self.boot
            self._append(b"".join([_encode(boot, kept[at : at + GROUP]) for at in range(0, len(kept), GROUP)]))
            self.data_end = self.size
            self.unplaced = self.unplaced or not has_time
        return rewrite

    def _append(self, data):
        self.dirty = True
        self.flash.append(NAME, data)
        self.dirty = False
        self.size += len(data)

    def _rewrite(self, offset_ms, thin):
        """Write the file anew without what was delivered or is lost, with times where they are known by now."""
        every = 2 if thin else 1
        self.dirty = True
        self.flash.replace(NAME, self._parts(offset_ms, every))
        self.dirty = False
        self.stride *= every
        self.size = self._written
        self.data_end = self.size
        self.sent_at = 0
        if offset_ms is not None:
            self.unplaced = False

    def _parts(self, offset_ms, every):
        self._written = 0
        yield self._count(frame(b"h" + struct.pack("<II", self.stride * every, self.lost)))
        group = []
        group_boot = ""
        seen = 0
        for boot, samples, _ in self._readable(self.sent_at, offset_ms):
            for sample in samples:
                seen += 1
                if seen % every != 1 % every:
                    continue
                if group and (boot != group_boot or len(group) == GROUP):
                    yield self._count(_encode(group_boot, group))
                    group = []
                group.append(sample)
                group_boot = boot
        if group:
            yield self._count(_encode(group_boot, group))

    def _count(self, data):
        self._written += len(data)
        return data

    def clear(self):
        """Begin anew with an empty file."""
        self.dirty = True
        self.flash.replace(NAME, ())
        self.dirty = False
        self._forget()

    # Delivering

    def peek(self, offset_ms, most):
        """(samples, boot, offset behind them) that are next, all with UNIX times (boot "") or all with this boot's."""
        found = []
        found_boot = ""
        behind = self.data_end
        for boot, samples, at in self._readable(self.sent_at, offset_ms):
            if found and (boot != found_boot or len(found) + len(samples) > most):
                break
            found += samples
            found_boot = boot
            behind = at
        return found, found_boot, behind

    def delivered(self, behind):
        """What lies before this offset is with the broker. A mark on flash now and then spares sending it again."""
        self.sent_at = behind
        self._marked += 1
        if self._marked % MARK_EVERY == 0 and not self.dirty and behind < self.data_end:
            self._append(frame(b"d" + struct.pack("<I", behind)))

    def waits(self):
        """Whether samples wait to be delivered."""
        return self.sent_at < self.data_end
