"""A board's flash: files that outlive power, and the ways in which a write can fail.

The seam of firmware/journal.py: `read(name, at=0, size=None)`, `append(name, data)`, `replace(name, parts)`.
"""

from collections.abc import Callable, Iterable
from random import Random


class PowerCutError(BaseException):
    """The power is gone: nothing of the program runs any more. No handler of the firmware may catch it."""


class Flash:
    """Files in memory. One write can be told to be the last before a power cut, or to be refused.

    cut(writes, how): power goes at that write from now (1: the next): `before` it, in the `torn` middle, or `after` it.
    refuse(writes, until_ms): from that write on, and until that instant, writes raise OSError.
    """

    def __init__(self, files: dict[str, bytes], rng: Random, now_ms: Callable[[], int] = lambda: 0) -> None:
        self.files, self.rng, self.now_ms = files, rng, now_ms
        self.writes = 0
        self.refused = 0
        self._cut_at: int | None = None
        self._cut_how = ""
        self._refuse_at: int | None = None
        self._refuse_until_ms = 0

    def cut(self, writes: int, how: str) -> None:
        self._cut_at, self._cut_how = self.writes + writes, how

    def refuse(self, writes: int, until_ms: int) -> None:
        self._refuse_at, self._refuse_until_ms = self.writes + writes, until_ms

    def mend(self) -> None:
        """No fault waits any more."""
        self._cut_at = self._refuse_at = None

    def rot(self) -> bool:
        """One bit of one file flips, if there is any."""
        names = sorted(name for name, data in self.files.items() if data)
        if not names:
            return False
        name = self.rng.choice(names)
        data = bytearray(self.files[name])
        data[self.rng.randrange(len(data))] ^= 1 << self.rng.randrange(8)
        self.files[name] = bytes(data)
        return True

    def _write(self, name: str, before: bytes | None, after: bytes, torn: bytes | None) -> None:
        self.writes += 1
        if self._refuse_at is not None and self.writes >= self._refuse_at:
            if self.now_ms() < self._refuse_until_ms:
                self.refused += 1
                raise OSError("the flash refuses to write")
            self._refuse_at = None
        if self._cut_at is not None and self.writes >= self._cut_at:
            self._cut_at = None
            left = {"before": before, "torn": torn, "after": after}[self._cut_how]
            if left is not None:
                self.files[name] = left
            raise PowerCutError
        self.files[name] = after

    def read(self, name: str, at: int = 0, size: int | None = None) -> bytes | None:
        data = self.files.get(name)
        if data is None:
            return None
        return data[at:] if size is None else data[at : at + size]

    def append(self, name: str, data: bytes) -> None:
        before = self.files.get(name)
        torn = (before or b"") + data[: self.rng.randrange(len(data) + 1)]
        self._write(name, before, (before or b"") + data, torn)

    def replace(self, name: str, parts: bytes | Iterable[bytes]) -> None:
        """The old content or the new one, nothing between: so a torn replacement is one that has not happened."""
        data = parts if isinstance(parts, bytes) else b"".join(parts)
        before = self.files.get(name)
        self._write(name, before, data, before)
