"""Concerns about a tank's water and its feeding: holds, crossed lines, trends, and overdue items.

Each text says since when, how certain it is, what Tareline did, and what the keeper should do now.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tareline.core.alerts.alert import Concern
from tareline.core.calendar import from_ms
from tareline.core.safety.due_list import ALWAYS, Due, in_words
from tareline.core.safety.hold import HoldState, Reason
from tareline.core.safety.lines import NAMES, Crossing, KnownValue, Line
from tareline.core.safety.stops import what_to_do
from tareline.core.trends.trend import Trend
from tareline.core.units import CANONICAL, DAY_MS, from_canonical
from tareline.core.water.readings import Reading

FASTING_MS = 3 * DAY_MS  # a longer hold is sent again: small fish and shrimps go hungry (judgement)
OVERDUE_MS = 5 * DAY_MS  # so that a keeper who measures once a week gets no reminder (judgement)

_TOXIC = (
    "Measure once more. If the result is the same, change a third to half of the water with water of the same "
    "temperature, look for a dead animal or uneaten food, and feed nothing by hand"
)
ADVICE: dict[tuple[str, bool], str] = {
    ("ammonia", True): _TOXIC,
    ("free_ammonia", True): f"{_TOXIC}. Do not raise pH or temperature, which both make more of it toxic",
    (
        "nitrite",
        True,
    ): f"{_TOXIC}. The bacteria that consume nitrite grow slowly: measure daily until no nitrite is left",
    (
        "nitrate",
        True,
    ): "Feed less or change part of the water; fast-growing plants take nitrate up, and harvesting them removes it",
    ("ph", True): "Measure once more with a fresh solution; look for fresh cement, limestone or shells in the tank",
    (
        "ph",
        False,
    ): "Measure pH and carbonate hardness; below pH 6 the bacteria that consume ammonia almost stop working. Change "
    "part of the water with harder water, in small steps",
    ("temperature", True): "Shade the tank, open its cover, blow air over the surface, and feed less: warm water holds "
    "less oxygen. Unplug a heater that stays on",
    (
        "temperature",
        False,
    ): "Check the heater and its plug with dry hands, and let its cable hang in a loop so that no water runs into "
    "the plug; warm the water by no more than 1 or 2 degrees an hour",
    (
        "tds",
        True,
    ): "Change part of the water with softer water; replace evaporated water with water that contains few dissolved "
    "solids",
    ("tds", False): "Check whether the probe hangs in the water, and what water was used for topping up",
    (
        "kh",
        False,
    ): "Change part of the water with harder water in small steps: nitrification uses up carbonate hardness, and pH "
    "falls when it is gone",
    ("kh", True): "Look for limestone or shells in the tank, and measure the hardness of the water that you add",
}


_RELEASE = {
    "board": "If you replaced the board, release the hold; if not, find the second board and unplug it: two feeders on "
    "one plan feed twice the ration",
    "installation": "Find the other service, and stop it or give it its own root topic; then release the hold",
}


@dataclass(frozen=True, slots=True)
class Location:
    """The place of a concern: the tank (None: no tank), its name for people, and its time zone."""

    tank: str | None
    name: str
    zone: str

    def day(self, at_ms: int) -> str:
        """A day in words, in the place's own time."""
        at = from_ms(at_ms, self.zone)
        return f"{at:%a} {at.day} {at:%b}"

    def when(self, at_ms: int) -> str:
        """An instant in words, in the place's own time."""
        return f"{self.day(at_ms)}, {from_ms(at_ms, self.zone):%H:%M}"


@dataclass(frozen=True, slots=True)
class HoldConfirmations:
    """The feeders of a tank that were sent a hold: those that have confirmed it, those that still have time to do so,
    and those that are late."""

    obeying: Sequence[str] = ()
    pending: Sequence[str] = ()
    late: Sequence[str] = ()


def upper_first(text: str) -> str:
    """A sentence with a capital first letter; pH stays as it is."""
    return text if text.startswith("pH") else text[:1].upper() + text[1:]


def lasting(ms: int) -> str:
    """A duration in words, in its largest fitting unit."""
    for size, name in ((DAY_MS, "day"), (3_600_000, "hour"), (60_000, "minute")):
        n = ms // size
        if n >= (2 if name != "minute" else 1):
            return f"{n} {name}{'s' if n > 1 else ''}"
    return "a moment"


def figure(value: float, digits: int = 3) -> str:
    """A number with this many significant digits, without an exponent."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    rounded = float(f"{value:.{digits}g}")
    places = max(0, digits - 1 - math.floor(math.log10(abs(rounded))))
    text = f"{rounded:.{places}f}"
    return text.rstrip("0").rstrip(".") if places else text


def and_list(words: Sequence[str]) -> str:
    """Words as a list in a sentence: "a, b and c"."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def changed(state: HoldState) -> str:
    """What Tareline does about the feeding, for a concern that does not change it."""
    if state.held:
        return "Feeding is already held"
    if state.reduce_to < 1:
        return f"Feeding is already reduced to {state.reduce_to:.0%}"
    return "Tareline has not changed the feeding"


