"""For how long a reading or a sample counts as the present state of the water, for each use.

The values are judgement where no source is named.
"""

from tareline.core.units import DAY_MS

# Against a line: what can harm within days is measured weekly, what drifts over weeks monthly.
FRESH_DAYS = {
    "ammonia": 7,
    "free_ammonia": 7,
    "nitrite": 7,
    "nitrate": 14,
    "ph": 14,  # contract
    "tds": 30,
    "temperature": 14,
    "kh": 30,
}
FRESH_MS = 14 * DAY_MS  # pH and temperature beside another reading: an older one is not used (contract)
RAMP_FRESH_MS = 10 * DAY_MS  # for a step of the ramp: a weekly test may come a few days late
TREND_FRESH_DAYS = 45.0  # for a trend of readings by hand: older ones say nothing of today
PROBE_TREND_FRESH_DAYS = 7.0  # for a trend of a probe's daily means
SAMPLED_MS = DAY_MS  # a probe that has sent nothing for a day monitors nothing
