"""Units and conversions: each constant has one home, here, and a source.

Molar masses: H 1.008, C 12.011, N 14.007, O 15.999, Ca 40.078 g/mol (IUPAC standard atomic weights, abridged).
Everything inside Tareline is computed in the canonical unit of its analyte (`CANONICAL`).
"""

from dataclasses import dataclass

from tareline.errors import FieldError

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS  # of a local day that has 24 hours; core.calendar knows the others

H_G_PER_MOL = 1.008
C_G_PER_MOL = 12.011
N_G_PER_MOL = 14.007
O_G_PER_MOL = 15.999
CA_G_PER_MOL = 40.078
CACO3_G_PER_MOL = CA_G_PER_MOL + C_G_PER_MOL + 3 * O_G_PER_MOL

# Mass of the ion (or of the molecule NH3) that carries one gram of nitrogen.
NITRATE_PER_N = (N_G_PER_MOL + 3 * O_G_PER_MOL) / N_G_PER_MOL
NITRITE_PER_N = (N_G_PER_MOL + 2 * O_G_PER_MOL) / N_G_PER_MOL
AMMONIUM_PER_N = (N_G_PER_MOL + 4 * H_G_PER_MOL) / N_G_PER_MOL
AMMONIA_PER_N = (N_G_PER_MOL + 3 * H_G_PER_MOL) / N_G_PER_MOL

# One degree of carbonate hardness is 10 mg CaO in a litre, by definition; CaO and CaCO3 carry two equivalents.
MEQ_PER_L_PER_DKH = 2 * 10 / (CA_G_PER_MOL + O_G_PER_MOL)
CACO3_MG_PER_L_PER_DKH = MEQ_PER_L_PER_DKH * CACO3_G_PER_MOL / 2

KELVIN_OFFSET = 273.15
US_GALLON_L = 3.785411784  # 231 cubic inches of 2.54 cm each, exact (NIST Handbook 44, appendix C)
US_PER_CM_PER_S_PER_M = 10_000.0  # 1 uS/cm = 1e-4 S/m (RFC 8428 has S/m alone)

# mg/L of dissolved solids for 1 uS/cm at 25 degC, a convention of pens and not chemistry: 0.5, 0.64 and 0.7 are in use.
# Ours is what the usual "natural water" standard (40 % Na2SO4, 40 % NaHCO3, 20 % NaCl) has near 300 uS/cm, between its
# 0.601 at 84 and 0.671 at 447 uS/cm (instrument handbooks).
TDS_FACTOR = 0.64

_PER_N: dict[str, dict[str, float]] = {
    "ammonia": {"N": 1.0, "ion": AMMONIUM_PER_N, "NH3": AMMONIA_PER_N},
    "free_ammonia": {"N": 1.0, "NH3": AMMONIA_PER_N},
    "nitrite": {"N": 1.0, "ion": NITRITE_PER_N},
    "nitrate": {"N": 1.0, "ion": NITRATE_PER_N},
}
# In mg/L. In fresh water a ppm is a mg/L: a litre weighs 1 kg within 0.5 % from 0 to 30 degC.
_MASS = {"mg/L": 1.0, "ppm": 1.0, "ug/L": 1e-3}


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
UNITS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(_PER_N, tuple(_MASS)),
    "ph": ("1",),
    "tds": ("mg/L", "ppm", "uS/cm"),
    "temperature": ("degC", "degF"),
    "kh": ("dKH", "mg/L", "ppm", "meq/L"),
}


@dataclass(frozen=True, slots=True)
class Scale:
    """A way of stating an analyte: (stated - zero) * per is the value in the canonical unit."""

    per: float = 1.0
    zero: float = 0.0

    def canonical(self, stated: float) -> float:
        return (stated - self.zero) * self.per

    def stated(self, canonical: float) -> float:
        return canonical / self.per + self.zero

    def times(self, factor: float) -> "Scale":
        return Scale(self.per * factor, self.zero)


def bases(analyte: str, unit: str | None = None) -> tuple[str, ...]:
    """The bases a value may be stated on in a unit (None: the canonical one); empty where none applies."""
    if analyte == "kh" and unit in _MASS:
        return ("CaCO3",)
    return tuple(_PER_N.get(analyte, ()))


def check_stated(analyte: str, unit: str, basis: str | None) -> None:
    """Raise FieldError unless `unit` and `basis` state a value of `analyte` without doubt."""
    if analyte not in CANONICAL:
        raise FieldError("analyte", f"expected one of {', '.join(ANALYTES)}; found {analyte!r}")
    if unit not in UNITS[analyte]:
        raise FieldError("unit", f"expected {unit_choice(analyte)} for {analyte}; found {unit!r}")
    allowed = bases(analyte, unit)
    if allowed and basis not in allowed:
        raise FieldError("basis", f"expected one of {', '.join(allowed)} for {analyte} in {unit}; found {basis!r}")
    if not allowed and basis is not None:
        raise FieldError("basis", f"expected none for {analyte} in {unit}; found {basis!r}")


def unit_choice(analyte: str) -> str:
    """The units an analyte may be stated in, for a message."""
    return " or ".join(repr(unit) for unit in UNITS[analyte])


def scale(analyte: str, unit: str, basis: str | None, tds_factor: float = TDS_FACTOR) -> Scale:
    """How values stated in a unit and on a basis become canonical; uS/cm (at 25 degC) by `tds_factor`.

    Raises FieldError where unit or basis do not fit the analyte.
    """
    check_stated(analyte, unit, basis)
    if analyte in _PER_N:
        assert basis is not None
        return Scale(_MASS[unit] / _PER_N[analyte][basis])
    if unit == "degF":
        return Scale(5 / 9, 32.0)
    if analyte == "kh" and unit != "dKH":
        return Scale(1 / (MEQ_PER_L_PER_DKH if unit == "meq/L" else CACO3_MG_PER_L_PER_DKH))
    return Scale(tds_factor if unit == "uS/cm" else 1.0)


def to_canonical(analyte: str, value: float, unit: str, basis: str | None, tds_factor: float = TDS_FACTOR) -> float:
    """A stated value in the analyte's canonical unit: nitrogen compounds in mg/L as N.

    Raises FieldError where unit or basis do not fit the analyte.
    """
    return scale(analyte, unit, basis, tds_factor).canonical(value)


def from_canonical(
    analyte: str, value: float, basis: str | None, unit: str | None = None, tds_factor: float = TDS_FACTOR
) -> float:
    """The inverse of `to_canonical`; without a unit, for the canonical one."""
    return scale(analyte, unit or CANONICAL[analyte].unit, basis, tds_factor).stated(value)
