"""What the page of a tank's water says in words: trends, balances, probes, in the unit that its readings are shown in.

A `Unit` restates canonical values; intervals are named with what they hold (80 % for slopes, 95 % for offsets).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from tareline.app.answers.balances import HardnessBalance, NetBalance, NitrogenBalance, NoBalance
from tareline.app.answers.water import (
    MeanAnswer,
    OffsetAnswer,
    PlateauAnswer,
    ReadingAnswer,
    StatedAnswer,
    TrendAnswer,
)
from tareline.core.alerts.concerns import upper_first
from tareline.core.safety.lines import NAMES
from tareline.core.units import CANONICAL, Scale, scale
from tareline.settings import Show
from tareline.web.text.words import unit_text

MONTH_D = 30
DIRECTIONS = ("rising", "falling", "levelling off", "level")


@dataclass(frozen=True, slots=True)
class Unit:
    """How an analyte's canonical values are shown. text: unit and basis as they are written."""

    scale: Scale
    unit: str
    basis: str | None

    @property
    def text(self) -> str:
        return unit_text(self.unit, self.basis)

    def value(self, canonical: float) -> float:
        return self.scale.stated(canonical)

    def step(self, canonical: float) -> float:
        """A difference of canonical values."""
        return canonical / self.scale.per

    def reading(self, reading: ReadingAnswer) -> ReadingAnswer:
        """A reading restated in this unit, from its canonical values."""
        found = reading.canonical
        return reading.model_copy(
            update={
                "value": self.value(found.value),
                "low": self.value(found.low),
                "high": None if found.high is None else self.value(found.high),
                "unit": self.unit,
                "basis": self.basis,
            }
        )

    def mean(self, mean: MeanAnswer) -> MeanAnswer:
        """A canonical mean of a probe, with its lowest and highest, restated in this unit."""
        return MeanAnswer(
            at=mean.at, value=self.value(mean.value), low=self.value(mean.low), high=self.value(mean.high)
        )

    def said(self, canonical: float, digits: int = 3) -> str:
        return f"{_figure(self.value(canonical), digits)} {self.text}".rstrip()


def unit_for(analyte: str, readings: Sequence[StatedAnswer], show: Show, tds_factor: float) -> Unit:
    """The unit of the newest reading, so that nobody has to convert their own; dissolved solids in the tank's mg/L.

    readings: ascending in time.
    """
    unit, basis = CANONICAL[analyte].unit, CANONICAL[analyte].basis
    if analyte == "temperature":
        unit = show.temperature
    elif analyte != "tds" and readings:
        unit, basis = readings[-1].unit, readings[-1].basis
    return Unit(scale(analyte, unit, basis, tds_factor), unit, basis)


