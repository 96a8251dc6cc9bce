"""Holds: feeding paused or reduced, with reasons, folded from what the ledger says happened.

A line's hold stays until a person releases it, and no person can before a reading newer than the hold shows the water
below its line. A later low reading alone releases nothing. A reduction restores itself with the first newer reading
clear of its line. A person's own hold, a foreign board's, a foreign installation's and that of a feeder which has
stopped itself need only a person.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from tareline.core.safety.lines import NAMES, Action, Crossing, KnownValue, Line, reaches
from tareline.core.units import CANONICAL

PROBED = ("temperature", "tds")
Kind = Literal["line", "person", "board", "installation", "stop"]
CONFIRM_MS = 60_000  # a hold that no feeder has confirmed by then: unplug the feeder


@dataclass(frozen=True, slots=True)
class Reason:
    """Why feeding is held or reduced: the ledger entry that says so, and for a line which side of what limit.

    limit is in the analyte's canonical unit; reduce_to is 0 to 1, None for a hold.
    """

    entry: int
    since_ms: int
    kind: Kind
    do: Literal["reduce", "hold"]
    text: str
    reduce_to: float | None = None
    analyte: str | None = None
    above: bool = True
    limit: float | None = None
    device: str | None = None

    def cleared_by(self, known: KnownValue | None) -> bool:
        """Whether a reading newer than this reason shows the water clear of its line.

        Of temperature and dissolved solids what is known may be a probe's newest plausible sample.
        """
        if self.kind != "line" or self.limit is None:
            return True
        if known is None or not self._before(known) or known.assumed:
            return False  # what rests on an assumption shows nothing
        if not known.may_cross:
            return self.above  # a chart's lowest step: as good as nothing there, and no lower bound
        if not known.detected and not self.above:
            return False  # anywhere between nothing and the detection limit
        return not reaches(known.counted, self.limit, self.above)

    def _before(self, known: KnownValue) -> bool:
        """Whether a reading is newer; entered in the same millisecond, the order in the ledger decides."""
        return (known.at_ms, known.entry) > (self.since_ms, self.entry)

    def needs(self, known: KnownValue | None) -> str | None:
        """What must happen before a person may release this; None where nothing more."""
        if self.cleared_by(known):
            return None
        side = "below" if self.above else "above"
        name = NAMES.get(self.analyte or "", self.analyte or "")
        scale = CANONICAL[self.analyte or ""]
        unit = "" if scale.unit == "1" else f"{scale.unit}{f' as {scale.basis}' if scale.basis else ''}"
        taken = "a reading or a probe's sample" if self.analyte in PROBED else "a reading"
        needed = f"{taken} newer than the hold with {name} {side} {self.limit:g} {unit}".rstrip()
        if known is None or not self._before(known):
            return f"{needed}; none has been taken since"
        if known.assumed:
            missing = " and ".join(NAMES[name] for name in known.assumed)
            return f"{needed}; the newest rests on an assumed {missing}, which must be measured"
        if not known.detected:
            return f"{needed}; the newest could see nothing below {known.counted:.3g}"
        return f"{needed}; the newest still counts as {known.counted:.3g}"


@dataclass(frozen=True, slots=True)
class Release:
    """An entry that ends some reasons."""

    entry: int
    at_ms: int
    reasons: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Period:
    """A stretch under one reason; to_ms None while it lasts."""

    from_ms: int
    to_ms: int | None
    reason: Reason


@dataclass(frozen=True, slots=True)
class HoldState:
    """What is in force now, and every period there was."""

    reasons: tuple[Reason, ...] = ()
    periods: tuple[Period, ...] = field(default=())

    @property
    def held(self) -> bool:
        return any(r.do == "hold" for r in self.reasons)

    @property
    def reduce_to(self) -> float:
        """The share of each meal that is fed, 1 where nothing reduces."""
        return min((r.reduce_to for r in self.reasons if r.reduce_to is not None), default=1.0)

    @property
    def since_ms(self) -> int | None:
        return min((r.since_ms for r in self.reasons), default=None)

    def with_reason(self, reason: Reason) -> "HoldState":
        """The state once one more reason has been entered."""
        return HoldState((*self.reasons, reason), (*self.periods, Period(reason.since_ms, None, reason)))

    def released(self, entries: Collection[int], at_ms: int) -> "HoldState":
        """The state once some reasons, by their entries, have ended at an instant."""
        periods = (
            replace(p, to_ms=at_ms) if p.to_ms is None and p.reason.entry in entries else p for p in self.periods
        )
        return HoldState(tuple(r for r in self.reasons if r.entry not in entries), tuple(periods))


def fold(reasons: Sequence[Reason], releases: Sequence[Release]) -> HoldState:
    """The state after everything the ledger says, in any order of arrival."""
    ended: dict[int, int] = {}
    for release in releases:
        for entry in release.reasons:
            ended[entry] = min(release.at_ms, ended.get(entry, release.at_ms))
    periods = tuple(Period(r.since_ms, ended.get(r.entry), r) for r in reasons)
    return HoldState(tuple(r for r in reasons if r.entry not in ended), periods)


def added_by(state: HoldState, found: Sequence[Crossing]) -> list[Crossing]:
    """The crossings that ask for more than what is in force already, each once: a reading and two probes may agree."""
    new: list[Crossing] = []
    for crossing in found:
        line = crossing.line
        same: list[tuple[Action, float | None]] = [
            *((r.do, r.reduce_to) for r in state.reasons if r.kind == "line" and _side(r) == _side(line)),
            *((c.do, c.line.reduce_to) for c in new if _side(c.line) == _side(line)),
        ]
        if crossing.do == "hold" and not any(do == "hold" for do, _ in same):
            new.append(crossing)
        if crossing.do == "reduce" and not any(
            do == "reduce" and to is not None and to <= (line.reduce_to or 0.0) for do, to in same
        ):
            new.append(crossing)
    return new


def _side(one: Reason | Line) -> tuple[str | None, bool]:
    return one.analyte, one.above


def restored_by(state: HoldState, known: Mapping[str, KnownValue]) -> list[Reason]:
    """The reductions that newer readings end by rule."""
    return [
        r for r in state.reasons if r.do == "reduce" and r.kind == "line" and r.cleared_by(known.get(r.analyte or ""))
    ]


def release_refused(state: HoldState, known: Mapping[str, KnownValue]) -> list[str]:
    """What stands in the way of a person's release, a sentence each; empty where nothing does."""
    needs = [r.needs(known.get(r.analyte or "")) for r in state.reasons if r.do == "hold"]
    return [need for need in needs if need is not None]
