"""What a probe's weeks cost the load: a year of samples every ten minutes.

    python tests/bench/probe_weeks.py

Prints milliseconds of a core of a first gathering of a tank's record, of one that finds nothing new, and of the mark by
which a record that has changed is known.
"""

import random
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
from figures import keep
from house import DAY_MS, MINUTE_MS, NOON_MS, TANK, House
from spent import spent_ms

from tareline.app.projections.load_record import LoadRecords
from tareline.store import series
from tareline.store.series import Value

DAYS, STEP_MS = 365, 10 * MINUTE_MS


def fill(house: House) -> None:
    """The history, written below the entries: what is measured is the reading of it."""
    noise, begin_ms = random.Random(5), NOON_MS - DAYS * DAY_MS
    begin = datetime.fromtimestamp(begin_ms / 1000, UTC).isoformat()
    house.add("probe", id="probe", tank=TANK, at=begin)
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.1, "at": begin})
    for day in range(DAYS):
        times = range(begin_ms + day * DAY_MS, begin_ms + (day + 1) * DAY_MS, STEP_MS)
        warmth = [Value("temperature", "Cel", at, 24 + noise.gauss(0, 0.03)) for at in times]
        cell = [Value("conductivity", "S/m", at, 0.05 + noise.gauss(0, 1e-4)) for at in times]
        with house.service.context.write() as tx:
            series.add(tx, "probe", warmth + cell)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        house = House.furnished(Path(folder))
        fill(house)
        records = LoadRecords(house.service.context, house.service.accounts)
        with house.service.context.store.read() as tx:
            records.mark(tx, TANK)  # builds its statements
            figures = {
                "a tank's record, the first": f"{spent_ms(lambda: records.gather(tx, TANK)):.0f} ms",
                "a record that finds nothing new": f"{spent_ms(lambda: records.gather(tx, TANK)):.0f} ms",
                "the mark that tells whether anything is new": f"{spent_ms(lambda: records.mark(tx, TANK)):.1f} ms",
            }
            found = records.gather(tx, TANK)
        assert found is not None
        keep({**figures, "weeks of a probe": str(sum(one.probe for one in found.record.readings))})
        house.close()


if __name__ == "__main__":
    main()
