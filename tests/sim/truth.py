"""What left one hopper in truth, and when nothing may move any more. The rules of true grams, said naively.

The feeder weighs whenever it likes (`looked`), at least once in LOOK_MS. Between two such looks lies a span. Of a span
the world knows what truly left: by the motor, and without steps (a leak). A span could be judged (it is `sure`) if both
looks were weights of a good cell in one stretch of power, and no hand was on hopper or cell between them, nor had the
feeder been told of one.

What a feeder cannot tell of a span is its `blind` mass: four standard deviations of the difference (the stated
deviations are the true ones), five more because weights scatter themselves, and WANDER_UG for a zero that wanders.

1. Every dose counts the largest of what was asked, what its steps announce, and, if its span was sure, what truly left
   less the blind mass. Every sure span without steps in which more than the blind mass left counts that much as well.
   Whenever the motor begins, all that counts in the day, with this dose as asked, is within the cap (model.py).
   What a look showed is forgotten where power went before flash had it: then that span was not sure.
2. So of true grams, at any moment at which the motor turns, there have left in the day at most: the cap, one dose in
   full, a loss without steps that could be seen (a second one can only follow upon a person's release), and what could
   not be seen, span by span. This is asked as well, in these words.
3. Two doses in a row that clearly gave too much (a sure span of one dose; more than half over what was asked and what
   the steps announce, and the blind mass more) stop feeding; so does a sure span without steps that lost more than the
   blind mass. A dose whose span was not sure is none in that row: it neither adds to it nor ends it.
4. Two installations that take turns (a plan of one, of the other, of the first again, each newer than its last) stop
   feeding; so do DEAD_MS of power with doses and without any weight.
5. A stop ends when a person says so: a hold of the service that is newer than all it had sent before, and then a
   release; a long press that holds, and one that lets go; a calibration or a tare. Want of weights ends with a weight
   as well. What left before the release is then settled, and the next span begins anew. Nothing else ends a stop, least
   of all a power cut. Only a stop that flash had refused, or that power cut short in the very turn in which it began,
   may be forgotten. Where the feeder stood still already for the same reason, a hold since then is one of this stop.
6. A stop is told as a fault as soon as there has been a connection for TELL_MS. Of several at once, power that goes
   before may leave the first alone.
"""

import math
from collections.abc import Callable
from typing import NamedTuple

SECOND = 1000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR
LOOK_MS = 75 * MINUTE  # hourly, and a board that is asleep for some minutes
TELL_MS = 30 * MINUTE
DEAD_MS = 7 * DAY + 6 * HOUR
SEEN_SD, CHANCE_SD = 4, 5
WANDER_UG = 60_000  # an hour: 4 x 30 mg per root of a day and 10 mg per kelvin (0.8 at most), and 10 mg more
TOO_MUCH, LITTLE_UG = 1.5, 10_000
FAULTS = {
    "over": "stopped_over",
    "loss": "stopped_loss",
    "installations": "two_installations",
    "unweighed": "stopped_unweighed",
}


class RuleBrokenError(BaseException):
    """A rule of the contract does not hold. No handler of the firmware may swallow it."""


def need(holds: bool, rule: str) -> None:
    if not holds:
        raise RuleBrokenError(rule)


class Gone:
    """Food that has left: a dose (with its steps), or a loss of one span without steps.

    counted_ug is what counts against the cap, begun_ug what it counted when it began, written_ug what of it flash has;
    true_ug what left; unseen_ug what of it no feeder could have known.
    """

    def __init__(self, at_ms: int, error_ms: int | None, counted_ug: int, day_ms: int, dose: bool = True) -> None:
        self.at_ms, self.error_ms, self.counted_ug, self.day_ms, self.dose = at_ms, error_ms, counted_ug, day_ms, dose
        self.begun_ug = counted_ug
        self.written_ug = counted_ug if dose else 0  # a dose is on flash before the motor moves
        self.true_ug = self.unseen_ug = 0
        self.clear = False  # a loss that could be seen
        self.closed = False


class Look(NamedTuple):
    at_ms: int
    sd_ug: int


class Stop:
    """Why nothing may move, and what a person has done about it since."""

    def __init__(self, at_ms: int, hold_version: int) -> None:
        self.at_ms, self.hold_version = at_ms, hold_version
        self.held = self.pressed = self.told = False
        self.written = False


