"""What an estimate costs: with one month behind it and with five years, and as its open period grows.

    python tests/bench/estimate.py [--times 7]

One feeder, six doses a day. Its past is closed period by period, as the service would (`periods`); timed is what a new
dose costs then, in time of one core: the estimate of the open period with its days' sums and every dose.
"""

import argparse
import statistics
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "sim"))
from feeders import DAY_MS, START_MS, Life, draw, live
from figures import keep

from tareline.core.weighing.estimate import estimate
from tareline.core.weighing.history import History
from tareline.core.weighing.model import SettledState
from tareline.core.weighing.periods import next_closing_ms


def a_life(weeks: int) -> Life:
    random = np.random.default_rng(12)
    figures = draw(random)
    while len(figures.doses_g) != 6:
        figures = draw(random)
    return live(figures, weeks, random)


def close_all(history: History, now_ms: int) -> tuple[SettledState | None, int]:
    """The state that the closed past leaves, and how many periods were closed."""
    settled, begin_ms, count = None, START_MS, 0
    while (end_ms := next_closing_ms(begin_ms, now_ms, history.weighins)) is not None:
        settled = estimate(history, end_ms, settled).settle()
        begin_ms, count = end_ms, count + 1
    return settled, count


def once(history: History, now_ms: int, settled: SettledState | None) -> float:
    begin = time.process_time()
    found = estimate(history, now_ms, settled)
    found.sums([(now_ms - day * DAY_MS, now_ms - (day - 1) * DAY_MS) for day in range(7, 0, -1)])
    assert found.doses
    return time.process_time() - begin


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--times", type=int, default=7)
    times = parser.parse_args().times
    years = a_life(261)
    now_ms = START_MS + 260 * 7 * DAY_MS
    begin = time.process_time()
    settled, count = close_all(years.history, now_ms)
    assert settled is not None
    figures = {
        "five years closed once": f"{len(years.doses)} doses, {count} periods, {time.process_time() - begin:.1f} s"
    }

    # The same events with and without five years before them: what lies before the settled instant is left out by the
    # caller, who reads the ledger from there.
    open_part = years.history.between(settled.at_ms, now_ms)
    month = a_life(5)
    month_ms = START_MS + round(now_ms - settled.at_ms)
    cases = {
        "5 years": (open_part, now_ms, settled),
        "1 month": (month.history.between(None, month_ms), month_ms, None),
    }
    spent: dict[str, list[float]] = {name: [] for name in cases}
    for _ in range(times):
        for name, case in cases.items():
            spent[name].append(once(*case))
    for name, (history, _, _) in cases.items():
        told = f"{1000 * statistics.median(spent[name]):.0f} ms for {len(history.doses)} open doses"
        figures[f"an estimate with {name} behind it"] = told
    per_dose = [statistics.median(spent[name]) / len(cases[name][0].doses) for name in cases]
    figures["5 years against 1 month, for each open dose"] = f"{per_dose[0] / per_dose[1]:.2f}"
    for weeks in (4, 8, 16, 32):
        end_ms = START_MS + weeks * 7 * DAY_MS
        history = years.history.between(None, end_ms)
        took = statistics.median(once(history, end_ms, None) for _ in range(max(1, times // 2)))
        each = f"{1e3 * took / len(history.doses):.2f} ms for each of {len(history.doses)} doses"
        figures[f"open for {weeks} weeks"] = each
    keep(figures)


if __name__ == "__main__":
    main()
