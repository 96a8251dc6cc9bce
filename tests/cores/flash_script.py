"""Runs under a desk's MicroPython: puts files into the littlefs of an emulated board's flash, or takes them out.

The cores here and the boards of tests/rp2040 both use it.

flash_script.py put FLASH BLOCKS FOLDER     makes the file system where there is none; subfolders come along
flash_script.py get FLASH BLOCKS FOLDER     every file at the top of the file system
"""

import os
import sys

import vfs

BLOCK = 4096


class Flash:
    """The block device of a littlefs on the first blocks of a file."""

    def __init__(self, path, count):
        self.file = open(path, "r+b")
        self.count = count

    def readblocks(self, block, buffer, offset=0):
        self.file.seek(block * BLOCK + offset)
        self.file.readinto(buffer)

    def writeblocks(self, block, buffer, offset=0):
        self.file.seek(block * BLOCK + offset)
        self.file.write(buffer)

    def ioctl(self, operation, argument):
        if operation == 3:
            self.file.flush()
        elif operation == 4:
            return self.count
        elif operation == 5:
            return BLOCK
        elif operation == 6:
            self.writeblocks(argument, b"\xff" * BLOCK)
        return 0


def copy(source, target):
    with open(source, "rb") as read, open(target, "wb") as written:
        written.write(read.read())


def put(folder, target):
    for name in os.listdir(folder):
        path = folder + "/" + name
        if os.stat(path)[0] & 0x4000:
            try:
                os.mkdir(target + "/" + name)
            except OSError:
                pass  # it is there already
            put(path, target + "/" + name)
        else:
            copy(path, target + "/" + name)


what, path, blocks, folder = sys.argv[1:]
flash = Flash(path, int(blocks))
try:
    mounted = vfs.VfsLfs2(flash)
except OSError:
    vfs.VfsLfs2.mkfs(flash, progsize=256)
    mounted = vfs.VfsLfs2(flash, progsize=256)
vfs.mount(mounted, "/core")
if what == "put":
    put(folder, "/core")
else:
    for name in os.listdir("/core"):
        if not os.stat("/core/" + name)[0] & 0x4000:
            copy("/core/" + name, folder + "/" + name)
vfs.umount("/core")
