"""The demo: a complete small installation in one process tree, with invented tanks and a past.

An embedded broker, the real service on a real database, and feeders and probes: the real firmware on simulated
hardware. The first start makes up the past; later ones continue from what is there.
"""

import json
import logging
import socket
import tempfile
import threading
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import Progress

from tareline.boards.files import device_settings
from tareline.clock import ManualClock, SystemClock
from tareline.core.units import DAY_MS
from tareline.mqtt.embedded import embedded_broker
from tareline.service import Service
from tareline.settings import Settings
from tareline.simulate import desk, history, month
from tareline.web.server import serve

PORT = 8620
SCENARIO = "scenario.json"
log = logging.getLogger(__name__)


def run(folder: Path, port: int | None) -> int:
    """Run the demo until it is interrupted; returns an exit code.

    port None: 8620, or a free one where that is taken. Raises RuntimeError where the broker or the port cannot be had.
    """
    console = Console()
    folder.mkdir(parents=True, exist_ok=True)
    stop = threading.Event()
    with ExitStack() as stack:
        url = stack.enter_context(embedded_broker())
        settings = Settings.model_validate(
            {
                "broker": {"url": url},
                "store": {"url": f"sqlite:///{folder.absolute()}/tareline.db"},
                "http": {"listen": f"127.0.0.1:{_port(port)}"},
            }
        )
        hoppers = _past(folder, settings, console)
        threads = _devices(folder, url, hoppers, stop)
        try:
            return serve(settings, SystemClock(), lambda: _greet(console, settings.http.listen))
        finally:
            stop.set()
            for thread in threads:
                thread.join(10)


def tell_month() -> None:
    """Play a keeper's month, and print what people would have been told."""
    console = Console()
    with tempfile.TemporaryDirectory() as folder, Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(f"Playing {month.DAYS} days", total=month.DAYS)
        logging.disable(logging.WARNING)  # what is logged meanwhile is part of the play
        messages = month.play(Path(folder), lambda day: progress.update(task, completed=day))
        logging.disable(logging.NOTSET)
    month.show(messages, console)


def _greet(console: Console, listen: str) -> None:
    console.print(f"\n[bold]The library's three tanks: http://{listen}/[/bold]")
    console.print("Feeders dose two and four minutes after the first start, then every two hours.")
    console.print("Enter an ammonia reading of 1.6 (it counts as 2.4 mg/L) and see the feeder stop.")
    console.print("Ctrl-C ends everything.\n")


def _port(wanted: int | None) -> int:
    for candidate in (PORT if wanted is None else wanted, 0):
        with socket.socket() as probe_socket:
            probe_socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe_socket.bind(("127.0.0.1", candidate))
            except OSError as error:
                if wanted is not None:
                    raise RuntimeError(f"port {wanted} cannot be had: {error.strerror}") from error
                continue
            return int(probe_socket.getsockname()[1])
    raise RuntimeError("no free port on 127.0.0.1")


def _past(folder: Path, settings: Settings, console: Console) -> dict[str, float]:
    """What is in each hopper, after making up the past where there is none. A past left half told is told anew."""
    scenario = folder / SCENARIO
    if scenario.exists():
        told: dict[str, float] = json.loads(scenario.read_text())
        return told
    for leftover in folder.glob("tareline.db*"):
        leftover.unlink()
    now_ms = SystemClock().now_ms()
    clock = ManualClock(now_ms - (history.DAYS + 2) * DAY_MS)
    service = Service(settings, clock)
    with Progress(console=console) as progress:
        task = progress.add_task(f"Making up {history.DAYS} days of history", total=history.DAYS)
        logging.disable(logging.WARNING)  # months of past alarms are no news
        hoppers = history.write(service, clock, now_ms, lambda day: progress.update(task, completed=day))
        logging.disable(logging.NOTSET)
    service.stop()
    scenario.write_text(json.dumps(hoppers))
    return hoppers


def _devices(folder: Path, url: str, hoppers: dict[str, float], stop: threading.Event) -> list[threading.Thread]:
    """Start the firmware of each feeder and probe on simulated hardware, in threads of this process."""
    jobs: list[dict[str, Any]] = []
    for sill in history.sills(0):
        feeder = device_settings("feeder", sill.feeder, url)
        jobs.append(feeder | {"hopper_g": hoppers[sill.feeder], "steps_per_s": 100.0})
        if sill.probe is not None:
            jobs.append(device_settings("probe", sill.probe, url))
    threads = []
    for settings in jobs:
        flash = folder / f"flash-{settings['device']}"
        thread = threading.Thread(target=desk.run, args=(flash, settings, stop), name=settings["device"], daemon=True)
        thread.start()
        threads.append(thread)
    return threads
