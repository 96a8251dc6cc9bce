"""What one feeder may do, judged from outside: true time, what its motor did, and the messages it handled.

The model knows nothing of how the firmware remembers. Of each dose it is given what the flash would tell of it if
power went at that moment (a dose as on the wire): there must be one, or the motor moved uncovered.

Time. `error_ms` is how far the feeder's clock is from true time, None where it has none. Within RIGHT_MS the clock is
right (an answer to hello may be 5 s old by the contract); days and times are then judged by that clock, exactly.

The cap. A dose counts the largest of what was asked, its steps times the announced gain (what `hello` says is in
force), and what truly left and could be seen; a loss without steps counts what could be seen of it (truth.py).
- As told: by a clock that was right at every dose of the day, all doses of a day of the feeder's newest plan (days of
  24 hours follow the last one listed) and this one stay within the cap that is in force for that day now (but see leapt
  below).
- Whatever the clocks did: within any 20 hours of true time at most two caps leave, since the counter is never reset
  twice within 20 hours. The one thing no board can know is how long it was without power: a start at which its clock is
  further ahead than it was before (`leapt`) can pass for time that went by, and each such start can cost one cap more.

Held is what the last hold message said that was handled: held, or reduced to nothing; and a feeder that has stopped by
itself (truth.py). Where power went while a message was handled, or the flash refused to keep it, old and new are both
possible until the next one is handled. What the feeder obeys in memory alone is gone with the power: then what flash
had before is in force again.

Where plans and holds of a second installation came too, each installation's newest is possible, until the feeder says
in `applied` which one it obeys. A bit that flips on flash can cost the plan, or leave a hold that nobody sent; it never
frees anything. Another board under the same name knows nothing of the first one's meals, commands, holds and counter:
what it gives itself stays within a day's cap. What the first one gave that day the plan takes off where the service was
told of it; a dose that lay on its flash alone nobody can know.

`until_ms` ends plan and fallback; a person's button and a command go on (somebody is there).
"""

from collections.abc import Sequence
from typing import Any

from truth import DAY, HOUR, MINUTE, SECOND, Gone, RuleBrokenError, Truth
from truth import need as need_rule

__all__ = ["DAY", "HOUR", "MINUTE", "RIGHT_MS", "SECOND", "Model", "RuleBrokenError"]

RIGHT_MS = 6 * SECOND
TWO_CAPS = "more than two caps within 20 hours"
GRACE_MS = 10 * MINUTE  # firmware/README.md: a meal later than this is missed


def ug(grams: float) -> int:
    return round(grams * 1_000_000)


def day_as_told(plan: dict[str, Any], now_ms: int) -> tuple[int, int]:
    """(start_ms, cap_ug) of a plan's day: the last one that has begun, or one of 24 hours after the last."""
    days = sorted((day["start_ms"], ug(day["cap_g"])) for day in plan["days"])
    start_ms, cap = max([day for day in days if day[0] <= now_ms] or days[:1])
    if start_ms == days[-1][0]:
        start_ms += max(0, now_ms - start_ms) // DAY * DAY
    return start_ms, cap


