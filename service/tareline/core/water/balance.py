"""Balances: what water changes and top-ups do to the water, and the rest, which is what the tank itself does.

The tank is well mixed and its volume is constant: a top-up replaces what has evaporated, which left its salts behind; a
water change takes out water as it is. So a concentration follows c' = g - k c between inflows, steps by v/V times its
content at a top-up, and by v/V times the difference to its content at a water change.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tareline.core.units import CACO3_G_PER_MOL, CACO3_MG_PER_L_PER_DKH, DAY_MS, N_G_PER_MOL
from tareline.core.water.readings import Reading

PROTEIN_PER_N = 6.25  # crude protein on a label is N times 6.25, by definition
# Food's protein to ammonia N: 16 % N, 80 % of it taken up and deaminated, 80 % excreted, 90 % of that as ammonia
# (0.16 x 0.80 x 0.80 x 0.90; Timmons & Ebeling, Recirculating Aquaculture, from memory; the factor is in wide use).
TAN_PER_PROTEIN = 0.092

# NH4+ + 2 O2 -> NO3- + H2O + 2 H+: two equivalents of alkalinity for each N.
CACO3_MG_PER_MG_N = CACO3_G_PER_MOL / N_G_PER_MOL
DKH_PER_MG_N = CACO3_MG_PER_MG_N / CACO3_MG_PER_L_PER_DKH
KH_AT_RISK_DKH = 1.0  # judgement: below it little is left to hold the pH


@dataclass(frozen=True, slots=True)
class Inflow:
    """Water put in: its litres, its content in the analyte's canonical unit, and whether tank water was taken out for
    it."""

    at_ms: int
    volume_l: float
    content: float
    replaces: bool


@dataclass(frozen=True, slots=True)
class Net:
    """What the tank itself did to a concentration, per day: above 0 it was produced, below 0 it was removed."""

    per_day: float
    low: float
    high: float | None


def net(first: Reading, last: Reading, inflows: Sequence[Inflow], volume_l: float) -> Net | None:
    """The constant rate that, with the inflows between two readings, leads from the first to the last.

    In the analyte's canonical unit per day, with the interval that the two readings leave. None where no time lies
    between them, or where the last inflow changed all of the water at the time of the last reading.
    """
    kept, added, days = 1.0, 0.0, 0.0  # last = kept * first + added + days * rate
    at_ms = first.at_ms
    for inflow in sorted(inflows, key=lambda one: one.at_ms):
        if not first.at_ms < inflow.at_ms <= last.at_ms:
            continue
        days += (inflow.at_ms - at_ms) / DAY_MS
        at_ms = inflow.at_ms
        share = inflow.volume_l / volume_l
        stays = max(0.0, 1 - share) if inflow.replaces else 1.0
        kept, added, days = kept * stays, added * stays + share * inflow.content, days * stays
    days += (last.at_ms - at_ms) / DAY_MS
    if days <= 0:
        return None

    def rate(then: float, now: float) -> float:
        return (now - kept * then - added) / days

    low = -math.inf if first.high is None else rate(first.high, last.low)
    return Net(rate(first.value, last.value), low, None if last.high is None else rate(first.low, last.high))


def food_nitrogen_mg(food_g: float, protein_percent: float) -> float:
    """The nitrogen in food, from the crude protein on its label, which is defined as nitrogen times 6.25."""
    return food_g * 1000 * protein_percent / 100 / PROTEIN_PER_N


def food_ammonia_mg(food_g: float, protein_percent: float) -> float:
    """The ammonia N that fish make of food they eat, mg."""
    return food_g * 1000 * protein_percent / 100 * TAN_PER_PROTEIN


def kh_spent_dkh(nitrified_mg_n_per_l: float) -> float:
    """The carbonate hardness that nitrifying ammonia to nitrate uses up."""
    return nitrified_mg_n_per_l * DKH_PER_MG_N


def kh_days(
    kh: Reading, nitrified_mg_n_per_l_per_day: float, restored_dkh_per_day: float = 0.0
) -> tuple[float, float] | None:
    """In how many days, at soonest and at latest, nitrification brings carbonate hardness down to where pH is at risk.

    restored_dkh_per_day: what inflows bring. None where they bring at least as much as is used up; the latest time is
    infinite where the reading has no upper end.
    """
    spent = kh_spent_dkh(nitrified_mg_n_per_l_per_day) - restored_dkh_per_day
    if spent <= 0:
        return None
    soonest = max(0.0, kh.low - KH_AT_RISK_DKH) / spent
    latest = math.inf if kh.high is None else max(0.0, kh.high - KH_AT_RISK_DKH) / spent
    return soonest, latest
