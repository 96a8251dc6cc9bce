"""What a person should know of a tank's water and of its feeding: holds, crossed lines, trends, what is overdue.

Each text says since when, how sure that is, what Tareline did about it, and what the keeper should do now.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tareline.feeding.days import from_ms
from tareline.guard.alerts import Concern
from tareline.guard.due import Due
from tareline.guard.hold import HoldState, Reason
from tareline.guard.lines import NAMES, Crossing, Known
from tareline.units import CANONICAL
from tareline.water.trends import Trend

DAY_MS = 86_400_000
FASTING_MS = 3 * DAY_MS  # a hold that lasts longer is told again: small fish and shrimps go hungry (judgement)
OVERDUE_MS = 2 * DAY_MS  # what is due is told of on the due list first, and as an alert when nobody followed it

_TOXIC = (
    "Measure once more. If it is so, change a third to half of the water with water of the same temperature, look for "
    "something dead or food left lying, and feed nothing by hand"
)
ADVICE: dict[tuple[str, bool], str] = {
    ("ammonia", True): _TOXIC,
    ("free_ammonia", True): f"{_TOXIC}. Do not raise pH or temperature, which both make more of it toxic",
    ("nitrite", True): f"{_TOXIC}. The bacteria that take nitrite are slow to follow: measure daily until it is gone",
    (
        "nitrate",
        True,
    ): "Feed less or change part of the water; fast-growing plants take it up, and harvesting removes it",
    ("ph", True): "Measure once more with a fresh solution; look for fresh cement, limestone or shells in the tank",
    (
        "ph",
        False,
    ): "Measure pH and carbonate hardness; below pH 6 the bacteria that take ammonia nearly stop. Change part "
    "of the water with harder water, in small steps",
    ("temperature", True): "Shade the tank, open its cover, blow air over the surface, and feed less: warm water holds "
    "less oxygen. Unplug a heater that stays on",
    (
        "temperature",
        False,
    ): "Look at the heater and its plug (dry hands, drip loop); warm the water by no more than 1 or 2 degrees an hour",
    ("tds", True): "Change part of the water with softer water; top up what evaporates with water that holds little",
    ("tds", False): "Look whether the probe hangs in the water, and what was topped up",
    ("kh", False): "Change part of the water with harder water in small steps: nitrification uses hardness up, and pH "
    "falls when it is gone",
    ("kh", True): "Look for limestone or shells in the tank, and at the hardness of the water that goes in",
}


@dataclass(frozen=True, slots=True)
class Place:
    """Where something is: the tank (None: on none), its name for people, and its time zone."""

    tank: str | None
    name: str
    zone: str

    def when(self, at_ms: int) -> str:
        """An instant in words, in the place's own time."""
        at = from_ms(at_ms, self.zone)
        return f"{at:%a} {at.day} {at:%b}, {at:%H:%M}"


def upper_first(text: str) -> str:
    """A sentence with its first letter raised, and the others as they are."""
    return text[:1].upper() + text[1:]


def lasting(ms: int) -> str:
    """A duration in words, in its largest fitting unit."""
    for size, name in ((DAY_MS, "day"), (3_600_000, "hour"), (60_000, "minute")):
        n = ms // size
        if n >= (2 if name != "minute" else 1):
            return f"{n} {name}{'s' if n > 1 else ''}"
    return "a moment"


def of_hold(
    place: Place,
    state: HoldState,
    known: Mapping[str, Known],
    silent: Sequence[str],
    awaited: Sequence[str],
    now_ms: int,
) -> list[Concern]:
    """A hold (again as fasting after three days), a reduction, and every feeder that has not confirmed within a minute.

    silent: feeders of the tank that were asked over a minute ago and have not said that they obey; awaited: that were
    asked just now.
    """
    found = []
    holds = [r for r in state.reasons if r.do == "hold"]
    if holds:
        since_ms = min(r.since_ms for r in holds)
        fasting = now_ms - since_ms >= FASTING_MS
        why = "; and ".join(r.text for r in holds)
        obeyed = (
            f"{' and '.join(silent)} has not confirmed it"
            if silent
            else f"{' and '.join(awaited)} was asked just now, and has yet to confirm it"
            if awaited
            else "every feeder of this tank has said that it obeys"
        )
        needs = [need for r in holds if (need := r.needs(known.get(r.analyte or ""))) is not None]
        end = (
            f"Feeding goes on after {'; '.join(needs)}, and a person's release"
            if needs
            else "Nothing stands in the way of a release any more: look at the animals, then release it"
        )
        advice = _advice(holds)
        hungry = (
            f"Nothing has been fed for {lasting(now_ms - since_ms)}. Most grown fish stand a week; young ones, very "
            "small ones and some invertebrates do not. "
            if fasting
            else ""
        )
        found.append(
            Concern(
                key=f"hold/{place.tank}",
                kind="hold",
                tank=place.tank,
                since_ms=since_ms,
                what=f"{place.name}: {'fasting, feeding is still held' if fasting else 'feeding is held'}",
                text=f"Since {place.when(since_ms)}: {why}. Tareline has paused feeding; {obeyed}. "
                f"{hungry}{advice}{end}.",
                urgent=True,
                grade=1 if fasting else 0,
            )
        )
    reduced = [r for r in state.reasons if r.do == "reduce"]
    if reduced and not holds:
        why = "; and ".join(r.text for r in reduced)
        advice = _advice(reduced)
        found.append(
            Concern(
                key=f"reduced/{place.tank}",
                kind="hold",
                tank=place.tank,
                since_ms=min(r.since_ms for r in reduced),
                what=f"{place.name}: feeding is reduced to {state.reduce_to:.0%}",
                text=f"Since {place.when(min(r.since_ms for r in reduced))}: {why}. Tareline has reduced each meal. "
                f"{advice}The first newer reading clear of the line restores the ration by itself.",
                grade=round(10 * (1 - state.reduce_to)),
            )
        )
    found += [
        Concern(
            key=f"unconfirmed/{feeder}",
            kind="hold",
            tank=place.tank,
            since_ms=state.since_ms or now_ms,
            what=f"{place.name}: {feeder} has not confirmed the hold",
            text="A hold that no feeder has confirmed is no hold. Tareline goes on sending it. Unplug the feeder now, "
            "with dry hands, and look whether it is in reach of the network.",
            urgent=True,
        )
        for feeder in (silent if holds else ())
    ]
    return found


