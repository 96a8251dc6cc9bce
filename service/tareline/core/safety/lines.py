"""Lines on readings: a limit that notifies, reduces or holds feeding when a reading reaches it.

The defaults are ours, for the keeper to change: total ammonia as N notifies at 0.5, reduces to half at 1.0 and holds at
2.0 mg/L; un-ionised ammonia as N notifies at 0.02 and holds at 0.05 mg/L (UF/IFAS FA16 calls 0.05 mg/L the border of
harm, CCME's guideline is 0.019 mg NH3/L). Nothing else reduces or holds feeding unless the keeper decides it. For a
tank without animals lines only notify; a value that is based on an assumed pH or temperature notifies and never holds.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from tareline.core.units import DAY_MS, from_canonical, scale, to_canonical
from tareline.core.water.chemistry import Unionised, unionised
from tareline.core.water.freshness import FRESH_DAYS
from tareline.core.water.readings import Reading, check_range
from tareline.errors import FieldError

Action = Literal["notify", "reduce", "hold"]
WORDS = {"notify": "notifies", "reduce": "reduces feeding", "hold": "holds feeding"}
NAMES = {
    "ammonia": "total ammonia",
    "free_ammonia": "un-ionised ammonia",
    "nitrite": "nitrite",
    "nitrate": "nitrate",
    "ph": "pH",
    "tds": "dissolved solids",
    "temperature": "temperature",
    "kh": "carbonate hardness",
}


_TOXIC = ("ammonia", "free_ammonia", "nitrite")

MATURE_DAYS = 120  # ammonia is undetectable by about the fourth month: common practice, no source
CHLORAMINE_MS = 2 * DAY_MS  # how long after a water change with chloramine its ammonia is the likely cause: judgement


@dataclass(frozen=True, slots=True)
class Line:
    """A line as it was stated. limit: in the stated unit and basis. above: whether values above or below it cross
    it."""

    analyte: str
    above: bool
    limit: float
    unit: str
    basis: str | None
    do: Action
    reduce_to: float | None = None

    @property
    def canonical(self) -> float:
        """The limit in the analyte's canonical unit."""
        return to_canonical(self.analyte, self.limit, self.unit, self.basis)

    def crossed_by(self, value: float) -> bool:
        """Whether a canonical value reaches the line or lies beyond it."""
        return reaches(value, self.canonical, self.above)


def reaches(value: float, limit: float, above: bool) -> bool:
    """Whether a value lies on a limit or beyond it, both in the canonical unit.

    A tolerance of one billionth makes sure that a value on the limit is not missed because of rounding.
    """
    margin = 1e-9 * max(abs(value), abs(limit))
    return value >= limit - margin if above else value <= limit + margin


AMMONIA_LINES: tuple[Line, ...] = (  # contract
    Line("ammonia", True, 0.5, "mg/L", "N", "notify"),
    Line("ammonia", True, 1.0, "mg/L", "N", "reduce", 0.5),
    Line("ammonia", True, 2.0, "mg/L", "N", "hold"),
    Line("free_ammonia", True, 0.02, "mg/L", "N", "notify"),
    Line("free_ammonia", True, 0.05, "mg/L", "N", "hold"),
)
NOTIFY_LINES: tuple[Line, ...] = (
    # Between US EPA's criteria for salmonids, 0.06, and warm-water fish, 5 mg/L as N (440/5-86-001, from memory).
    Line("nitrite", True, 0.3, "mg/L", "N", "notify"),
    # US EPA's criterion for fresh water, 6.5 to 9.0 (440/5-86-001, from memory).
    Line("ph", False, 6.5, "1", None, "notify"),
    Line("ph", True, 9.0, "1", None, "notify"),
    # A heater that failed or stuck, a summer: common practice, no source.
    Line("temperature", False, 18.0, "degC", None, "notify"),
    Line("temperature", True, 30.0, "degC", None, "notify"),
    # Judgement: nitrifying 2.5 mg/L N more would use it up, and pH would fall.
    Line("kh", False, 1.0, "dKH", None, "notify"),
)


def default_lines(nitrate_ceiling_mg_per_l: float) -> tuple[Line, ...]:
    """The lines of a tank whose keeper set none. nitrate_ceiling_mg_per_l: the tank's own, as the ion."""
    return (*AMMONIA_LINES, Line("nitrate", True, nitrate_ceiling_mg_per_l, "mg/L", "ion", "notify"), *NOTIFY_LINES)


