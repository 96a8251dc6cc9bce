"""The world notices, continued: the rules of what the scale sees, of stops, and of messages that cannot be taken.

As in test_world_notices.py, each rule is broken on purpose, and a seed must say so in these words.
"""

from collections.abc import Callable
from typing import Any

import pytest
from breaking import Patch, around, notices
from model import DAY, HOUR

from tareline.resources import load_firmware

feeder = load_firmware("feeder")
feeding = load_firmware("feeding")
memory = load_firmware("memory")
orders = load_firmware("orders")
Breaks = Callable[[Patch], None]


def sets(owner: Any, name: str, value: Any) -> Breaks:
    return lambda patch: patch.setattr(owner, name, value)


def after(owner: Any, name: str, act: Callable[[Any], None]) -> Breaks:
    """`act(self)` once the method has returned."""

    def breaks(patch: Patch) -> None:
        def made(original: Any) -> Any:
            def method(self: Any, *given: Any, **named: Any) -> Any:
                result = original(self, *given, **named)
                act(self)
                return result

            return method

        around(patch, owner, name, made)

    return breaks


def before(owner: Any, name: str, act: Callable[[Any], None]) -> Breaks:
    """`act(self)` before the method begins."""

    def breaks(patch: Patch) -> None:
        def made(original: Any) -> Any:
            def method(self: Any, *given: Any, **named: Any) -> Any:
                act(self)
                return original(self, *given, **named)

            return method

        around(patch, owner, name, made)

    return breaks


# What the scale sees


def more_is_not_counted(patch: Patch) -> None:
    around(patch, feeding.Feeding, "_give", lambda original: lambda *given: (original(*given)[0], None))


def never_over(patch: Patch) -> None:
    def made(original: Any) -> Any:
        return lambda *given: "ok" if original(*given) == "over" else original(*given)

    around(patch, feeding, "judge", made)


def a_dose_in_between_ends_the_row(patch: Patch) -> None:
    """Every second dose that gave too much is taken for a good one."""

    def made(original: Any) -> Any:
        def judged(self: Any, dose: Any) -> bool:
            if dose["o"] == "over" and dose["s"] % 2:
                return bool(original(self, {**dose, "o": "ok"}))
            return bool(original(self, dose))

        return judged

    around(patch, memory.Memory, "_judged", made)


def losses_do_not_count(patch: Patch) -> None:
    around(patch, memory.Memory, "lose", lambda original: lambda self, counter: original(self, self.counter))


def losses_stop_nothing(patch: Patch) -> None:
    def made(original: Any) -> Any:
        return lambda self, code, detail: None if code == "stopped_loss" else original(self, code, detail)

    around(patch, feeding.Feeding, "_stop", made)


# Stops


def a_release_that_comes_again_ends_a_stop(patch: Patch) -> None:
    """At each connection the broker brings the last release once more; nobody has decided anything."""

    def made(original: Any) -> Any:
        def on_hold(self: Any, hold: Any) -> None:
            if not hold.held and self.memory.stop.code is not None:
                self._set_stop(memory.Stop())
            original(self, hold)

        return on_hold

    around(patch, feeder.Feeder, "_on_hold", made)


