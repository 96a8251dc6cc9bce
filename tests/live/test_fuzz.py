"""Everything that can arrive at a device, from the whole range of what a sender may send (oddities.py, written from the
contract alone): the device lives on, answers, what it says is JSON, and its heap does not run out. MicroPython, a real
broker.

With TARELINE_FULL=1 there are 100 000 messages.
"""

import random
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from desk import Desk, Ear
from oddities import Facts, odd_message
from servers import Broker

from conftest import FULL

MESSAGES = 100_000 if FULL else 3000
AT_A_TIME = 100
# Of 256 KiB. What grows are the places of doses that nobody has received (1000 at most) and what is in force; after
# 20 000 messages 64 KB were left.
LEAST_FREE_BYTES = 40_000


@pytest.fixture
def ear(broker: Broker) -> Iterator[Ear]:
    made = Ear(broker)
    yield made
    made.close()


@pytest.fixture(params=["feeder", "probe"])
def device(broker: Broker, ear: Ear, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Desk]:
    name = f"the-{request.param}"
    made = Desk(tmp_path / "flash", request.param, name, broker.url, "--runtime", "micropython").start()
    ear.wait(made.device, "hello")
    yield made
    made.close()


@pytest.mark.timeout(0 if FULL else 300)
def test_no_message_silences_a_device(device: Desk, ear: Ear) -> None:
    rng = random.Random(1)
    hello = ear.of(device.device, "hello")[-1]
    facts = {"journal": hello.get("journal", ""), "boot": hello["boot"], "installation": "h1"}
    free: list[int] = []
    for batch in range(MESSAGES // AT_A_TIME):
        for _ in range(AT_A_TIME):
            tail, payload = odd_message(rng, Facts(now_ms=time.time_ns() // 1_000_000, **facts))
            ear.say(device.device, tail, payload)
        ear.command(device.device, f"still-there-{batch}", "sing")
        assert ear.reply(device.device, f"still-there-{batch}")["ok"] is False
        free.append(ear.of(device.device, "hello")[-1]["heap_free_bytes"])
    assert {one["boot"] for one in ear.of(device.device, "hello")} == {hello["boot"]}, "it has started again"
    assert not [one for one in ear.got if isinstance(one[2], bytes)], "what it says is no JSON"
    assert any(one["code"] == "message_refused" for one in ear.of(device.device, "fault"))
    assert min(free) > LEAST_FREE_BYTES, free
