"""Units and conversions: each constant has one home, here, and a source.

Molar masses: N 14.007, O 15.999, H 1.008 g/mol (IUPAC standard atomic weights, abridged).
Everything inside Tareline is computed in the canonical unit of its analyte (`CANONICAL`).
"""

from dataclasses import dataclass

from tareline.errors import FieldError

N_G_PER_MOL = 14.007
O_G_PER_MOL = 15.999
H_G_PER_MOL = 1.008

# Mass of the ion (or of the molecule NH3) that carries one gram of nitrogen.
NITRATE_PER_N = (N_G_PER_MOL + 3 * O_G_PER_MOL) / N_G_PER_MOL
NITRITE_PER_N = (N_G_PER_MOL + 2 * O_G_PER_MOL) / N_G_PER_MOL
AMMONIUM_PER_N = (N_G_PER_MOL + 4 * H_G_PER_MOL) / N_G_PER_MOL
AMMONIA_PER_N = (N_G_PER_MOL + 3 * H_G_PER_MOL) / N_G_PER_MOL

KELVIN_OFFSET = 273.15

_PER_N: dict[str, dict[str, float]] = {
    "ammonia": {"N": 1.0, "ion": AMMONIUM_PER_N, "NH3": AMMONIA_PER_N},
    "free_ammonia": {"N": 1.0, "NH3": AMMONIA_PER_N},
    "nitrite": {"N": 1.0, "ion": NITRITE_PER_N},
    "nitrate": {"N": 1.0, "ion": NITRATE_PER_N},
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """What an analyte is computed in, and the range outside which a reading is a slip of the pen.

    The ranges are judgement: wide enough for any water that something lives in.
    """

    unit: str
    basis: str | None
    lowest: float
    highest: float


CANONICAL: dict[str, Quantity] = {
    "ammonia": Quantity("mg/L", "N", 0.0, 1000.0),
    "free_ammonia": Quantity("mg/L", "N", 0.0, 1000.0),
    "nitrite": Quantity("mg/L", "N", 0.0, 1000.0),
    "nitrate": Quantity("mg/L", "N", 0.0, 5000.0),
    "ph": Quantity("1", None, 0.0, 14.0),
    "tds": Quantity("mg/L", None, 0.0, 50_000.0),
    "temperature": Quantity("degC", None, -2.0, 60.0),
    "kh": Quantity("dKH", None, 0.0, 100.0),
}
ANALYTES = tuple(CANONICAL)


def bases(analyte: str) -> tuple[str, ...]:
    """The bases a value of this analyte may be stated on; empty where none applies."""
    return tuple(_PER_N.get(analyte, ()))


def check_stated(analyte: str, unit: str, basis: str | None) -> None:
    """Raise FieldError unless `unit` and `basis` state a value of `analyte` without doubt."""
    if analyte not in CANONICAL:
        raise FieldError("analyte", f"expected one of {', '.join(ANALYTES)}; found {analyte!r}")
    expected = CANONICAL[analyte].unit
    if unit != expected:
        raise FieldError("unit", f"expected {expected!r} for {analyte}; found {unit!r}")
    allowed = bases(analyte)
    if allowed and basis not in allowed:
        raise FieldError("basis", f"expected one of {', '.join(allowed)} for {analyte}; found {basis!r}")
    if not allowed and basis is not None:
        raise FieldError("basis", f"expected none for {analyte}; found {basis!r}")


def to_canonical(analyte: str, value: float, unit: str, basis: str | None) -> float:
    """A stated value in the analyte's canonical unit: nitrogen compounds in mg/L as N.

    Raises FieldError where unit or basis do not fit the analyte.
    """
    check_stated(analyte, unit, basis)
    return value / _PER_N[analyte][basis] if basis is not None else value


def from_canonical(analyte: str, value: float, basis: str | None) -> float:
    """The inverse of `to_canonical` for the canonical unit and a basis."""
    return value * _PER_N[analyte][basis] if basis is not None else value