def a_good_weight_ends_any_stop(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def weigh(self: Any) -> Any:
            weight = original(self)
            if weight is not None and self.memory.stop.code is not None:
                self._set_stop(memory.Stop())
            return weight

        return weigh

    around(patch, feeding.Feeding, "_weigh", made)


def stops_are_not_told(patch: Patch) -> None:
    def made(original: Any) -> Any:
        return lambda self, code, detail: None if code.startswith("stopped") else original(self, code, detail)

    around(patch, feeder.Feeder, "_tell", made)


def forgets_stop(self: Any) -> None:
    self.stop = memory.Stop()


def forgets_row(self: Any) -> None:
    self.overs = [0, 0]


def a_new_plan_ends_a_stop(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def on_plan(self: Any, *given: Any) -> None:
            original(self, *given)
            if self.memory.stop.code is not None:
                self._set_stop(memory.Stop())

        return on_plan

    around(patch, feeder.Feeder, "_on_plan", made)


# Orders


def forgets_installations(self: Any) -> None:
    self.left = []


def gain_without_bounds(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def take_gain(self: Any, gain_ng: Any) -> None:
            if gain_ng is not None:
                self.memory.set_gain([gain_ng, gain_ng, self.age])

        return take_gain

    around(patch, feeder.Feeder, "_take_gain", made)


def one_step_too_many(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def within(*given: Any) -> Any:
            target, steps, capped = original(*given)
            return target, steps + 2 if steps else 0, capped

        return within

    around(patch, feeding, "within", made)


def steps_told_wrongly(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def turn(self: Any, steps: int) -> Any:
            done, stopped = original(self, steps)
            return (done + 1 if stopped and done else done), stopped

        return turn

    around(patch, feeding.Feeding, "_turn", made)


def fills_the_cap(patch: Patch) -> None:
    """The counter is begun anew with every plan."""

    def made(original: Any) -> Any:
        def on_plan(self: Any, *given: Any) -> None:
            original(self, *given)
            self.memory.counter = memory.Counter(self.memory.counter.day_ms)

        return on_plan

    around(patch, feeder.Feeder, "_on_plan", made)


def an_open_dose_counts_nothing(patch: Patch) -> None:
    """The intent goes to flash with the counter as it was: a dose that power ends is free."""

    def made(original: Any) -> Any:
        def intend(self: Any, dose: Any, counter: Any) -> None:
            original(self, dose, self.counter)
            self.counter = counter

        return intend

    around(patch, memory.Memory, "intend", made)


def fed_each_hour_without_a_clock(self: Any) -> None:
    self.memory.blind_age -= 23 * HOUR


# Messages


def errors_are_not_caught(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def refuse(self: Any, error: Exception) -> None:
            raise error

        return refuse

    around(patch, feeder.Feeder, "_refuse", made)


def refusals_are_not_told(patch: Patch) -> None:
    def made(original: Any) -> Any:
        return lambda self, code, detail: None if code == "message_refused" else original(self, code, detail)

    around(patch, feeder.Feeder, "_fault", made)


def numbers_are_left_out(self: Any) -> None:
    self.next_seq += self.next_seq % 7 == 0


BROKEN: list[tuple[Breaks, str, int, int]] = [
    (more_is_not_counted, "cap was exceeded|two caps|left in truth", 0, 20),
    (never_over, "stopped_over", 0, 20),
    (a_dose_in_between_ends_the_row, "stopped_over", 0, 20),
    (sets(feeding, "MOST_OVERS", 3), "stopped_over", 8, 20),
    (sets(feeding, "UNWEIGHED_MS", 100 * DAY), "week of doses without a weight|unweighed", 29, 20),
    (sets(load_firmware("losses").Losses, "look", lambda *given: 0), "stopped_loss", 2, 20),
    (losses_do_not_count, "cap was exceeded|two caps|left in truth", 12, 20),
    (losses_stop_nothing, "stopped_loss", 1, 20),
    (sets(feeder, "WEIGHT_EVERY_MS", 3 * HOUR), "not weighed for over an hour", 0, 20),
    (a_release_that_comes_again_ends_a_stop, "moved after", 15, 20),
    (a_good_weight_ends_any_stop, "moved after", 10, 20),
    (a_new_plan_ends_a_stop, "moved after", 15, 20),
    (stops_are_not_told, "nobody was told", 1, 20),
    (after(memory.Memory, "__init__", forgets_stop), "moved after", 10, 20),
    (after(memory.Memory, "__init__", forgets_row), "stopped_over", 7, 20),
    (before(feeder.Feeder, "_on_plan", forgets_installations), "two_installations", 4, 20),
    (after(feeder.Feeder, "__init__", forgets_installations), "two_installations", 4, 20),
    (gain_without_bounds, "out of its bounds", 5, 20),
    (one_step_too_many, "too many steps|cap", 0, 20),
    (steps_told_wrongly, "steps is told", 8, 20),
    (fills_the_cap, "cap", 1, 20),
    (an_open_dose_counts_nothing, "cap", 1, 20),
    (before(feeder.Feeder, "_blind", fed_each_hour_without_a_clock), "24 hours without a clock", 10, 20),
    (errors_are_not_caught, "made on_message end", 0, 20),
    (refusals_are_not_told, "not told as a fault", 0, 20),
    (after(memory.Memory, "note", numbers_are_left_out), "numbers are missing|given up|not freed", 0, 20),
]


@pytest.mark.parametrize(("breaks", "words", "first", "days"), BROKEN)
def test_a_broken_rule_is_noticed(breaks: Breaks, words: str, first: int, days: int, monkeypatch: Patch) -> None:
    breaks(monkeypatch)
    assert notices(words, first, days)
