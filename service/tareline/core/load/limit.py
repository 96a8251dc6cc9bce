"""The limit of a tank's ration, its present load, the proven and the recommended ration, and whether they are usable.

The limit is the largest constant ration, in grams a day of the named food, whose steady state keeps nitrate at or
under the tank's ceiling, and ammonia and nitrite below detection. Removal is taken with its present maturity and
season. The limit is what plants, substrate and bacteria can do: water changes are not included. Bacteria are assumed
to have grown to the amount that the ration supports.

In the steady state, with removal R(C) = U C^n / (half^n + C^n) and bacteria that grow until
growth A / (K + A) (1 - fill) = decay:

    uptake's limit    R(highest) (R(ceiling) / R(highest))^(e^law) - what top-ups bring
    bacteria's limit  room (A / (K + A) - decay / growth) at A = detection; for nitrite alike

and the limit is the smallest of the three, divided by the nitrogen that reaches the water per litre and gram of food.
`highest` is the highest nitrate at any reading. `law` expresses that removal may follow another law at contents which
this tank has not reached yet. Removal never decreases with more nitrate, so that removal at the ceiling is at least
that at `highest`.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tareline.core.load.likelihood import FLOOR
from tareline.core.load.nitrogen import MATURITY, NITRATE, removal
from tareline.core.load.particles import quantiles
from tareline.core.load.posterior import Posterior
from tareline.core.load.priors import DECAY_PER_D
from tareline.core.load.record import Record
from tareline.core.water.balance import food_nitrogen_mg

Floats = NDArray[np.float64]

FOUND_RATIO = 4.0  # p95 / p5: with a wider interval the limit counts as not found
FOUND_SEEN = 4  # the fewest nitrate readings that detected nitrate
CAREFUL = 2.5  # factor on the standard deviation of `law` for the lower bound where no limit is found
LEAST_EFFECTIVE = 100.0
MOST_BLUNDERS = 0.15  # mean probability of a blunder per reading; the model expects a tenth at most
BALANCED = 0.9  # required probability that removal can match the load
PROVEN_FOR_D = 180.0
DWELL_D = 28.0
READINGS_PER_DWELL = 2
HELD_WITHIN = 0.15  # relative deviation of each week from the dwell's mean: one missed day is not another ration
SAFE_FRACTION = 1 / 3  # common practice, no source
RECENT_D = 28.0
NOT_HELD = "No ration has been held for the dwell time yet."
# Common practice, no source: trimming a little every week keeps a tank as it is. The figures are our judgement.
UPKEEP_SHARE, UPKEEP_TOGETHER, UPKEEP_DAYS = 0.1, 0.2, 28
HARVESTED = (
    "Because of harvests the ration that was held is not proven: a harvest counts as a change of plants if it takes"
    " more than a tenth of them, or more than a fifth together with others within 28 days, or a share that was not"
    " stated. The share of a harvest can be entered with it."
)


@dataclass(frozen=True, slots=True)
class Limits:
    """The limit of each draw by its three causes, in grams a day of one food, and the draws' weights: each (draws,)."""

    uptake_g: Floats
    ammonia_g: Floats
    nitrite_g: Floats
    weights: Floats

    @property
    def least_g(self) -> Floats:
        return np.minimum(self.uptake_g, np.minimum(self.ammonia_g, self.nitrite_g))

    def quantiles(self, *at: float) -> list[float]:
        return [float(q) for q in quantiles(self.least_g, self.weights, at)]

    def at_least(self, ration_g: float) -> float:
        """The probability that a ration stays at or under the limit."""
        return float(self.weights @ (self.least_g >= ration_g))


LimitsBy = Literal["uptake", "nitrification", "open"]
SURE_OF_LIMIT = 0.8  # required probability that it is this one of the two


@dataclass(frozen=True, slots=True)
class ProvenRation:
    """The highest ration in grams a day that was held while the water stayed in balance; 0 where there is none.

    since, until: the first and the last day of that dwell, in days of the record. why: why none is proven.
    """

    daily_g: float
    since: float | None = None
    until: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """Whether the posterior is usable (`speaks`), and if not, why.

    effective_draws: effective number of draws. accepted: share of accepted Metropolis moves. contraction: standard
    deviation of the log limit after the readings, divided by that before them. blunders: mean probability of a blunder.
    """

    speaks: bool
    why: str
    effective_draws: float
    accepted: float
    contraction: float
    blunders: float


