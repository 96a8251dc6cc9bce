"""Lines on samples: for how long, and for what share of the time, a series lay beyond a limit.

A spell begins where a value reaches the limit and ends where one is clear of it by the hysteresis, so that noise about
the limit makes one spell and not many. It counts from the moment when the time spent beyond the limit adds up to the
rule's least duration: what passes sooner is no spell. Across a gap nothing is known: a spell ends before it, and what
follows begins anew.

Nothing here tells a fault from water: give `exceedances` what `core/probes` lets pass.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from tareline.core.safety.lines import reaches
from tareline.core.units import HOUR_MS

Points = Sequence[tuple[int, float]]  # (UNIX ms, value), ascending in time


@dataclass(frozen=True, slots=True)
class ExceedanceRule:
    """hysteresis in the metric's unit; the least time beyond the limit; what is longer without a sample is a gap."""

    hysteresis: float
    min_ms: int
    gap_ms: int


def rule_for(metric: str, limit: float) -> ExceedanceRule:
    """The rule for a line on the samples of a metric ("temperature" in degC, "tds" in mg/L).

    Judgement. A sensor's noise is a few hundredths of a degree; an hour outlasts a lamp, a lid that is open or a water
    change, and is short against any harm that warmth does. Dissolved solids move in days, and bubbles pass in hours.
    """
    if metric == "temperature":
        return ExceedanceRule(0.3, HOUR_MS, 2 * HOUR_MS)
    if metric == "tds":
        return ExceedanceRule(0.03 * abs(limit), 3 * HOUR_MS, 6 * HOUR_MS)
    raise ValueError(f"metric: expected temperature or tds; found {metric!r}")


@dataclass(frozen=True, slots=True)
class Exceedance:
    """A stretch beyond a limit, from the first sample there to the first clear of it (or the last before a gap).

    to_ms: None where it lasts to the end of what was given. known_ms: when it had lasted long enough to count.
    extreme: the value farthest beyond; last: the newest of its values.
    """

    from_ms: int
    to_ms: int | None
    known_ms: int
    extreme: float
    last: float


def exceedances(points: Points, limit: float, above: bool, rule: ExceedanceRule) -> list[Exceedance]:
    """Every spell at or beyond a limit, in order. limit and hysteresis are in the unit of the values."""
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
    """A spell that is being followed, before it is known whether it counts."""

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