class Truth:
    """See the module's text. `gone` is everything that has left within the last days."""

    def __init__(self) -> None:
        self.gone: list[Gone] = []
        self.stops: dict[str, Stop] = {}
        self.own: dict[str, Stop] = {}  # stops of the feeder's, needed or not: a release ends the row as well
        self.row = 0
        self.row_written = True
        self.hold_top = 0  # the newest version of a hold handled
        self.turns: list[tuple[str, int]] = []  # (installation, version) of plans handled, without repetition
        self.stopped: list[str] = []  # every stop that ever began, for the world's count
        self._look: Look | None = None
        self._tried_ms: int | None = None  # the last look or try of one in this stretch of power
        self._sure = False
        self._doses: list[Gone] = []  # of this span
        self._expected_ug = 0
        self._leaks: list[tuple[int, int]] = []
        self._powered_ms = 0
        self._unweighed_ms: int | None = None  # since how much power a dose went without a weight
        self._since_ms: int | None = None

    # What happens

    def started(self, now_ms: int) -> None:
        self._since_ms = self._tried_ms = now_ms

    def power_gone(self, now_ms: int) -> None:
        """What flash has not is forgotten; no look of before says anything about the time without power."""
        if self._since_ms is not None:
            self._powered_ms += now_ms - self._since_ms
        self._since_ms = self._tried_ms = None
        self.disturbed()
        for gone in self.gone:
            if gone.counted_ug > gone.written_ug:
                gone.counted_ug, gone.clear = gone.written_ug, False
                gone.unseen_ug = max(0, gone.true_ug - gone.counted_ug)
        self.stops = {kind: stop for kind, stop in self.stops.items() if stop.written}
        for stop in [*self.own.values(), *self.stops.values()][1:]:
            stop.told = True
        if not self.row_written:
            self.row, self.row_written = 0, True

    def board_swapped(self) -> None:
        """Another board knows of no stop, no row, no installation, and no loss."""
        for gone in self.gone:
            if not gone.dose:
                gone.counted_ug, gone.unseen_ug, gone.clear = 0, gone.true_ug, False
        self.stops, self.own, self.row, self.turns, self.hold_top = {}, {}, 0, [], 0
        self._unweighed_ms = None

    def plan_lost(self) -> None:
        """Flash may have lost the plan, and whose plans came before."""
        self.turns = []

    def disturbed(self) -> None:
        """Hands on hopper or cell, or no power: this span says nothing."""
        self._sure = False

    def turn_over(self, refused: bool) -> None:
        """The feeder has come to the end of a call; refused: flash took not all that it wrote."""
        if not refused:
            self.row_written = True
            for gone in self.gone:
                gone.written_ug = gone.counted_ug
            for stop in self.stops.values():
                stop.written = True

    def moved(self, dose: Gone, expected_ug: int, true_ug: int) -> None:
        if dose not in self._doses:
            self._doses.append(dose)
        dose.true_ug += true_ug
        dose.unseen_ug += true_ug  # until it is weighed
        self._expected_ug += expected_ug

    def leaked(self, at_ms: int, mass_ug: int) -> None:
        self._leaks.append((at_ms, mass_ug))

    def looked(self, now_ms: int, weight: tuple[int, int] | None, honest: bool) -> None:
        """The feeder has asked its cell; honest: the cell tells the truth."""
        self._tried_ms = now_ms
        if weight is None:
            self._sure = False
            if self._doses and self._unweighed_ms is None:
                self._unweighed_ms = self._power_ms(now_ms)
            return
        look = Look(now_ms, weight[1])
        self._close(look, self._sure and honest)
        self._look, self._sure = look, honest
        self._doses, self._expected_ug, self._leaks = [], 0, []
        self._unweighed_ms = None
        self.stops.pop("unweighed", None)

    def _close(self, look: Look, sure: bool) -> None:
        lost_ug = sum(mass_ug for _, mass_ug in self._leaks)
        for dose in self._doses:
            dose.closed = True
        if self._look is None or not sure or len(self._doses) > 1:
            if lost_ug:
                self._lose(lost_ug, lost_ug, False)
            return
        blind_ug = round((SEEN_SD + CHANCE_SD) * math.hypot(self._look.sd_ug, look.sd_ug)) + WANDER_UG
        if self._doses:
            dose = self._doses[0]
            dose.true_ug += lost_ug
            asked_ug = max(self._expected_ug, dose.counted_ug)
            over = dose.true_ug > max(TOO_MUCH * asked_ug, asked_ug + LITTLE_UG) + blind_ug
            dose.counted_ug = max(dose.counted_ug, dose.true_ug - blind_ug)
            dose.unseen_ug = max(0, dose.true_ug - dose.counted_ug)
            self.row, self.row_written = (self.row + 1 if over else 0), False
            if self.row >= 2:
                self.stop("over", look.at_ms)
        elif lost_ug > blind_ug:
            self._lose(lost_ug, blind_ug, True)
            self.stop("loss", look.at_ms)
        elif lost_ug:
            self._lose(lost_ug, lost_ug, False)

    def _lose(self, lost_ug: int, unseen_ug: int, clear: bool) -> None:
        """The loss belongs to the earliest moment that it can have happened at: an older day is the milder one."""
        at_ms = self._look.at_ms if self._look is not None else self._leaks[0][0]
        loss = Gone(at_ms, 0, lost_ug - unseen_ug, at_ms, False)
        loss.true_ug, loss.unseen_ug, loss.clear, loss.closed = lost_ug, unseen_ug, clear, True
        self.gone.append(loss)

    def _power_ms(self, now_ms: int) -> int:
        return self._powered_ms + (now_ms - self._since_ms if self._since_ms is not None else 0)

    # Stops

    def stop(self, kind: str, now_ms: int) -> None:
        if kind not in self.stops:
            stop = self.stops[kind] = Stop(now_ms, self.hold_top)
            own = self.own.get(kind)
            if own is not None:  # it stands still for this already, has said so, and nobody has released it since
                stop.told = True
                stop.hold_version, stop.held, stop.pressed = own.hold_version, own.held, own.pressed
            self.stopped.append(kind)

    def plan_came(self, installation: str, version: int, now_ms: int) -> None:
        """A plan was handled for certain, newer than all of its installation before."""
        if any(name == installation and version <= last for name, last in self.turns):
            return
        if self.turns and self.turns[-1][0] == installation:
            self.turns.pop()
        self.turns.append((installation, version))
        if installation in [name for name, _ in self.turns[:-1]]:
            self.stop("installations", now_ms)
            self.turns = self.turns[-1:]

    def hold_came(self, version: int, held: bool) -> None:
        for stop in [*self.stops.values(), *self.own.values()]:
            stop.held |= held and version > stop.hold_version
        if not held:
            self._end(lambda stop: stop.held)
        self.hold_top = max(self.hold_top, version)

    def pressed(self, holds: bool) -> None:
        for stop in [*self.stops.values(), *self.own.values()]:
            stop.pressed |= holds
        if not holds:
            self._end(lambda stop: stop.pressed)

    def calibrated(self) -> None:
        self._end(lambda stop: True)

    def _end(self, ends: Callable[[Stop], bool]) -> None:
        if any(ends(stop) for stop in [*self.stops.values(), *self.own.values()]):
            self.row = 0
            self._sure = False  # what left until now, this person has taken note of
        if any(ends(kinds["installations"]) for kinds in (self.stops, self.own) if "installations" in kinds):
            self.turns = []  # this person has chosen one
        self.stops = {kind: stop for kind, stop in self.stops.items() if not ends(stop)}
        self.own = {kind: stop for kind, stop in self.own.items() if not ends(stop)}

    def stands(self, code: str | None, now_ms: int) -> None:
        """The feeder has stopped itself, perhaps for what no other could have known."""
        for kind, name in FAULTS.items():
            if name == code:
                self.own.setdefault(kind, Stop(now_ms, self.hold_top))

    def told(self, code: str, now_ms: int) -> None:
        self.stands(code, now_ms)
        for kind, name in FAULTS.items():
            if name == code and kind in self.stops:
                self.stops[kind].told = True

    # What must hold

    def check_look(self, now_ms: int, connected_ms: int) -> None:
        """Between two calls of the feeder; connected_ms: for how long there has been a connection that carries."""
        assert self._tried_ms is not None
        need(now_ms - self._tried_ms <= LOOK_MS, "the feeder has not weighed for over an hour")
        for kind, stop in self.stops.items():
            silent = not stop.told and min(connected_ms, now_ms - stop.at_ms) > TELL_MS
            need(not silent, f"nobody was told that feeding stopped ({FAULTS[kind]})")

    def check_turn(self, now_ms: int) -> None:
        """The motor is about to turn."""
        need(not self.stops, f"the motor moved after {', '.join(sorted(FAULTS[kind] for kind in self.stops))}")
        since_ms = self._unweighed_ms
        dead = since_ms is not None and self._power_ms(now_ms) - since_ms > DEAD_MS
        need(not dead, "the motor moved after a week of doses without a weight")

    def check_true(self, recent: list[Gone], most_ug: int, what: str, doses: int = 1) -> int:
        """Rule 2, for what left in a window in which so many doses may each be the one too many of their day; returns
        by how much true grams exceed the caps, in ug."""
        true_ug = sum(gone.true_ug for gone in recent)
        dose_ug = sum(sorted(gone.true_ug for gone in recent if gone.dose)[-doses:])
        lost_ug = sum(gone.true_ug - gone.unseen_ug for gone in recent if gone.clear)
        unseen_ug = sum(gone.unseen_ug for gone in recent)
        need(
            true_ug <= most_ug + dose_ug + lost_ug + unseen_ug,
            f"{what}: {true_ug} ug left in truth, where {most_ug} ug, doses of {dose_ug}, losses of {lost_ug} and "
            f"{unseen_ug} that could not be seen are the most",
        )
        return true_ug - most_ug

    def forget(self, before_ms: int) -> None:
        self.gone = [gone for gone in self.gone if gone.at_ms >= before_ms]
