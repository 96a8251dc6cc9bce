"""The due list of a tank: what to measure, weigh, refill, calibrate, release or look at, by when, and why.

Each item has a reason: a hold or a reduction that waits for a newer reading, a line that needs a fresh value, a trend
in the wrong direction, a hopper that runs out or was not weighed for a long time, a probe whose calibration is old, or
a step of a ramp. What would be due during an absence is due before it. An item with several reasons is listed once, at
the earliest time.

How often water is measured by hand is common practice, no source: weekly, more often in a new tank and where something
rises; hardness and dissolved solids change slowly.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from tareline.core.safety.hold import Reason
from tareline.core.safety.lines import NAMES
from tareline.core.units import DAY_MS

What = Literal["measure", "weigh", "refill", "calibrate", "release", "look"]
EVERY_DAYS = {
    "ammonia": 7.0,
    "free_ammonia": 7.0,
    "nitrite": 7.0,
    "nitrate": 7.0,
    "ph": 7.0,
    "temperature": 7.0,
    "tds": 14.0,
    "kh": 30.0,
}
SOONER_DAYS = 3.0  # while a trend goes the wrong way, or while a new tank matures
MATURING_DAYS = 60.0  # in which total ammonia may peak in a new tank (common practice, no source)
HELD_DAYS = 1.0
PAUSED_DAYS = 3.0  # after that long the animals are fasting, and the person may have forgotten the pause
ALWAYS = ("ammonia", "nitrite", "nitrate", "ph")
DOES: dict[What, str] = {
    "measure": "measure {}",
    "weigh": "weigh the hopper of {}",
    "refill": "refill {}",
    "calibrate": "calibrate {}",
    "release": "release the hold",
    "look": "look at {}",
}
NEEDED_FOR = {"free_ammonia": ("ammonia", "ph", "temperature")}  # the analytes from which it is calculated


@dataclass(frozen=True, slots=True)
class Due:
    """One item: what to do, with which analyte, feeder, probe or tank, by when (UNIX ms), and why in a few words."""

    what: What
    subject: str
    by_ms: int
    why: str


def in_words(one: Due) -> str:
    """What is to be done, in words."""
    return DOES[one.what].format(NAMES.get(one.subject, one.subject) if one.what == "measure" else one.subject)


@dataclass(frozen=True, slots=True)
class HopperState:
    """A feeder's hopper: when it must be refilled and weighed, None where unknown; since when it is off, None if
    not."""

    feeder: str
    refill_by_ms: int | None = None
    weigh_by_ms: int | None = None
    off_since_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Situation:
    """The data of a tank from which the due list follows. Times are UNIX ms.

    measured_ms: when each analyte was last measured. sampled: the analytes that a working probe measures. lined: the
    analytes on which a line acts. trends: the direction of each analyte that has a trend. reasons: the holds and
    reductions, and what must happen before each ends (None: nothing more). needs: further items, of probes and of a
    ramp. away_ms: begin and end of a planned or running absence.
    """

    tank: str
    stage: str
    since_ms: int
    measured_ms: Mapping[str, int]
    sampled: Collection[str] = ()
    lined: Collection[str] = ()
    trends: Mapping[str, str] = field(default_factory=dict)
    reasons: Sequence[tuple[Reason, str | None]] = ()
    hoppers: Sequence[HopperState] = ()
    needs: Sequence[Due] = ()
    away_ms: tuple[int, int] | None = None


def due(known: Situation, now_ms: int) -> list[Due]:
    """All items of a tank, the earliest first; the time of an overdue item lies in the past."""
    found: dict[tuple[str, str], list[Due]] = {}
    asked = [*_of_holds(known), *_of_water(known, now_ms), *_of_hoppers(known), *known.needs]
    for one in sorted((_before_absence(one, known.away_ms, now_ms) for one in asked), key=lambda d: d.by_ms):
        found.setdefault((one.what, one.subject), []).append(one)
    merged = [replace(same[0], why="; ".join(dict.fromkeys(d.why for d in same))) for same in found.values()]
    return sorted(merged, key=lambda d: (d.by_ms, d.what, d.subject))


def _of_holds(known: Situation) -> Iterator[Due]:
    held = [(reason, need) for reason, need in known.reasons if reason.do == "hold"]
    for reason, need in known.reasons:
        if reason.kind == "line" and need is not None:
            analyte = _read_by_hand(reason.analyte or "", known)
            last_ms = max(reason.since_ms, known.measured_ms.get(analyte, 0))
            what = "held" if reason.do == "hold" else "reduced"
            yield Due("measure", analyte, last_ms + round(HELD_DAYS * DAY_MS), f"feeding is {what}: this needs {need}")
    for reason, _ in held:
        if reason.kind in ("board", "installation"):
            yield Due("look", reason.device or known.tank, reason.since_ms, reason.text)
    if held and all(need is None for _, need in held) and all(reason.kind in ("line", "person") for reason, _ in held):
        pause_ms = max(r.since_ms + (round(PAUSED_DAYS * DAY_MS) if r.kind == "person" else 0) for r, _ in held)
        water = any(r.kind == "line" for r, _ in held)
        why = (
            "the water no longer crosses its line; feeding waits for a person to release it"
            if water
            else "feeding waits for a person to release it"
        )
        yield Due("release", known.tank, pause_ms, why)


def _read_by_hand(analyte: str, known: Situation) -> str:
    """The analyte to measure for a line: un-ionised ammonia itself only where there is a kit for it."""
    return "ammonia" if analyte == "free_ammonia" and "free_ammonia" not in known.measured_ms else analyte


def _of_water(known: Situation, now_ms: int) -> Iterator[Due]:
    if known.stage == "empty":
        return
    lined = {needed for analyte in known.lined for needed in NEEDED_FOR.get(analyte, (analyte,))}
    instead = {"ammonia"} if "free_ammonia" in known.measured_ms and "ammonia" not in known.measured_ms else set()
    watched = {*ALWAYS, *known.measured_ms, *lined} - instead - set(known.sampled)
    for analyte in EVERY_DAYS:
        if analyte in watched:
            yield _measure(analyte, known, analyte in lined, now_ms)


def _measure(analyte: str, known: Situation, lined: bool, now_ms: int) -> Due:
    last_ms = known.measured_ms.get(analyte)
    if last_ms is None:
        why = f"{NAMES[analyte]} has never been measured" + (", and a line depends on it" if lined else "")
        return Due("measure", analyte, known.since_ms + DAY_MS, why)
    days, wrong = EVERY_DAYS[analyte], "falling" if analyte in ("ph", "kh") else "rising"
    age = (now_ms - last_ms) // DAY_MS
    why = f"last measured {age} d ago" if age > 0 else "last measured less than a day ago"
    why += ", and a line depends on it" if lined else ""
    if known.trends.get(analyte) == wrong:
        days, why = SOONER_DAYS, f"it is {wrong}, {why}"
    elif analyte in ("ammonia", "nitrite") and now_ms - known.since_ms < MATURING_DAYS * DAY_MS:
        days, why = SOONER_DAYS, f"the tank is new, {why}"
    return Due("measure", analyte, last_ms + round(days * DAY_MS), why)


def _of_hoppers(known: Situation) -> Iterator[Due]:
    for one in known.hoppers:
        if one.off_since_ms is not None:
            yield Due("look", one.feeder, one.off_since_ms, "the hopper has been taken off, and this feeder is held")
        if one.refill_by_ms is not None:
            yield Due(
                "refill", one.feeder, one.refill_by_ms, "from then on the probability that it runs out is above 5 %"
            )
        if one.weigh_by_ms is not None:
            yield Due(
                "weigh",
                one.feeder,
                one.weigh_by_ms,
                "a weighing keeps the estimates of its doses and its content accurate",
            )


def _before_absence(one: Due, away_ms: tuple[int, int] | None, now_ms: int) -> Due:
    """The item, due before an absence begins if its time would lie in a coming absence."""
    if away_ms is None or not now_ms < away_ms[0] <= one.by_ms < away_ms[1]:
        return one
    return replace(one, by_ms=away_ms[0] - 1, why=f"before the absence begins; {one.why}")
