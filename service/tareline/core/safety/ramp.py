"""The ramp increases a ration in small steps, each held until readings show how the water reacts, and never above the
limit.

`decide` calculates one decision and its reasons from what is known now. The ration rises by at most one step in a dwell
time, and only where nothing speaks against it; it is reduced without asking anybody. The figures below are ours, except
those that the keeper sets.

The order of the checks: whether the water or missing readings require a step back; whether the limit is found; what the
ramp still waits for; the next step.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from tareline.core.calendar import day_of
from tareline.core.feeding.ration import CONFIRM_ABOVE
from tareline.core.safety.due_list import SOONER_DAYS, Due
from tareline.core.units import DAY_MS
from tareline.core.water.freshness import RAMP_FRESH_MS

SURE = 0.975  # least probability that the next ration stays under the limit
DOUBTFUL = 0.75  # the ration is reduced if the probability of the present one is lower
UNMEASURED_MS = 14 * DAY_MS
APART_MS = 7 * DAY_MS  # between two steps back, so that the water can react to the first
ALIKE = 1.1  # rations that differ by less than a tenth count as the same
NARROW = 1.6  # the limit's 95 % quantile over its 5 % quantile: the limit is then known to about a fifth
PATIENCE_MS = 126 * DAY_MS  # after that long at one ration, a limit that was found is accepted as it is
SMALLEST = 0.1  # of the keeper's step: smaller steps do not justify a dwell time
MEASURED = ("ammonia", "nitrite", "nitrate")
NOT_SEEN = ("ammonia", "nitrite")  # not detectable in a tank under its limit

State = Literal[
    "waits for readings",
    "waits for the water",
    "ready for a step",
    "steps up",
    "steps back",
    "limit found",
    "stopped",
]
ENDED: tuple[State, ...] = ("limit found", "stopped")


@dataclass(frozen=True, slots=True)
class Ramp:
    """A ramp as its keeper set it: rations in grams a day, and the dwell time in days of feeding.

    consent: whether a person must accept each step. fraction: the share of the limit's 5 % quantile that becomes the
    ration once the limit is found. set_ms: when it was set.
    """

    start_g: float
    step_g: float
    ceiling_g: float
    dwell_days: float
    fraction: float
    consent: Literal["ask", "auto"]
    entry: int
    set_ms: int


@dataclass(frozen=True, slots=True)
class LoadKnowledge:
    """What is known about the tank's load and limit, in grams a day of the food that it is fed.

    fresh: whether it includes the newest entries. refuses: why there is no result, None where there is one. found:
    whether the limit was found. p5, p50, p95: quantiles of the limit; p95 is None where it is unknown. proven_g: the
    highest ration that was held for the dwell time with the water in balance. in_balance: the probability that removal
    keeps up with the load. p_under: for some rations, the probability that they stay under the limit.
    """

    fresh: bool
    refuses: str | None
    found: bool
    p5: float | None
    p50: float | None
    p95: float | None
    proven_g: float | None
    in_balance: float
    p_under: Mapping[float, float]


@dataclass(frozen=True, slots=True)
class NewestReading:
    """The newest reading of an analyte: when, and whether it is at or below what kits can detect."""

    at_ms: int
    clear: bool


@dataclass(frozen=True, slots=True)
class TankState:
    """The present state of the tank: its ration, its readings, and the decisions of people and lines.

    unfed_ms: for how long feeding was held during the present ration. held: whether feeding is held or reduced now.
    away: whether an absence is under way. crossed: texts of crossed lines. rising: analytes whose trend gives an alarm,
    None where trends are unknown. accepted_g: the step that a person has accepted. back_ms: the last step back. zone:
    time zone of the tank, for dates in sentences.
    """

    ration_g: float
    ration_since_ms: int
    zone: str
    unfed_ms: int = 0
    held: bool = False
    away: bool = False
    open_findings: int = 0
    readings: Mapping[str, NewestReading] = field(default_factory=dict)
    crossed: tuple[str, ...] = ()
    rising: tuple[str, ...] | None = ()
    accepted_g: float | None = None
    vetoed_until_ms: int | None = None
    back_ms: int | None = None

    def newest_ms(self) -> int | None:
        """When ammonia, nitrite or nitrate was measured last."""
        return max((self.readings[name].at_ms for name in MEASURED if name in self.readings), default=None)


@dataclass(frozen=True, slots=True)
class Decision:
    """What the ramp does now.

    daily_g: the new ration in grams a day, None for no change. next_g: the ration after the next step, where one is
    possible. keep_g: the ration to keep, once the limit is found. reasons, waits_for: texts for people.
    """

    state: State
    daily_g: float | None = None
    next_g: float | None = None
    keep_g: float | None = None
    reasons: tuple[str, ...] = ()
    waits_for: tuple[str, ...] = ()


def candidates(ramp: Ramp, ration_g: float) -> tuple[float, ...]:
    """The rations after a possible step, the largest first: the keeper's step and its halves, down to a tenth of it.

    No ration is above the ceiling, or so far above the present one that a person would have to confirm it.
    """
    found: list[float] = []
    share = 1.0
    highest_g = min(ramp.ceiling_g, CONFIRM_ABOVE * ration_g)
    while share >= SMALLEST:
        to_g = _rounded(min(ration_g + share * ramp.step_g, highest_g))
        if to_g > ration_g and to_g not in found:
            found.append(to_g)
        share /= 2
    return tuple(found)


def rations_to_judge(ramp: Ramp, ration_g: float) -> tuple[float, ...]:
    """All rations whose probability `decide` needs: the present one, and those after a possible step."""
    return (ration_g, *candidates(ramp, ration_g))


def readings_due(ramp: Ramp, knowledge: LoadKnowledge | None, tank: TankState, now_ms: int) -> list[Due]:
    """What must be measured before the next step, by the end of the dwell time.

    Where no step has the required probability, nitrate is due more often than weekly, because only readings of nitrate
    narrow the limit.
    """
    effect_shows_ms = _effect_shows_ms(ramp, tank)
    if tank.held or tank.away or tank.ration_g >= ramp.ceiling_g:
        return []
    due = []
    for name in MEASURED:
        seen = tank.readings.get(name)
        if seen is None or seen.at_ms < max(effect_shows_ms, now_ms - RAMP_FRESH_MS):
            why = f"the ramp's next step waits for a reading from {day_of(effect_shows_ms, tank.zone)} on"
            due.append(Due("measure", name, max(_dwell_over_ms(ramp, tank), effect_shows_ms), why))
    nitrate = tank.readings.get("nitrate")
    usable = knowledge if knowledge is not None and knowledge.refuses is None else None
    over = now_ms >= _dwell_over_ms(ramp, tank)
    if over and nitrate is not None and usable is not None and _sure_step(ramp, usable, tank) is None:
        why = "the ramp's next step needs more certainty, which readings of nitrate provide"
        due.append(Due("measure", "nitrate", nitrate.at_ms + int(SOONER_DAYS * DAY_MS), why))
    return due


def decide(ramp: Ramp, knowledge: LoadKnowledge | None, tank: TankState, now_ms: int) -> Decision:
    """The decision for now. knowledge: None where the load has not been calculated; its p_under must contain the
    rations of `rations_to_judge`."""
    usable = knowledge if knowledge is not None and knowledge.refuses is None else None
    return (
        _step_back_for_water(ramp, usable, tank, now_ms)
        or _back_to_proven(ramp, usable, tank, now_ms)
        or _limit_found(ramp, usable, tank, now_ms)
        or _next_step(ramp, knowledge, usable, tank, now_ms)
    )


# -- back --------------------------------------------------------------------------------------------------------------


def _step_back_for_water(ramp: Ramp, usable: LoadKnowledge | None, tank: TankState, now_ms: int) -> Decision | None:
    """One step back where the water requires it; another one only after a new reading and a week."""
    reasons = [f"a line on the water is crossed: {text}" for text in tank.crossed]
    if "nitrate" in (tank.rising or ()):
        reasons.append("nitrate is rising: more is added than the tank removes")
    under = usable.p_under.get(tank.ration_g, 1.0) if usable is not None and usable.fresh else 1.0
    if under < DOUBTFUL:
        reasons.append(f"the present ration stays under the limit with a probability of only {_percent(under)}")
    to_g = _rounded(max(tank.ration_g - ramp.step_g, min(ramp.start_g, ramp.step_g)))
    if not reasons or to_g >= tank.ration_g:
        return None
    newest_ms, last_ms = tank.newest_ms(), tank.back_ms
    if last_ms is not None and (newest_ms is None or newest_ms <= last_ms or now_ms - last_ms < APART_MS):
        return None
    return Decision("steps back", daily_g=to_g, reasons=tuple(reasons))


def _back_to_proven(ramp: Ramp, usable: LoadKnowledge | None, tank: TankState, now_ms: int) -> Decision | None:
    """Back to the proven ration, where nitrate was not measured for more than two weeks."""
    proven_g = usable.proven_g if usable is not None else None
    to_g = proven_g if proven_g is not None else ramp.start_g
    nitrate = tank.readings.get("nitrate")
    last_ms = max(ramp.set_ms, nitrate.at_ms if nitrate is not None else ramp.set_ms)
    if tank.ration_g <= ALIKE * to_g or now_ms - last_ms <= UNMEASURED_MS:
        return None
    what = "what is proven" if proven_g is not None else "what the ramp began with, as nothing is proven yet"
    reason = f"nitrate was not measured for {_days(now_ms - last_ms)}: the ration returns to {what}, {to_g:g} g a day"
    return Decision("steps back", daily_g=to_g, reasons=(reason,))


# -- found -------------------------------------------------------------------------------------------------------------


def _limit_found(ramp: Ramp, usable: LoadKnowledge | None, tank: TankState, now_ms: int) -> Decision | None:
    """The end of the ramp: the limit is known as accurately as further steps could show, or no step is possible."""
    if (
        usable is None
        or not (usable.fresh and usable.found)
        or usable.p5 is None
        or usable.p50 is None
        or usable.p95 is None
    ):
        return None
    if tank.held or tank.crossed or tank.rising or now_ms < _dwell_over_ms(ramp, tank):
        return None
    if usable.p95 > NARROW * usable.p5:
        more = tank.ration_g < ramp.ceiling_g and _sure_step(ramp, usable, tank) is not None
        if more or now_ms < tank.ration_since_ms + tank.unfed_ms + PATIENCE_MS:
            return None
    proven_g = usable.proven_g if usable.proven_g is not None else ramp.start_g
    keep_g = _rounded(min(ramp.fraction * usable.p5, proven_g))
    reasons = [
        f"the limit is {usable.p50:.3g} g a day ({usable.p5:.3g} to {usable.p95:.3g} g with a probability of 90 %)",
        f"the ration to keep is {keep_g:g} g a day: {_share(ramp.fraction)} of the lower end, but at most "
        f"{proven_g:.3g} g, which has been held",
    ]
    if usable.p95 > NARROW * usable.p5:
        reasons.append(f"for {_days(now_ms - tank.ration_since_ms)} no step was certain enough to stay under it")
    less = keep_g if keep_g < tank.ration_g else None
    return Decision("limit found", daily_g=less, keep_g=keep_g, reasons=tuple(reasons))


# -- forward -----------------------------------------------------------------------------------------------------------


def _next_step(
    ramp: Ramp, knowledge: LoadKnowledge | None, usable: LoadKnowledge | None, tank: TankState, now_ms: int
) -> Decision:
    """The next step, or what it waits for."""
    water = _waits_for_water(ramp, tank, now_ms)
    readings = _waits_for_readings(ramp, knowledge, tank, now_ms)
    reached = tank.ration_g >= ramp.ceiling_g
    next_g = _sure_step(ramp, usable, tank) if usable is not None else None
    if reached:
        water.append(f"no further step: the ration has reached the ramp's ceiling of {ramp.ceiling_g:g} g a day")
    elif usable is not None and usable.fresh and next_g is None:
        options = candidates(ramp, tank.ration_g)
        water.append(
            f"more certainty: even {options[-1]:g} g a day stays under the limit with a probability of only "
            f"{_percent(usable.p_under[options[-1]])}; {_percent(SURE)} is needed"
            if options
            else f"a larger ration: from {tank.ration_g:g} g a day no step is possible"
        )
    if water or readings:
        state: State = "waits for the water" if water else "waits for readings"
        return Decision(state, next_g=next_g, waits_for=(*water, *readings))
    assert usable is not None
    assert next_g is not None
    reasons = (
        f"{tank.ration_g:g} g a day was held for {_days(now_ms - tank.ration_since_ms - tank.unfed_ms)}",
        "ammonia and nitrite show a trace at most, and nothing is rising",
        f"{next_g:g} g a day stays under the limit with a probability of {_percent(usable.p_under[next_g])}",
    )
    if ramp.consent == "auto":
        return Decision("steps up", daily_g=next_g, next_g=next_g, reasons=reasons)
    if tank.accepted_g is not None and tank.accepted_g > tank.ration_g:
        to_g = min(next_g, tank.accepted_g)
        return Decision("steps up", daily_g=to_g, next_g=to_g, reasons=(*reasons, "a person has accepted it"))
    return Decision("ready for a step", next_g=next_g, reasons=reasons, waits_for=("a person's consent",))


def _waits_for_water(ramp: Ramp, tank: TankState, now_ms: int) -> list[str]:
    """What has to happen in the tank or in its records before a step, as texts."""
    waits = []
    over_ms = _dwell_over_ms(ramp, tank)
    if now_ms < over_ms:
        held = f"{tank.ration_g:g} g a day is held for {ramp.dwell_days:g} days of feeding first"
        waits.append(f"{day_of(over_ms, tank.zone)}: {held}")
    if tank.held:
        waits.append("the end of the hold: feeding is paused or reduced")
    if tank.away:
        waits.append("the end of the absence")
    waits += [f"the water to be back within its line: {text}" for text in tank.crossed]
    for name in NOT_SEEN:
        seen = tank.readings.get(name)
        if seen is not None and not seen.clear:
            waits.append(f"{name} to disappear: the reading of {day_of(seen.at_ms, tank.zone)} shows more than a trace")
    waits += [f"{name} to stop rising" for name in tank.rising or ()]
    if tank.open_findings:
        one = tank.open_findings == 1
        waits.append(
            f"a decision on {tank.open_findings} finding{'' if one else 's'} in the books: the mass that was "
            "really fed is uncertain"
        )
    if tank.vetoed_until_ms is not None and now_ms < tank.vetoed_until_ms:
        waits.append(f"{day_of(tank.vetoed_until_ms, tank.zone)}: a person has vetoed the step until then")
    return waits


def _waits_for_readings(ramp: Ramp, knowledge: LoadKnowledge | None, tank: TankState, now_ms: int) -> list[str]:
    """What has to be measured or calculated before a step, as texts. Each reading must be recent, and be taken after
    half of the dwell time."""
    effect_shows_ms = _effect_shows_ms(ramp, tank)
    since_ms = max(effect_shows_ms, now_ms - RAMP_FRESH_MS)
    waits = []
    for name in MEASURED:
        seen = tank.readings.get(name)
        if seen is None or seen.at_ms < since_ms:
            newest = "there is none" if seen is None else f"the newest is of {day_of(seen.at_ms, tank.zone)}"
            waits.append(f"a reading of {name} from {day_of(effect_shows_ms, tank.zone)} or later; {newest}"
                         if now_ms < effect_shows_ms or seen is None or seen.at_ms < effect_shows_ms
                         else f"a fresh reading of {name}; {newest}")  # fmt: skip
    if tank.rising is None:
        waits.append("the trends of the water to be calculated")
    if knowledge is None:
        waits.append("the load of this tank to be calculated")
    elif knowledge.refuses is not None:
        waits.append(f"readings that the model can explain: {knowledge.refuses}")
    elif not knowledge.fresh:
        waits.append("the load to be calculated again with the newest entries")
    return waits


def _sure_step(ramp: Ramp, usable: LoadKnowledge, tank: TankState) -> float | None:
    """The ration after the largest step that has the required probability to stay under the limit; None without one."""
    return next((to_g for to_g in candidates(ramp, tank.ration_g) if usable.p_under[to_g] >= SURE), None)


def _dwell_over_ms(ramp: Ramp, tank: TankState) -> int:
    """When the present ration will have been fed for the dwell time, in UNIX ms; time under a hold does not count."""
    return tank.ration_since_ms + tank.unfed_ms + int(ramp.dwell_days * DAY_MS)


def _effect_shows_ms(ramp: Ramp, tank: TankState) -> int:
    """From when readings show the effect of the present ration, in UNIX ms."""
    return tank.ration_since_ms + int(ramp.dwell_days * DAY_MS / 2)


def _rounded(daily_g: float) -> float:
    """The ration rounded to whole micrograms, in which feeders count."""
    return round(daily_g, 6)


def _days(ms: int) -> str:
    days = ms // DAY_MS
    return f"{days} day{'' if days == 1 else 's'}"


def _share(fraction: float) -> str:
    return "a third" if abs(fraction - 1 / 3) < 1e-6 else f"{100 * fraction:.3g} %"


def _percent(p: float) -> str:
    """A probability in percent, rounded down to a tenth, so that it is never less than written."""
    return f"{int(1000 * p + 1e-9) / 10:.3g} %"
