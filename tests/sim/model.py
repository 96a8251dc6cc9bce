"""What one feeder may do, judged from outside: true time, what its motor did, and the messages it handled.

The model knows nothing of how the firmware remembers. Of each dose it is given what the flash would tell of it if
power went at that moment (a dose as on the wire): there must be one, or the motor moved uncovered.

Time. `error_ms` is how far the feeder's clock is from true time, None where it has none. Within RIGHT_MS the clock is
right (an answer to hello may be 5 s old by the contract); days and times are then judged by that clock, exactly.

The cap. A dose counts the larger of what was asked and its steps times the announced gain.
- As told: by a clock that was right at every dose of the day, all doses of a day of the feeder's newest plan (days of
  24 hours follow the last one listed) and this one stay within the cap that is in force for that day now (but see leapt
  below).
- Whatever the clocks did: within any 20 hours of true time at most two caps leave, since the counter is never reset
  twice within 20 hours. The one thing no board can know is how long it was without power: a start at which its clock is
  further ahead than it was before (`leapt`) can pass for time that went by, and each such start can cost one cap more.

Held is what the last hold message said that was handled: held, or reduced to nothing. Where power went while a message
was handled, or the flash refused to keep it, old and new are both possible until the next one is handled.

`until_ms` ends plan and fallback; a person's button and a command go on (somebody is there).
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

SECOND = 1000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR
RIGHT_MS = 6 * SECOND
GRACE_MS = 10 * MINUTE  # firmware/README.md: a meal later than this is missed


class RuleBrokenError(BaseException):
    """A rule of the contract does not hold. No handler of the firmware may catch it."""


class Moved(NamedTuple):
    """A dose for which the motor has moved."""

    at_ms: int
    error_ms: int | None
    counted_ug: int
    day_ms: int  # the start of its day, as the plan then told


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
        self.local = [False]  # a hold by the button
        self.released = 0  # the largest version of a hold handled
        self.half_released = 0  # the same with those that power or flash cut short: an older release may be ignored
        self.meals: set[str] = set()
        self.commands: dict[str, int] = {}  # id -> how often it acted
        self.presses = 0
        self.share = 1.0  # what holds left when the feeder last looked: a dose is decided before it moves
        self.doses: list[Moved] = []
        self.caps: list[tuple[int, int]] = []  # (when a dose was given, the largest cap then told)
        self.leaps: list[int] = []
        self.blind: tuple[int, int] = (0, 0)  # (when food was last given without a clock, how often since it was known)
        self.said: dict[tuple[str, int], dict[str, Any]] = {}
        self.steps: dict[tuple[str, int], int] = {}  # (journal, seq) -> steps made, in truth
        self.absurd: set[tuple[str, int]] = set()  # doses said with a time a day ahead, which no service can believe
        self.open: tuple[str, int] | None = None  # the dose whose end the flash has not
        self.cut: set[tuple[str, int]] = set()  # doses during which power went

    # What was handled

    def handle(self, tail: str, fields: dict[str, Any], sure: bool) -> None:
        """A message has been handled; sure: neither power nor flash failed meanwhile."""
        if tail == "plan":
            newer = [fields] if all(fields["version"] > p["version"] for p in self.plans) else []
            since = [p for p in self.plans if p["version"] >= fields["version"]]
            self.plans = newer + (since if sure else self.plans)
        elif tail == "hold":
            self._handle_hold(fields, sure)

    def _handle_hold(self, fields: dict[str, Any], sure: bool) -> None:
        if not fields["held"] and fields["version"] < self.released:
            return
        newer = [hold for hold in self.holds if hold["version"] > fields["version"]]
        if fields["held"] and all(hold["held"] for hold in self.holds) and newer:
            if len(self.holds) > 1:  # the newer word may be one that power cut short
                self.holds.append(fields)
            return  # held already, by a newer word
        if not sure or (not fields["held"] and fields["version"] < self.half_released):
            newer = self.holds
        elif fields["held"]:  # obeyed whatever its version, unless a newer one holds already
            newer = [hold for hold in newer if hold["held"]]
        self.holds = [fields, *newer]
        self.half_released = max(self.half_released, fields["version"])
        if sure:
            self.released = max(self.released, fields["version"])

    def pressed_long(self, sure: bool) -> None:
        """The button's own hold changes; what the flash refused to keep is gone with the power."""
        after = [not held for held in self.local]
        self.local = after if sure else [*after, *self.local]

    def restarted(self) -> None:
        """Power went: what is not on flash is gone."""
        self.presses = 0
        if self.open is not None:
            self.cut.add(self.open)
        self.open = None

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
        """What the feeder says is in force is what it has handled."""
        plans, holds = ({order["version"] for order in orders} for orders in (self.plans, self.holds))
        self._need(fields["plan_version"] in (plans or {0}), "a plan is in force that was not the newest")
        self._need(fields["hold_version"] in holds, "a hold is in force that was not the one to obey")

    def look(self) -> None:
        """The feeder looks for a hold, as it does before each chunk of steps."""
        self.share = self._share()

    def _share(self) -> float:
        return max(1.0 if hold.get("reduce_to") is None else hold["reduce_to"] for hold in self.holds)

    def still(self) -> bool:
        """Whether nothing may move."""
        held = all(hold["held"] or hold.get("reduce_to") == 0 for hold in self.holds)
        return held or all(self.local)

    def turn(self, steps: int) -> None:
        """Some steps of the dose that has begun."""
        assert self.open is not None
        self._need(not self.still(), "the motor moved during a hold")
        self.steps[self.open] = self.steps.get(self.open, 0) + steps

    def begin(
        self, dose: dict[str, Any] | None, now_ms: int, error_ms: int | None, command: dict[str, Any] | None
    ) -> None:
        """The motor is about to move; dose: what flash has of it, in the words of the wire."""
        self._need(dose is not None, "the motor moved for a dose that flash does not have")
        assert dose is not None
        key = (dose["journal"], dose["seq"])
        if key == self.open:
            return
        self._need(key not in self.steps and key not in self.said, "the motor moved for a dose that was over")
        self._need(bool(self.plans), "the motor moved without a plan")
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
        counted = max(ug(dose["target_g"]), dose["steps"] * self.gain_ng // 1000)
        day_ms = max(day_as_told(plan, now_ms + (error_ms or 0))[0] for plan in self.plans)
        self.doses.append(Moved(now_ms, error_ms, counted, day_ms))
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
        self._need(dose["steps"] * self.gain_ng <= 1000 * ug(dose["target_g"]) + self.gain_ng, "too many steps")

    def _without_clock(self, now_ms: int) -> None:
        since_ms, count = self.blind
        self._need(now_ms - since_ms >= DAY, "fed twice within 24 hours without a clock")
        most = max(plan["fallback"]["blind_days"] for plan in self.plans)
        self._need(count < most, "fed without a clock for longer than blind_days")
        self.blind = (now_ms, count + 1)

    def _cap(self, now_ms: int, error_ms: int | None, right: bool) -> None:
        told = [day_as_told(plan, now_ms + (error_ms or 0)) for plan in self.plans]
        if right:
            start_ms = max(start for start, _ in told)
            sure = [d.error_ms is not None and abs(d.error_ms) <= RIGHT_MS for d in self.doses]
            today = [d.at_ms >= start_ms or d.day_ms >= start_ms for d in self.doses]
            if all(s or not t for s, t in zip(sure, today, strict=True)):
                total = sum(d.counted_ug for d in self.doses if d.day_ms >= start_ms)
                most = max(cap for _, cap in told) * (1 + sum(at_ms >= start_ms for at_ms in self.leaps))
                self._need(total <= most, f"a day's cap was exceeded: {total} of {most} ug")
        recent = [d for d in self.doses if d.at_ms > now_ms - 20 * HOUR]
        leaps = sum(at_ms > now_ms - 20 * HOUR for at_ms in self.leaps)
        self.caps = [(t, c) for t, c in self.caps if t > now_ms - 20 * HOUR]
        self.caps.append((now_ms, max(ug(day["cap_g"]) for plan in self.plans for day in plan["days"])))
        most = (2 + leaps) * max(cap for _, cap in self.caps)
        total = sum(d.counted_ug for d in recent)
        self._need(total <= most, f"more than two caps within 20 hours: {total} of {most} ug")

    # What it says

    def say(self, dose: dict[str, Any], now_ms: int) -> None:
        """A dose goes over the wire."""
        key = (dose["journal"], dose["seq"])
        if dose["at_ms"] is not None and dose["at_ms"] > now_ms + DAY - HOUR:
            self.absurd.add(key)
        known = self.said.setdefault(key, dose)
        self._need(known == dose, f"a number was used for two contents: {known} and {dose}")
        made = self.steps.get(key, 0)
        unknown = dose["outcome"] == "interrupted" and dose["before_g"] is None
        if unknown and (key in self.cut or key not in self.steps):  # power may have gone before the first step
            self._need(dose["steps"] >= made, f"an interrupted dose of {made} steps is told as {dose['steps']}")
        else:
            self._need(dose["steps"] == made, f"a dose of {made} steps is told as {dose['steps']}")

    def check_books(self, entered: Sequence[dict[str, Any]]) -> None:
        """All is well again: the books hold every dose of this feeder once, as it was said."""
        told = [(dose["journal"], dose["seq"]) for dose in entered]
        self._need(len(told) == len(set(told)), "a dose is in the books twice")
        missing = sorted((set(self.said) | set(self.steps)) - set(told))
        self._need(not missing, f"doses {missing} are not in the books")
        for journal in {journal for journal, _ in told}:
            numbers = [seq for name, seq in told if name == journal]
            self._need(sorted(numbers) == list(range(1, len(numbers) + 1)), "numbers are missing in the books")
        for dose in entered:
            key = (dose["journal"], dose["seq"])
            said = self.said.get(key, {})
            unknown = dose["outcome"] == "unknown" and key in self.absurd
            told_so = said if unknown else {name: dose.get(name) for name in said}
            self._need(bool(said) and told_so == said, f"the books say {told_so} for {said}")

    @staticmethod
    def _need(holds: bool, rule: str) -> None:
        if not holds:
            raise RuleBrokenError(rule)