class Model:
    """One feeder's rules. Every call raises RuleBrokenError where one is broken."""

    def __init__(self, gain_ng: int) -> None:
        self.gain_ng = gain_ng
        self.plans: list[dict[str, Any]] = []  # in force; several where power went while one was handled
        self.holds: list[dict[str, Any]] = [{"version": 0, "held": False, "reduce_to": None}]
        self.before: list[dict[str, Any]] = []  # of holds: what flash may have as long as it refuses the newer ones
        self.waiting: dict[
            str, dict[str, Any]
        ] = {}  # installation -> its release, which counts once its plan is in force
        self.local = [False]  # a hold by the button
        self.released: dict[str, int] = {}  # installation -> the largest version of a hold handled
        self.half_released: dict[
            str, int
        ] = {}  # the same with those that power cut short: an older release may be ignored
        self.planners: set[str] = set()  # installations whose plans came
        self.planless = True  # it may have no plan: none came for certain, or two installations made it give up theirs
        self.holdless = False  # it may have lost its hold: the last one was not handled to its end
        self.flips = 0  # how often; each may cost a number, which the feeder leaves out
        self.rotten = False  # a bit has flipped on flash: plan or hold may be lost
        self.gone_boards: set[str] = set()  # journals of boards that were taken away
        self.received: dict[str, int] = {}  # journal -> the last dose that the service has, as handled
        self.lossy: set[tuple[str, int]] = set()  # doses that lay on flash when a bit of it flipped
        self.meals: set[str] = set()
        self.commands: dict[str, int] = {}  # id -> how often it acted
        self.presses = 0
        self.share = 1.0  # what holds left when the feeder last looked: a dose is decided before it moves
        self.truth = Truth()
        self.dose: Gone | None = None  # the one that began last
        self.announced_ng = gain_ng
        self.worst_ug = 0  # by how much true grams ever exceeded a day's cap
        self.caps: list[tuple[int, int]] = []  # (when a dose was given, the largest cap then told)
        self.leaps: list[int] = []
        self.swapped_ms = 0  # when this board took another one's place
        self.blind: tuple[int, int] = (0, 0)  # (when food was last given without a clock, how often since it was known)
        self.said: dict[tuple[str, int], dict[str, Any]] = {}
        self.steps: dict[tuple[str, int], int] = {}  # (journal, seq) -> steps made, in truth
        self.absurd: set[tuple[str, int]] = set()  # doses said with a time a day ahead, which no service can believe
        self.misdated: list[int] = []  # what a wrong clock said of food that left: it counts in the ration of that day
        self.open: tuple[str, int] | None = None  # the dose whose end the flash has not
        self.cut: set[tuple[str, int]] = set()  # doses during which power went

    # What was handled

    def handle(self, tail: str, fields: dict[str, Any], sure: bool, now_ms: int) -> None:
        """A message has been handled; sure: neither power nor flash nor memory failed meanwhile."""
        if tail == "plan":
            name = fields["installation"]
            self.planners.add(name)
            own = [p for p in self.plans if p["installation"] == name]
            if all(fields["version"] > p["version"] for p in own):
                if sure:
                    self.truth.plan_came(name, fields["version"], now_ms)
                    self.planless = False
                    own = []
                others = [p for p in self.plans if p["installation"] != name]
                self.plans = [fields, *own, *others]
                self.holds += [self.waiting.pop(name)] if name in self.waiting else []
        elif tail == "hold":
            self._handle_hold(fields, sure)
        elif tail == "received":
            self.received[fields["journal"]] = max(self.received.get(fields["journal"], 0), fields["seq"])

    def _handle_hold(self, fields: dict[str, Any], sure: bool) -> None:
        name = fields["installation"]
        own = [hold for hold in self.holds if hold.get("installation", name) == name]
        others = [hold for hold in self.holds if hold.get("installation", name) != name]
        if not fields["held"] and fields["version"] < self.released.get(name, 0):
            self.holdless |= not sure
            return
        if len(own) > 1 and fields in own:
            return  # once more what flash refused, or power cut short: nothing is more certain now
        self.holdless = not sure
        if fields["held"]:
            self.waiting = {}
        newer = [hold for hold in own if hold["version"] > fields["version"]]
        if fields["held"] and own and all(hold["held"] for hold in own) and newer:
            if len(own) > 1:  # the newer word may be one that power cut short
                self.holds.append(fields)
            return  # held already, by a newer word
        if not sure:
            self.before += [hold for hold in self.holds if hold not in self.before]
        if not sure or (not fields["held"] and fields["version"] < self.half_released.get(name, 0)):
            newer = own
        elif fields["held"]:  # obeyed whatever its version, unless a newer one holds already
            newer = [hold for hold in newer if hold["held"]]
            others = [hold for hold in others if hold["held"]]
        self.holds = [fields, *newer, *others]
        self.half_released[name] = max(self.half_released.get(name, 0), fields["version"])
        self.truth.hold_came(fields["version"], fields["held"])
        if sure:
            self.released[name] = max(self.released.get(name, 0), fields["version"])

    def pressed_long(self, sure: bool) -> None:
        """The button's own hold changes; what the flash refused to keep is gone with the power."""
        after = [not held for held in self.local]
        if sure:
            self.truth.pressed(all(after))
        else:
            self.truth.pressed(True)
            self.truth.pressed(False)
        self.local = after if sure else [*after, *self.local]

    def restarted(self, now_ms: int) -> None:
        """Power went: what is not on flash is gone."""
        self.presses = 0
        self.truth.power_gone(now_ms)
        self.holds += [hold for hold in self.before if hold not in self.holds]
        if self.open is not None:
            self.cut.add(self.open)
        self.open = None

    def turn_over(self, refused: bool) -> None:
        """The end of a turn, in which the feeder writes what flash lacks; refused: flash did not take all of it."""
        self.truth.turn_over(refused)
        if not refused:
            self.before = []

    def swapped(self, now_ms: int) -> None:
        """Another board, with an empty flash, has taken this one's place."""
        self.leapt(now_ms)
        self.swapped_ms = now_ms
        self.gone_boards |= {journal for journal, _ in [*self.said, *self.steps]}
        self.plans, self.planless, self.holds = [], True, [{"version": 0, "held": False, "reduce_to": None}]
        self.local, self.released, self.half_released, self.rotten, self.before = [False], {}, {}, False, []
        self.meals, self.commands, self.blind = set(), {}, (0, 0)
        self.truth.board_swapped()
        self.announced_ng = self.gain_ng

    def bit_flipped(self, on_flash: set[tuple[str, int]]) -> None:
        """One bit on flash has changed: doses that the service has not received may be lost. on_flash: all it had."""
        self.rotten = True
        self.flips += 1
        self.truth.plan_lost()
        self.lossy |= on_flash | {key for key in [*self.said, *self.steps] if key[1] > self.received.get(key[0], 0)}

    def clock_known(self) -> None:
        self.blind = (self.blind[0], 0)

    def leapt(self, now_ms: int) -> None:
        """A start at which the clock was further ahead than before."""
        self.leaps.append(now_ms)

    def acts(self, command: dict[str, Any], now_ms: int, error_ms: int | None) -> None:
        """A command does something."""
        self._need(self.commands.get(command["id"], 0) == 0, "a command acted twice")
        expires = command["expires_at_ms"]
        if expires is not None:
            self._need(error_ms is not None, "a command that expires acted without a clock")
            assert error_ms is not None
            self._need(abs(error_ms) > RIGHT_MS or now_ms + error_ms < expires, "a command acted after it expired")
        self.commands[command["id"]] = 1

    # What the motor does

    def applied(self, fields: dict[str, Any]) -> None:
        """What the feeder says is in force is what it has handled; of several that are possible, that one."""
        plan, hold = fields["plan_version"], fields["hold_version"]
        plans, holds = ({order["version"] for order in orders} for orders in (self.plans, self.holds))
        self.planless |= self.rotten or len(self.planners) > 1
        self._need(plan in plans or (plan == 0 and self.planless), "a plan is in force that was not the newest")
        if plan == 0:
            self.plans = []
        had_one = any(order["version"] for order in self.holds)  # a board to which none came yet can lose none
        if hold == 0 and had_one and (self.rotten or self.holdless):
            self.holds = [{"version": 0, "held": True}]  # what it obeys is lost: then nothing moves until one comes
        else:
            self._need(hold in holds, "a hold is in force that was not the one to obey")
        if len({p["installation"] for p in self.plans}) > 1:
            self.plans = [p for p in self.plans if p["version"] == plan]
        if len({h.get("installation") for h in self.holds}) > 1:
            self.waiting |= {h.get("installation", ""): h for h in self.holds if h["version"] != hold and not h["held"]}
            self.holds = [h for h in self.holds if h["version"] == hold]

    def look(self) -> None:
        """The feeder looks for a hold, as it does before each chunk of steps."""
        self.share = self._share()

    def _share(self) -> float:
        return max(1.0 if hold.get("reduce_to") is None else hold["reduce_to"] for hold in self.holds)

    def still(self) -> bool:
        """Whether nothing may move."""
        held = all(hold["held"] or hold.get("reduce_to") == 0 for hold in self.holds)
        return held or all(self.local) or bool(self.truth.stops)

    def person_at_hopper(self) -> bool:
        """Whether, as far as the feeder has been told, somebody may have hands on the hopper."""
        return any(self.local) or any(hold.get("hopper_off") for hold in self.holds)

    def turn(self, steps: int) -> None:
        """Some steps of the dose that has begun."""
        assert self.open is not None
        self._need(not self.still(), "the motor moved during a hold")
        self.steps[self.open] = self.steps.get(self.open, 0) + steps

    def left(self, steps: int, true_ug: int, now_ms: int) -> None:
        """What these steps have truly given."""
        assert self.dose is not None
        self.truth.moved(self.dose, steps * self.announced_ng // 1000, true_ug)
        self.turn(steps)
        self._true_grams(now_ms)

    def begin(
        self,
        dose: dict[str, Any] | None,
        announced_ng: int,
        now_ms: int,
        error_ms: int | None,
        command: dict[str, Any] | None,
    ) -> None:
        """The motor is about to move; dose: what flash has of it, in the words of the wire; announced_ng: the gain that
        the feeder says is in force."""
        self.truth.check_turn(now_ms)
        self._need(dose is not None, "the motor moved for a dose that flash does not have")
        assert dose is not None
        key = (dose["journal"], dose["seq"])
        if key == self.open:
            return
        self._need(key not in self.steps and key not in self.said, "the motor moved for a dose that was over")
        self._need(bool(self.plans), "the motor moved without a plan")
        bounded = self.gain_ng / 2 - 1 <= announced_ng <= 2 * self.gain_ng + 1
        self._need(bounded, "the gain in force is out of its bounds")
        self.announced_ng = announced_ng
        self.open = key
        right = error_ms is not None and abs(error_ms) <= RIGHT_MS
        if dose["meal"] is not None:
            self._need(dose["meal"] not in self.meals, "a meal was fed twice")
            self.meals.add(dose["meal"])
        self._asked(dose, now_ms + (error_ms or 0), error_ms is not None, right, command)
        if dose["cause"] == "command":
            assert command is not None
            self.acts(command, now_ms, error_ms)
        if error_ms is None and dose["cause"] == "fallback":
            self._without_clock(now_ms)
        counted = max(ug(dose["target_g"]), dose["steps"] * announced_ng // 1000)
        day_ms = max(day_as_told(plan, now_ms + (error_ms or 0))[0] for plan in self.plans)
        self.dose = Gone(now_ms, error_ms, counted, day_ms)
        self._dated(now_ms if error_ms is None else now_ms + error_ms, now_ms)
        self.truth.forget(now_ms - 5 * DAY)
        self.truth.gone.append(self.dose)
        self._cap(now_ms, error_ms, right)

    def _asked(
        self, dose: dict[str, Any], local_ms: int, clock: bool, right: bool, command: dict[str, Any] | None
    ) -> None:
        """A dose is one that somebody asked for, at its time and no larger, reduced where the hold says so."""
        cause, meal = dose["cause"], dose["meal"]
        most = 0
        due = False
        for plan in self.plans:
            fallback = plan["fallback"]
            planned = {m["id"]: m for m in plan["meals"]}
            if cause == "plan" and meal in planned:
                at_ms = planned[meal]["at_ms"]
                due |= at_ms <= local_ms <= at_ms + GRACE_MS
                most = max(most, ug(planned[meal]["target_g"]))
            elif cause == "fallback":
                over = all(m["at_ms"] < local_ms for m in plan["meals"]) and local_ms < fallback["until_ms"] + GRACE_MS
                late = [(local_ms - s * SECOND) % DAY <= GRACE_MS for s in fallback["at_utc_s"]]
                due |= not clock or (over and any(late))
                most = max(most, ug(fallback["daily_g"]))
            elif cause == "button":
                due |= self.presses > 0
                most = max([most, ug(fallback["daily_g"]), *(ug(m["target_g"]) for m in plan["meals"])])
        if cause == "button":
            self.presses = 0
        elif cause == "command":
            due, most = command is not None, 0 if command is None else ug(command["args"]["target_g"])
        if right or not clock or cause in ("button", "command"):
            self._need(due, f"nobody asked for this {cause} dose now")
        if right or cause in ("button", "command"):
            if cause != "button":
                most = int(most * max(self.share, self._share()))
            self._need(
                ug(dose["target_g"]) <= most + 1, f"a {cause} dose of {dose['target_g']} g was larger than {most} ug"
            )
        gain_ng = self.announced_ng
        self._need(dose["steps"] * gain_ng <= 1000 * ug(dose["target_g"]) + gain_ng, "too many steps")

    def _without_clock(self, now_ms: int) -> None:
        since_ms, count = self.blind
        self._need(now_ms - since_ms >= DAY, "fed twice within 24 hours without a clock")
        most = max(plan["fallback"]["blind_days"] for plan in self.plans)
        self._need(count < most, "fed without a clock for longer than blind_days")
        self.blind = (now_ms, count + 1)

    def _cap(self, now_ms: int, error_ms: int | None, right: bool) -> None:
        self.caps = [(t, c) for t, c in self.caps if t > now_ms - 20 * HOUR]
        self.caps.append((now_ms, max(ug(day["cap_g"]) for plan in self.plans for day in plan["days"])))
        for recent, most, what in self._windows(now_ms, error_ms if right else None):
            counted_ug = sum(gone.counted_ug for gone in recent)
            if what == TWO_CAPS:  # the last dose of each day may give more than was asked; the day's rule sees to that
                counted_ug -= sum(sorted(gone.counted_ug - gone.begun_ug for gone in recent)[-2:])
            self._need(counted_ug <= most, f"{what}: {counted_ug} of {most} ug")

    def _true_grams(self, now_ms: int) -> None:
        assert self.dose is not None
        error_ms = self.dose.error_ms
        right = error_ms is not None and abs(error_ms) <= RIGHT_MS
        for recent, most, what in self._windows(now_ms, error_ms if right else None):
            doses = 2 if what == TWO_CAPS else 1
            self.worst_ug = max(self.worst_ug, self.truth.check_true(recent, most, what, doses))

    def _windows(self, now_ms: int, error_ms: int | None) -> list[tuple[list[Gone], int, str]]:
        """(what left in it, the most that may, the rule's name) of the day as told, if the clock was right (then
        error_ms is no None), and of the last 20 hours."""
        windows = []
        gone = self.truth.gone
        if error_ms is not None:
            told = [day_as_told(plan, now_ms + error_ms) for plan in self.plans]
            start_ms = max(start for start, _ in told)
            sure = [d.error_ms is not None and abs(d.error_ms) <= RIGHT_MS for d in gone]
            own = [d.at_ms >= self.swapped_ms for d in gone]
            today = [d.at_ms >= start_ms or d.day_ms >= start_ms for d in gone]
            if all(s or not (t and o) for s, t, o in zip(sure, today, own, strict=True)):
                leaps = sum(at_ms >= start_ms and at_ms > self.swapped_ms for at_ms in self.leaps)
                most = max(cap for _, cap in told) * (1 + leaps)
                given = [d for d, o in zip(gone, own, strict=True) if o and d.day_ms >= start_ms]
                windows.append((given, most, "a day's cap was exceeded"))
        leaps = sum(at_ms > now_ms - 20 * HOUR for at_ms in self.leaps)
        most = (2 + leaps) * max(cap for _, cap in self.caps)
        recent = [d for d in gone if d.dose and d.at_ms > now_ms - 20 * HOUR]  # no counter stops a leak
        windows.append((recent, most, TWO_CAPS))
        return windows

    # What it says

    def _dated(self, told_ms: int, now_ms: int) -> None:
        if abs(told_ms - now_ms) > RIGHT_MS:
            self.misdated.append(told_ms)

    def loss_told(self, told_ms: int | None, seen_ms: int) -> None:
        """A loss goes over the wire, with what the feeder's clock showed when it saw it at seen_ms."""
        if told_ms is not None:
            self._dated(told_ms, seen_ms)

    def say(self, dose: dict[str, Any], now_ms: int) -> None:
        """A dose goes over the wire."""
        key = (dose["journal"], dose["seq"])
        if dose["at_ms"] is not None and dose["at_ms"] > now_ms + DAY - HOUR:
            self.absurd.add(key)
        known = self.said.setdefault(key, dose)
        # Where its last record is what a flipped bit has spoilt, what is left of a dose tells that it was interrupted.
        self._need(known == dose or key in self.lossy, f"a number was used for two contents: {known} and {dose}")
        made = self.steps.get(key, 0)
        unknown = dose["outcome"] == "interrupted" and dose["before_g"] is None
        if unknown:  # power may have gone before the first step, or memory ended it between two
            self._need(dose["steps"] >= made, f"an interrupted dose of {made} steps is told as {dose['steps']}")
        else:
            self._need(dose["steps"] == made, f"a dose of {made} steps is told as {dose['steps']}")

    def check_books(self, entered: Sequence[dict[str, Any]]) -> None:
        """All is well again: the books hold every dose of this feeder once, as it was said. What lay on a board that
        was taken away, or on flash when a bit of it flipped, may be lost."""
        told = [(dose["journal"], dose["seq"]) for dose in entered]
        self._need(len(told) == len(set(told)), "a dose is in the books twice")
        lossy = {key for key in (set(self.said) | set(self.steps)) if key[0] in self.gone_boards} | self.lossy
        missing = sorted((set(self.said) | set(self.steps)) - set(told) - lossy)
        self._need(not missing, f"doses {missing} are not in the books")
        for journal in {journal for journal, _ in told} - {journal for journal, _ in lossy}:
            numbers = [seq for name, seq in told if name == journal]
            self._need(max(numbers) - len(numbers) <= self.flips, "numbers are missing in the books")
        for dose in entered:
            key = (dose["journal"], dose["seq"])
            said = self.said.get(key, {})
            unknown = dose["outcome"] == "unknown" and (key in self.absurd or key in lossy)
            told_so = said if unknown else {name: dose.get(name) for name in said}
            self._need((bool(said) or unknown) and told_so == said, f"the books say {told_so} for {said}")

    @staticmethod
    def _need(holds: bool, rule: str) -> None:
        need_rule(holds, rule)
