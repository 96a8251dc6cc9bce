"""SIGKILL of the service, of the broker, of both, at random moments under traffic, also with a broker that writes
nothing down, so that every kill makes it forget its sessions, its queues and what it retained.

Afterwards every dose that a device made is in the ledger exactly once with its own content, `received` has reached
each device's last dose, and nothing was refused. The moments are drawn from a seed that is part of the test's name.
With TARELINE_FULL=1 there are many more rounds. Figures are printed at the end (run with -s or see the summary).
"""

import random
import threading
from functools import partial
from typing import Any

import pytest
from device import Device
from servers import SAVED, UNSAVED

from conftest import FULL, Household

ROUNDS = 60 if FULL else 5
DEVICES = 3
FLASH_DOSES = 60
# Mosquitto writes its whole state at every change here, and each kill doubles what waits in it: it drains slowly.
DRAINED_S = 900.0 if FULL else 120.0
FIGURES: list[str] = []


class Traffic:
    """Devices that dose without a break, each from a thread of its own, at their own seeded pace."""

    def __init__(self, devices: list[Device], seed: int) -> None:
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._dose, args=(device, random.Random(seed * 1000 + i)), daemon=True)
            for i, device in enumerate(devices)
        ]

    def _dose(self, device: Device, luck: random.Random) -> None:
        while not self._stop.wait(luck.uniform(0.01, 0.06)):
            if len(device.kept) > FLASH_DOSES:
                continue  # a flash is finite: the feeder waits for the service
            for _ in range(luck.choice((1, 1, 1, 2, 10))):
                device.dose()

    def __enter__(self) -> "Traffic":
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join()


def all_received(device: Device) -> bool:
    return device.received >= device.seq


def any_further(devices: list[Device], before: list[int]) -> bool:
    """Whether of any device more is received than it was before."""
    return any(device.received > was for device, was in zip(devices, before, strict=True))


def books_are_right(house: Household, devices: list[Device]) -> int:
    """Compare the ledger with what the devices made; returns the number of doses."""
    for device in devices:
        told = f"received {device.seq}; it is at {device.received}"
        device.wait(partial(all_received, device), told, DRAINED_S)
    entries = house.ledger("dose")
    assert [e for e in entries if e["corrects"] is not None] == []
    in_books: dict[tuple[str, int], dict[str, Any]] = {}
    for entry in entries:
        key = (entry["feeder"], entry["seq"])
        assert key not in in_books, f"dose {key} is in the ledger twice"
        in_books[key] = entry
    made = {(device.name, seq): body for device in devices for seq, body in device.sent.items()}
    assert set(in_books) == set(made)
    for key, body in made.items():
        entry = in_books[key]
        wrong = {k: (entry[k], v) for k, v in body.items() if entry[k] != v}
        assert not wrong, f"{key}: {wrong}"
    assert house.get("/rejects") == []
    assert house.ledger("gap") == []
    return len(made)


@pytest.mark.timeout(3600 if FULL else 300)
@pytest.mark.parametrize("seed", [20250101])
@pytest.mark.parametrize(
    ("victims", "broker"),
    [("service", SAVED), ("broker", SAVED), ("both", SAVED), ("both", UNSAVED)],
    indirect=["broker"],
    ids=["service", "broker", "both", "both, the broker forgets everything"],
)
def test_every_dose_is_in_the_ledger_exactly_once(
    household: Household, victims: str, seed: int, request: pytest.FixtureRequest
) -> None:
    luck = random.Random(f"{victims}-{seed}")
    moment = threading.Event()
    devices = []
    for i in range(DEVICES):
        name = household.feeder if i == 0 else f"{household.feeder}-{i}"
        if i:
            household.add_feeder(name)
        devices.append(household.device(name))
    repeats = 0.0
    with Traffic(devices, seed):
        for _ in range(ROUNDS):
            if luck.random() < 0.5:  # let some doses go the whole way; else kill whatever is just starting
                before = [device.received for device in devices]
                household.until(partial(any_further, devices, before), DRAINED_S)
            moment.wait(luck.uniform(0.05, 0.7))
            if victims in ("service", "both"):
                repeats += household.metric("tareline_messages_total", what="repeat")
                household.service.kill()
            if victims == "both":
                moment.wait(luck.choice((0.0, 0.0, 0.3)))
            if victims in ("broker", "both"):
                household.broker.kill()
                moment.wait(luck.choice((0.0, 0.1, 0.5)))
                household.broker.start()
            if victims in ("service", "both"):
                household.service.start(connected=luck.random() < 0.7)
            else:
                household.until(household.service.healthy, timeout=60)
        household.until(household.service.healthy, timeout=60)
    count = books_are_right(household, devices)
    repeats += household.metric("tareline_messages_total", what="repeat")
    FIGURES.append(
        f"{request.node.callspec.id}: {ROUNDS} rounds of kills, {DEVICES} devices, {count} doses, "
        f"at least {repeats:.0f} delivered again and dropped"
    )
    household.service.terminate()
    assert household.service.ended() == 0


def test_figures(capsys: pytest.CaptureFixture[str]) -> None:
    """Prints what the rounds above amounted to; there must have been some traffic to speak of."""
    assert FIGURES, "run together with the rounds above"
    with capsys.disabled():
        print()
        for line in FIGURES:
            print(line)
