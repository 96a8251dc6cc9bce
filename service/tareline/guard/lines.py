"""Lines on readings: a limit that notifies, reduces or holds feeding when a reading reaches it.

The defaults are ours, for the keeper to change: total ammonia as N notifies at 0.5, reduces to half at 1.0 and holds at
2.0 mg/L; un-ionised ammonia as N notifies at 0.02 and holds at 0.05 mg/L (UF/IFAS FA16 calls 0.05 mg/L the border of
harm, CCME's guideline is 0.019 mg NH3/L). A tank without animals is only notified; what rests on an assumed pH or
temperature notifies and never holds.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from tareline.errors import FieldError
from tareline.units import CANONICAL, from_canonical, to_canonical
from tareline.water.chemistry import Unionised, unionised
from tareline.water.readings import Reading

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


@dataclass(frozen=True, slots=True)
class Line:
    """A limit as it was stated. limit is in the stated unit and basis; above tells the side that crosses."""

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

    What lies on the limit as stated must not miss it by the last digit of a conversion, so a billionth is given away.
    """
    margin = 1e-9 * max(abs(value), abs(limit))
    return value >= limit - margin if above else value <= limit + margin


DEFAULT_LINES: tuple[Line, ...] = (
    Line("ammonia", True, 0.5, "mg/L", "N", "notify"),
    Line("ammonia", True, 1.0, "mg/L", "N", "reduce", 0.5),
    Line("ammonia", True, 2.0, "mg/L", "N", "hold"),
    Line("free_ammonia", True, 0.02, "mg/L", "N", "notify"),
    Line("free_ammonia", True, 0.05, "mg/L", "N", "hold"),
)


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
    canonical, scale = to_canonical(analyte, limit, unit, basis), CANONICAL[analyte]
    if not scale.lowest <= canonical <= scale.highest:
        side = "above" if above is not None else "below"
        raise FieldError(
            side, f"expected {scale.lowest:g} to {scale.highest:g} {scale.unit} for {analyte}; found {limit:g}"
        )
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
class Known:
    """What is known of one analyte: the value that counts against a line, of which reading, and what was assumed."""

    analyte: str
    counted: float
    at_ms: int
    entry: int
    may_cross: bool
    assumed: tuple[str, ...] = ()


def known_water(
    latest: Mapping[str, Reading], temperature_c: tuple[float, int] | None, now_ms: int
) -> dict[str, Known]:
    """What counts against lines, by analyte, from the newest reading of each.

    temperature_c: the newest temperature and its time, from a reading or a probe. Un-ionised ammonia is computed from
    the total, unless a newer reading measured it itself.
    """
    known = {analyte: Known(analyte, r.counted, r.at_ms, r.entry, r.may_cross) for analyte, r in latest.items()}
    free = free_ammonia(latest, temperature_c, now_ms)
    measured = latest.get("free_ammonia")
    if free is not None and (measured is None or measured.at_ms < free.at_ms):
        known["free_ammonia"] = Known(
            "free_ammonia", free.counted, free.at_ms, free.entry, free.may_cross, free.assumed
        )
    return known


def free_ammonia(
    latest: Mapping[str, Reading], temperature_c: tuple[float, int] | None, now_ms: int
) -> Unionised | None:
    """Un-ionised ammonia from the newest total reading; None without one."""
    total = latest.get("ammonia")
    return None if total is None else unionised(total, latest.get("ph"), temperature_c, now_ms)


@dataclass(frozen=True, slots=True)
class Crossing:
    """A line that was reached, what is done about it (which may be less than the line says), and in words."""

    line: Line
    known: Known
    do: Action
    text: str


def crossings(lines: Sequence[Line], known: Mapping[str, Known], stage: str) -> list[Crossing]:
    """Every line that what is known of the water reaches, in the order of the lines."""
    found = []
    for line in lines:
        value = known.get(line.analyte)
        if value is None or not value.may_cross or not line.crossed_by(value.counted):
            continue
        do: Action = line.do if stage == "stocked" and not value.assumed else "notify"
        found.append(Crossing(line, value, do, _describe(line, value, stage)))
    return found


def _describe(line: Line, known: Known, stage: str) -> str:
    counted = from_canonical(line.analyte, known.counted, line.basis)
    unit = "" if line.unit == "1" else f" {line.unit}"
    basis = f" as {line.basis}" if line.basis else ""
    side = "at or above" if line.above else "at or below"
    text = f"{NAMES[line.analyte]} counts as {counted:.3g}{unit}{basis}, {side} the line at {line.limit:g}"
    if line.do != "notify" and stage != "stocked":
        return f"{text}; a tank that holds no animals is only notified"
    if known.assumed:
        assumed = " and ".join(NAMES[name] for name in known.assumed)
        return f"{text}; {assumed} assumed" + (", so it only notifies" if line.do != "notify" else "")
    return text
