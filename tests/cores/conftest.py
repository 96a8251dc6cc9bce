"""Fixtures of the tests on an emulated core. The broker is the live tests' one."""

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.append(str(Path(__file__).resolve().parents[1] / "live"))

from core_device import Device, compiled
from desk import Ear
from servers import Broker


@pytest.fixture(scope="session")
def modules(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The firmware, compiled."""
    return compiled(tmp_path_factory.mktemp("firmware") / "fw_a")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path)
    made.start()
    yield made
    made.close()


@pytest.fixture
def ear(broker: Broker) -> Iterator[Ear]:
    made = Ear(broker)
    yield made
    made.close()


@pytest.fixture
def device(tmp_path: Path, modules: Path) -> Iterator[Callable[..., Device]]:
    """Makes a device that has no power yet; see device.py."""
    made: list[Device] = []

    def make(kind: str, heap_bytes: int, **other: Any) -> Device:
        made.append(Device(tmp_path / f"{kind}-{len(made)}", modules, kind, heap_bytes, **other))
        return made[-1]

    yield make
    for one in made:
        one.close()