def raised(lines: Sequence[Line]) -> tuple[Line, ...]:
    """The lines during an absence: those above ammonia and nitrite act one step more strictly.

    A line that notifies reduces feeding to half; a line that reduces holds feeding.
    """
    return tuple(_raise(line) if line.above and line.analyte in _TOXIC else line for line in lines)


def _raise(line: Line) -> Line:
    if line.do == "notify":
        return replace(line, do="reduce", reduce_to=0.5)
    return replace(line, do="hold", reduce_to=None)


def make_line(
    analyte: str,
    above: float | None,
    below: float | None,
    unit: str,
    basis: str | None,
    do: Action,
    reduce_to: float | None,
) -> Line:
    """A checked line. Raises FieldError naming the field."""
    if (above is None) == (below is None):
        raise FieldError("above", "expected either above or below, and not both")
    limit = above if above is not None else below
    assert limit is not None
    if unit == "uS/cm":
        raise FieldError("unit", "expected 'mg/L' or 'ppm', by the tank's own factor; found 'uS/cm'")
    side = "above" if above is not None else "below"
    check_range(side, analyte, limit, unit, scale(analyte, unit, basis))
    if do == "reduce":
        if reduce_to is None or not 0 <= reduce_to < 1:
            raise FieldError("reduce_to", f"expected 0 up to, not including, 1; found {reduce_to}")
    elif reduce_to is not None:
        raise FieldError("reduce_to", f"expected only where do is reduce; found {reduce_to}")
    return Line(analyte, above is not None, limit, unit, basis, do, reduce_to)


def holds_on_ammonia(lines: Iterable[Line]) -> bool:
    """Whether any line would pause feeding on too much total or un-ionised ammonia."""
    return any(line.do == "hold" and line.above and line.analyte in ("ammonia", "free_ammonia") for line in lines)


@dataclass(frozen=True, slots=True)
class KnownValue:
    """The known value of one analyte: the value that is compared with lines, its reading, and what was assumed for it.

    may_cross: False for a chart's lowest step. detected: False where `counted` is a detection limit. entry: 0 for a
    probe's sample.
    """

    analyte: str
    counted: float
    at_ms: int
    entry: int
    may_cross: bool
    assumed: tuple[str, ...] = ()
    detected: bool = True

    def reaches(self, line: Line) -> bool:
        """Whether this value crosses a line. A value below a detection limit never crosses an upper line."""
        return self.may_cross and (self.detected or not line.above) and line.crossed_by(self.counted)


def known_of(reading: Reading) -> KnownValue:
    """The known value that a reading gives for its own analyte."""
    return KnownValue(
        reading.analyte,
        reading.counted,
        reading.at_ms,
        reading.entry,
        reading.may_cross,
        detected=reading.detected,
    )


def known_water(latest: Mapping[str, Reading], temperature: Reading | None, now_ms: int) -> dict[str, KnownValue]:
    """The known values by analyte, from the newest reading of each.

    temperature: the newest one, from a reading or a probe. Un-ionised ammonia is calculated from the total, unless it
    was measured itself by a newer reading.
    """
    known = {analyte: known_of(reading) for analyte, reading in latest.items()}
    free = free_ammonia(latest, temperature, now_ms)
    measured = latest.get("free_ammonia")
    if free is not None and (measured is None or measured.at_ms < free.at_ms):
        known["free_ammonia"] = KnownValue(
            "free_ammonia", free.counted, free.at_ms, free.entry, free.may_cross, free.assumed, free.detected
        )
    return known


def with_samples(known: Mapping[str, KnownValue], samples: Mapping[str, tuple[float, int]]) -> dict[str, KnownValue]:
    """The known values, replaced by the newest plausible samples (canonical value, at_ms) where these are newer.

    This is for the conditions of a release. A line on samples depends on how long it is crossed, not on one sample.
    """
    found = dict(known)
    for analyte, (value, at_ms) in samples.items():
        if analyte not in found or found[analyte].at_ms < at_ms:
            found[analyte] = KnownValue(analyte, value, at_ms, 0, True)
    return found


def free_ammonia(latest: Mapping[str, Reading], temperature: Reading | None, now_ms: int) -> Unionised | None:
    """Un-ionised ammonia from the newest total reading; None without one."""
    total = latest.get("ammonia")
    return None if total is None else unionised(total, latest.get("ph"), temperature, now_ms)


