"""Exceedances: the stretches of time in which samples lay at or beyond a limit.

An exceedance begins where a value reaches the limit, and ends where a value is clear of it by the hysteresis, so that
noise about the limit does not divide it. It counts once the time spent beyond the limit adds up to the least duration
of the rule; anything shorter is ignored. A gap between samples ends an exceedance, and what follows begins a new one.

This module does not detect faulty samples: pass it only those that `core/probes` accepts.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from tareline.core.safety.lines import reaches
from tareline.core.units import HOUR_MS

Points = Sequence[tuple[int, float]]  # (UNIX ms, value), ascending in time


@dataclass(frozen=True, slots=True)
class ExceedanceRule:
    """hysteresis: in the metric's unit. min_ms: the least time beyond the limit. gap_ms: the longest time without a
    sample that is not a gap."""

    hysteresis: float
    min_ms: int
    gap_ms: int


def rule_for(metric: str, limit: float) -> ExceedanceRule:
    """The rule for a line on the samples of a metric ("temperature" in degC, "tds" in mg/L).

    Judgement. The noise of a sensor is a few hundredths of a degree. An hour is longer than the effect of a lamp, an
    open lid or a water change, and shorter than any time in which warmth harms. Dissolved solids change within days,
    and bubbles disappear within hours. Raises ValueError for another metric.
    """
    if metric == "temperature":
        return ExceedanceRule(0.3, HOUR_MS, 2 * HOUR_MS)
    if metric == "tds":
        return ExceedanceRule(0.03 * abs(limit), 3 * HOUR_MS, 6 * HOUR_MS)
    raise ValueError(f"metric: expected temperature or tds; found {metric!r}")


@dataclass(frozen=True, slots=True)
class Exceedance:
    """A stretch beyond a limit, from the first sample there to the first sample clear of it (or the last before a gap).

    from_ms, to_ms: UNIX ms; to_ms is None where it lasts until the end of the samples. known_ms: when it had lasted
    long enough to count. extreme: the value farthest beyond the limit; last: its newest value.
    """

    from_ms: int
    to_ms: int | None
    known_ms: int
    extreme: float
    last: float


def exceedances(points: Points, limit: float, above: bool, rule: ExceedanceRule) -> list[Exceedance]:
    """Every exceedance of a limit, in order of time. limit and hysteresis are in the unit of the values."""
    found: list[Exceedance] = []
    open_: _OpenExceedance | None = None
    for at_ms, value in points:
        if open_ is not None and at_ms - open_.last_ms > rule.gap_ms:
            open_.close(open_.last_ms, found)
            open_ = None
        if reaches(value, limit, above):
            if open_ is None:
                open_ = _OpenExceedance(at_ms, at_ms, value, value)
            open_.beyond(at_ms, value, above, rule.min_ms)
        elif open_ is not None:
            if reaches(value, limit - rule.hysteresis if above else limit + rule.hysteresis, above):
                open_.between(at_ms, value)
            else:
                open_.close(at_ms, found)
                open_ = None
    if open_ is not None:
        open_.close(None, found)
    return found


@dataclass(slots=True)
class _OpenExceedance:
    """An exceedance that has not ended yet, and may still turn out too short to count."""

    from_ms: int
    last_ms: int
    extreme: float
    last: float
    was_beyond: bool = False
    sum_ms: int = 0
    known_ms: int | None = None

    def beyond(self, at_ms: int, value: float, above: bool, min_ms: int) -> None:
        if self.was_beyond:
            self.sum_ms += at_ms - self.last_ms
        self.was_beyond, self.last_ms, self.last = True, at_ms, value
        self.extreme = max(self.extreme, value) if above else min(self.extreme, value)
        if self.known_ms is None and self.sum_ms >= min_ms:
            self.known_ms = at_ms

    def between(self, at_ms: int, value: float) -> None:
        self.was_beyond, self.last_ms, self.last = False, at_ms, value

    def close(self, to_ms: int | None, found: list[Exceedance]) -> None:
        if self.known_ms is not None:
            found.append(Exceedance(self.from_ms, to_ms, self.known_ms, self.extreme, self.last))
