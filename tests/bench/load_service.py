"""The load in a running service: from a start and from a reading to an answer that holds it, forecasts, and memory.

    python tests/bench/load_service.py [--times 20]

One tank with ten doses a day and a test of nitrate each week, for one year and for five. The first forecast starts a
process of its own; the others are asked of it, each of another ration.
"""

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import httpx
from brokers import Mosquitto, running_service
from figures import keep
from week import fill


def memory_mb(pid: int) -> float:
    """Resident memory of a process."""
    line = next(one for one in (Path("/proc") / str(pid) / "status").read_text().splitlines() if "VmRSS" in one)
    return int(line.split()[1]) / 1024


def processes(folder: str) -> tuple[int, list[int]]:
    """The service whose configuration lies in a folder, and the processes that compute for it."""
    service, parents = 0, {}
    for process in Path("/proc").glob("[0-9]*"):
        try:
            command = (process / "cmdline").read_bytes()
            parents[int(process.name)] = int((process / "stat").read_text().rpartition(")")[2].split()[1])
        except OSError:
            continue
        if folder.encode() in command and b"serve" in command:
            service = int(process.name)
    return service, [pid for pid, parent in parents.items() if parent == service]


def fresh(api: httpx.Client) -> float:
    """Wait until everything is in the load; seconds."""
    began = time.perf_counter()
    while not api.get("/tanks/t/load").json()["fresh"]:
        time.sleep(0.05)
    return time.perf_counter() - began


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--times", type=int, default=20)
    times = parser.parse_args().times
    figures = {}
    for years in (1, 5):
        with tempfile.TemporaryDirectory() as name, Mosquitto() as broker:
            fill(Path(name), broker.port, 365 * years)
            with running_service(Path(name), broker.port) as url, httpx.Client(base_url=f"{url}/api/v1") as api:
                started = fresh(api)
                reading = {"analyte": "nitrate", "value": 5.0, "unit": "mg/L", "basis": "ion", "below": 0, "above": 10}
                api.post("/tanks/t/readings", json=reading).raise_for_status()
                entered = fresh(api)
                asked = []
                for i in range(times):
                    began = time.perf_counter()
                    answer = api.get("/tanks/t/forecast", params={"daily_g": 0.1 + 0.01 * i, "days": 56})
                    assert answer.is_success, answer.text
                    asked.append(time.perf_counter() - began)
                service, workers = processes(name)
                of = f"years of history: {years}"
                figures[f"from a start to an answer, {of}"] = f"{started:.1f} s"
                figures[f"from a reading to an answer that holds it, {of}"] = f"{entered:.1f} s"
                figures[f"a forecast over HTTP, {of}"] = (
                    f"the first, which starts a process, {asked[0]:.2f} s; then median "
                    f"{statistics.median(asked[1:]) * 1000:.0f} ms, worst {max(asked[1:]) * 1000:.0f} ms"
                )
                beside = ", ".join(f"{memory_mb(pid):.0f}" for pid in workers)
                figures[f"memory, {of}"] = f"service {memory_mb(service):.0f} MB, its processes {beside} MB"
    keep(figures)


if __name__ == "__main__":
    main()