def _figure(value: float, digits: int = 3) -> str:
    """Some significant digits, without an exponent, with a true minus sign."""
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{abs(value):.{min(6, places)}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return f"\N{MINUS SIGN}{text}" if value < 0 and float(text) else text


def _date(at: str) -> str:
    return f"{datetime.fromisoformat(at):%-d %B %Y}"


def _span(first: str, last: str | None) -> str:
    if last is None:
        return f"from {_date(first)} on"
    same = _date(first) == _date(last)
    return f"about {_date(first)}" if same else f"between {_date(first)} and {_date(last)}"


def _listed(names: Sequence[str]) -> str:
    return " and ".join(part for part in (", ".join(names[:-1]), names[-1]) if part)


def _between(low: float | None, high: float | None, digits: int = 2) -> str:
    if low is None:
        return "open to both sides" if high is None else f"at most {_figure(high, digits)}"
    if high is None:
        return f"at least {_figure(low, digits)}"
    while digits < 6 and low != high and _figure(low, digits) == _figure(high, digits):
        digits += 1
    return f"{_figure(low, digits)} to {_figure(high, digits)}"


def summary(trends: Mapping[str, TrendAnswer]) -> str:
    """The directions of all analytes in one sentence."""
    parts = []
    for direction in DIRECTIONS:
        names = [NAMES[analyte] for analyte, trend in trends.items() if trend.direction == direction]
        if names:
            parts.append(f"{_listed(names)} {'is' if len(names) == 1 else 'are'} {direction}")
    unknown = [NAMES[analyte] for analyte, trend in trends.items() if trend.direction == "unknown"]
    if unknown:
        parts.append(f"too little is known of {_listed(unknown)} to tell a trend")
    if not parts:
        return "No trend has been worked out yet."
    text = "; ".join(parts)
    return f"{text if text.startswith('pH') else upper_first(text)}."


def trend_text(trend: TrendAnswer, unit: Unit) -> tuple[str, str]:
    """Where the water is going: in a sentence the direction and its slope a month; then what it would reach and when,
    and how sure that is."""
    direction, sure = trend.direction, trend.how_sure
    if direction == "unknown":
        return "No trend can be told.", sure
    month, low, high = (
        None if slope is None else MONTH_D * unit.step(slope)
        for slope in (trend.slope_per_day, trend.slope_low, trend.slope_high)
    )
    if month is None:
        return f"{upper_first(direction)}, how fast cannot be told.", sure
    if direction == "falling":
        month, low, high = -month, (None if high is None else -high), (None if low is None else -low)
    much = f"{_figure(month, 2)} {unit.text}".rstrip() + f" a month (80 % interval {_between(low, high)})"
    word = {"rising": " by", "falling": " by", "level": ":"}.get(direction, ", now by")
    lead = f"{upper_first(direction)}{word} {much}"
    lead += f", since about {_date(trend.since)}." if trend.since is not None else "."
    text = ""
    level = trend.plateau
    if level is not None:
        named = "It levels off" if direction == "levelling off" else "It has levelled off"
        text += f"{named} near {unit.said(level.mid)} (80 % interval {_between(*_both(level, unit), digits=3)})"
        text += f", all but 5 % of the way {_span(level.from_, level.to)}. " if level.from_ is not None else ". "
    reach = trend.reaches
    if reach is not None and direction in ("rising", "falling") and reach.from_ is not None:
        text += f"If it goes on, it reaches the line at {unit.said(reach.limit)} {_span(reach.from_, reach.to)}. "
    return lead, f"{text}{sure}"


def _both(level: PlateauAnswer, unit: Unit) -> tuple[float | None, float | None]:
    low, high = (None if end is None else unit.value(end) for end in (level.low, level.high))
    return low, high


# -- balances ----------------------------------------------------------------------------------------------------------


def salt_text(found: NetBalance | NoBalance) -> str:
    if isinstance(found, NoBalance):
        return found.why_not
    return f"{_course(found, 'dissolved solids', 'mg/L')} {_own(found, 'mg/L')}"


def nitrogen_text(found: NitrogenBalance | NoBalance) -> str:
    if isinstance(found, NoBalance):
        return found.why_not
    text = f"{_course(found, 'nitrate', 'mg/L as N')} {_own(found, 'mg/L as N')}"
    food = found.food_per_day
    if food is None:
        return f"{text} How much nitrogen food brought is not known: it was not told what is fed by "\
               f"{' and '.join(found.food_not_known_of)}."  # fmt: skip
    if food == 0:
        return f"{text} Nothing was fed in that time, as far as is known."
    least = "at least " if found.food_at_least else ""
    text += f" Food brought {least}{_figure(food, 2)} mg/L as N a day"
    share = found.per_day / food
    if share <= 0:
        return f"{text}; plants and bacteria took out all of it and more."
    most = "at most " if found.food_at_least else "about "
    return (
        f"{text}: {most}{100 * share:.0f} % of it stays as nitrate; the rest was taken up by plants and animals, left "
        "as gas, or lies in what has not rotted yet."
    )


def hardness_text(found: HardnessBalance | NoBalance) -> str:
    if isinstance(found, NoBalance):
        return found.why_not
    more = " or more, since some doses are of unknown size" if found.spent_at_least else ""
    back = found.restored_per_day
    text = (
        f"If all the ammonia that fish make of the food is nitrified, {_figure(found.spent_per_day, 2)} dKH a day "
        f"are used up{more}; "
    )
    text += (
        f"water that went in gave back {_figure(back, 2)} dKH a day. "
        if back > 0
        else f"water that went in took another {_figure(-back, 2)} dKH a day. "
        if back < 0
        else "no water that went in gave any back. "
    )
    since = f"From the {_figure(found.value)} dKH of {_date(found.measured)}"
    if found.runs_out is None:
        return f"{text}{since} it does not run out within a year."
    runs = found.runs_out
    return (
        f"{text}{since} it runs down to 1 dKH, where pH may fall, {_span(runs.from_, runs.to)}; plants that take "
        "up ammonia and nitrate put that off."
    )


def _course(found: NetBalance, name: str, unit: str) -> str:
    return (
        f"From {_date(found.from_)} to {_date(found.to)} {name} went from {_figure(found.start)} to "
        f"{_figure(found.end)} {unit}."
    )


def _own(found: NetBalance, unit: str) -> str:
    changes, topups = found.changes, found.topups
    parts = [f"{n} {word}{'' if n == 1 else 's'}" for n, word in ((changes, "water change"), (topups, "top-up")) if n]
    before = f"Beside what {' and '.join(parts)} did" if parts else "No water was written down as put in"
    verb = "added" if found.per_day >= 0 else "took out"
    low, high = found.low, found.high
    if found.per_day < 0:
        low, high = (None if high is None else -high), (None if low is None else -low)
    much = f"{_figure(abs(found.per_day), 2)} {unit} a day ({_between(low, high)})"
    return f"{before}{',' if parts else '; so'} the tank itself {verb} {much}."


# -- probes ------------------------------------------------------------------------------------------------------------


def offset_text(offset: OffsetAnswer | None, show: Show) -> str:
    """How far a probe is from readings by hand."""
    if offset is None:
        return "Not yet held against readings by hand."
    if offset.share:
        value, low, high = (100 * math.expm1(part) for part in (offset.value, offset.low, offset.high))
        unit = "%"
    else:
        per = 1.8 if show.temperature == "degF" else 1.0
        value, low, high = (per * part for part in (offset.value, offset.low, offset.high))
        unit = unit_text(show.temperature)
    word = "more" if value >= 0 else "less"
    if value < 0:
        low, high = -high, -low
    n = offset.n
    return (
        f"Shows {_figure(abs(value), 2)} {unit} {word} than readings by hand (95 % interval {_between(low, high)}), by "
        f"{n} reading{'' if n == 1 else 's'}, the newest of {_date(offset.at)}."
    )
