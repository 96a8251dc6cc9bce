"""Flash as files in one folder, on a board (littlefs) and on a desk alike.

littlefs makes what was written to a file visible, as a whole, when it is closed: a write that power cuts short never
was. On a desk's disk a write may be torn, which journal.py recognises.
"""

import os


def _settle(file):
    """Wait until the disk has it. MicroPython's flush does that by itself; CPython needs to be told."""
    file.flush()
    if hasattr(os, "fsync"):
        os.fsync(file.fileno())


class Files:
    """The flash seam of journal.py on a folder."""

    def __init__(self, folder):
        self.folder = folder.rstrip("/") + "/"

    def read(self, name, at=0, size=None):
        try:
            file = open(self.folder + name, "rb")
        except OSError as error:
            if error.args[0] == 2:  # ENOENT
                return None
            raise
        with file:
            file.seek(at)
            return file.read() if size is None else file.read(size)

    def size(self, name):
        """Bytes of a file, or None where there is no such file."""
        try:
            return os.stat(self.folder + name)[6]
        except OSError as error:
            if error.args[0] == 2:
                return None
            raise

    def names(self, folder):
        """What a folder holds; nothing where there is no such folder."""
        try:
            return os.listdir(self.folder + folder)
        except OSError as error:
            if error.args[0] == 2:
                return []
            raise

    def make(self, folder):
        """Make a folder, where there is none."""
        try:
            os.mkdir(self.folder + folder)
        except OSError as error:
            if error.args[0] != 17:  # EEXIST
                raise

    def remove(self, name):
        """Remove a file, where there is one."""
        try:
            os.remove(self.folder + name)
        except OSError as error:
            if error.args[0] != 2:
                raise

    def free_bytes(self):
        found = os.statvfs(self.folder)
        return found[1] * found[4]

    def append(self, name, data):
        with open(self.folder + name, "ab") as file:
            file.write(data)
            _settle(file)

    def replace(self, name, parts):
        fresh = self.folder + name + ".new"
        with open(fresh, "wb") as file:
            for part in parts:
                file.write(part)
            _settle(file)
        os.rename(fresh, self.folder + name)
