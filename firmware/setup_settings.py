"""settings.json with a CRC-32 of its own, since it can be changed on the board: one file, replaced as a whole.

Its first line is `{"crc32": "0a1b2c3d",`, and the CRC is that of every byte after this line. So the file is JSON like
any other, and a bit that has turned over is noticed. Under `files` it keeps size and CRC-32 of the files beside it that
belong to no set of modules: main.py, starter.mpy, ca.pem.
"""

import binascii
import json

from selfcheck import crc_of

NAME = "settings.json"
CRC = "crc32"
HEAD_SIZE = 21  # of the first line


def parts(settings):
    """The file's content in two parts. settings: a dictionary that is not empty."""
    rest = json.dumps({name: settings[name] for name in settings if name != CRC})[1:].encode()
    return [b'{"%s": "%08x",\n' % (CRC.encode(), binascii.crc32(rest) & 0xFFFFFFFF), rest]


def save(flash, settings):
    """Write them, as a whole or not at all. Raises OSError."""
    flash.replace(NAME, parts(settings))


def load(flash):
    """What loads says of the file's content. Raises OSError."""
    return loads(flash.read(NAME) or b"")


def damaged(flash):
    """Names of the files at the root that are not what was installed, settings.json included."""
    try:
        settings, sound = load(flash)
    except OSError:
        return [NAME]
    found = [] if sound else [NAME]
    for name, right in sorted(((settings or {}).get("files") or {}).items()):
        try:
            if crc_of(flash, name) != right:
                found.append(name)
        except OSError:
            found.append(name)
    return found


def loads(data):
    """(settings, True) as they were saved; (settings, False) where the CRC is another or none, so that a word of them
    may be wrong; (None, False) where nothing can be read."""
    try:
        settings = json.loads(data)
    except ValueError:
        return None, False
    if not isinstance(settings, dict):
        return None, False
    told = settings.pop(CRC, None)
    head, end, rest = data.partition(b"\n")
    sound = told == "%08x" % (binascii.crc32(rest) & 0xFFFFFFFF) and len(head) == HEAD_SIZE
    return settings, bool(end) and sound