@dataclass(frozen=True, slots=True)
class Load:
    """The result, in grams a day of `food`. p50_g and p95_g are None where the limit was not found; p5_g, which then is
    a lower bound, is None without readings."""

    food: str
    found: bool
    p5_g: float | None
    p50_g: float | None
    p95_g: float | None
    load_now_g: tuple[float, float, float] | None  # 5, 50, 95 %: what the tank removes at present
    fed_now_g: float  # mean of the last four weeks
    proven: ProvenRation
    recommended_g: float
    recommended_why: Literal["a share of the limit", "proven", "nothing proven yet"]
    limits_by: LimitsBy
    evidence: tuple[str, ...]
    diagnostics: Diagnostics


def reaching_mg(known: Posterior, food: int = 0) -> Floats:
    """Nitrogen in mg that reaches the water per gram of a food: (draws,)."""
    figures = known.figures
    stated = food_nitrogen_mg(1.0, known.record.foods[food].protein_percent)
    return stated * figures[f"label_{food}"] * figures["reaching"]


def limits(known: Posterior, food: int = 0, care: float = 1.0) -> Limits:
    """The limit of each draw, in grams a day of one of the record's foods. care: a factor on `law`."""
    f, record = known.figures, known.record
    per_g = reaching_mg(known, food) / record.volume_l
    brought = _topups(known)
    # At least the error of one reading is taken as `highest`; beyond the ceiling nothing is extrapolated.
    highest = np.clip(known.reached, FLOOR["nitrate"], record.ceiling_mg_n_per_l)
    there, at_ceiling = (
        removal(nitrate, known.uptake * known.state[MATURITY], f["half"], f["order"])
        for nitrate in (highest, record.ceiling_mg_n_per_l)
    )
    uptake = there * (at_ceiling / there) ** np.exp(care * f["law"])
    ammonia, nitrite = record.detects
    one = f["room"] * (ammonia / (f["affinity"] + ammonia) - DECAY_PER_D / f["growth"])
    two = f["room"] * (nitrite / (f["affinity"] + nitrite) - DECAY_PER_D / (f["growth"] * f["second"]))
    rates = [np.maximum(rate, 0.0) / per_g for rate in (uptake - brought, one, two)]
    return Limits(rates[0], rates[1], rates[2], known.weights)


def _topups(known: Posterior) -> Floats:
    """Nitrate that top-ups have added in the last 90 days, mg N/L/d: (draws,)."""
    timeline = known.timeline
    of_late = timeline.edges[1:] > timeline.edges[-1] - 90
    h = np.diff(timeline.edges)[of_late]
    stated, unstated = (float(h @ rates[of_late] / h.sum()) for rates in (timeline.brought, timeline.unstated))
    return stated + unstated * known.figures["source"]


def what_limits(by_uptake: float) -> tuple[LimitsBy, str]:
    """What limits a tank, and a sentence about it; `open` where neither cause has a probability of 80 %.

    by_uptake: the probability that it is the uptake by plants and substrate.
    """
    uptake = by_uptake >= 0.5
    first = "what plants and substrate take up" if uptake else "what the bacteria can oxidise"
    share = max(by_uptake, 1 - by_uptake)
    percent = int(100 * share)  # rounded down, so that 79.9 % is not shown as 80 %
    if share < SURE_OF_LIMIT:
        return "open", f"What limits the ration is not known yet; it is {first} with a probability of {percent} %."
    return (
        "uptake" if uptake else "nitrification",
        f"The ration is limited by {first} (with a probability of {percent} %).",
    )


def load(known: Posterior, dwell_d: float = DWELL_D, fraction: float = SAFE_FRACTION, food: int = 0) -> Load:
    """All results about a tank's load. food: index of the food in whose grams they are expressed."""
    record = known.record
    may = limits(known, food)
    diagnostics = diagnose(known, may)
    fed_now = _fed_now(record)
    seen = [one for one in record.readings if one.analyte == "nitrate"]
    if not diagnostics.speaks or not seen:
        proven = ProvenRation(0.0, why=diagnostics.why)
        return Load(
            record.foods[food].name, False, None, None, None, None, fed_now, proven, 0.0, "nothing proven yet", "open",
            (diagnostics.why,), diagnostics,
        )  # fmt: skip
    p5, p50, p95 = may.quantiles(0.05, 0.5, 0.95)
    found = p5 > 0 and p95 / p5 <= FOUND_RATIO and sum(one.detected for one in seen) >= FOUND_SEEN
    if not found:
        (p5,) = limits(known, food, CAREFUL).quantiles(0.05)
    by_uptake = float(known.weights @ (may.uptake_g <= np.minimum(may.ammonia_g, may.nitrite_g)))
    limits_by, by_what = what_limits(by_uptake) if found else ("open", "")
    removed = (
        removal(
            known.state[NITRATE], known.uptake * known.state[MATURITY], known.figures["half"], known.figures["order"]
        )
        * record.volume_l
        / reaching_mg(known, food)
    )
    now = [float(q) for q in quantiles(removed, known.weights, (0.05, 0.5, 0.95))]
    proven = proven_ration(record, may, dwell_d)
    recommended, why = recommend(proven.daily_g, p5 if found else None, fraction)
    return Load(
        food=record.foods[food].name,
        found=found,
        p5_g=p5,
        p50_g=p50 if found else None,
        p95_g=p95 if found else None,
        load_now_g=(now[0], now[1], now[2]),
        fed_now_g=fed_now,
        proven=proven,
        recommended_g=recommended,
        recommended_why=why,
        limits_by=limits_by,
        evidence=_evidence(record, found, p5, p95, by_what, proven, fed_now),
        diagnostics=diagnostics,
    )


