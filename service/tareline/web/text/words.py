"""How pages read and write numbers, dates and times: the readers of form fields and the templates' filters."""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import TypeVar
from zoneinfo import ZoneInfo

from markupsafe import Markup

from tareline.app.answers.days import DoseAnswer, FindingAnswer, MendAnswer
from tareline.app.answers.entries import EntryAnswer
from tareline.app.answers.water import NewestReadingAnswer, ProbeSeriesAnswer, ReadingAnswer, StatedAnswer
from tareline.app.entry_kinds import ENTRY_KINDS
from tareline.core.alerts.concerns import upper_first
from tareline.core.units import US_GALLON_L, from_canonical, to_canonical
from tareline.errors import FieldError
from tareline.settings import Show
from tareline.web.svg.geometry import COVERAGE

Reading = TypeVar("Reading", NewestReadingAnswer, ReadingAnswer)
KINDS = {"gap": "lost dose", "finding": "decision"} | {kind.name: kind.word for kind in ENTRY_KINDS.values()}


def read_number(field: str, text: str) -> float:
    """A number as people type it. A single comma is a decimal point, unless it could also separate thousands.

    Raises FieldError for a text such as "1,000", which might mean 1 or 1000: a dose depends on it.
    """
    plain = text.replace("\N{MINUS SIGN}", "-")
    if re.fullmatch(r"-?[1-9]\d{0,2},\d{3}", plain):
        raise FieldError(field, f"expected a decimal point; {text} could mean {plain.replace(',', '.')} as well as "
                                f"{plain.replace(',', '')}")  # fmt: skip
    if not re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", plain, re.ASCII):
        raise FieldError(field, f"expected a number such as 0.25; found {text[:40]!r}")
    return float(plain.replace(",", "."))


def read_whole(field: str, text: str) -> int:
    """A count. Raises FieldError."""
    if not re.fullmatch(r"\d{1,9}", text, re.ASCII):
        raise FieldError(field, f"expected a whole number; found {text[:40]!r}")
    return int(text)


def read_date(field: str, text: str) -> date | None:
    """An ISO date, None for an empty text. Raises FieldError."""
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        raise FieldError(field, f"expected a date such as 2026-03-01; found {text[:40]!r}") from None


def read_local_time(field: str, text: str, zone: str) -> str:
    """A tank's local time ("2026-03-01T08:00") as RFC 3339, the first where it happens twice. Raises FieldError."""
    try:
        naive = datetime.fromisoformat(text).replace(tzinfo=None)
        local = naive.replace(tzinfo=ZoneInfo(zone))
        exists = local.astimezone(UTC).astimezone(local.tzinfo).replace(tzinfo=None) == naive
    except (ValueError, OverflowError):
        raise FieldError(field, f"expected a date and time; found {text[:40]!r}") from None
    if not exists:
        raise FieldError(field, f"expected a time that exists; the clocks skipped {naive:%H:%M} on that day")
    return local.isoformat()


def decimals_for(sd: float | None) -> int:
    """The decimals that show two significant digits of a standard deviation (JCGM 100:2008, 7.2.6); 2 without one."""
    if sd is None or sd <= 0:
        return 2
    # Rounded first: 0.0996 is written 0.10, not 0.100.
    return min(6, max(0, 1 - math.floor(math.log10(float(f"{sd:.1e}")))))


def _figure(value: float | None, decimals: int) -> Markup:
    """A number for a column: its decimals have a box of fixed width, so that decimal points are aligned."""
    if value is None:
        return Markup('<span class="unknown">unknown</span>')
    whole, _, fraction = f"{value:.{decimals}f}".partition(".")
    return Markup('{}<span class="fraction">{}</span>').format(whole, "." + fraction if fraction else "")


def _grams(value: float | None, sd: float | None) -> str:
    """A mass in running text."""
    return "unknown" if value is None else f"{value:.{decimals_for(sd)}f} g"


def _reach(value: float, sd: float | None) -> str:
    """The interval of a mass that is drawn: two standard deviations to each side, but not below zero."""
    if not sd:
        return ""
    places = decimals_for(sd)
    return f"{max(0.0, value - COVERAGE * sd):.{places}f} to {value + COVERAGE * sd:.{places}f}"


