"""Spells, shares of time and probe offsets against real series whose events are known, and a published calibration.

Water flow: hourly, with three known low segments and one small peak after the first two (docstring of the data set in
river 0.26.1). Key West: hourly temperatures of real water without a known fault (Stat2Data). Thermometer: GUM (JCGM
100:2008) H.3. Shares of time: numpy's interpolation on a fine grid is the second witness.
"""

import csv
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import linregress

from tareline.core.probes.condition import line, probe_issues
from tareline.core.probes.plausibility import check_samples, stuck_spans
from tareline.core.safety.exceedance import ExceedanceRule, exceedances
from tareline.core.units import HOUR_MS

DATA = Path(__file__).parent / "data"
GAP_MS = 3 * HOUR_MS


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(row for row in file if not row.startswith("#")))


def flow() -> list[tuple[int, float]]:
    return [
        (round(datetime.fromisoformat(r["time"]).timestamp() * 1000), float(r["flow_l_per_s"]))
        for r in rows("water_flow_hourly.csv")
    ]


def sea() -> list[tuple[int, float]]:
    return [
        (int(r["hours"]) * HOUR_MS, (float(r["temperature_f"]) - 32) / 1.8) for r in rows("key_west_water_hourly.csv")
    ]


@pytest.mark.parametrize("limit", [40.0, 60.0, 80.0, 90.0, 96.0])
def test_the_three_known_low_segments_of_a_pipeline_are_found_and_nothing_else(limit: float) -> None:
    found = exceedances(flow(), limit, False, ExceedanceRule(3.0, 2 * HOUR_MS, GAP_MS))
    assert [datetime.fromtimestamp(s.from_ms / 1000).date().isoformat() for s in found] == [
        "2022-03-24",
        "2022-03-29",
        "2022-04-27",
    ]
    assert all(s.extreme == pytest.approx(24.25, abs=0.02) and s.to_ms is not None for s in found)


def test_the_known_peak_follows_the_first_two_segments() -> None:
    lows = exceedances(flow(), 90.0, False, ExceedanceRule(3.0, 2 * HOUR_MS, GAP_MS))
    (peak,) = exceedances(flow(), 108.0, True, ExceedanceRule(1.0, 0, GAP_MS))
    assert lows[1].from_ms < peak.from_ms < lows[2].from_ms
    assert peak.extreme == 109.68


def test_real_water_is_never_called_a_fault() -> None:
    """2 300 hours with cold fronts and a storm, though an hourly series gives the track the least room of all."""
    points = sea()
    assert all(j.plausible for j in check_samples("temperature", points))
    assert stuck_spans(points) == []
    for end in range(200, len(points), 50):
        found = probe_issues("temperature", points[max(0, end - 336) : end], [], points[end - 1][0])
        assert [a.kind for a in found] == []


def test_a_published_thermometer_calibration() -> None:
    """GUM H.3.3: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), nu 9; correction at 30 degC -0.1494 (0.0041)."""
    data = [(float(r["reading_c"]), float(r["correction_c"])) for r in rows("gum_h3_thermometer_calibration.csv")]
    at, values = [x for x, _ in data], [y for _, y in data]
    fit = line(at, values, 20.0, 1.0, 0.0)
    assert (fit.height, fit.height_sd) == (pytest.approx(-0.1712, abs=5e-5), pytest.approx(0.0029, abs=5e-5))
    assert (fit.slope, fit.slope_sd) == (pytest.approx(0.00218, abs=5e-6), pytest.approx(0.00067, abs=5e-6))
    assert fit.freedom == 9
    at_30 = line(at, values, 30.0, 1.0, 0.0)
    assert (at_30.height, at_30.height_sd) == (pytest.approx(-0.1494, abs=5e-5), pytest.approx(0.0041, abs=5e-5))
    other = linregress(np.array(at) - 30.0, values)
    assert at_30.height == pytest.approx(other.intercept, rel=1e-9)
    assert at_30.height_sd == pytest.approx(other.intercept_stderr, rel=1e-9)
