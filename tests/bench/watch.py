"""What one look of the watcher costs, with a year of samples at five minutes and two years of weekly readings.

    python tests/bench/watch.py

Prints milliseconds of a first look (nothing known), of one that finds nothing new, of one five minutes later (samples
are looked at again) and of one after a reading; and how many bytes looks write to the store when nothing changes.
"""

import random
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from figures import keep
from house import DAY_MS, MINUTE_MS, NOON_MS, TANK, House
from spent import spent_ms

from tareline.store import ledger, series
from tareline.store.series import Value

TANKS, DAYS, WEEKS = (TANK, "window", "office"), 365, 104
STEP_MS = 5 * MINUTE_MS
STATED = {"ammonia": ("mg/L", "N"), "nitrite": ("mg/L", "N"), "nitrate": ("mg/L", "ion"), "ph": ("1", None)}


def fill(house: House) -> None:
    """The history, written below the entries: what is measured is the look."""
    noise, context = random.Random(5), house.service.context
    for i, tank in enumerate(TANKS):
        if tank != TANK:
            house.add("tank", id=tank, name=tank, volume_l=60, timezone="Europe/Berlin")
        house.add("probe", id=f"probe-{i}", tank=tank, at="2023-06-15T12:00:00Z")
        with context.write() as tx:
            for week in range(WEEKS):
                at_ms = NOON_MS - (WEEKS - week) * 7 * DAY_MS + 1000
                for analyte, (unit, basis) in STATED.items():
                    value = 7.0 if analyte == "ph" else 0.1
                    body = {"analyte": analyte, "value": round(value * noise.uniform(0.95, 1.05), 3), "unit": unit}
                    ledger.add(tx, "reading", at_ms, NOON_MS, {**body, "basis": basis}, tank=tank, subject=analyte)
        for day in range(DAYS):
            start_ms = NOON_MS - (DAYS - day) * DAY_MS
            times = range(start_ms + STEP_MS, start_ms + DAY_MS + 1, STEP_MS)
            warmth = [Value("temperature", "Cel", at, 24 + noise.gauss(0, 0.03)) for at in times]
            cell = [Value("conductivity", "S/m", at, 0.05 + noise.gauss(0, 1e-4)) for at in times]
            with context.write() as tx:
                series.add(tx, f"probe-{i}", warmth + cell)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        house = House.furnished(Path(folder))
        began = time.monotonic()
        fill(house)
        print(f"filled in {time.monotonic() - began:.0f} s")
        house.restart()
        watch = house.service.watch
        figures = {"the first look": f"{spent_ms(watch):.0f} ms", "nothing new": f"{spent_ms(watch):.1f} ms"}
        for hours in (2, 1):  # in the first one the probes fall silent, and reminders are due
            log, wrote = Path(folder) / "house.db-wal", 0
            for _ in range(hours * 120):
                house.clock.advance(30_000)
                before = log.stat().st_mtime_ns
                watch()
                wrote += log.stat().st_mtime_ns != before
            falls = "the probes fall silent in them" if hours == 2 else "nothing happens"
            figures[f"of {hours * 120} looks wrote to the store; {falls}"] = str(wrote)
        house.clock.advance(5 * MINUTE_MS)
        figures["five minutes later"] = f"{spent_ms(watch):.0f} ms"
        house.reading("ammonia", 0.1)
        figures["after a reading"] = f"{spent_ms(watch):.0f} ms"
        keep(figures)
        print([one.what for one in house.watch()])
        house.close()


if __name__ == "__main__":
    main()
