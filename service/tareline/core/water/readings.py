"""A reading: a water value measured by hand, with what its kit or pen could tell apart.

A colour chart shows steps; the content of the water lies between the neighbours of the step that was chosen. Against a
line a chart reading counts as the midpoint to its upper neighbour (contract); the chart's lowest step means that
nothing was detected, and never crosses a line. An instrument's value is known to half its resolution. Below detection
only the detection limit is known: the content lies between zero and that limit.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from tareline.core.units import CANONICAL, TDS_FACTOR, Scale, scale
from tareline.core.water.conductivity import compensation
from tareline.errors import FieldError

_NEVER_ABSENT = ("ph", "temperature")


@dataclass(frozen=True, slots=True)
class Reading:
    """A value in its canonical unit (nitrogen compounds in mg/L as N), and the interval in which the true content lies.

    below, above: the neighbouring steps, None at the scale's ends. chart: whether neighbours are known at all; without,
    the value came from an instrument and counts as itself. resolution: an instrument's smallest step, None where it is
    not known. detected: False where the value is a detection limit. scale: how it was stated.
    """

    entry: int
    at_ms: int
    analyte: str
    value: float
    chart: bool = False
    below: float | None = None
    above: float | None = None
    resolution: float | None = None
    detected: bool = True
    scale: Scale = field(default=Scale(), compare=False)

    @property
    def low(self) -> float:
        """The lowest possible content: zero at a chart's lowest step and below a detection limit."""
        least = min(CANONICAL[self.analyte].lowest, self.value)
        if self.chart:
            return self.below if self.below is not None else least
        if not self.detected:
            return least
        return max(least, self.value - (self.resolution or 0.0) / 2)

    @property
    def high(self) -> float | None:
        """The highest possible content; None above a chart's highest step."""
        if self.chart:
            return self.above
        return self.value + (self.resolution or 0.0) / 2 if self.detected else self.value

    @property
    def counted(self) -> float:
        """What the reading counts as against a line."""
        if self.chart and self.above is not None:
            return (self.value + self.above) / 2
        return self.value

    @property
    def may_cross(self) -> bool:
        """A chart's lowest step never crosses a line."""
        return not (self.chart and self.below is None)


@dataclass(frozen=True, slots=True)
class StatedReading:
    """A reading as somebody stated it: every value in `unit` and on `basis`.

    detected: False where `value` is the detection limit. factor: the mg/L per uS/cm that a pen for dissolved solids
    used; None: the tank's. measured_at_c: the water's temperature where a conductivity is not compensated.
    """

    analyte: str
    value: float
    unit: str
    basis: str | None = None
    chart: bool = False
    below: float | None = None
    above: float | None = None
    resolution: float | None = None
    detected: bool = True
    factor: float | None = None
    measured_at_c: float | None = None

    def scale(self, tds_factor: float) -> Scale:
        """How the stated values become canonical ones. Raises FieldError where unit or basis do not fit."""
        found = scale(self.analyte, self.unit, self.basis, tds_factor)
        if self.factor is not None:
            found = found.times(tds_factor / self.factor)
        if self.measured_at_c is not None:
            found = found.times(1 / compensation(self.measured_at_c))
        return found

    def reading(self, entry: int, at_ms: int, tds_factor: float = TDS_FACTOR) -> Reading:
        """The reading that this is; tds_factor is the tank's."""
        own = self.scale(tds_factor)

        def canonical(value: float | None) -> float | None:
            return None if value is None else own.canonical(value)

        return Reading(
            entry,
            at_ms,
            self.analyte,
            own.canonical(self.value),
            self.chart,
            canonical(self.below),
            canonical(self.above),
            None if self.resolution is None else self.resolution * own.per,
            self.detected,
            own,
        )


def neighbours(steps: Sequence[float], value: float) -> tuple[float | None, float | None]:
    """The steps below and above `value` on a kit's ascending scale.

    Raises FieldError where the value is none of the steps: a chart can show nothing else.
    """
    near = [i for i, step in enumerate(steps) if abs(step - value) <= 1e-9 * max(1.0, abs(step))]
    if not near:
        raise FieldError(
            "value", f"expected one of the kit's steps {', '.join(f'{s:g}' for s in steps)}; found {value:g}"
        )
    i = near[0]
    return (steps[i - 1] if i > 0 else None), (steps[i + 1] if i + 1 < len(steps) else None)


def make_reading(entry: int, at_ms: int, stated: StatedReading, tds_factor: float = TDS_FACTOR) -> Reading:
    """A checked reading from values as they were stated. Raises FieldError naming the field."""
    _check_conductivity(stated)
    own = stated.scale(tds_factor)
    check_range("value", stated.analyte, stated.value, stated.unit, own)
    value, below, above = stated.value, stated.below, stated.above
    if below is not None and not below < value:
        raise FieldError("below", f"expected a step below {value:g}; found {below:g}")
    if above is not None and not above > value:
        raise FieldError("above", f"expected a step above {value:g}; found {above:g}")
    if stated.resolution is not None:
        if stated.chart:
            raise FieldError("resolution", "expected none for a scale: its steps say what it can tell apart")
        if not 0 < stated.resolution < math.inf:
            raise FieldError("resolution", f"expected more than 0; found {stated.resolution:g}")
    if not stated.detected:
        if stated.chart:
            raise FieldError("detected", "expected true for a scale: its lowest step says that nothing was seen")
        if stated.analyte in _NEVER_ABSENT:
            raise FieldError("detected", f"expected true for {stated.analyte}, which is never absent")
        if not value > 0:
            raise FieldError("value", f"expected the detection limit, more than 0; found {value:g}")
    return stated.reading(entry, at_ms, tds_factor)


def _check_conductivity(stated: StatedReading) -> None:
    """Raise FieldError for fields that only a reading of dissolved solids may have."""
    if stated.factor is not None:
        if stated.analyte != "tds" or stated.unit == "uS/cm":
            raise FieldError("factor", "expected only for tds in mg/L or ppm")
        check_factor("factor", stated.factor)
    if stated.measured_at_c is not None:
        if stated.unit != "uS/cm":
            raise FieldError("measured_at_c", "expected only for tds in uS/cm that the pen has not compensated")
        check_range("measured_at_c", "temperature", stated.measured_at_c, "degC", Scale())


def check_factor(name: str, factor: float) -> None:
    """Raise FieldError unless a factor can be one: salts lie between 0.45 and 0.9 (instrument handbooks)."""
    if not 0.3 <= factor <= 1.0:
        raise FieldError(name, f"expected 0.3 to 1 mg/L per uS/cm; found {factor:g}")


def check_range(name: str, analyte: str, value: float, unit: str, own: Scale) -> None:
    """Raise FieldError where a stated value lies outside what any water has, with the range as it would be stated."""
    known = CANONICAL[analyte]
    if not known.lowest <= own.canonical(value) <= known.highest:
        low, high = own.stated(known.lowest), own.stated(known.highest)
        shown = "" if unit == "1" else f" {unit}"
        raise FieldError(name, f"expected {low:g} to {high:g}{shown} for {analyte}; found {value:g}")
