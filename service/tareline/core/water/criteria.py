"""What published criteria and guidelines say of a water: reference lines beside the keeper's own.

Ammonia, mg/L as total ammonia N over pH and temperature: US EPA 822-R-13-001 (2013), fresh water; acute is a 1-hour
mean, chronic a 30-day mean, each not to be exceeded more than once in three years on average (from memory). They
protect natural waters with their most sensitive species, mussels among them; a tank's own lines are the keeper's.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from tareline.core.units import CANONICAL, to_canonical


def _sigmoid(ph: float, middle: float, alkaline: float, acid: float) -> float:
    """A criterion's fall from its acid to its alkaline end, about a middle pH."""
    return float(alkaline / (1 + 10 ** (middle - ph)) + acid / (1 + 10 ** (ph - middle)))


def acute_mg_n_per_l(ph: float, temperature_c: float, salmonids: bool = False) -> float:
    """The acute criterion of 2013 as total ammonia N; with salmonids present, their own limit where it is lower."""
    shape = 0.7249 * _sigmoid(ph, 7.204, 0.0114, 1.6181)
    warm = 23.12 * 10 ** (0.036 * (20 - temperature_c))
    if salmonids:
        return float(min(_sigmoid(ph, 7.204, 0.275, 39.0), shape * warm))
    return float(shape * min(51.93, warm))


def chronic_mg_n_per_l(ph: float, temperature_c: float) -> float:
    """The chronic criterion of 2013 as total ammonia N."""
    warm = 2.126 * 10 ** (0.028 * (20 - max(temperature_c, 7.0)))
    return float(0.8876 * _sigmoid(ph, 7.688, 0.0278, 1.1994) * warm)


@dataclass(frozen=True, slots=True)
class Guide:
    """A published figure for one analyte, in its canonical unit: what it is for, and where it stands."""

    analyte: str
    limit: float
    what: str
    source: str


def _guide(analyte: str, limit: float, basis: str, what: str, source: str) -> Guide:
    return Guide(analyte, to_canonical(analyte, limit, CANONICAL[analyte].unit, basis), what, source)


GUIDES: tuple[Guide, ...] = (
    _guide("free_ammonia", 0.019, "NH3", "guideline for fresh water", "CCME"),
    _guide("free_ammonia", 0.05, "N", "the border of harm", "UF/IFAS FA16"),
    _guide("nitrite", 0.06, "N", "salmonids", "US EPA 440/5-86-001"),  # from memory
    _guide("nitrite", 5.0, "N", "warm-water fish", "US EPA 440/5-86-001"),  # from memory
    _guide("nitrate", 2.0, "N", "the most sensitive species", "Camargo, Alonso & Salamanca 2005"),
    _guide("nitrate", 13.0, "ion", "guideline for fresh water, long-term", "CCME 2012"),  # from memory
    _guide("nitrate", 90.0, "N", "no harm to warm-water fish", "US EPA 1986"),
    _guide("nitrate", 550.0, "ion", "guideline for fresh water, short-term", "CCME 2012"),  # from memory
)


def guides(analyte: str, ph: float | None = None, temperature_c: float | None = None) -> list[Guide]:
    """The reference lines of an analyte, lowest first; total ammonia's where pH and temperature are known."""
    found = [guide for guide in GUIDES if guide.analyte == analyte]
    if analyte == "ammonia" and ph is not None and temperature_c is not None:
        source = "US EPA 822-R-13-001"
        criteria: Mapping[str, Callable[[float, float], float]] = {
            "chronic criterion": chronic_mg_n_per_l,
            "acute criterion, salmonids absent": acute_mg_n_per_l,
        }
        found += [Guide(analyte, limit(ph, temperature_c), what, source) for what, limit in criteria.items()]
    return sorted(found, key=lambda guide: guide.limit)