def _related(analyte: str) -> tuple[str, ...]:
    """The analytes that change together with this one: un-ionised ammonia is a share of the total."""
    return ("ammonia", "free_ammonia") if analyte in ("ammonia", "free_ammonia") else (analyte,)


def _covered_keys(tank: str | None, analytes: Iterable[str | None], *keys: str) -> tuple[str, ...]:
    """The keys of the concerns about lines and trends of these analytes, and further keys."""
    found = dict.fromkeys(kin for analyte in analytes if analyte is not None for kin in _related(analyte))
    lines = [f"line/{tank}/{analyte}/{side}" for analyte in found for side in ("above", "below")]
    return (*lines, *(f"rising/{tank}/{analyte}" for analyte in found), *keys)


def of_hold(
    place: Location,
    state: HoldState,
    known: Mapping[str, KnownValue],
    readings: Mapping[str, Reading],
    asked: HoldConfirmations,
    now_ms: int,
) -> list[Concern]:
    """Concerns about a hold (with a higher grade after three days), a reduction, and every feeder that has not
    confirmed within a minute.

    The concern about a hold covers those about the lines and trends that caused it. readings: the newest by hand.
    """
    holds = [r for r in state.reasons if r.do == "hold"]
    reduced = [r for r in state.reasons if r.do == "reduce"]
    if holds:
        sure = _kit_intervals(holds, readings)
        return [
            _held(place, holds, known, sure, asked, now_ms),
            *(_unconfirmed(place, f, holds, now_ms) for f in asked.late),
        ]
    return [_reduced(place, reduced, _kit_intervals(reduced, readings), state.reduce_to)] if reduced else []


def _held(
    place: Location,
    holds: Sequence[Reason],
    known: Mapping[str, KnownValue],
    sure: str,
    asked: HoldConfirmations,
    now_ms: int,
) -> Concern:
    since_ms = min(r.since_ms for r in holds)
    fasting = now_ms - since_ms >= FASTING_MS
    needs = dict.fromkeys(need for r in holds if (need := r.needs(known.get(r.analyte or ""))) is not None)
    stops = [r for r in holds if r.kind == "stop" and r.device is not None]
    told = [_RELEASE[r.kind] for r in holds if r.kind in _RELEASE]
    told += [what_to_do(str(r.device), r.text) for r in stops]
    if needs:
        end = f"Before a person can release it, this is needed: {'; '.join(needs)}"
    elif any(r.kind == "line" for r in holds):
        end = "The water no longer crosses the line that caused the hold: look at the animals, then release the hold"
    else:
        end = "It lasts until a person releases it"
    hungry = (
        f"Feeding has been held for {lasting(now_ms - since_ms)}: most grown fish stand a week without food; young "
        "ones, very small ones and some invertebrates do not. "
        if fasting
        else ""
    )
    advice = _advice(holds) if needs else ""
    devices = [r.device for r in holds if r.kind == "board" and r.device is not None]
    stopped = list(dict.fromkeys(str(r.device) for r in stops))
    title = "the animals are fasting, feeding is still held" if fasting else "feeding is held"
    if stopped:
        title = f"{and_list(stopped)} stopped {'themselves' if len(stopped) > 1 else 'itself'}, {title}"
    return Concern(
        key=f"hold/{place.tank}",
        kind="hold",
        tank=place.tank,
        since_ms=since_ms,
        what=f"{place.name}: {title}",
        text=f"Since {place.when(since_ms)}: {'; and '.join(dict.fromkeys(r.text for r in holds))}.{sure} "
        f"Tareline has paused feeding; {_confirmation_text(asked)}. {hungry}{advice}"
        f"{''.join(f'{one}. ' for one in told)}"
        f"{'' if told and not needs else f'{end}.'}".rstrip(),
        urgent=True,
        # A feeder that stops itself during a hold makes the concern worse, so that it is sent again.
        grade=(1 if fasting else 0) + len(stops),
        covers=_covered_keys(
            place.tank,
            (r.analyte for r in holds),
            f"reduced/{place.tank}",
            f"starved/{place.tank}",
            *(f"boards/{device}" for device in devices),
            *(f"stopped/{feeder}" for feeder in stopped),
            *([f"over/{place.tank}"] if stopped else []),
        ),
    )


