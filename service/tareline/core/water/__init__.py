"""Readings, and the chemistry that they stand for.

Choices that are ours:

- Dissolved solids of a tank are mg/L by the tank's `tds_factor` (0.64 where none is set). What was stated in uS/cm or
  by a pen's own factor is converted through conductivity at 25 degC; mg/L without a factor are taken to be the
  tank's. A line on them is stated in mg/L or ppm: in uS/cm it would move with the factor.
- Balances take the oldest and the newest reading of 91 days, at least 14 days apart. Hardness is calculated
  as if all ammonia from the food of 28 days were nitrified: this is the soonest it can run out, and plants delay it.
- Criteria for ammonia are drawn only where pH and temperature were measured within 14 days: no value is assumed.
"""