def stale(analyte: str, at_ms: int, now_ms: int) -> str | None:
    """The age of a reading in words, where it is too old to describe the present water; None while it is fresh."""
    days = (now_ms - at_ms) // DAY_MS
    fresh = FRESH_DAYS[analyte]
    if now_ms - at_ms <= fresh * DAY_MS:
        return None
    little = f"after {fresh} days a reading says little about the present water"
    return f"{NAMES[analyte]} was measured {days} days ago; {little}"


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What may explain a crossing: the age of the tank in days (None: unknown), and when water with chloramine was last
    added (None: never)."""

    age_days: float | None = None
    chloramine_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Crossing:
    """A line that is crossed, the action that follows (which may be less than the line's own), and a text about it."""

    line: Line
    known: KnownValue
    do: Action
    text: str


def crossings(
    lines: Sequence[Line], known: Mapping[str, KnownValue], stage: str, context: Circumstances = Circumstances()
) -> list[Crossing]:
    """Every line that the known values cross, in the order of the lines."""
    found = []
    for line in lines:
        value = known.get(line.analyte)
        if value is None or not value.reaches(line):
            continue
        do: Action = line.do if stage == "stocked" and not value.assumed else "notify"
        found.append(Crossing(line, value, do, _describe(line, value, stage) + _explain(line, value, context)))
    return found


def sampled_crossing(line: Line, known: KnownValue, probe: str, proven: bool, stage: str, now_ms: int) -> Crossing:
    """The crossing of a line by a probe's samples that has lasted long enough; unproven samples only notify."""
    do: Action = line.do if stage == "stocked" and proven else "notify"
    value = from_canonical(line.analyte, known.counted, line.basis, line.unit)
    unit = "" if line.unit == "1" else f" {line.unit}"
    if line.crossed_by(known.counted):
        side = f"at or {'above' if line.above else 'below'} the line at {line.limit:g}"
    else:
        side = f"still close to the line at {line.limit:g}, after having crossed it"
    hours = (now_ms - known.at_ms) // 3_600_000
    lasts = f"for {hours} h" if hours else "for less than an hour"
    text = f"{NAMES[line.analyte]} by {probe} is {value:.3g}{unit}, {side} {lasts}"
    if line.do != "notify" and stage != "stocked":
        text = f"{text}; a tank without animals only gets notifications"
    elif line.do != "notify" and not proven:
        text = (
            f"{text}; this probe has not been confirmed by a reading or by a day of steady values, so it only notifies"
        )
    return Crossing(line, known, do, text)


def _describe(line: Line, known: KnownValue, stage: str) -> str:
    counted = from_canonical(line.analyte, known.counted, line.basis, line.unit)
    unit = "" if line.unit == "1" else f" {line.unit}"
    basis = f" as {line.basis}" if line.basis else ""
    side = "at or above" if line.above else "at or below"
    text = f"{NAMES[line.analyte]} counts as {counted:.3g}{unit}{basis}, {side} the line at {line.limit:g}"
    if line.do != "notify" and stage != "stocked":
        return f"{text}; a tank without animals only gets notifications"
    if known.assumed:
        assumed = " and ".join(NAMES[name] for name in known.assumed)
        return f"{text}; {assumed} assumed" + (", so it only notifies" if line.do != "notify" else "")
    return text


def _explain(line: Line, known: KnownValue, context: Circumstances) -> str:
    """The likely cause of a crossing of ammonia, in words; it does not change what the line does."""
    if line.analyte not in ("ammonia", "free_ammonia") or not line.above:
        return ""
    text = ""
    if context.chloramine_ms is not None and 0 <= known.at_ms - context.chloramine_ms <= CHLORAMINE_MS:
        hours = (known.at_ms - context.chloramine_ms) // 3_600_000
        text = (
            f"; water with chloramine was added {hours} h before; a test shows its ammonia, which is the likely cause"
        )
    if context.age_days is not None and 0 <= context.age_days < MATURE_DAYS:
        # Peaks near 3 mg/L in the first two months without losing fish: common practice, no source.
        text += (
            f"; the tank is {context.age_days:.0f} days old, and until about its fourth month more ammonia is to be "
            "expected than later: test often, feed little; the line still applies"
        )
    return text
