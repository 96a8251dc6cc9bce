"""Concerns about devices, food and records: doses, stops, hoppers, silence, faults, findings."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from tareline.core.alerts.alert import Concern
from tareline.core.alerts.concerns import Location, and_list, figure, lasting
from tareline.core.calendar import day_start_ms
from tareline.core.feeding.doses import Dose
from tareline.core.probes.condition import NAMES as METRICS
from tareline.core.probes.condition import ProbeIssue
from tareline.core.safety.faults import CELL_FAULTS, FAULTS, NO_NEWS, UNKNOWN_FAULT
from tareline.core.safety.stops import STOPS, Stop
from tareline.core.units import DAY_MS
from tareline.core.weighing.gross_errors import Finding

SOON_DAYS = 5.0  # what is left in the hopper lasts no longer than this: time to buy food (judgement)
NOW_DAYS = 2.0
STARVED_DAYS = 3
STARVED_SHARE = 0.6  # of the budget, on each of these days (judgement)
OVER_SHARE = 1.1  # of the budget, beyond two deviations (judgement)
LASTS_MS = DAY_MS  # how long a report of a device stays an alert, unless the device reports it again


def of_feeder(
    place: Location,
    feeder: str,
    doses: Sequence[Dose],
    unanswered: Sequence[tuple[str, int]],
    now_ms: int,
    handled_ms: int = 0,
) -> list[Concern]:
    """Concerns about a feeder's newest doses: too much, a jam, an empty hopper, too little, missed meals, no reports.

    doses: of the last days, by time. unanswered: (meal id, planned at) of meals of which the feeder sent no dose
    although it was online. handled_ms: doses up to this instant that gave too much are not reported: they have stopped
    the feeder, which has a concern of its own.
    """
    found = []
    trouble: dict[str, list[Dose]] = {}
    surplus: list[Dose] = []
    for dose in doses:
        if dose.outcome == "ok":
            trouble.clear()
            surplus.clear()
        elif dose.outcome == "over":
            surplus += [dose] if dose.at_ms > handled_ms else []
        elif dose.outcome in _STOPPED:
            trouble.setdefault(dose.outcome, []).append(dose)
    found += [_of_surplus(place, feeder, surplus)] if surplus else []
    for outcome in [one for one in _STOPPED if one in trouble][:1]:  # the clearest one covers the others
        what, sure, now = _STOPPED[outcome]
        since_ms = min(failed[0].at_ms for failed in trouble.values())
        times = sum(len(failed) for failed in trouble.values())
        others = [f"{other}/{feeder}" for other in _STOPPED if other != outcome]
        found.append(
            Concern(
                key=f"{outcome}/{feeder}",
                kind="feeder",
                tank=place.tank,
                since_ms=since_ms,
                what=f"{place.name}: {feeder} {what}",
                text=f"Since {place.when(since_ms)} ({_count(times, 'dose')}). {sure}. Tareline has "
                "changed nothing: the feeder tries again at its next meal, and does not make up for missed meals. "
                f"{now}.",
                covers=(*others, f"hopper/{feeder}", f"starved/{place.tank}"),
            )
        )
    missed = [d for d in doses if d.outcome in ("missed", "interrupted") and now_ms - d.at_ms < LASTS_MS]
    if missed:
        found.append(
            Concern(
                key=f"missed/{feeder}",
                kind="feeder",
                tank=place.tank,
                since_ms=missed[0].at_ms,
                what=f"{place.name}: {feeder} missed {_count(len(missed), 'meal')}",
                text=f"The {'first was' if len(missed) > 1 else 'meal was'} due {place.when(missed[0].at_ms)}; the "
                "feeder reports that it had no power then, or stopped during the meal. Tareline feeds nothing extra "
                "later to make up for it. Check its plug and power supply. A missed meal does not harm adult fish: "
                "feed nothing by hand.",
            )
        )
    if unanswered:
        first_ms = min(at_ms for _, at_ms in unanswered)
        found.append(
            Concern(
                key=f"unanswered/{feeder}",
                kind="feeder",
                tank=place.tank,
                since_ms=first_ms,
                what=f"{place.name}: no report of {_count(len(unanswered), 'planned meal')} from {feeder}",
                text=f"{'The first' if len(unanswered) > 1 else 'It'} was planned for {place.when(first_ms)}. The "
                "feeder is on the network but has sent no dose for it, so nobody knows whether it was fed. Tareline "
                "keeps asking. Look at the feeder, and do not feed by hand before you know.",
            )
        )
    return found


def _of_surplus(place: Location, feeder: str, doses: Sequence[Dose]) -> Concern:
    """The concern about doses that gave clearly too much, with no good dose since."""
    given = sum(dose.mass_g or 0.0 for dose in doses)
    asked = sum(dose.target_g or 0.0 for dose in doses)
    return Concern(
        key=f"surplus/{feeder}",
        kind="feeder",
        tank=place.tank,
        since_ms=doses[0].at_ms,
        what=f"{place.name}: {feeder} gave too much",
        text=f"Since {place.when(doses[0].at_ms)} ({_count(len(doses), 'dose')}): according to its scale "
        f"{figure(given)} g came out where {figure(asked)} g were requested; its scale's error cannot explain the "
        "difference. The feeder counts what left the hopper against the day's cap, and stops itself after two such "
        "doses in a row; Tareline subtracts it from what is left of the tank's day, for its other feeders too. Feed "
        "nothing by hand, measure ammonia today and tomorrow, and remove uneaten food. Check whether the auger is "
        "loose, and whether it was calibrated with this food.",
        urgent=True,
        grade=len(doses),
        covers=(f"over/{place.tank}",),
    )


def of_stop(place: Location, feeder: str, stop: Stop, told_to_hold: bool) -> Concern:
    """The concern about a feeder that has stopped itself and has not confirmed its release; a hold of its tank covers
    it.

    told_to_hold: whether the newest hold message to it is a hold.
    """
    waits = (
        "Tareline holds it until it has confirmed that hold, and then releases it automatically"
        if told_to_hold
        else "Tareline has released it, but it has not confirmed that yet"
    )
    cause = STOPS[stop.code]
    return Concern(
        key=f"stopped/{feeder}",
        kind="feeder",
        tank=place.tank,
        since_ms=stop.since_ms,
        what=f"{place.name}: {feeder} has stopped itself",
        text=f"Since {place.when(stop.since_ms)}: {cause.found}. It feeds nothing. {waits}. {cause.do}; also "
        "check whether the network reaches it.",
        urgent=True,
        covers=(f"starved/{place.tank}",),
    )


def of_unweighed(place: Location, feeder: str, since_ms: int) -> Concern:
    """The concern about a feeder that feeds nothing because its cell has weighed no dose for days."""
    return Concern(
        key=f"unweighed/{feeder}",
        kind="feeder",
        tank=place.tank,
        since_ms=since_ms,
        what=f"{place.name}: {feeder} feeds nothing, because its scale does not work",
        text=f"Since {place.when(since_ms)}: for a week no dose could be weighed, so the feeder has stopped itself: "
        "it could not notice if it gave too much. It continues automatically once its load cell works again. Check "
        "the converter's power supply and its two signal wires, and disconnect its power for a minute. If that does "
        "not help, replace it. Until then feed sparingly by hand, and enter it.",
        urgent=True,
        covers=(f"starved/{place.tank}", *(f"fault/{feeder}/{code}" for code in CELL_FAULTS)),
    )


def _count(n: int, name: str) -> str:
    return f"{n} {name}{'' if n == 1 else 's'}"


# What ends a dose early, the clearest first: what, how certain, what to do now.
_STOPPED = {
    "empty": (
        "is empty",
        "According to the scale no food is left",
        "Fill the hopper, and enter what you added",
    ),
    "jam": (
        "is jammed",
        "The motor turned, and the scale measured almost no food coming out",
        "Take the hopper off, look for a clump or a large flake, dry it, and hang it again",
    ),
    "short": (
        "gave less than requested",
        "The scale measured less food than the motor should have given",
        "Look at the hopper's outlet, and weigh the hopper",
    ),
}


def of_hopper(
    place: Location, feeder: str, days: float | None, days_low: float | None, content_g: float | None, now_ms: int
) -> Concern | None:
    """The concern about a hopper that runs out within days. days, days_low: how long it lasts, and the lower end of the
    90 % interval."""
    if days is None or days_low is None or days_low > SOON_DAYS:
        return None
    return Concern(
        key=f"hopper/{feeder}",
        kind="feeder",
        tank=place.tank,
        since_ms=now_ms,
        what=f"{place.name}: {feeder} will soon be empty",
        text=f"According to its weights about {figure(max(content_g or 0.0, 0.0), 2)} g are left "
        f"{place.when(now_ms)}: at the present ration {_days(days, days_low)}. Tareline feeds until the hopper is "
        "empty. Fill it, weigh what you add, and enter it as a refill.",
        grade=1 if days_low <= NOW_DAYS else 0,
    )


def _days(days: float, low: float) -> str:
    """How long food lasts, in words; low: the lower end of the interval in days."""
    whole, least = round(days), math.floor(low)
    if whole < 1:
        return "for less than a day"
    text = f"for about {_count(whole, 'day')}"
    if least >= whole:
        return text
    return f"{text}, and for {least or 'less than one'} at the least"


@dataclass(frozen=True, slots=True)
class FedDays:
    """A complete or running day: what was budgeted, given and fed by hand, and for how long feeding was held."""

    day: date
    budget_g: float | None
    dispensed_g: float | None
    sd_g: float
    handfed_g: float
    held_s: int
    complete: bool


def of_budget(place: Location, days: Sequence[FedDays]) -> list[Concern]:
    """Concerns about a day on which more was fed than the budget, and about days with much less than the budget.

    days: in order, the last one running.
    """
    found = []
    over = [
        (d, given)
        for d in days[-2:]
        if d.budget_g is not None
        and d.dispensed_g is not None
        and (given := d.dispensed_g + d.handfed_g) - 2 * d.sd_g > OVER_SHARE * d.budget_g
        and given > 0
    ]
    if over:
        day, given = over[-1]
        found.append(
            Concern(
                key=f"over/{place.tank}",
                kind="budget",
                tank=place.tank,
                since_ms=day_start_ms(day.day, place.zone),
                what=f"{place.name}: more was fed than the ration",
                text=f"On {_day(day.day)} {figure(given)} g (standard deviation {figure(day.sd_g, 2)} g; by hand "
                f"{figure(day.handfed_g)} g) against a ration of {figure(day.budget_g or 0.0)} g. "
                f"{'' if day.complete else 'Tareline skips the meals that would exceed the cap. '}Do not feed by "
                "hand; measure ammonia in a day or two.",
            )
        )
    past = [d for d in days if d.complete][-STARVED_DAYS:]
    starved = [
        d
        for d in past
        if d.budget_g
        and d.dispensed_g is not None
        and d.held_s < 3600
        and d.dispensed_g + d.handfed_g + 2 * d.sd_g < STARVED_SHARE * d.budget_g
    ]
    if len(starved) == STARVED_DAYS:
        given = sum((d.dispensed_g or 0.0) + d.handfed_g for d in starved)
        budget = sum(d.budget_g or 0.0 for d in starved)
        found.append(
            Concern(
                key=f"starved/{place.tank}",
                kind="budget",
                tank=place.tank,
                since_ms=day_start_ms(starved[0].day, place.zone),
                what=f"{place.name}: much less than the ration for {STARVED_DAYS} days",
                text=f"From {_day(starved[0].day)} to {_day(starved[-1].day)} {figure(given)} g of {figure(budget)} g, "
                "with no hold. Tareline does not make up for it later. Check the feeder, its hopper and its plug.",
            )
        )
    return found


def _day(day: date) -> str:
    return f"{day:%a} {day.day} {day:%b}"


def of_finding(place: Location, feeder: str, name: str, finding: Finding) -> Concern:
    """The concern about a gross error that nobody has decided on. name: the finding's name in HTTP."""
    likely = finding.causes[0] if finding.causes else None
    cause = (
        f"the most likely cause is {likely.name} ({likely.share:.0%}): {likely.evidence}"
        if likely is not None
        else finding.kind
    )
    mended = (
        "One entry would correct this: accept it on the page “The week”, or dismiss the finding"
        if finding.mend
        else "No single entry would correct this: enter what happened, or dismiss the finding on the page “The week”"
    )
    return Concern(
        key=f"finding/{name}",
        kind="finding",
        tank=place.tank,
        since_ms=finding.from_ms,
        what=f"{place.name}: the weights of {feeder} do not add up",
        text=f"Between {place.when(finding.from_ms)} and {place.when(finding.to_ms)}: {cause}. Tareline has changed "
        f"nothing, and shows wider intervals for these days. {mended}.",
    )


