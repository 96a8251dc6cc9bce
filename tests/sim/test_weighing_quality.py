"""Does the reported deviation mean what it says? Doses weighed before and after, on 300 cells that differ widely.

The standardised error of a dose is what the scale says minus the truth, over the deviation it reports for the
difference. If deviations are honest, 95 % of these errors lie within 1.96 and their root mean square is about one.
The cells cover: 10 and 80 conversions a second, noise of 0.5 to 18 mg a conversion, up to all of it correlated over up
to half a second, a count of 0.2 % to 100 % of the noise, settling times up to two seconds, a zero that moves by up to
20 mg an hour, and single conversions that spike by up to a thousand deviations. Not covered: a zero that wanders
irregularly over tens of seconds, which no weighing can tell from food.
"""

import math
import os
from collections import defaultdict
from random import Random
from typing import Any

import pytest
from cells import SimulatedCell

from tareline.resources import load_firmware

weighing = load_firmware("weighing")

CELLS = 300
DOSES = 60 if os.environ.get("TARELINE_FULL") == "1" else 8  # per cell
WITHIN = 1.96  # 95 % of a normal distribution
LONGEST_S = 16.1


class Flash:
    """A file in memory."""

    def __init__(self):
        self.data = None

    def read(self, name, at=0, size=None):
        return self.data

    def replace(self, name, parts):
        self.data = b"".join(parts)


class Dosed:
    """One dose weighed: its standardised error, and how long the weighing after it took."""

    def __init__(self, cell, scale, random):
        cell.wait(random.uniform(60, 300))
        before_ug, before_sd = scale.weigh()
        mass_ug = math.exp(random.uniform(math.log(20_000), math.log(1_000_000)))
        chunks = random.randint(1, 30)
        for _ in range(chunks):
            cell.mass_ug -= mass_ug / chunks
            cell.wait(0.05)
        begun = cell.seconds
        after_ug, after_sd = scale.weigh()
        self.took_s = cell.seconds - begun
        self.sd_ug = math.hypot(before_sd, after_sd)
        self.error = (before_ug - after_ug - mass_ug) / self.sd_ug


def doses_of(seed):
    """(the cell, its doses): calibrated with 50 g, then doses of 0.02 to 1 g in 50 ms to 1.5 s."""
    random = Random(seed)
    cell = SimulatedCell(random)
    cell.wait(60)
    scale = weighing.Scale(cell, Flash())
    assert scale.tare(), scale.detail
    cell.mass_ug = 50e6
    cell.wait(60)
    assert scale.calibrate(50_000_000), scale.detail
    return cell, [Dosed(cell, scale, random) for _ in range(DOSES)]


@pytest.fixture(scope="module")
def cells():
    return [doses_of(seed) for seed in range(CELLS)]


def errors_of(cells, kind):
    """Errors by the kind of cell."""
    groups: dict[Any, list[float]] = defaultdict(list)
    for cell, doses in cells:
        groups[kind(cell)] += [dose.error for dose in doses]
    return groups


def coverage(errors):
    return sum(abs(error) < WITHIN for error in errors) / len(errors)


def spread(errors):
    return math.sqrt(sum(error * error for error in errors) / len(errors))


def test_the_interval_of_95_percent_covers_93_to_97(cells):
    errors = errors_of(cells, lambda cell: "all")["all"]
    took = [dose.took_s for _, doses in cells for dose in doses]
    print(f"\n{len(errors)} doses: within 1.96 {coverage(errors):.4f}, spread {spread(errors):.3f},", end=" ")
    print(f"mean {sum(errors) / len(errors):+.3f}, largest {max(map(abs, errors)):.1f},", end=" ")
    print(f"after a dose {sum(took) / len(took):.1f} s, at most {max(took):.1f} s")
    assert 0.93 <= coverage(errors) <= 0.97
    assert 0.85 <= spread(errors) <= 1.05


def test_large_errors_are_rare(cells):
    """Student's t has longer tails than the normal distribution: beyond four deviations a few in ten thousand."""
    errors = errors_of(cells, lambda cell: "all")["all"]
    assert sum(abs(error) > 4 for error in errors) <= 0.003 * len(errors)
    assert max(map(abs, errors)) < 10


@pytest.mark.parametrize(
    ("what", "kind"),
    [
        ("conversions a second", lambda cell: cell.rate_hz),
        ("correlation", lambda cell: cell.correlation_s > 0.1),
        ("mostly correlated", lambda cell: cell.correlated > 0.7 and cell.correlation_s > 0.15),
        ("settling", lambda cell: "fast" if cell.settling_s < 0.2 else "middle" if cell.settling_s < 0.8 else "slow"),
        ("steps of a count", lambda cell: abs(cell.quantum_ug) > 0.3 * cell.noise_ug),
        ("spikes", lambda cell: cell.spikes_per_s > 0),
        ("noise", lambda cell: cell.noise_ug > 3_000),
    ],
)
def test_no_kind_of_cell_pays_for_another(cells, what, kind):
    for of, errors in errors_of(cells, kind).items():
        print(f"\n{what} {of}: {len(errors)} doses, {coverage(errors):.4f}, spread {spread(errors):.3f}", end="")
        assert 0.915 <= coverage(errors) <= 0.985, (what, of)


def test_doses_are_not_found_larger_or_smaller_than_they_were(cells):
    """A tail that was not waited for makes every dose look smaller; a mean of many doses would keep that."""
    for slow, errors in errors_of(cells, lambda cell: cell.settling_s > 1.2).items():
        assert abs(sum(errors) / len(errors)) < (0.45 if slow else 0.1)


def test_no_weighing_takes_longer_than_it_says(cells):
    assert max(dose.took_s for _, doses in cells for dose in doses) <= LONGEST_S


def errors_without(monkeypatch, guard, value):
    monkeypatch.setattr(weighing, guard, value)
    return errors_of([doses_of(seed) for seed in range(0, CELLS, 2)], lambda cell: "all")["all"]


def test_were_samples_taken_for_independent_the_interval_would_lie(monkeypatch):
    """The test of the test: the cells are hard enough to show it."""
    errors = errors_without(monkeypatch, "MOST_LAG", 1)
    assert coverage(errors) < 0.92
    assert spread(errors) > 1.1


def test_were_the_tail_not_waited_for_doses_would_look_smaller(monkeypatch):
    errors = errors_without(monkeypatch, "STILL", 1_000_000)
    assert sum(errors) / len(errors) < -0.15
