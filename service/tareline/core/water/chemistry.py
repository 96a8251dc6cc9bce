"""Un-ionised ammonia from total ammonia, pH and temperature.

Fraction f = 1 / (1 + 10^(pKa - pH)), pKa = 0.09018 + 2729.92 / T, T in kelvin, fresh water, 0 to 50 degC (Emerson et
al. 1975, J. Fish. Res. Board Can. 32:2379).
"""

from dataclasses import dataclass

from tareline.core.units import KELVIN_OFFSET
from tareline.core.water.freshness import FRESH_MS
from tareline.core.water.readings import Reading

ASSUMED_PH = 8.0  # contract
ASSUMED_TEMPERATURE_C = 25.0  # judgement: the warm end of a room's tank, so that the assumption errs to the safe side


def unionised_fraction(ph: float, temperature_c: float) -> float:
    """The un-ionised share (0 to 1) of total ammonia at a pH and a temperature in degC."""
    pka = 0.09018 + 2729.92 / (temperature_c + KELVIN_OFFSET)
    return float(1 / (1 + 10 ** (pka - ph)))


@dataclass(frozen=True, slots=True)
class Unionised:
    """Un-ionised ammonia in mg/L as N: the value that counts against a line, and the interval in which the true value
    lies.

    high is None above a chart's highest step. assumed names what was not measured. at_ms, may_cross and detected are
    the ammonia reading's.
    """

    value: float
    counted: float
    low: float
    high: float | None
    assumed: tuple[str, ...]
    at_ms: int
    entry: int
    may_cross: bool
    detected: bool


def unionised(total: Reading, ph: Reading | None, temperature: Reading | None, now_ms: int) -> Unionised:
    """Un-ionised ammonia from a total reading and the newest pH and temperature known.

    Against a line all charts count as the midpoint to their upper neighbour: more ammonia, and more of it un-ionised.
    What is missing or older than 14 days is assumed, and named.
    """
    assumed = []
    if ph is None or now_ms - ph.at_ms > FRESH_MS:
        ph = Reading(0, now_ms, "ph", ASSUMED_PH)
        assumed.append("ph")
    if temperature is None or now_ms - temperature.at_ms > FRESH_MS:
        temperature = Reading(0, now_ms, "temperature", ASSUMED_TEMPERATURE_C)
        assumed.append("temperature")
    high = None
    if total.high is not None:  # beyond a chart's highest step all of it may be un-ionised
        open_end = ph.high is None or temperature.high is None
        share = 1.0 if open_end else unionised_fraction(ph.high or 0.0, temperature.high or 0.0)
        high = total.high * share
    return Unionised(
        value=total.value * unionised_fraction(ph.value, temperature.value),
        counted=total.counted * unionised_fraction(ph.counted, temperature.counted),
        low=total.low * unionised_fraction(ph.low, temperature.low),
        high=high,
        assumed=tuple(assumed),
        at_ms=total.at_ms,
        entry=total.entry,
        may_cross=total.may_cross,
        detected=total.detected,
    )