def _confirmation_text(asked: HoldConfirmations) -> str:
    for feeders, one, several in (
        (asked.late, "has not confirmed it", "have not confirmed it"),
        (
            asked.pending,
            "was told just now and has not confirmed it yet",
            "were told just now and have not confirmed it yet",
        ),
        (asked.obeying, "has confirmed it", "have confirmed it"),
    ):
        if feeders:
            return f"{and_list(feeders)} {one if len(feeders) == 1 else several}"
    return "there is no feeder on this tank"


def _unconfirmed(place: Location, feeder: str, holds: Sequence[Reason], now_ms: int) -> Concern:
    since_ms = min(now_ms, max(r.since_ms for r in holds))
    return Concern(
        key=f"unconfirmed/{feeder}",
        kind="hold",
        tank=place.tank,
        since_ms=since_ms,
        what=f"{place.name}: {feeder} has not confirmed the hold",
        text=f"It was told {place.when(since_ms)} and has not answered within a minute: it may still feed. Tareline "
        "keeps asking it. Unplug the feeder now, with dry hands, and check whether the network reaches it.",
        urgent=True,
    )


def _reduced(place: Location, reduced: Sequence[Reason], sure: str, reduce_to: float) -> Concern:
    since_ms = min(r.since_ms for r in reduced)
    return Concern(
        key=f"reduced/{place.tank}",
        kind="hold",
        tank=place.tank,
        since_ms=since_ms,
        what=f"{place.name}: feeding is reduced to {reduce_to:.0%}",
        text=f"Since {place.when(since_ms)}: {'; and '.join(dict.fromkeys(r.text for r in reduced))}.{sure} Tareline "
        f"has reduced each meal to {reduce_to:.0%}. {_advice(reduced)}The first newer reading that does not cross the "
        "line restores the ration automatically.",
        grade=round(10 * (1 - reduce_to)),
        covers=_covered_keys(place.tank, (r.analyte for r in reduced)),
    )


def _advice(reasons: Iterable[Reason]) -> str:
    """What to do about the lines that caused these reasons."""
    sides = [(r.analyte, r.above) for r in reasons if r.kind == "line" and r.analyte is not None]
    return "".join(f"{one}. " for one in dict.fromkeys(ADVICE[side] for side in sides if side in ADVICE))


def of_lines(
    place: Location, found: Sequence[Crossing], readings: Mapping[str, Reading], state: HoldState
) -> list[Concern]:
    """Concerns about crossed lines, one for the strictest line of each analyte and side; total and un-ionised ammonia
    are one concern.

    readings: the newest by hand, from which the uncertainty of a value follows. A line covers its analyte's trend.
    """
    grades = {"notify": 0, "reduce": 1, "hold": 2}
    strictest: dict[tuple[str, bool], Crossing] = {}
    for crossing in found:
        key = (crossing.line.analyte, crossing.line.above)
        if key not in strictest or grades[crossing.do] > grades[strictest[key].do]:
            strictest[key] = crossing
    concerns = []
    for (analyte, above), crossing in strictest.items():
        if analyte == "free_ammonia" and above and ("ammonia", True) in strictest:
            continue
        said = [crossing]
        if analyte == "ammonia" and above and ("free_ammonia", True) in strictest:
            said.append(strictest["free_ammonia", True])
        do = max((one.do for one in said), key=grades.__getitem__)
        side = "above" if above else "below"
        did = {
            "notify": changed(state),
            "reduce": f"Tareline has reduced each meal to {crossing.line.reduce_to or 0:.0%}",
            "hold": "Tareline has paused feeding",
        }[do]
        since_ms = crossing.known.at_ms
        spoken_for = [
            key
            for key in _covered_keys(place.tank, [analyte])
            if key.startswith("rising/") or key.endswith(f"/free_ammonia/{side}")
        ]
        key_of = f"line/{place.tank}/{analyte}/{side}"
        concerns.append(
            Concern(
                key=key_of,
                kind="line",
                tank=place.tank,
                since_ms=since_ms,
                what=f"{place.name}: {NAMES[analyte]} is too {'high' if above else 'low'}",
                text=f"Since {place.when(since_ms)}: {'; and '.join(one.text for one in said)}."
                f"{_between(crossing, readings)} {did}. {ADVICE[said[-1].line.analyte, above]}.",
                grade=grades[do],
                covers=tuple(key for key in spoken_for if key != key_of),
            )
        )
    return concerns


def _between(crossing: Crossing, readings: Mapping[str, Reading]) -> str:
    """The interval of the reading that crossed a line, in words; empty where the value is exact."""
    line, reading = crossing.line, readings.get(crossing.line.analyte)
    if reading is None or reading.entry != crossing.known.entry:
        return ""
    return _interval(reading, line.unit, line.basis)


