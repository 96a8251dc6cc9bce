"""What a tank's posterior costs: processor time and memory, one year and five years of history, and one week more.

    python tests/bench/load.py

Times are of one core.
"""

import resource
import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent / "sim"), str(HERE.parents[1] / "service")]

from figures import keep  # noqa: E402
from tanks import draw, live  # noqa: E402
from week_by_week import before, later  # noqa: E402

from tareline.core.load.forecast import Scenario, forecast  # noqa: E402
from tareline.core.load.limit import load  # noqa: E402
from tareline.core.load.posterior import DRAWS, posterior  # noqa: E402


def main() -> None:
    records = []
    for weeks in (52, 260):
        tanks = draw(6, 1, False)
        keeper = live(tanks, 1, weeks=weeks)
        records.append([keeper.record(i) for i in range(6)])
    idle_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    figures, seconds = {}, []
    for years, of in zip((1, 5), records, strict=True):
        begin = time.process_time()
        known = [posterior(record) for record in of]
        seconds.append((time.process_time() - begin) / len(of))
        begin = time.process_time()
        for one in known:
            load(one)
        answer = (time.process_time() - begin) / len(of)
        words = f"{seconds[-1]:.2f} s, what follows from it {1000 * answer:.0f} ms more"
        figures[f"a posterior of {DRAWS} draws, years of history: {years}"] = words
    figures["five years against one"] = f"{seconds[1] / seconds[0]:.1f} times"
    begin = time.process_time()
    forecast(known[0], Scenario(56, 0.1))
    figures["a forecast of 8 weeks"] = f"{1000 * (time.process_time() - begin):.0f} ms"
    for number, record in enumerate(records[0][:2], 1):
        told = posterior(before(record, 182.0))
        begin = time.process_time()
        for week in range(27, 53):
            told = later(told, before(record, 7.0 * week))
        took = f"{time.process_time() - begin:.2f} s, {told.particle_set.effective:.0f} effective draws"
        figures[f"half a year week by week, tank {number}"] = took
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    figures["memory"] = f"{peak_mb:.0f} MB at most, of which {idle_mb:.0f} MB before the first posterior"
    keep(figures)


if __name__ == "__main__":
    main()