def recommend(
    proven_g: float, limit_p5_g: float | None, fraction: float = SAFE_FRACTION
) -> tuple[float, Literal["a share of the limit", "proven", "nothing proven yet"]]:
    """The recommended ration in grams a day, and its reason: a safe share of the limit's 5 % quantile where the limit
    was found, but never more than the proven ration."""
    if proven_g <= 0:
        return 0.0, "nothing proven yet"
    if limit_p5_g is None or fraction * limit_p5_g >= proven_g:
        return proven_g, "proven"
    return fraction * limit_p5_g, "a share of the limit"


def diagnose(known: Posterior, may: Limits) -> Diagnostics:
    """Whether there are enough effective draws, and whether the model explains the readings."""
    particle_set = known.particle_set
    blunders = float(known.blunders.mean()) if len(known.blunders) else 0.0
    of_nitrate = known.blunders[known.timeline.of_nitrate]
    worst = max(blunders, float(of_nitrate.mean()) if len(of_nitrate) >= 5 else 0.0)
    why = ""
    if not any(one.analyte == "nitrate" for one in known.record.readings):
        why = "Nitrate has not been measured yet: the limit is unknown."
    elif particle_set.effective < LEAST_EFFECTIVE:
        found = f"{particle_set.effective:.0f} effective draws, expected {LEAST_EFFECTIVE:.0f}"
        why = f"The calculation did not converge ({found})."
    elif worst > MOST_BLUNDERS:
        why = (
            f"The readings do not fit together: about {100 * worst:.0f} in 100 would have to be mistakes. The"
            " entry of a change of water, plants or kit may be missing."
        )
    log = np.log(np.maximum(may.least_g, 1e-9))
    mean = particle_set.weights @ log
    after = math.sqrt(float(particle_set.weights @ (log - mean) ** 2))
    return Diagnostics(not why, why, particle_set.effective, particle_set.accepted, after / _prior_sd(known), worst)


def _prior_sd(known: Posterior) -> float:
    """The approximate standard deviation of the log limit before any reading: from the priors of the uptake and of the
    share of nitrogen that reaches the water."""
    z = np.random.default_rng(0).standard_normal((500, len(known.timeline.priors)))
    f = known.timeline.priors.values(z)
    rate = removal(known.record.ceiling_mg_n_per_l, f["capacity"] * f["maturity"], f["half"], f["order"])
    return float(np.std(np.log(rate / f["reaching"])))


def proven_ration(record: Record, may: Limits, dwell_d: float = DWELL_D, balanced: float = BALANCED) -> ProvenRation:
    """The highest ration that was held for the dwell time while the water stayed in balance.

    In balance means: the probability that the ration lies at or under the limit (`limits`) is at least `balanced`;
    nitrate was read at least twice during the dwell, and the last reading was under the ceiling; ammonia or nitrite was
    read, and not detected. A dwell proves nothing if plants, filter or volume changed after it, or if it ended more
    than 180 days ago. Small harvests for upkeep do not count as a change of plants.
    """
    since = max([0.0, record.now - PROVEN_FOR_D - dwell_d, *record.upset])
    cuts = _upsetting_harvests(record)
    found = _proven_since(max([since, *cuts]), record, may, dwell_d, balanced)
    if found.daily_g <= 0 and cuts:
        uncut = _proven_since(since, record, may, dwell_d, balanced)
        if uncut.daily_g > 0 or (found.why == NOT_HELD and uncut.why != NOT_HELD):
            return ProvenRation(0.0, why=HARVESTED)
    return found


def _upsetting_harvests(record: Record) -> list[float]:
    """The days of harvests that count as a change of plants: those of an unstated or large share, and those that
    together with the other harvests of 28 days take too much."""
    small = [h for h in record.harvests if h.share is not None and h.share <= UPKEEP_SHARE]
    found = [h.day for h in record.harvests if h not in small]
    for last in small:
        within = [h for h in small if h.day <= last.day and math.floor(h.day) > math.floor(last.day) - UPKEEP_DAYS]
        if 1 - math.prod(1 - (h.share or 0.0) for h in within) > UPKEEP_TOGETHER + 1e-9:
            found.append(last.day)
    return found


