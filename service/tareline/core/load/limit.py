"""What a tank can take: its limit, its load now, what is proven, what is recommended, and whether to say so at all.

The limit is the largest steady ration, in grams a day of the named food, whose steady state keeps nitrate at or under
the tank's ceiling and ammonia and nitrite under detection, with the tank's removal as mature as it is now (and in the
season it is now). It is what the tank's own life can do: recorded water changes are not counted on. Bacteria are
counted as grown to what the ration feeds.

At rest with removal R(C) = U C^n / (half^n + C^n) and bacteria that grow until growth A / (K + A) (1 - fill) = decay:

    uptake's limit    R(highest) (R(ceiling) / R(highest))^(e^law) - what top-ups bring
    bacteria's limit  room (A / (K + A) - decay / growth) at A = detection; for nitrite alike

and the limit is the least of the three, over the nitrogen that reaches the water per litre and gram of food. `highest`
is the highest nitrate there was at a reading; `law` is what another law of removal may do where this tank has not been
yet. More nitrate is never removed more slowly, so that what was removed there is removed at the ceiling too.
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

FOUND_RATIO = 4.0  # of p95 to p5: an interval wider than this does not show a limit
FOUND_SEEN = 4  # nitrate readings that saw something
CAREFUL = 2.5  # times the deviation of `law`: what is at least so where no limit is found rests on it most
LEAST_EFFECTIVE = 100.0
MOST_BLUNDERS = 0.15  # of the readings on average; the model expects a tenth at most
BALANCED = 0.9  # how sure it must be that removal can match the load
PROVEN_FOR_D = 180.0
DWELL_D = 28.0
READINGS_PER_DWELL = 2
HELD_WITHIN = 0.15  # of the dwell's mean, by weeks: one missed day is no other ration
SAFE_FRACTION = 1 / 3  # common practice, no source
RECENT_D = 28.0
NOT_HELD = "No ration has been held for the dwell time yet."
# Common practice, no source: trimming a little every week keeps a tank as it is. The figures are our judgement.
UPKEEP_SHARE, UPKEEP_TOGETHER, UPKEEP_DAYS = 0.1, 0.2, 28
HARVESTED = (
    "Harvests stand between the ration that was held and its proof: one that takes more than a tenth of the plants, or"
    " more than a fifth with others within 28 days, or a share that nobody stated, counts as a change of plants. The"
    " share that a harvest took can be entered with it."
)


@dataclass(frozen=True, slots=True)
class Limits:
    """The limit of each draw in grams a day of one food, and what it is made of. All of shape (draws,)."""

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
SURE_OF_LIMIT = 0.8  # that it is one and not the other


@dataclass(frozen=True, slots=True)
class Proven:
    """The highest ration held with the water in balance; 0 where none is. since, until: days of that dwell."""

    daily_g: float
    since: float | None = None
    until: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Diagnostics:
    """Whether the posterior can be trusted. contraction: deviation of the log limit, after over before the readings."""

    speaks: bool
    why: str
    effective_draws: float
    accepted: float
    contraction: float
    blunders: float


@dataclass(frozen=True, slots=True)
class Load:
    """The answer. Grams a day of `food`; p95_g and p50_g None where the limit is open; p5_g None without readings."""

    food: str
    found: bool
    p5_g: float | None
    p50_g: float | None
    p95_g: float | None
    load_now_g: tuple[float, float, float] | None  # 5, 50, 95 %: what the tank's life removes at present
    fed_now_g: float  # mean of the last four weeks
    proven: Proven
    recommended_g: float
    recommended_why: Literal["a share of the limit", "proven", "nothing proven yet"]
    limits_by: LimitsBy
    evidence: tuple[str, ...]
    diagnostics: Diagnostics


def reaching_mg(known: Posterior, food: int = 0) -> Floats:
    """Nitrogen in mg that reaches the water per gram of a food, per draw."""
    figures = known.figures
    stated = food_nitrogen_mg(1.0, known.record.foods[food].protein_percent)
    return stated * figures[f"label_{food}"] * figures["reaching"]


def limits(known: Posterior, food: int = 0, care: float = 1.0) -> Limits:
    """The limit per draw, in grams a day of one of the record's foods. care: what `law` is multiplied by."""
    f, record = known.figures, known.record
    per_g = reaching_mg(known, food) / record.volume_l
    brought = _topups(known)
    # A reading's worth of nitrate is the least that counts as seen; beyond the ceiling nothing is extrapolated.
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
    """Nitrate that top-ups have brought of late, mg N/L/d per draw."""
    course = known.course
    of_late = course.edges[1:] > course.edges[-1] - 90
    h = np.diff(course.edges)[of_late]
    stated, unstated = (float(h @ rates[of_late] / h.sum()) for rates in (course.brought, course.unstated))
    return stated + unstated * known.figures["source"]