def _advice(reasons: Iterable[Reason]) -> str:
    """What to do about the lines behind some reasons, each on its own side."""
    sides = [(r.analyte, r.above) for r in reasons if r.kind == "line" and r.analyte is not None]
    return "".join(f"{one}. " for one in dict.fromkeys(ADVICE[side] for side in sides if side in ADVICE))


def of_lines(place: Place, found: Sequence[Crossing], between: Mapping[str, str]) -> list[Concern]:
    """Crossed lines, the strictest of each analyte and side.

    between: by analyte, in words, between which values the water lies.
    """
    grades = {"notify": 0, "reduce": 1, "hold": 2}
    strictest: dict[tuple[str, bool], Crossing] = {}
    for crossing in found:
        key = (crossing.line.analyte, crossing.line.above)
        if key not in strictest or grades[crossing.do] > grades[strictest[key].do]:
            strictest[key] = crossing
    concerns = []
    for (analyte, above), crossing in strictest.items():
        did = {
            "notify": "Tareline has changed nothing",
            "reduce": f"Tareline has reduced each meal to {crossing.line.reduce_to or 0:.0%}",
            "hold": "Tareline has paused feeding",
        }[crossing.do]
        since_ms = crossing.known.at_ms
        sure = f" {upper_first(between[analyte])}." if analyte in between else ""
        concerns.append(
            Concern(
                key=f"line/{place.tank}/{analyte}/{'above' if above else 'below'}",
                kind="line",
                tank=place.tank,
                since_ms=since_ms,
                what=f"{place.name}: {NAMES[analyte]} is too {'high' if above else 'low'}",
                text=f"Since {place.when(since_ms)}: {crossing.text}.{sure} {did}. {ADVICE[analyte, above]}.",
                grade=grades[crossing.do],
            )
        )
    return concerns


def of_trend(place: Place, analyte: str, trend: Trend) -> Concern | None:
    """A trend that reaches a line within the time that is looked ahead; None where nothing is to be told."""
    if not trend.alarm or trend.slope_per_day is None or trend.since_ms is None:
        return None
    unit = CANONICAL[analyte].unit
    shown = "" if unit == "1" else f" {unit}"
    basis = f" as {CANONICAL[analyte].basis}" if CANONICAL[analyte].basis else ""
    per_month = 30 * trend.slope_per_day
    rising = trend.direction != "falling"
    reach = ""
    if trend.reaches is not None:
        first = from_ms(trend.reaches.earliest_ms, place.zone)
        last = None if trend.reaches.latest_ms is None else from_ms(trend.reaches.latest_ms, place.zone)
        until = f" and {last.day} {last:%b}" if last is not None else ", perhaps much later"
        reach = (
            f" If it goes on, it reaches {trend.reaches.limit:.3g}{shown}{basis} "
            f"{'between' if last is not None else 'from'} {first.day} {first:%b}{until}."
        )
    return Concern(
        key=f"rising/{place.tank}/{analyte}",
        kind="rising",
        tank=place.tank,
        since_ms=trend.since_ms,
        what=f"{place.name}: {NAMES[analyte]} is {'rising' if rising else 'falling'}",
        text=f"Since about {place.when(trend.since_ms)}, by {abs(per_month):.2g}{shown}{basis} a month. "
        f"{trend.how_sure}"
        f"{reach} Tareline has changed nothing. {_of_rise(analyte, rising)}.",
    )


def _of_rise(analyte: str, rising: bool) -> str:
    if analyte in ("ammonia", "nitrite"):
        return "Measure again within two days, and do not raise the ration before it has fallen"
    if analyte == "nitrate":
        return "The tank takes in more than it takes out: feed less, plant more, or change water in time"
    return ADVICE[analyte, rising]


def of_due(place: Place, due: Sequence[Due], now_ms: int) -> Concern | None:
    """What has been due for days and was not done, as one."""
    late = [one for one in due if one.by_ms < now_ms - OVERDUE_MS]
    if not late:
        return None
    listed = "; ".join(f"{one.what} {one.subject}, due {place.when(one.by_ms)} ({one.why})" for one in late)
    return Concern(
        key=f"due/{place.tank}",
        kind="due",
        tank=place.tank,
        since_ms=min(one.by_ms for one in late),
        what=f"{place.name}: overdue to {' and '.join(dict.fromkeys(one.what for one in late))}",
        text=f"Overdue: {listed}. Tareline cannot see what nobody measures, and goes on with what it knows.",
    )