def _interval(reading: Reading, unit: str, basis: str | None) -> str:
    if reading.low == reading.high:
        return ""
    low = figure(from_canonical(reading.analyte, reading.low, basis, unit), 2)
    if reading.high is None:
        return f" The kit can only say that it is at least {low}{_unit(unit, basis)}."
    high = figure(from_canonical(reading.analyte, reading.high, basis, unit), 2)
    return f" According to this kit it lies between {low} and {high}{_unit(unit, basis)}."


def _kit_intervals(reasons: Iterable[Reason], readings: Mapping[str, Reading]) -> str:
    """The intervals of the readings that caused these reasons, in words, as long as they are the newest."""
    found = {}
    for reason in reasons:
        reading = readings.get("ammonia" if reason.analyte == "free_ammonia" else reason.analyte or "")
        if reading is not None and reading.at_ms <= reason.since_ms and reading.entry < reason.entry:
            scale = CANONICAL[reading.analyte]
            found[reading.analyte] = _interval(reading, scale.unit, scale.basis)
    return "".join(found.values())


def _unit(unit: str, basis: str | None) -> str:
    return "" if unit == "1" else f" {unit}{f' as {basis}' if basis else ''}"


def of_trend(place: Location, analyte: str, trend: Trend, lines: Sequence[Line], state: HoldState) -> Concern | None:
    """The concern about a trend that gives an alarm; None where it gives none."""
    if not trend.alarm or trend.slope_per_day is None or trend.since_ms is None:
        return None
    rising = trend.slope_per_day > 0
    return Concern(
        key=f"rising/{place.tank}/{analyte}",
        kind="rising",
        tank=place.tank,
        since_ms=trend.since_ms,
        what=f"{place.name}: {NAMES[analyte]} is {'rising' if rising else 'falling'}",
        text=f"{_describe_trend(analyte, trend, lines, place)} {trend.how_sure} {changed(state)}. "
        f"{_of_rise(analyte, rising)}.",
    )


def _describe_trend(analyte: str, trend: Trend, lines: Sequence[Line], place: Location) -> str:
    """The slope of a trend and when it reaches a line, in words, in the unit of this line."""
    assert trend.slope_per_day is not None
    assert trend.since_ms is not None
    limit = trend.reaches.limit if trend.reaches is not None else None
    own = [line for line in lines if line.analyte == analyte]
    line = min(own, key=lambda one: abs(one.canonical - (limit or 0.0)), default=None)
    unit, basis = (line.unit, line.basis) if line is not None else (CANONICAL[analyte].unit, CANONICAL[analyte].basis)

    def stated(value: float) -> float:
        return from_canonical(analyte, value, basis, unit)

    moved = abs(stated(7 * trend.slope_per_day) - stated(0.0))
    text = (
        f"Since about {place.day(trend.since_ms)} it has {'risen' if trend.slope_per_day > 0 else 'fallen'} by about "
    )
    text += f"{figure(moved, 2)}{_unit(unit, basis)} a week."
    if trend.reaches is None or limit is None:
        return text
    first, latest_ms = place.day(trend.reaches.earliest_ms), trend.reaches.latest_ms
    last = None if latest_ms is None else place.day(latest_ms)
    when = f"on {first} at the earliest, perhaps much later" if last is None else f"between {first} and {last}"
    when = f"about {first}" if last == first else when
    return f"{text} If this continues, it reaches {figure(stated(limit))}{_unit(unit, basis)} {when}."


def _of_rise(analyte: str, rising: bool) -> str:
    if analyte in ("ammonia", "nitrite"):
        return "Measure again within two days, and do not raise the ration before it has fallen"
    if analyte == "nitrate":
        return "More nitrate is added to the tank than is removed: feed less, add plants, or change water in time"
    return ADVICE[analyte, rising]


def of_due(place: Location, due: Sequence[Due], state: HoldState, now_ms: int) -> Concern | None:
    """One concern about all items that are overdue by days: the most important readings, and weigh-ins.

    A reading for a hold, a refill and the calibration of a probe have alerts of their own. Other items only appear on
    the due list.
    """
    waited = {kin for r in state.reasons for kin in _related(r.analyte or "")}
    late = [
        one
        for one in due
        if one.by_ms < now_ms - OVERDUE_MS
        and (one.what == "weigh" or (one.what == "measure" and one.subject in ALWAYS and one.subject not in waited))
    ]
    if not late:
        return None
    todo = and_list([in_words(one) for one in late])
    listed = "; ".join(f"{in_words(one)}, due {place.day(one.by_ms)} ({one.why})" for one in late)
    return Concern(
        key=f"due/{place.tank}",
        kind="due",
        tank=place.tank,
        since_ms=min(one.by_ms for one in late),
        what=f"{place.name}: overdue: {todo}",
        text=f"{upper_first(listed)}. Without new measurements Tareline continues to feed by the last known values, "
        "and its lines act on these old values.",
    )