def what_limits(by_uptake: float) -> tuple[LimitsBy, str]:
    """What limits a tank, and a sentence that says so; `open` where neither is 80 % sure.

    by_uptake: the probability that it is what plants and substrate take up.
    """
    uptake = by_uptake >= 0.5
    first = "what plants and substrate take up" if uptake else "what the bacteria can oxidise"
    share = max(by_uptake, 1 - by_uptake)
    percent = int(100 * share)  # never rounded up to what is sure enough
    if share < SURE_OF_LIMIT:
        return "open", f"What limits is not known yet; {first} with a probability of {percent} %."
    return "uptake" if uptake else "nitrification", f"What limits is {first} ({percent} % sure)."


def load(known: Posterior, dwell_d: float = DWELL_D, fraction: float = SAFE_FRACTION, food: int = 0) -> Load:
    """Everything that is said of a tank's load. food: index of the food that grams are of."""
    record = known.record
    may = limits(known, food)
    diagnostics = diagnose(known, may)
    fed_now = _fed_now(record)
    seen = [one for one in record.seen if one.analyte == "nitrate"]
    if not diagnostics.speaks or not seen:
        proven = Proven(0.0, why=diagnostics.why)
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
    proven = prove(record, may, dwell_d)
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
    """The ration to keep: a safe share of the limit's 5 % quantile where that is found, never above what is proven."""
    if proven_g <= 0:
        return 0.0, "nothing proven yet"
    if limit_p5_g is None or fraction * limit_p5_g >= proven_g:
        return proven_g, "proven"
    return fraction * limit_p5_g, "a share of the limit"


def diagnose(known: Posterior, may: Limits) -> Diagnostics:
    """Whether the draws are many enough, and whether the model explains the readings."""
    cloud = known.cloud
    blunders = float(known.blunders.mean()) if len(known.blunders) else 0.0
    of_nitrate = known.blunders[known.course.of_nitrate]
    worst = max(blunders, float(of_nitrate.mean()) if len(of_nitrate) >= 5 else 0.0)
    why = ""
    if not any(one.analyte == "nitrate" for one in known.record.seen):
        why = "Nitrate has not been measured yet: nothing can be said of the limit."
    elif cloud.effective < LEAST_EFFECTIVE:
        why = f"The calculation did not settle ({cloud.effective:.0f} effective draws, expected {LEAST_EFFECTIVE:.0f})."
    elif worst > MOST_BLUNDERS:
        why = (
            f"The readings do not fit together: about {100 * worst:.0f} in 100 would have to be slips. A change of"
            " water, plants or kit may be missing from the ledger."
        )
    log = np.log(np.maximum(may.least_g, 1e-9))
    mean = cloud.weights @ log
    after = math.sqrt(float(cloud.weights @ (log - mean) ** 2))
    return Diagnostics(not why, why, cloud.effective, cloud.accepted, after / _prior_sd(known), worst)


def _prior_sd(known: Posterior) -> float:
    """The deviation of the log limit before any reading, about: capacity, reaching share and label."""
    z = np.random.default_rng(0).standard_normal((500, len(known.course.priors)))
    f = known.course.priors.values(z)
    rate = removal(known.record.ceiling_mg_n_per_l, f["capacity"] * f["maturity"], f["half"], f["order"])
    return float(np.std(np.log(rate / f["reaching"])))


def prove(record: Record, may: Limits, dwell_d: float = DWELL_D, balanced: float = BALANCED) -> Proven:
    """The highest ration that was held for the dwell time with the water in balance.

    In balance: at least `balanced` probability, from all that was weighed and read, that the tank's life can remove the
    ration's nitrogen with the water inside its limits (see `limits`); and in the dwell nitrate was read at least twice,
    the last reading under the ceiling, ammonia or nitrite read and never seen. What was held before plants, filter or
    volume changed, or ended more than 180 days ago, proves nothing any more; trimming that is upkeep changes nothing.
    """
    since = max([0.0, record.now - PROVEN_FOR_D - dwell_d, *record.upset])
    cuts = _upsetting_harvests(record)
    found = _prove_since(max([since, *cuts]), record, may, dwell_d, balanced)
    if found.daily_g <= 0 and cuts:
        uncut = _prove_since(since, record, may, dwell_d, balanced)
        if uncut.daily_g > 0 or (found.why == NOT_HELD and uncut.why != NOT_HELD):
            return Proven(0.0, why=HARVESTED)
    return found


