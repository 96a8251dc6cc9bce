"""Concerns about a ramp: it asks for a step, has gone back, or has found the limit; and about a failing calculation.

None of them is urgent: a ramp that gets no answer stays where it is, and a step back has already happened.
"""

from collections.abc import Sequence

from tareline.core.alerts.alert import Concern
from tareline.core.alerts.concerns import Location, upper_first
from tareline.core.safety.ramp import State
from tareline.core.units import DAY_MS

TOLD_FOR_MS = 7 * DAY_MS  # how long a decision is reported


def of_ramp(
    place: Location,
    state: State,
    since_ms: int,
    reasons: Sequence[str],
    grams: float | None,
    now_ms: int,
) -> Concern | None:
    """The concern about the newest decision of a ramp; None where it only waits.

    since_ms: of the decision. grams: a day: the ration after the step, after going back, or the one to keep.
    """
    if grams is None or (state != "ready for a step" and now_ms - since_ms >= TOLD_FOR_MS):
        return None
    why = upper_first("; ".join(reasons))
    if state == "ready for a step":
        what = f"the ramp asks for a step to {grams:g} g a day"
        text = f"{why}. Look at the animals and the water, then accept or veto it on the page “Load”. Nothing "
        text += "changes until you do."
    elif state == "steps back":
        what = f"the ramp has gone back to {grams:g} g a day"
        text = (
            f"{why}. The smaller ration is already in force. Measure ammonia, nitrite and nitrate in the coming days, "
        )
        text += "and look for a dead animal or uneaten food."
    elif state == "limit found":
        what = f"the ramp has found the limit; the ration to keep is {grams:g} g a day"
        text = f"{why}. This is valid while volume, plants, food, filter and light stay the same. The record of the "
        text += "ramp shows all details on one page."
    else:
        return None
    key = f"ramp/{place.tank}/{state.replace(' ', '-')}/{since_ms}"
    return Concern(key, "due", place.tank, since_ms, f"{place.name}: {what}", f"{place.when(since_ms)}. {text}")


def of_load_trouble(place: Location, why: str, since_ms: int, times: int) -> Concern | None:
    """The concern about a load that could not be calculated more than once; the first time may have been chance."""
    if times < 2:
        return None
    return Concern(
        key=f"load/{place.tank}",
        kind="device",
        tank=place.tank,
        since_ms=since_ms,
        what=f"{place.name}: its load cannot be calculated",
        text=f"Since {place.when(since_ms)}, {times} times: {why}. Feeding, holds and alerts continue; the limit and "
        "the forecast are out of date, and the ramp takes no step. Tareline tries again automatically. If this does "
        "not end, look at the log, and at the free memory of the computer.",
    )
