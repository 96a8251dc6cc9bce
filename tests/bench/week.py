"""The week page's time with one month of doses and with five years, as a ratio.

    python tests/bench/week.py [--times 60]

Two services, one after the other in each round, with the same ration and feeder; only the history differs. The time is
that of the whole page over HTTP.
"""

import argparse
import json
import random
import statistics
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

import httpx
from brokers import Mosquitto, running_service, settings
from figures import keep

from tareline.app.context import Context
from tareline.clock import SystemClock
from tareline.store import ledger
from tareline.store.engine import Store

DAY_MS = 86_400_000
MEALS = 10


def fill(folder: Path, port: int, days: int) -> None:
    """A tank with a feeder that dosed ten times a day, weekly readings and weigh-ins, and a hold each month."""
    from tareline.service import Service

    service = Service(settings(folder, port), SystemClock())
    now_ms = service.context.stamp_ms()
    start = {"at": "2020-01-01T00:00:00Z"}
    service.things.add("tank", {"id": "t", "name": "T", "volume_l": 60, "timezone": "UTC", **start})
    service.things.add("feeder", {"id": "f", "tank": "t", **start})
    meals = [{"at": f"{8 + i:02}:00", "share": 1 / MEALS} for i in range(MEALS)]
    service.feeding.put_ration("t", {"daily_g": 0.3, "cap_g": 0.5, "meals": meals})
    context: Context = service.context
    scatter = random.Random(5)
    with context.write() as tx:
        rows, seq = [], 0
        for day in range(days, -1, -1):
            for meal in range(MEALS):
                seq += 1
                at_ms = now_ms - day * DAY_MS - meal * 3_600_000
                body = {
                    "outcome": "ok",
                    "cause": "plan",
                    "target_g": 0.03,
                    "steps": 30,
                    "before_g": round(60.0 + scatter.gauss(0.03, 0.004), 4),
                }
                body |= {"after_g": 60.0, "sd_g": 0.004, "journal": "j", "seq": seq, "boot": "b", "uptime_ms": 1}
                key = {"kind": "dose", "device": "f", "journal": "j", "seq": seq, "void": False}
                rows.append({"at_ms": at_ms, "recorded_ms": now_ms, "body": json.dumps(body), **key})
            at_ms = now_ms - day * DAY_MS
            if day % 7 == 0:
                reading = {"analyte": "nitrate", "value": 5.0, "unit": "mg/L", "basis": "ion"}
                reading |= {"chart": True, "below": 0.0, "above": 10.0}
                ledger.add(tx, "reading", at_ms, now_ms, reading, tank="t", subject="nitrate")
                ledger.add(tx, "weighin", at_ms, now_ms, {"mass_g": 60.0, "sd_g": 0.01}, device="f")
            if day % 30 == 0 and day:
                hold = {"cause": "person", "do": "hold", "reason": "bench", "open": []}
                entry = ledger.add(tx, "hold", at_ms, now_ms, hold, tank="t")
                ledger.add(tx, "release", at_ms + 3_600_000, now_ms, {"releases": [entry], "open": []}, tank="t")
        ledger.add_doses(tx, rows)
    assert isinstance(context.store, Store)
    context.store.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=60)
    times = parser.parse_args().times
    spent: dict[int, list[float]] = {30: [], 1826: []}
    with ExitStack() as stack:
        pages = {}
        for days in spent:
            broker = stack.enter_context(Mosquitto())
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
            fill(folder, broker.port, days)
            url = stack.enter_context(running_service(folder, broker.port))
            pages[days] = (httpx.Client(base_url=url), url)
        for i in range(times + 5):
            for days, (client, _) in pages.items():
                start = time.perf_counter()
                client.get("/tanks/t").raise_for_status()
                if i >= 5:
                    spent[days].append(time.perf_counter() - start)
    medians = {days: statistics.median(seconds) for days, seconds in spent.items()}
    figures = {f"the week page with {days} days of doses, median": f"{s * 1000:.1f} ms" for days, s in medians.items()}
    keep({**figures, "ratio of the two medians": f"{medians[1826] / medians[30]:.2f}"})


if __name__ == "__main__":
    main()
