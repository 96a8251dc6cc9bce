"""Conductivity at the reference temperature of 25 degC, and dissolved solids by a factor.

Compensation is linear: k25 = k / (1 + a (t - 25)), as instruments do it; a = 2.0 %/K fits natural fresh water (an
instrument handbook). Against potassium chloride (NIST, Wu et al. 1991) it is within 1 % from 18 to 35 degC, 3 % off at
10 and 6 % at 5 degC. Chemistry programs that compute conductivity are no better guide there.
"""

from tareline.core.units import TDS_FACTOR, US_PER_CM_PER_S_PER_M

REFERENCE_C = 25.0
PER_K = 0.020


def compensation(temperature_c: float, per_k: float = PER_K) -> float:
    """Conductivity at `temperature_c` over that at 25 degC."""
    return 1 + per_k * (temperature_c - REFERENCE_C)


def at_reference(conductivity: float, temperature_c: float, per_k: float = PER_K) -> float:
    """A conductivity in any unit, measured at `temperature_c`, as it would be at 25 degC."""
    return conductivity / compensation(temperature_c, per_k)


def tds_mg_per_l(conductivity_s_per_m: float, temperature_c: float, factor: float = TDS_FACTOR) -> float:
    """Dissolved solids in mg/L from a probe's uncompensated conductivity; factor in mg/L per uS/cm at 25 degC."""
    return at_reference(conductivity_s_per_m, temperature_c) * US_PER_CM_PER_S_PER_M * factor