def _upsetting_harvests(record: Record) -> list[float]:
    """The days of harvests that are no upkeep: unstated, large, or too much with the others of 28 local days."""
    small = [h for h in record.harvests if h.share is not None and h.share <= UPKEEP_SHARE]
    found = [h.day for h in record.harvests if h not in small]
    for last in small:
        within = [h for h in small if h.day <= last.day and math.floor(h.day) > math.floor(last.day) - UPKEEP_DAYS]
        if 1 - math.prod(1 - (h.share or 0.0) for h in within) > UPKEEP_TOGETHER + 1e-9:
            found.append(last.day)
    return found


def _prove_since(earliest: float, record: Record, may: Limits, dwell_d: float, balanced: float) -> Proven:
    """The highest ration held in balance for a dwell that begins at `earliest` or later."""
    by_day = daily_g(record)
    span = int(dwell_d)
    best, why = Proven(0.0), NOT_HELD
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
            fault = f"It is not sure enough ({100 * may.at_least(ration):.0f} %) that the tank removes {ration:.3g} g."
        if fault:
            why = fault
        else:
            best = Proven(ration, float(end - span), float(end))
    return best if best.daily_g > 0 else Proven(0.0, why=why)


def daily_g(record: Record) -> Floats:
    """Grams fed on each whole day so far, all foods together."""
    days = np.zeros(int(record.now))
    for fed in record.fed:
        if 0 <= fed.day < len(days):
            days[fed.day] += fed.mass_g
    return days


def _fed_now(record: Record) -> float:
    days = daily_g(record)[-int(RECENT_D) :]
    return float(days.mean()) if len(days) else 0.0


def _fault(record: Record, since: float, until: float) -> str:
    """Why a dwell proves nothing; empty where it does."""
    within = [one for one in record.seen if since <= one.day <= until + 1]
    nitrate = [one for one in within if one.analyte == "nitrate"]
    others = [one for one in within if one.analyte in ("ammonia", "nitrite")]
    if len(nitrate) < READINGS_PER_DWELL or not others:
        return "Too few readings while the ration was held: nitrate twice, ammonia or nitrite once."
    if max(nitrate, key=lambda one: one.day).value > record.ceiling_mg_n_per_l * (1 + 1e-3):
        return "Nitrate was above the tank's ceiling while the ration was held."
    # One colour at the edge of the lowest step is no sign; two in a row of one analyte are.
    for analyte in ("ammonia", "nitrite"):
        last = [one.detected for one in within if one.analyte == analyte][-2:]
        if last and all(last):
            return f"The last readings of {analyte} while the ration was held were not clear of it."
    return ""


def _evidence(
    record: Record, found: bool, p5: float, p95: float, by_what: str, proven: Proven, fed_now: float
) -> tuple[str, ...]:
    """The evidence in plain words."""
    seen = [one for one in record.seen if one.analyte == "nitrate"]
    visible = sum(one.detected for one in seen)
    lines = [f"{len(seen)} nitrate readings, {visible} of which saw any; {fed_now:.3g} g a day in the last four weeks."]
    if found:
        lines.append(f"Nine chances in ten that the limit lies between {p5:.3g} and {p95:.3g} g a day.")
        lines.append(by_what)
    elif not visible:
        lines.append(f"Nitrate has never been seen: the limit is at least {p5:.3g} g a day, how much more is open.")
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
    """Nitrate at rest under a ration, mg N/L per draw; infinite beyond what the uptake can do."""
    f = known.figures
    inflow = ration_g * reaching_mg(known, food) / known.record.volume_l + _topups(known)
    part = inflow / (known.uptake * known.state[MATURITY])
    with np.errstate(divide="ignore", invalid="ignore"):
        rest: Floats = np.where(part < 1, f["half"] * (part / (1 - part)) ** (1 / f["order"]), np.inf)
    return rest
