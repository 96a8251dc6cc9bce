"""The same files under CPython and MicroPython, on double and on single floats, on a small heap."""

import json
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tareline.resources import firmware_dir

HERE = Path(__file__).parent
MICROPYTHON = Path(sys.executable).with_name("micropython")
PORTABLE = ("portable_world", "portable_weighing", "portable_probe", "portable_update", "portable_texts")
TELL = """
import json, sys
sys.path[:0] = [sys.argv[1], sys.argv[2]]
print(json.dumps(__import__(sys.argv[3]).run()))
"""
WARM_DAYS = 40  # until every bounded list is full
DAYS = 30


def micropython(heap: str, *arguments: str) -> str:
    command = [str(MICROPYTHON), "-X", f"heapsize={heap}", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=250)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout


@pytest.fixture
def plain_names() -> Iterator[None]:
    """The firmware's modules under the names they have on a board, for as long as a test runs."""
    before = set(sys.modules)
    sys.path[:0] = [str(firmware_dir()), str(HERE)]
    yield
    del sys.path[:2]
    for name in set(sys.modules) - before:
        path = getattr(sys.modules[name], "__file__", None)
        if path is not None and Path(path).parent in (firmware_dir(), HERE):
            del sys.modules[name]


@pytest.mark.parametrize("name", PORTABLE)
@pytest.mark.usefixtures("plain_names")
def test_both_runtimes_say_the_same(name: str) -> None:
    here = json.loads(json.dumps(__import__(name).run()))
    there = json.loads(micropython("2m", "-c", TELL, str(firmware_dir()), str(HERE), name))
    assert len(here) > 20
    assert there == here


class Single(float):
    """A float that keeps 24 bits, as a board's does: each result goes through the four bytes of IEEE 754 single."""

    def __new__(cls, value: Any) -> "Single":
        return super().__new__(cls, struct.unpack("f", struct.pack("f", float(value)))[0])

    def __mul__(self, other: Any) -> "Single":
        return Single(float(self) * float(Single(other)))

    def __add__(self, other: Any) -> "Single":
        return Single(float(self) + float(Single(other)))

    def __truediv__(self, other: Any) -> "Single":
        return Single(float(self) / float(Single(other)))


def test_single_keeps_seven_digits() -> None:
    assert float(Single(0.1)) == 0.10000000149011612  # IEEE 754: the single nearest to 0.1
    assert Single(16777217) == 16777216  # 2^24 + 1


@pytest.mark.usefixtures("plain_names")
def test_nothing_depends_on_double_precision(monkeypatch: pytest.MonkeyPatch) -> None:
    portable_world, streaming = __import__("portable_world"), __import__("streaming")
    double = portable_world.run()

    class SingleJson:
        @staticmethod
        def loads(payload: bytes) -> Any:
            return json.loads(payload, parse_float=Single)

    monkeypatch.setattr(streaming, "json", SingleJson)
    single = portable_world.run()
    assert len(single) == len(double)
    for one, two in zip(single, double, strict=True):
        if len(one) != 6:
            assert one[0] == two[0]
            continue
        # A mass of seven digits may differ in the last; a step is a thousand times more.
        assert (one[0], one[1], one[4], one[5]) == (two[0], two[1], two[4], two[5])
        assert abs(one[2] - two[2]) <= 1
        assert abs(one[3] - two[3]) <= 1


@pytest.mark.slow
def test_thirty_days_on_a_small_heap_do_not_grow(tmp_path: Path) -> None:
    script = str(HERE / "heap_script.py")
    out = micropython("256k", script, str(firmware_dir()), str(tmp_path), str(WARM_DAYS + DAYS))
    free = [int(line.split()[1]) for line in out.splitlines()][WARM_DAYS:]
    moved = [int(line.split()[2]) for line in out.splitlines()][WARM_DAYS:]
    assert sum(steps > 100 for steps in moved) > DAYS / 2  # held days are part of it; most are fed
    assert len(free) == DAYS
    mean_day = (DAYS - 1) / 2
    slope = sum((day - mean_day) * (value - sum(free) / DAYS) for day, value in enumerate(free))
    slope /= sum((day - mean_day) ** 2 for day in range(DAYS))
    print(f"\nfree after collection: {min(free)} to {max(free)} of 262144 bytes, {slope:+.1f} a day")
    # A list that grew by one entry a day would take 64 bytes (a small list and a short text).
    assert slope > -32
    assert min(free) > 100_000
