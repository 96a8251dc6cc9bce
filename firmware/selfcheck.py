"""Whether the files of the firmware are what was installed: their CRC-32 against a manifest, at every start.

The manifest is one record of journal.py in `manifest.bin`: {file name: [size, CRC-32]}.
"""

import binascii

from journal import load_one

NAME = "manifest.bin"
PIECE = 512


def crc_of(flash, name):
    """[size, CRC-32] of a file, read in pieces; None where there is no such file."""
    at = 0
    crc = 0
    while True:
        data = flash.read(name, at, PIECE)
        if data is None:
            return None
        if not data:
            return [at, crc & 0xFFFFFFFF]
        crc = binascii.crc32(data, crc)
        at += len(data)


def damaged(flash, manifest_flash):
    """Names of the files that are missing or differ; the manifest's own where it can't be read."""
    manifest, _ = load_one(manifest_flash, NAME)
    if not isinstance(manifest, dict):
        return [NAME]
    found = []
    for name in sorted(manifest):
        try:
            sound = crc_of(flash, name) == manifest[name]
        except OSError:
            sound = False
        if not sound:
            found.append(name)
    return found