def of_silence(place: Location, device: str, kind: str, since_ms: int, now_ms: int) -> Concern:
    """The concern about a device that has been off the network for more than a minute. kind: feeder or probe."""
    goes_on = (
        "Without the network it follows the plan and the hold that it has, and reports its doses later; without "
        "power it feeds nothing"
        if kind == "feeder"
        else "Without the network it stores its samples and sends them later; without power it takes none. Until "
        "then Tareline's lines on samples cannot act"
    )
    return Concern(
        key=f"silent/{device}",
        kind="device",
        tank=place.tank,
        since_ms=since_ms,
        what=f"{place.name}: {device} is silent",
        text=f"Off the network since {place.when(since_ms)}, for {lasting(now_ms - since_ms)}. {goes_on}. "
        "Check its plug, its lamp and the network.",
        urgent=True,
        grade=1 if now_ms - since_ms >= DAY_MS else 0,
        covers=(f"probe/{device}/silent",),
    )


def of_boards(place: Location, device: str, since_ms: int, text: str) -> Concern:
    """Two boards under one name, or one that was replaced."""
    return Concern(
        key=f"boards/{device}",
        kind="device",
        tank=place.tank,
        since_ms=since_ms,
        what=f"{place.name}: another board uses the name {device}",
        text=f"Since {place.when(since_ms)}: {text}. If you replaced the board, nothing is wrong; if not, find the "
        "second one and unplug it: the reports of two devices under one name get mixed up.",
        urgent=True,
    )


