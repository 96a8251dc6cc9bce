"""The most food that a hopper should contain, because no program can stop a motor driver with a short circuit.

All nitrogen of the food is assumed to become ammonia at once, in water without ammonia; in reality filter and time make
it less. The ammonia may reach neither the tank's line for un-ionised ammonia nor that for total ammonia. In acid water
almost nothing of it is un-ionised, but so much food rots and uses up oxygen, and the ammonia becomes toxic when the pH
rises.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from tareline.core.safety.lines import AMMONIA_LINES, NAMES, Line
from tareline.core.water.balance import food_nitrogen_mg
from tareline.core.water.chemistry import ASSUMED_PH, unionised_fraction
from tareline.core.water.freshness import FRESH_MS
from tareline.core.water.readings import Reading

ASSUMED_TEMPERATURE_C = 26.0  # judgement: a heated tank in a warm room; warmer than the assumption for lines


@dataclass(frozen=True, slots=True)
class Advice:
    """The most food at once, in grams; None where there is no limit (food without protein).

    analyte: the one whose line that much food reaches first, `ammonia` or `free_ammonia`; line_mg_n_per_l: that line.
    total_mg_n_per_l: total ammonia then. fraction: its un-ionised share (0 to 1) at ph and temperature_c. assumed names
    what was not measured within 14 days.
    """

    mass_g: float | None
    analyte: str
    line_mg_n_per_l: float
    total_mg_n_per_l: float
    fraction: float
    ph: float
    temperature_c: float
    assumed: tuple[str, ...]


def hold_line_mg_n_per_l(lines: Iterable[Line], analyte: str) -> float:
    """The lowest line at which an analyte holds feeding, in mg/L as N; the default where the keeper has none."""

    def limits(some: Iterable[Line]) -> list[float]:
        return [line.canonical for line in some if line.analyte == analyte and line.above and line.do == "hold"]

    return min(limits(lines) or limits(AMMONIA_LINES))


def hopper_advice(
    lines: Iterable[Line],
    volume_l: float,
    protein_percent: float,
    ph: Reading | None,
    temperature: Reading | None,
    now_ms: int,
) -> Advice:
    """The mass of food whose nitrogen, all of it as ammonia, just reaches the first line that holds feeding.

    A chart's reading counts as the midpoint to its upper neighbour, as it does for lines. Crude protein is 6.25 times
    nitrogen.
    """
    lines, assumed = tuple(lines), []
    ph_value, celsius = ASSUMED_PH, ASSUMED_TEMPERATURE_C
    if ph is not None and now_ms - ph.at_ms <= FRESH_MS:
        ph_value = ph.counted
    else:
        assumed.append("ph")
    if temperature is not None and now_ms - temperature.at_ms <= FRESH_MS:
        celsius = temperature.counted
    else:
        assumed.append("temperature")
    fraction = unionised_fraction(ph_value, celsius)
    free, total = (hold_line_mg_n_per_l(lines, analyte) for analyte in ("free_ammonia", "ammonia"))
    first, line = ("free_ammonia", free) if free / fraction <= total else ("ammonia", total)
    most = min(free / fraction, total)
    per_gram_mg = food_nitrogen_mg(1.0, protein_percent)
    mass_g = most * volume_l / per_gram_mg if per_gram_mg > 0 else None
    return Advice(mass_g, first, line, most, fraction, ph_value, celsius, tuple(assumed))


def round_down_g(mass_g: float) -> float:
    """A mass rounded down to two significant digits."""
    if mass_g <= 0:
        return 0.0
    unit = 10.0 ** (math.floor(math.log10(mass_g)) - 1)
    return float(f"{math.floor(mass_g / unit + 1e-9) * unit:.2g}")


def advice_text(feeder: str, advice: Advice, content_g: float | None, daily_g: float) -> str:
    """The advice in words. content_g: the present content of the hopper, None where unknown; daily_g: what is planned
    for a day, 0 where nothing is."""
    if advice.mass_g is None:
        return ""
    most_g = round_down_g(advice.mass_g)
    text = (
        f"No firmware can stop a motor driver with a short circuit. Fill the hopper of {feeder} with no more than "
        f"{most_g:g} g at a time: if all of it fell in at once, into water without ammonia, {NAMES[advice.analyte]} "
        f"in this tank would stay under its line of {advice.line_mg_n_per_l:.2g} mg/L as N."
    )
    if daily_g > 0:
        days = math.floor(most_g / daily_g)
        lasts = f"{days} day{'s' if days > 1 else ''}" if days else "less than a day"
        text += f" At the present ration that lasts {lasts}."
    told = {"ph": f"pH {advice.ph:.1f}", "temperature": f"{advice.temperature_c:g} °C"}
    if advice.assumed:
        values = " and ".join(told[name] for name in advice.assumed)
        text += f" Assumed, because it was not measured within 14 days: {values}."
    if content_g is not None:
        text += (
            f" It holds about {max(content_g, 0.0):.2g} g now{', which is more' if content_g > advice.mass_g else ''}."
        )
    return text
