"""Whether the recent observations rise above the months before, by two control charts."""

import math
from dataclasses import dataclass

import numpy as np

from tareline.core.trends import control_charts, kendall
from tareline.core.trends.slopes import Series, SlopeEstimate, least_squares_slope


@dataclass(frozen=True, slots=True)
class ChartSettings:
    """The settings of the control charts for one kind of series.

    recent_d, baseline_d: lengths in days of the recent period and of the period before it, with which it is compared.
    fewest: the fewest observations of the baseline. correlation_d: prior of the correlation time in days; weight: its
    weight in observations. run_length: mean number of observations until a false signal. fast_score: the least standard
    score of the slope since the onset that the CUSUM chart found.
    """

    recent_d: float
    baseline_d: float
    fewest: int
    correlation_d: float
    weight: float
    run_length: float
    fast_score: float


KITS = ChartSettings(35.0, 147.0, 6, 10.0, 12.0, 700.0, 2.5)
PROBES = ChartSettings(28.0, 60.0, 4, 4.0, 14.0, 1500.0, 3.0)
ALLOWANCE, WEIGHT = 0.5, 0.05  # of the CUSUM, of the EWMA


@dataclass(frozen=True)
class Charts:
    """fast: the slope since the onset of a rise, where the CUSUM chart signals. slow: whether the EWMA chart
    signals."""

    fast: SlopeEstimate | None
    slow: bool


def charts(series: Series, settings: ChartSettings) -> Charts | None:
    """The charts of the recent observations against the baseline, with the correlation removed; None where there are
    too few observations."""
    at, value = series.at, series.value
    begin = max(-settings.recent_d, float(at[0]) / 2)
    early, late = (at < begin) & (at >= begin - settings.baseline_d), at >= begin
    if early.sum() < settings.fewest or late.sum() < 2:
        return None
    line = np.polynomial.Polynomial.fit(at[early], value[early], 1)
    residue = value[early] - line(at[early])
    width = (series.high - series.low)[early]
    rounding = float(np.mean(np.where(np.isfinite(width), width, 0.0) ** 2)) / 12
    sd = math.sqrt(max(float(residue @ residue) / (len(residue) - 2), rounding)) or 1e-9
    correlation_d = kendall.correlation_time(at[early], residue, settings.correlation_d, settings.weight)
    alike = np.exp(-np.diff(at[late]) / correlation_d)
    off = (value[late] - value[early].mean()) / sd
    score = np.append(off[0], (off[1:] - alike * off[:-1]) / np.sqrt(1 - alike**2))
    means = control_charts.ewma(score, WEIGHT, 0.0)
    mean_sd = float(control_charts.ewma_sd(WEIGHT, np.array([len(score)]))[0])
    slow = bool(means[-1] > control_charts.ewma_limit(WEIGHT, settings.run_length) * mean_sd)
    sums = control_charts.cusum(score, ALLOWANCE)
    if sums[-1] <= control_charts.cusum_limit(ALLOWANCE, settings.run_length):
        return Charts(None, slow)
    zero = np.nonzero(sums == 0)[0]
    onset = float(at[late][zero[-1]]) if len(zero) else float(at[late][0])
    fast = least_squares_slope(series.since(onset), sd, correlation_d)
    return Charts(fast if fast is not None and fast.z >= settings.fast_score else None, slow)
