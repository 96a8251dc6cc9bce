"""Un-ionised ammonia from total ammonia, pH and temperature.

Fraction f = 1 / (1 + 10^(pKa - pH)), pKa = 0.09018 + 2729.92 / T, T in kelvin, fresh water, 0 to 50 degC (Emerson et
al. 1975, J. Fish. Res. Board Can. 32:2379).
"""

from dataclasses import dataclass

from tareline.units import KELVIN_OFFSET
from tareline.water.readings import Reading

ASSUMED_PH = 8.0  # contract
ASSUMED_TEMPERATURE_C = 25.0  # judgement: the warm end of a room's tank, so that the assumption errs to the safe side
FRESH_MS = 14 * 86_400_000  # an older pH or temperature is not used (contract)


def unionised_fraction(ph: float, temperature_c: float) -> float:
    """The un-ionised share (0 to 1) of total ammonia at a pH and a temperature in degC."""
    pka = 0.09018 + 2729.92 / (temperature_c + KELVIN_OFFSET)
    return float(1 / (1 + 10 ** (pka - ph)))


@dataclass(frozen=True, slots=True)
class Unionised:
    """Un-ionised ammonia in mg/L as N: as it counts against a line, and between which values the water may hold it.

    high is None above a chart's highest step. assumed names what was not measured. at_ms is the ammonia reading's.
    """

    value: float
    counted: float
    low: float
    high: float | None
    assumed: tuple[str, ...]
    at_ms: int
    entry: int
    may_cross: bool


def unionised(total: Reading, ph: Reading | None, temperature_c: tuple[float, int] | None, now_ms: int) -> Unionised:
    """Un-ionised ammonia from a total reading and the newest pH reading and (temperature, at_ms) known.

    Against a line both charts count as the midpoint to their upper neighbour: more ammonia, and more of it un-ionised.
    What is missing or older than 14 days is assumed, and named.
    """
    assumed = []
    if ph is not None and now_ms - ph.at_ms <= FRESH_MS:
        ph_low, ph_value, ph_counted, ph_high = ph.low, ph.value, ph.counted, ph.high
    else:
        ph_low = ph_value = ph_counted = ph_high = ASSUMED_PH
        assumed.append("ph")
    if temperature_c is not None and now_ms - temperature_c[1] <= FRESH_MS:
        celsius = temperature_c[0]
    else:
        celsius = ASSUMED_TEMPERATURE_C
        assumed.append("temperature")
    high = None
    if total.high is not None:  # beyond a pH chart's highest step all of it may be un-ionised
        high = total.high * (unionised_fraction(ph_high, celsius) if ph_high is not None else 1.0)
    return Unionised(
        value=total.value * unionised_fraction(ph_value, celsius),
        counted=total.counted * unionised_fraction(ph_counted, celsius),
        low=total.low * unionised_fraction(ph_low, celsius),
        high=high,
        assumed=tuple(assumed),
        at_ms=total.at_ms,
        entry=total.entry,
        may_cross=total.may_cross,
    )
