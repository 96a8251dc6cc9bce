"""A reading: a water value measured by hand, with what its kit could tell apart.

A colour chart shows steps; the water lies somewhere between the neighbours of the step somebody chose. Against a line
a chart reading counts as the midpoint to its upper neighbour (contract); the chart's lowest step means "nothing seen"
and never crosses a line.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from tareline.errors import FieldError
from tareline.units import CANONICAL, to_canonical


@dataclass(frozen=True, slots=True)
class Reading:
    """A value in its canonical unit (nitrogen compounds in mg/L as N), and the neighbours on its chart.

    below, above: the neighbouring steps, None at the scale's ends. chart: whether neighbours are known at all; without,
    the value came from an instrument and counts as itself.
    """

    entry: int
    at_ms: int
    analyte: str
    value: float
    chart: bool = False
    below: float | None = None
    above: float | None = None

    @property
    def low(self) -> float:
        """The least the water may hold: zero under a chart's lowest step."""
        if not self.chart:
            return self.value
        return self.below if self.below is not None else min(0.0, self.value)

    @property
    def high(self) -> float | None:
        """The most the water may hold; None above a chart's highest step."""
        return self.above if self.chart else self.value

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


def make_reading(
    entry: int,
    at_ms: int,
    analyte: str,
    value: float,
    unit: str,
    basis: str | None,
    chart: bool,
    below: float | None,
    above: float | None,
) -> Reading:
    """A checked reading from values as they were stated. Raises FieldError naming the field."""
    canonical = to_canonical(analyte, value, unit, basis)
    scale = CANONICAL[analyte]
    if not scale.lowest <= canonical <= scale.highest:
        raise FieldError(
            "value",
            f"expected {scale.lowest:g} to {scale.highest:g} {scale.unit} for {analyte}; found {value:g}",
        )
    if below is not None and not below < value:
        raise FieldError("below", f"expected a step below {value:g}; found {below:g}")
    if above is not None and not above > value:
        raise FieldError("above", f"expected a step above {value:g}; found {above:g}")
    low = None if below is None else to_canonical(analyte, below, unit, basis)
    high = None if above is None else to_canonical(analyte, above, unit, basis)
    return Reading(entry, at_ms, analyte, canonical, chart, low, high)
