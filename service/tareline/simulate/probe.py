"""A probe that doesn't exist: temperature and conductivity of a tank's water, sent as SenML packs (RFC 8428).

Conductivity is sent uncompensated: it rises with the temperature by about 2 % per kelvin (ISO 7888 gives 1.9 % per
kelvin near 25 degC for natural waters, from memory) and a little from day to day, as a tank that is fed does.
"""

import math
import os
import random
import secrets
import signal
import sys
import threading
from pathlib import Path
from typing import Annotated, Any

import typer

from tareline import __version__
from tareline.clock import Clock, SystemClock
from tareline.simulate.wire import Wire

DAY_MS = 86_400_000
MEAN_C = 24.5
SWING_C = 0.8
PER_KELVIN = 0.02
RISE_PER_DAY = 0.004  # relative; starts over every week, as with a water change
TEMPERATURE_NOISE_C = 0.03
CONDUCTIVITY_NOISE = 0.004  # relative


class Water:
    """What the probe hangs in."""

    def __init__(self, conductivity_25_s_per_m: float = 0.042, seed: int | None = None) -> None:
        self._at_25 = conductivity_25_s_per_m
        self._random = random.Random(seed)

    def sample(self, now_ms: int) -> tuple[float, float]:
        """(degrees Celsius, uncompensated conductivity in S/m) as the probe reads them at this instant."""
        temperature_c = MEAN_C + SWING_C * math.sin(2 * math.pi * (now_ms / DAY_MS - 0.4))
        risen = 1 + RISE_PER_DAY * (now_ms / DAY_MS % 7)
        conductivity = self._at_25 * risen * (1 + PER_KELVIN * (temperature_c - 25.0))
        return (
            round(temperature_c + self._random.gauss(0.0, TEMPERATURE_NOISE_C), 2),
            round(conductivity * (1 + self._random.gauss(0.0, CONDUCTIVITY_NOISE)), 6),
        )


def pack(now_ms: int, temperature_c: float, conductivity_s_per_m: float) -> list[dict[str, Any]]:
    """One SenML pack of both values at one time; base time in whole seconds."""
    return [
        {"bt": now_ms // 1000, "n": "temperature", "u": "Cel", "v": temperature_c},
        {"n": "conductivity", "u": "S/m", "v": conductivity_s_per_m},
    ]


def _board(flash_dir: Path) -> str:
    """The probe's own id, kept in its flash folder."""
    flash_dir.mkdir(parents=True, exist_ok=True)
    path = flash_dir / "board"
    if not path.exists():
        fresh = path.with_suffix(".new")
        fresh.write_text(f"sim-{secrets.token_hex(6)}", encoding="utf-8")
        os.replace(fresh, path)
    return path.read_text(encoding="utf-8")


def run(
    device: str,
    broker_url: str,
    flash_dir: Path,
    root: str = "tareline",
    stop: threading.Event | None = None,
    clock: Clock | None = None,
    every_s: float = 60.0,
    conductivity_25_s_per_m: float = 0.042,
) -> None:
    """Run a probe until `stop` is set, reconnecting for ever; a sample that falls due without a link is not kept."""
    stop = stop or threading.Event()
    clock = clock or SystemClock()
    water = Water(conductivity_25_s_per_m)
    boot = secrets.token_hex(6)
    board = _board(flash_dir)
    started_s = clock.monotonic_s()

    def came_up() -> None:
        hello = {"boot": boot, "uptime_ms": int((clock.monotonic_s() - started_s) * 1000), "board": board}
        hello |= {"kind": "probe", "firmware": f"{__version__}-sim", "clock": "set"}
        wire.publish("status", {"online": True}, True)
        wire.publish("hello", hello, True)

    wire = Wire(device, broker_url, root, stop, came_up, lambda: None, tails=())
    due_s = started_s
    while not stop.is_set():
        if clock.monotonic_s() >= due_s:
            if wire.up:
                now_ms = clock.now_ms()
                wire.publish("samples", pack(now_ms, *water.sample(now_ms)), False)
            elif clock.monotonic_s() - started_s < every_s:  # the first one waits for the first link
                wire.wait(0.2)
                continue
            due_s = clock.monotonic_s() + every_s
        wire.wait(max(0.0, min(1.0, due_s - clock.monotonic_s())))
    wire.close()


def main(
    device: Annotated[str, typer.Option(help="the device's name")],
    broker: Annotated[str, typer.Option(help="mqtt://host:port")],
    flash: Annotated[Path, typer.Option(help="folder that is the device's flash")],
    root: Annotated[str, typer.Option(help="topic prefix")] = "tareline",
    every: Annotated[float, typer.Option(help="seconds between samples")] = 60.0,
    conductivity: Annotated[float, typer.Option(help="of the water at 25 degC, S/m")] = 0.042,
) -> None:
    """Run a simulated probe until it is ended."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        run(device, broker, flash, root, stop, every_s=every, conductivity_25_s_per_m=conductivity)
    except ValueError as error:
        print(error, file=sys.stderr)
        raise typer.Exit(1) from None


if __name__ == "__main__":
    typer.run(main)
