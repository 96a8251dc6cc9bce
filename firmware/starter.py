"""Which of two sets of modules a board runs: the one in force, or a new one on trial. `main.py` calls `start()`.

A set is a folder of compiled modules with a manifest of their CRCs (`manifest.bin`, see selfcheck.py); a set without
one, or with a module that differs, is not whole. This file stands at the root beside main.py and never changes over
the air: it imports nothing of a set, so it reads and writes records of journal.py by itself, and what newer sets call
here stays as it is.

The record (`boot.bin`):

  set      the folder in force
  trial    the folder on trial, or None; starts: how often it was started since
  failed   the folder whose trial failed, or None: not started any more
  counter  of the newest update that was tried: none up to it is ever taken again
  result   [fault code, detail] of the last change, or None; told: whether the service has it

What decides are the functions `on_...`: from a record to the next, with no effects. A set on trial is started twice;
the third start, after two that ended before it was proven (crash, watchdog or power), goes back to the set in force.
"""

import binascii
import json
import os
import struct
import sys

SETS = ("fw_a", "fw_b")
PROGRAMS = ("board_feeder", "board_probe")  # a set has one of them
RECORD = "boot.bin"
MANIFEST = "manifest.bin"
CRASH = "crash.bin"  # as runner.py writes it
MOST_STARTS = 2
CALM_S = 5  # after an error, so that one that comes at every start does not wear out the flash
PIECE = 512

running = None  # the folder that was started, None on a device that does not run from sets
program = None  # the module of it that was started


class Flash:
    """The files under a folder, as journal.py wants them."""

    def __init__(self, root):
        self.root = root

    def read(self, name, at=0, size=None):
        try:
            file = open(self.root + name, "rb")
        except OSError:
            return None
        with file:
            file.seek(at)
            return file.read() if size is None else file.read(size)

    def replace(self, name, parts):
        with open(self.root + name + ".new", "wb") as file:
            for part in parts:
                file.write(part)
        os.rename(self.root + name + ".new", self.root + name)


def load_one(flash, name):
    """A file's one record, or None where it can't be read."""
    try:
        data = flash.read(name)
        if not data or len(data) < 6:
            return None
        length, crc = struct.unpack_from("<HI", data, 0)
        payload = data[6 : 6 + length]
        if len(payload) != length or binascii.crc32(payload) & 0xFFFFFFFF != crc:
            return None
        return json.loads(payload)
    except (OSError, ValueError):
        return None


def save_one(flash, name, value):
    """Replace a file by one record. Raises OSError."""
    payload = json.dumps(value).encode()
    flash.replace(name, [struct.pack("<HI", len(payload), binascii.crc32(payload) & 0xFFFFFFFF) + payload])


def fresh(counter=0):
    """The record of a board that has never been updated."""
    return {
        "set": SETS[0],
        "trial": None,
        "starts": 0,
        "failed": None,
        "counter": counter,
        "result": None,
        "told": True,
    }


def load(flash):
    """The record; a fresh one where there is none that can be read."""
    found = load_one(flash, RECORD)
    record = fresh()
    if isinstance(found, dict):
        record.update(found)
    return record


def save(flash, record):
    """Keep the record. Raises OSError."""
    save_one(flash, RECORD, record)


def other(folder):
    return SETS[1 - SETS.index(folder)]


def _changed(record, **changes):
    after = dict(record)
    after.update(changes)
    return after


def on_start(record, is_whole):
    """(the next record, the folder to start). is_whole(folder): whether a set is complete and unharmed.

    Where the set in force is damaged, the other one is started and from then on in force: it was in force before.
    """
    trial = record["trial"]
    if trial is not None:
        if not is_whole(trial):
            record = on_return(record, "the new set was damaged")
        elif record["starts"] >= MOST_STARTS:
            record = on_return(record, "the new set ended %d times before it was proven" % MOST_STARTS)
        else:
            return _changed(record, starts=record["starts"] + 1), trial
    chosen = record["set"]
    spare = other(chosen)
    if not is_whole(chosen) and spare != record["failed"] and is_whole(spare):
        result = ["firmware_damaged", "the set in force; the one before it runs now"]
        return _changed(record, set=spare, result=result, told=False), spare
    return record, chosen


def on_trial(record, folder, counter):
    """A new set is verified: the next start tries it."""
    return _changed(record, trial=folder, starts=0, failed=None, counter=counter)


def on_proof(record, detail):
    """The set on trial has proven itself."""
    return _changed(record, set=record["trial"], trial=None, starts=0, result=["update_done", detail], told=False)


def on_return(record, why):
    """The set on trial has failed."""
    result = ["update_failed", why + "; the one before it runs now"]
    return _changed(record, trial=None, starts=0, failed=record["trial"], result=result, told=False)


def crc_of(flash, name):
    """[size, CRC-32] of a file, read in pieces, or None."""
    at = 0
    crc = 0
    while True:
        data = flash.read(name, at, PIECE)
        if not data:
            return None if data is None else [at, crc & 0xFFFFFFFF]
        crc = binascii.crc32(data, crc)
        at += len(data)


def is_whole(flash, folder):
    """Whether every file of the folder's manifest is what the manifest says."""
    manifest = load_one(flash, folder + "/" + MANIFEST)
    if not isinstance(manifest, dict) or not manifest:
        return False
    for name in manifest:
        try:
            if crc_of(flash, folder + "/" + name) != manifest[name]:
                return False
        except OSError:
            return False
    return True


def choose(flash):
    """The folder to start, once the record that says so is kept: a trial that can't be counted is not begun."""
    before = load(flash)
    after, chosen = on_start(before, lambda folder: is_whole(flash, folder))
    if after != before:
        try:
            save(flash, after)
        except OSError:
            if chosen == after["trial"]:
                chosen = before["set"]
    return chosen


def enter(root, programs):
    """Choose a set, and give its program: the module of it that is one of these."""
    global running, program  # noqa: PLW0603
    running = choose(Flash(root))
    sys.path.insert(0, root + running)
    names = [name.split(".")[0] for name in os.listdir(root + running)]
    program = [name for name in programs if name in names][0]
    return __import__(program)


def start():
    """Run this board. A program that can't even be imported starts the board anew; Ctrl-C leads to the prompt."""
    try:
        enter("/", PROGRAMS).start()
    except Exception as error:
        sys.print_exception(error)  # type: ignore[attr-defined]
        try:
            save_one(Flash("/"), CRASH, ("%r" % error)[:200])
        except OSError:
            pass  # flash may be what has failed
        import time

        import machine

        time.sleep(CALM_S)
        machine.reset()