def differing(dose: DoseAnswer) -> bool:
    """Whether a dose's estimate differs from its weighing in the digits that are shown."""
    if dose.estimate_g is None or dose.mass_g is None:
        return dose.estimate_g is not None
    places = decimals_for(dose.sd_g)
    return f"{dose.estimate_g:.{places}f}" != f"{dose.mass_g:.{places}f}"


def _percent(share: float) -> str:
    """A probability in percent; it is never written as certain or impossible."""
    return "over 99 %" if 0.995 <= share < 1 else "under 1 %" if share < 0.005 else f"{share:.0%}".replace("%", " %")


def _size_text(finding: FindingAnswer) -> str:
    """The size of a finding with its standard deviation, in words."""
    kind, size, sd = finding.kind, finding.mass_g, finding.sd_g
    if kind == "gain":
        return f"a step gives {100 * abs(size):.2g} % {'more' if size > 0 else 'less'} than before, ± {100 * sd:.2g} %"
    much = f"{_grams(abs(size), sd)} ± {_grams(sd, sd)}"
    more = "more" if size > 0 else "less"
    if kind in ("content", "moisture"):
        return f"{much} {more} in the hopper than the entries explain"
    if kind == "weigh-in":
        return f"{much} {more} than according to the doses and the cell"
    if kind == "stuck cell":
        return (
            "the cell shows the same value before and after each dose; what these gave is estimated from their motor "
            "steps"
        )
    if kind == "dose":
        return f"{much} {more} came out than its steps should give"
    return f"the cell shows {much} {more} than before"


def mend_text(mend: MendAnswer, about: Mapping[int, EntryAnswer]) -> str:
    """The one entry that would correct the books, as an instruction. about: the entries that it may correct."""
    mass = _grams(mend.mass_g, mend.sd_g) if mend.mass_g is not None else ""
    if mend.corrects is not None:
        entry = about[mend.corrects]
        name = f"the {KINDS.get(entry.kind, entry.kind)} of {_moment(entry.at)}"
        stated_g = entry_mass_g(entry)
        if mend.kind == "void":
            return f"Cancel {name}, {stated_g:g} g" if stated_g is not None else f"Cancel {name}"
        if mend.sd_g is None:
            mass = f"{mend.mass_g:g} g"
        return f"Correct {name} from {stated_g:g} g to {mass}" if stated_g is not None else f"Correct {name} to {mass}"
    at = _moment(mend.at)
    if mend.kind == "handling":
        return f"Note that the hopper was handled at {at}"
    return f"Enter a {KINDS.get(mend.kind, mend.kind)} of {mass} at {at}"


def entry_mass_g(entry: EntryAnswer) -> float | None:
    """The mass that an entry of the hopper states, in grams."""
    own = entry.own
    if entry.kind == "refill" and own.get("before_g") is not None and own.get("after_g") is not None:
        return float(own["after_g"] - own["before_g"])
    mass_g = own.get("added_g", own.get("mass_g"))
    return None if mass_g is None else float(mass_g)


def _clock(at: str) -> str:
    return f"{datetime.fromisoformat(at):%H:%M}"


def _moment(at: str) -> str:
    return f"{datetime.fromisoformat(at):%a %-d %b %H:%M}"


def _long(at: str) -> str:
    return f"{datetime.fromisoformat(at):%Y-%m-%d %H:%M:%S %z}"


def _age(at: str, now: datetime) -> str:
    """How long ago an instant was, in the largest whole unit that is not zero."""
    seconds = (now - datetime.fromisoformat(at)).total_seconds()
    for length, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= length:
            return f"{seconds // length:.0f} {unit} ago"
    return "just now" if seconds > -60 else "in the future"


def _duration(seconds: float) -> str:
    """A duration in hours and minutes; below an hour in minutes only, and at least one."""
    minutes = max(1, round(seconds / 60))
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


UNIT_SIGNS = {"1": "", "degC": "°C", "Cel": "°C", "degF": "°F", "uS/cm": "µS/cm", "ug/L": "µg/L"}


def unit_text(unit: str, basis: str | None = None) -> str:
    """A value's unit and basis as they are written after the number."""
    told = {"N": "as N", "ion": "as ion", "NH3": "as NH₃", "CaCO3": "as CaCO₃"}.get(basis or "", "")
    return " ".join(part for part in (UNIT_SIGNS.get(unit, unit), told) if part)