def of_faults(place: Location, device: str, faults: Sequence[tuple[str, int, str]], now_ms: int) -> list[Concern]:
    """Concerns about faults that a device reported within a day. faults: (code, at, detail), newest first.

    Stops of a feeder are reported by `of_stop` and `of_unweighed`.
    """
    found: dict[str, Concern] = {}
    ended = {"button_hold": "button_release"}
    seen = set()
    for code, at_ms, detail in faults:
        seen.add(code)
        if code in found or code in NO_NEWS or now_ms - at_ms >= LASTS_MS or ended.get(code) in seen:
            continue
        first_ms = min(at for c, at, _ in faults if c == code and now_ms - at < LASTS_MS)
        words = FAULTS.get(code)
        what = words.what if words is not None else f"reports {code.replace('_', ' ')}"
        found[code] = Concern(
            key=f"fault/{device}/{code}",
            kind="device",
            tank=place.tank,
            since_ms=first_ms,
            what=f"{place.name}: {device} {what}",
            text=f"Since {place.when(first_ms)}, reported by the device: {detail or code.replace('_', ' ')}. "
            f"{words.do if words is not None else UNKNOWN_FAULT}.",
        )
    return list(found.values())


def of_probe_issues(place: Location, probe: str, issues: Sequence[ProbeIssue]) -> list[Concern]:
    """Concerns about the issues of a probe; the same issue of several metrics is one concern."""
    kinds: dict[str, list[ProbeIssue]] = {}
    for issue in issues:
        kinds.setdefault(issue.kind, []).append(issue)
    return [_probe_concern(place, probe, kind, same) for kind, same in kinds.items()]


