"""Holds: feeding is paused or reduced for stated reasons; the state is calculated from the ledger's entries.

The hold of a line lasts until a person releases it, and that is only possible after a reading newer than the hold shows
that the water no longer crosses the line. Such a reading alone releases nothing. A reduction ends automatically with
the first newer reading that is clear of its line. A hold by a person, for an unknown board, for another installation,
or for a feeder that has stopped itself only needs a person.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from tareline.core.safety.lines import NAMES, Action, Crossing, KnownValue, Line, reaches
from tareline.core.units import CANONICAL

PROBED = ("temperature", "tds")
Kind = Literal["line", "person", "board", "installation", "stop"]
CONFIRM_MS = 60_000  # a feeder that has not confirmed a hold after this time should be unplugged


@dataclass(frozen=True, slots=True)
class Reason:
    """A reason why feeding is held or reduced, with its ledger entry; for a line also the limit and its side.

    limit is in the analyte's canonical unit; above: whether values above it cross it. reduce_to: share of each meal, 0
    to 1, None for a hold.
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
        """Whether a value that is newer than this reason shows that the water no longer crosses its line.

        For temperature and dissolved solids the value may be a probe's newest plausible sample.
        """
        if self.kind != "line" or self.limit is None:
            return True
        if known is None or not self._before(known) or known.assumed:
            return False  # a value that is based on an assumption proves nothing
        if not known.may_cross:
            return self.above  # a chart's lowest step: practically zero, so only a line above it is clear
        if not known.detected and not self.above:
            return False  # the value may be anywhere between zero and the detection limit
        return not reaches(known.counted, self.limit, self.above)

    def _before(self, known: KnownValue) -> bool:
        """Whether a value is newer than this reason; within one millisecond the order in the ledger decides."""
        return (known.at_ms, known.entry) > (self.since_ms, self.entry)

    def needs(self, known: KnownValue | None) -> str | None:
        """What must happen before a person may release this, in words; None where nothing more is needed."""
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
            return f"{needed}; the newest is based on an assumed {missing}, which must be measured"
        if not known.detected:
            return f"{needed}; the newest could not detect anything below {known.counted:.3g}"
        return f"{needed}; the newest still counts as {known.counted:.3g}"


@dataclass(frozen=True, slots=True)
class Release:
    """An entry that ends some reasons."""

    entry: int
    at_ms: int
    reasons: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Period:
    """The time during which one reason was in force; to_ms is None while it lasts."""

    from_ms: int
    to_ms: int | None
    reason: Reason


@dataclass(frozen=True, slots=True)
class HoldState:
    """The reasons that are in force now, and all periods so far."""

    reasons: tuple[Reason, ...] = ()
    periods: tuple[Period, ...] = field(default=())

    @property
    def held(self) -> bool:
        return any(r.do == "hold" for r in self.reasons)

    @property
    def reduce_to(self) -> float:
        """The share of each meal that is fed, 1 where no reduction is in force."""
        return min((r.reduce_to for r in self.reasons if r.reduce_to is not None), default=1.0)

    @property
    def since_ms(self) -> int | None:
        return min((r.since_ms for r in self.reasons), default=None)

    def with_reason(self, reason: Reason) -> "HoldState":
        """The state after another reason has been entered."""
        return HoldState((*self.reasons, reason), (*self.periods, Period(reason.since_ms, None, reason)))

    def released(self, entries: Collection[int], at_ms: int) -> "HoldState":
        """The state after the reasons with these entries have ended at an instant."""
        periods = (
            replace(p, to_ms=at_ms) if p.to_ms is None and p.reason.entry in entries else p for p in self.periods
        )
        return HoldState(tuple(r for r in self.reasons if r.entry not in entries), tuple(periods))


def fold(reasons: Sequence[Reason], releases: Sequence[Release]) -> HoldState:
    """The state after all reasons and releases of the ledger, which may come in any order."""
    ended: dict[int, int] = {}
    for release in releases:
        for entry in release.reasons:
            ended[entry] = min(release.at_ms, ended.get(entry, release.at_ms))
    periods = tuple(Period(r.since_ms, ended.get(r.entry), r) for r in reasons)
    return HoldState(tuple(r for r in reasons if r.entry not in ended), periods)


def added_by(state: HoldState, found: Sequence[Crossing]) -> list[Crossing]:
    """The crossings that require more than what is already in force, each only once (readings and probes may agree)."""
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
    """The reductions that end automatically because of newer readings."""
    return [
        r for r in state.reasons if r.do == "reduce" and r.kind == "line" and r.cleared_by(known.get(r.analyte or ""))
    ]


def release_refused(state: HoldState, known: Mapping[str, KnownValue]) -> list[str]:
    """What is still needed before a person may release the hold, one text each; empty where nothing is."""
    needs = [r.needs(known.get(r.analyte or "")) for r in state.reasons if r.do == "hold"]
    return [need for need in needs if need is not None]
