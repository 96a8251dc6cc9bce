"""What `tareline flash` runs on a board through its prompt: what it is, what stands on its flash, writing a file.

No board keeps this file: its text is sent anew each time. What a function answers, it prints as one line of JSON.
"""

import binascii
import gc
import hashlib
import json
import os
import sys

import vfs

PIECE = 512
DIRECTORY = 0x4000
FRESH = ".new"


def facts():
    """What this board is and how much room its flash has."""
    stat = os.statvfs("/")
    print(
        json.dumps(
            {
                "platform": sys.platform,
                "machine": getattr(sys.implementation, "_machine", ""),
                "free_bytes": stat[0] * stat[3],
                "block_bytes": stat[0],
                "heap_bytes": gc.mem_free(),
            }
        )
    )


def _is_folder(path):
    try:
        return bool(os.stat(path)[0] & DIRECTORY)
    except OSError:
        return False


def _inside(folder):
    """The paths in a folder of this flash: what is mounted there from elsewhere, such as a card, is left alone."""
    elsewhere = [mounted[1] for mounted in vfs.mount()]
    for name in sorted(os.listdir(folder)):
        path = folder.rstrip("/") + "/" + name
        if path not in elsewhere:
            yield path


def _files(folder):
    for path in _inside(folder):
        if _is_folder(path):
            yield from _files(path)
        else:
            yield path


def _digest(path):
    digest = hashlib.sha256()
    piece = bytearray(PIECE)
    view = memoryview(piece)
    with open(path, "rb") as file:
        while True:
            count = file.readinto(piece)
            if not count:
                return binascii.hexlify(digest.digest()).decode()
            digest.update(view[:count])


def files(folder):
    """The paths of all files in this folder and below it."""
    print(json.dumps(list(_files(folder))))


def stand(paths):
    """[size, SHA-256] of each file, null for one that is not there; a line each."""
    for path in paths:
        try:
            print(json.dumps([os.stat(path)[6], _digest(path)]))
        except OSError:
            print("null")


class Writing:
    """One file, written beside the old one, which it replaces when it is whole."""

    def __init__(self, path):
        folder = path.rpartition("/")[0]
        if folder and not _is_folder(folder):
            os.mkdir(folder)
        self._path = path
        self._file = open(path + FRESH, "wb")

    def add(self, data):
        self._file.write(binascii.a2b_base64(data))

    def end(self, digest):
        """Take it for good where it has this SHA-256."""
        self._file.close()
        if _digest(self._path + FRESH) == digest:
            os.rename(self._path + FRESH, self._path)
        else:
            os.remove(self._path + FRESH)


def remove(paths):
    """Remove these files."""
    for path in paths:
        os.remove(path)


def erase(folder="/"):
    """Remove every file and every folder."""
    for path in list(_inside(folder)):
        if _is_folder(path):
            erase(path)
            os.rmdir(path)
        else:
            os.remove(path)


def text(path):
    """A small file's content as hexadecimal digits; null where there is none."""
    try:
        with open(path, "rb") as file:
            print(json.dumps(binascii.hexlify(file.read()).decode()))
    except OSError:
        print("null")