def _probe_concern(place: Location, probe: str, kind: str, same: Sequence[ProbeIssue]) -> Concern:
    names = and_list([METRICS[one.metric] for one in same])
    since_ms = min(one.since_ms for one in same)
    does = (
        "Tareline continues to use its samples"
        if all(one.trusted for one in same)
        else "Until this ends, its samples cannot hold or reduce feeding"
    )
    what = f"calibrate {names} of {probe}" if kind == "calibration due" else f"{names} of {probe}: {_ISSUE_NAMES[kind]}"
    return Concern(
        key=f"probe/{probe}/{kind}",
        kind="device",
        tank=place.tank,
        since_ms=since_ms,
        what=f"{place.name}: {what}",
        text=f"Since {place.when(since_ms)}. {' '.join(one.text for one in same)} {does}.",
    )


_ISSUE_NAMES: Mapping[str, str] = {
    "stuck": "stuck at one value",
    "jumping": "jumping between values",
    "drifting": "drifting away from readings by hand",
    "dry": "out of the water",
    "silent": "no samples",
}


def of_rejects(place: Location, device: str, count: int, since_ms: int, reason: str) -> Concern:
    """The concern about messages of a device that could not be understood."""
    return Concern(
        key=f"rejects/{device}",
        kind="device",
        tank=place.tank,
        since_ms=since_ms,
        what=f"{place.name}: {_count(count, 'message')} of {device} not understood",
        text=f"Since {place.when(since_ms)}. The newest: {reason.rstrip('.')}. Tareline keeps them under Not "
        "understood; no other message is lost. Check whether the device's firmware version suits this service.",
    )
