"""The whole feeder on an RP2040's core, as it is shipped: its files on a flash, its chips on the pins that are the
defaults of boards with this chip. In the place of the radio (tests/rp2040/radio) is a serial line to a broker."""

import random
import tempfile
from pathlib import Path
from typing import Any

import pytest
from broker import Broker
from pin_chips import Ds18b20Chip, Hx711Chip, PushButton, StepDriver
from rp2_board import Rp2Board

from tareline.boards.files import prepare
from tareline.resources import load_firmware

HERE = Path(__file__).parent
RADIO = {path.name: path.read_bytes() for path in (HERE / "radio").glob("*.py")}
NOW_S = 1_792_908_000  # when the power comes: 2026-10-25T06:00Z
DAY_MS = 86_400_000
GAIN_G = 0.001  # of one step
COUNTS_PER_G = 17_600
NOISE_COUNTS = 21  # of one conversion at gain 128 (the converter's data sheet: 50 nV, from memory)
PINS = {name: pin for name, pin in load_firmware("pins").PICO_W["feeder"].items() if not name.startswith("clock_")}
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
    "wifi": {"ssid": "network", "password": ""},
    "pins": PINS,
    "gain_ng_per_step": 1_000_000,
}


def on_flash() -> dict[str, bytes]:
    """What a board's flash holds before its first start: what `tareline flash` writes."""
    with tempfile.TemporaryDirectory() as name:
        out = Path(name) / "board"
        prepare(out, SETTINGS, None)
        files = {path.relative_to(out).as_posix(): path.read_bytes() for path in out.rglob("*") if path.is_file()}
    return files | RADIO | {"power_s.txt": str(NOW_S).encode()}


class Feeder:
    """The board with everything on its pins. hopper_g: what truly hangs on the cell."""

    def __init__(self, image: Path) -> None:
        self.board = Rp2Board(image, on_flash())
        self.hopper_g = 0.0
        self._noise = random.Random(1)
        self.cell = Hx711Chip(self.board, PINS["cell_data"], PINS["cell_clock"], self._code)
        self.motor = StepDriver(self.board, PINS["motor_step"], PINS["motor_direction"], PINS["motor_enable"])
        self.motor.on_step = self._stepped
        self.button = PushButton(self.board, PINS["button"])
        self.thermometer = Ds18b20Chip(self.board, PINS["thermometer"], 0x0191)
        self.broker = Broker(self.board, "tareline/feeder-1")

    def _code(self) -> int:
        counts = 211_000 + self.hopper_g * COUNTS_PER_G + self._noise.gauss(0, NOISE_COUNTS)
        return round(counts) & 0xFFFFFF

    def _stepped(self) -> None:
        self.hopper_g -= GAIN_G

    @property
    def now_ms(self) -> int:
        return NOW_S * 1000 + round(self.board.us / 1000)

    def command(self, name: str, do: str, **args: Any) -> dict[str, Any]:
        """The reply to a command."""
        fields = {"id": name, "expires_at_ms": self.now_ms + 600_000, "do": do, "args": args}
        count = len(self.broker.of("reply"))
        self.broker.down("command", fields)
        return self.broker.wait("reply", 60, count + 1)

    def plan(self, version: int, meals: list[dict[str, Any]]) -> dict[str, Any]:
        days = [{"start_ms": NOW_S * 1000 - 6 * 3_600_000 + i * DAY_MS, "cap_g": 1.0} for i in range(8)]
        return {
            "installation": "home",
            "version": version,
            "issued_at_ms": self.now_ms,
            "gain_g_per_step": GAIN_G,
            "days": days,
            "meals": meals,
            "fallback": None,
        }


@pytest.mark.timeout(1200)
def test_a_feeder_from_its_first_start_to_a_meal_and_a_hold(rp2_image: Path) -> None:
    feeder = Feeder(rp2_image)
    board, broker, motor = feeder.board, feeder.broker, feeder.motor
    hello = broker.wait("hello", 60)
    assert (hello["kind"], hello["calibration"]) == ("feeder", "none")
    if hello["clock"] == "unset":
        assert broker.wait("hello", 60, 2)["clock"] == "set"

    # Calibration as the README says: the empty hopper, then a known mass on it.
    assert feeder.command("c1", "tare")["ok"], broker.messages
    feeder.hopper_g = 50.0
    assert feeder.command("c2", "calibrate", mass_g=50)["ok"], broker.messages

    # A plan with one meal; the pulses on the pin are the steps in the dose, and the cell saw what they gave.
    meal = {"id": "2026-10-25 noon", "at_ms": feeder.now_ms + 2_000, "target_g": 0.03}
    broker.down("plan", feeder.plan(1, [meal]))
    dose = broker.wait("dose", 120)
    assert (dose["meal"], dose["cause"], dose["outcome"]) == (meal["id"], "plan", "ok")
    assert dose["steps"] == len(motor.times_us) == motor.position == 30
    assert motor.lost == 0
    assert not motor.coils_on
    assert abs(dose["before_g"] - dose["after_g"] - 0.03) < 4 * dose["sd_g"] + 0.0001
    assert abs(dose["before_g"] - 50) < 0.05
    assert dose["temperature_c"] == pytest.approx(25.06)
    assert abs(dose["at_ms"] - meal["at_ms"]) < 30_000
    assert feeder.cell.offs == 1, "the driver's own restart, and no pulse too long"

    # Held, nothing moves.
    broker.down("hold", {"installation": "home", "version": 2, "held": True, "reduce_to": 1, "reason": "test"})
    board.run(lambda: broker.of("applied")[-1]["hold_version"] == 2, 20)
    feeder.command("c3", "dispense", target_g=0.03)
    assert broker.wait("dose", 60, 2)["outcome"] == "held"
    assert motor.position == 30
    assert {"plan.bin", "hold.bin", "journal.bin", "scale.bin"} <= board.files().keys()
    assert broker.of("fault") == [fault for fault in broker.of("fault") if fault["code"] == "scale_uncalibrated"]
    assert broker.connects == 1
    assert board.resets == 0, "the watchdog was content"
