"""The whole feeder on an RP2040's core: firmware, drivers, pins, flash; the network is a serial line to a broker."""

import json
import random
from pathlib import Path
from typing import Any

from broker import Broker
from pin_chips import Ds18b20Chip, Hx711Chip, PushButton, StepDriver
from rp2_board import Rp2Board, compiled, firmware

from tareline.boards import modules_of

HERE = Path(__file__).parent
RADIO = {f"{name}.py": (HERE / "radio" / f"{name}.py").read_bytes() for name in ("socket", "ssl")}
NOW_MS = 1_792_908_000_000  # 2026-10-25T06:00Z
DAY_MS = 86_400_000
GAIN_G = 0.001  # of one step
COUNTS_PER_G = 17_600
NOISE_COUNTS = 21  # of one conversion at gain 128 (the converter's data sheet: 50 nV, from memory)
SETTINGS = {
    "kind": "feeder",
    "device": "feeder-1",
    "host": "broker",
    "port": 1883,
    "tls": False,
    "ca": None,
    "user": None,
    "password": None,
    "root": "tareline",
    "gain_ng_per_step": 1_000_000,
}
PLATFORM = ("button", "ds18b20", "feeder_rig", "files", "hx711", "onewire_bus", "runner", "sockets", "stepper")


class Feeder:
    """The board with everything on its pins. hopper_g: what truly hangs on the cell."""

    def __init__(self, image: Path) -> None:
        names = sorted({name for start in PLATFORM for name in modules_of(start)})
        self.board = Rp2Board(
            image,
            firmware(*names)
            | RADIO
            | {
                "program_script.mpy": compiled(HERE / "program_script.py"),
                "settings.json": json.dumps(SETTINGS).encode(),
                "main.py": b"import gc\ngc.threshold(4096)\nimport program_script\n",
            },
        )
        self.hopper_g = 0.0
        self._noise = random.Random(1)
        self.cell = Hx711Chip(self.board, 16, 17, self._code)
        self.motor = StepDriver(self.board, step=18, direction=19, enable=20)
        self.motor.on_step = self._stepped
        self.button = PushButton(self.board, 21)
        self.thermometer = Ds18b20Chip(self.board, 4, 0x0191)
        self.broker = Broker(self.board, "tareline/feeder-1")

    def _code(self) -> int:
        counts = 211_000 + self.hopper_g * COUNTS_PER_G + self._noise.gauss(0, NOISE_COUNTS)
        return round(counts) & 0xFFFFFF

    def _stepped(self) -> None:
        self.hopper_g -= GAIN_G

    def come_up(self) -> None:
        hello = self.broker.wait("hello", 60)
        echo = {"boot": hello["boot"], "uptime_ms": hello["uptime_ms"]}
        self.start_us = self.board.us
        self.broker.down("time", {"now_ms": NOW_MS, **echo})

    @property
    def now_ms(self) -> int:
        return NOW_MS + round((self.board.us - self.start_us) / 1000)

    def command(self, name: str, do: str, **args: Any) -> dict[str, Any]:
        count = len(self.broker.of("reply"))
        fields = {"id": name, "expires_at_ms": self.now_ms + 600_000, "do": do, "args": args}
        self.broker.down("command", fields)
        return self.broker.wait("reply", 60, count + 1)


def test_a_feeder_from_its_start_to_a_dose(rp2_image: Path) -> None:
    feeder = Feeder(rp2_image)
    feeder.come_up()
    print("up", feeder.board.us / 1e6, feeder.broker.messages, feeder.board.said)
    feeder.board.run_for(5)
    print(feeder.board.said, feeder.broker.messages)