def volume_text(volume_l: float, show: Show) -> str:
    """A volume in the unit of the settings, to three digits, which is as accurate as people measure volumes."""
    volume = volume_l / US_GALLON_L if show.volume == "US gal" else volume_l
    return f"{_three_digits(volume)} {show.volume}"


def temperature_text(temperature_c: float, show: Show) -> str:
    """A temperature in the unit of the settings."""
    stated = from_canonical("temperature", temperature_c, None, show.temperature)
    return f"{stated:.1f} {UNIT_SIGNS[show.temperature]}"


def degrees_text(temperature_c: float, show: Show) -> str:
    """A temperature in the unit of the settings, without the unit, for a column whose head names it."""
    return temperature_text(temperature_c, show).split(" ")[0]


def as_shown(reading: Reading, show: Show) -> Reading:
    """A reading as the keeper likes it: temperatures in one unit, whatever they were stated in."""
    if reading.analyte != "temperature" or reading.unit == show.temperature:
        return reading
    value, low, high = (_degrees(part, reading.unit, show) for part in (reading.value, reading.low, reading.high))
    return reading.model_copy(update={"value": value, "low": low, "high": high, "unit": show.temperature})


def series_as_shown(sent: ProbeSeriesAnswer, show: Show) -> ProbeSeriesAnswer:
    """What a probe sent, likewise."""
    unit = "degC" if sent.unit == "Cel" else sent.unit
    if sent.metric != "temperature" or unit == show.temperature:
        return sent
    points = [
        p.model_copy(update={name: _degrees(getattr(p, name), unit, show) for name in ("value", "low", "high")})
        for p in sent.points
    ]
    return sent.model_copy(update={"unit": show.temperature, "points": points})


def _degrees(value: float | None, unit: str, show: Show) -> float | None:
    """A temperature in the unit that the keeper likes, without the dust of the conversion."""
    if value is None:
        return None
    found = from_canonical("temperature", to_canonical("temperature", value, unit, None), None, show.temperature)
    return round(found, 4)


def _three_digits(value: float) -> str:
    """Without an exponent: 0.0123, 15.1, 1510."""
    return _digits(value, 3)


def _digits(value: float, digits: int = 2) -> str:
    """A number to so many digits, without an exponent and without zeros at its end."""
    places = digits - 1 - math.floor(math.log10(abs(value))) if value else 0
    return f"{round(value, places):.{max(0, places)}f}".rstrip("0").rstrip(".") if places > 0 else f"{value:.0f}"


def _interval(reading: StatedAnswer) -> str:
    """Between which values the water lies by a reading, in words; empty where the value is exact."""
    low, high = reading.low, reading.high
    if not reading.detected:
        return f"not detected, under {high:g}"
    if low == high:
        return ""
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


def _doses(ranges: Sequence[Sequence[int]]) -> str:
    """Ranges of sequence numbers, both ends included: "dose 3", "doses 5 to 7, 9"."""
    parts = [str(first) if first == last else f"{first} to {last}" for first, last in ranges]
    only_one = len(ranges) == 1 and ranges[0][0] == ranges[0][1]
    return f"{'dose' if only_one else 'doses'} {', '.join(parts)}"


FILTERS: dict[str, Callable[..., object]] = {
    "figure": _figure,
    "grams": _grams,
    "reach": _reach,
    "brief": _digits,
    "size": _size_text,
    "percent": _percent,
    "kind": lambda kind: KINDS.get(kind, kind),
    "decimals": decimals_for,
    "clock": _clock,
    "moment": _moment,
    "long": _long,
    "age": _age,
    "duration": _duration,
    "unit": lambda stated: unit_text(stated.unit, stated.basis),
    "sign": unit_text,
    "interval": _interval,
    "volume": volume_text,
    "celsius": temperature_text,
    "kibibytes": lambda size: f"{size / 1024:.0f} KiB",
    "degrees": degrees_text,
    "shown": as_shown,
    "series_shown": series_as_shown,
    "doses": _doses,
    "raised": upper_first,
    "local_day": lambda at, zone: f"{at.astimezone(ZoneInfo(zone)):%-d %B %Y}",
    "day": lambda text: f"{date.fromisoformat(text):%a %-d %b}",
    "short_day": lambda text: f"{date.fromisoformat(text):%a %-d}",
    "plain_date": lambda text: f"{datetime.fromisoformat(text):%a %-d %b}",
    "full_day": lambda text: f"{date.fromisoformat(text):%-d %B %Y}",
}
