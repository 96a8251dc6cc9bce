"""What the process of the load answers with: values of plain numbers, pickled as they are."""

from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass

from tareline.core.load.forecast import Content
from tareline.core.load.limit import Load

Band = tuple[float, ...]  # a value at each of the forecast's quantiles, ascending


@dataclass(frozen=True, slots=True)
class LoadTold:
    """The result for a tank's load.

    limits_g: the limit's draws in grams a day, ascending. at_least: for each the probability that the limit is no less.
    """

    load: Load
    limits_g: tuple[float, ...]
    at_least: tuple[float, ...]

    def p_under(self, ration_g: float) -> float:
        """The probability that a ration stays at or under the limit."""
        place = bisect_left(self.limits_g, ration_g)
        return self.at_least[place] if place < len(self.at_least) else 0.0


@dataclass(frozen=True, slots=True)
class ForecastTold:
    """The water at the end of each day ahead; mg/L, nitrogen as N.

    bands: by content and day. over_ceiling: the probability of nitrate above the tank's ceiling, by day. detected: the
    probability that kits detect ammonia or nitrite. rests_at: the steady nitrate under the last day's
    ration, None where nitrate never becomes steady.
    """

    bands: Mapping[Content, tuple[Band, ...]]
    over_ceiling: tuple[float, ...]
    detected: tuple[float, ...]
    rests_at: tuple[float | None, ...]
