"""What the tests on a core share: what they ask of every heap, and how they hear and ask a device."""

from collections.abc import Callable
from typing import Any

from core_device import Device
from desk import Ear
from waiting import until

KIB = 1024
SMALL, LARGE = 128 * KIB, 192 * KIB
# In 128 KiB a feeder has some 20 KB left: enough for a plan of the largest size, but not always for one that comes
# while hundreds of doses wait for the service. That one is told as refused, and asked for again.
HEAPS = (SMALL, LARGE)
LARGEST_PIECE_BYTES = 2 * KIB  # the firmware's rule: after start, no single allocation is larger
Make = Callable[..., Device]


def told(device: Device, ear: Ear, tail: str, **fields: Any) -> Any:
    """The first message of this tail with these values."""

    def found() -> list[Any]:
        return [one for one in ear.of(device.name, tail) if all(one[name] == value for name, value in fields.items())]

    return until(found, 30, lambda: f"{tail} {fields}: {ear.got[-5:]} {device.log[-1500:]}")[0]


def asked(device: Device, ear: Ear, command_id: str, do: str, **args: Any) -> Any:
    """The reply to a command."""
    ear.command(device.name, command_id, do, **args)
    return told(device, ear, "reply", id=command_id)


def seqs(device: Device, ear: Ear) -> set[int]:
    """The numbers of the doses that were heard."""
    return {dose["seq"] for dose in ear.of(device.name, "dose")}


def wait(device: Device, condition: Callable[[], Any], timeout: float = 60) -> None:
    """Until this holds; what the device has printed is told where it does not."""
    until(condition, timeout, lambda: device.log[-1500:])