def _proven_since(earliest: float, record: Record, may: Limits, dwell_d: float, balanced: float) -> ProvenRation:
    """The highest ration that was held in balance for a dwell that began on day `earliest` or later."""
    by_day = daily_g(record)
    span = int(dwell_d)
    best, why = ProvenRation(0.0), NOT_HELD
    for end in range(int(record.now), math.ceil(earliest) + span - 1, -1):
        if end > len(by_day) or end < record.now - PROVEN_FOR_D:
            continue
        days = by_day[end - span : end]
        ration = float(days.mean())
        # A ration was held if each week of the dwell was fed about as much.
        weeks = [float(w.mean()) for w in np.array_split(days, max(1, span // 7))]
        held = min(weeks) >= ration * (1 - HELD_WITHIN) and max(weeks) <= ration * (1 + HELD_WITHIN)
        if ration <= best.daily_g or not held:
            continue
        fault = _fault(record, end - span, end)
        if not fault and may.at_least(ration) < balanced:
            share = f"{100 * may.at_least(ration):.0f} %"
            fault = f"The probability that the tank can process {ration:.3g} g is too low ({share})."
        if fault:
            why = fault
        else:
            best = ProvenRation(ration, float(end - span), float(end))
    return best if best.daily_g > 0 else ProvenRation(0.0, why=why)


def daily_g(record: Record) -> Floats:
    """Grams fed on each whole day so far, all foods together: (days,)."""
    days = np.zeros(int(record.now))
    for fed in record.fed:
        if 0 <= fed.day < len(days):
            days[fed.day] += fed.mass_g
    return days


def _fed_now(record: Record) -> float:
    days = daily_g(record)[-int(RECENT_D) :]
    return float(days.mean()) if len(days) else 0.0


def _fault(record: Record, since: float, until: float) -> str:
    """Why a dwell proves nothing, as a sentence; empty where nothing speaks against it."""
    within = [one for one in record.readings if since <= one.day <= until + 1]
    nitrate = [one for one in within if one.analyte == "nitrate"]
    others = [one for one in within if one.analyte in ("ammonia", "nitrite")]
    if len(nitrate) < READINGS_PER_DWELL or not others:
        return "Too few readings while the ration was held: nitrate twice, ammonia or nitrite once."
    if max(nitrate, key=lambda one: one.day).value > record.ceiling_mg_n_per_l * (1 + 1e-3):
        return "Nitrate was above the tank's ceiling while the ration was held."
    # One reading at the lowest colour step may be chance; two detections in a row of one analyte are not.
    for analyte in ("ammonia", "nitrite"):
        last = [one.detected for one in within if one.analyte == analyte][-2:]
        if last and all(last):
            return f"The last readings of {analyte} while the ration was held still showed some."
    return ""


def _evidence(
    record: Record, found: bool, p5: float, p95: float, by_what: str, proven: ProvenRation, fed_now: float
) -> tuple[str, ...]:
    """The evidence in sentences."""
    seen = [one for one in record.readings if one.analyte == "nitrate"]
    visible = sum(one.detected for one in seen)
    lines = [
        f"{len(seen)} nitrate readings, {visible} of which detected any; {fed_now:.3g} g a day in the last four weeks."
    ]
    if found:
        lines.append(f"The limit lies between {p5:.3g} and {p95:.3g} g a day with a probability of 90 %.")
        lines.append(by_what)
    elif not visible:
        lines.append(
            f"Nitrate has never been detected: the limit is at least {p5:.3g} g a day, and may be much higher."
        )
    else:
        lines.append(f"The readings do not show the limit yet: it is at least {p5:.3g} g a day.")
    if proven.daily_g > 0 and proven.until is not None:
        ago = round(record.now - proven.until)
        until = "now" if ago < 1 else "yesterday" if ago == 1 else f"{ago} days ago"
        lines.append(f"{proven.daily_g:.3g} g a day was held in balance until {until}.")
    elif proven.why:
        lines.append(proven.why)
    return tuple(lines)


def steady_nitrate(known: Posterior, ration_g: float, food: int = 0) -> Floats:
    """Steady nitrate under a ration, mg N/L: (draws,); infinite where the ration exceeds the largest uptake."""
    f = known.figures
    inflow = ration_g * reaching_mg(known, food) / known.record.volume_l + _topups(known)
    part = inflow / (known.uptake * known.state[MATURITY])
    with np.errstate(divide="ignore", invalid="ignore"):
        rest: Floats = np.where(part < 1, f["half"] * (part / (1 - part)) ** (1 / f["order"]), np.inf)
    return rest
