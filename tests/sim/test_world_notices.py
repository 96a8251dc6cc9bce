"""The world notices: each rule is broken on purpose in the firmware or the service, and a seed must say so.

A break that no seed noticed would be a gap in the world. Each search begins at a seed that noticed early once.
"""

import json
from typing import Any

import pytest
from breaking import HARDWARE, Patch, around, not_kept, notices
from hardware_seam import Ghost
from model import DAY, HOUR
from network import Link

from tareline.app.batches import Batches
from tareline.app.downlink import Downlink, received_message
from tareline.mqtt.journals import Track
from tareline.resources import load_firmware
from tareline.store import ledger

feeder = load_firmware("feeder")
feeding = load_firmware("feeding")
memory = load_firmware("memory")
orders = load_firmware("orders")


def no_intent(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def intend(self: Any, dose: Any, counter: Any) -> None:
            self._append = lambda record: self.file.size
            try:
                original(self, dose, counter)
            finally:
                del self._append

        return intend

    around(patch, memory.Memory, "intend", made)


def counter_stands(patch: Patch) -> None:
    patch.setattr(memory.Counter, "add", lambda self, mass_ug: None)


def counter_forgotten_at_start(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def init(self: Any, *arguments: Any) -> None:
            original(self, *arguments)
            self.counter = memory.Counter()

        return init

    around(patch, memory.Memory, "__init__", made)


def meals_forgotten_at_rewrite(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def rewrite(self: Any, *arguments: Any) -> None:
            self.meals = []
            original(self, *arguments)

        return rewrite

    around(patch, memory.Memory, "rewrite", made)


def commands_forgotten_at_rewrite(patch: Patch) -> None:
    def made(original: Any) -> Any:
        return lambda self: (pair for pair in original(self) if pair[1]["k"] not in ("x", "f"))

    around(patch, memory.Memory, "_records", made)


def commands_act_again(patch: Patch) -> None:
    patch.setattr(memory.Memory, "knows_command", lambda self, command_id: False)


def numbers_used_again(patch: Patch) -> None:
    """After a start the journal goes on behind what was received, not behind what was given."""

    def made(original: Any) -> Any:
        def init(self: Any, *arguments: Any) -> None:
            original(self, *arguments)
            self.next_seq = self.received + 1

        return init

    around(patch, memory.Memory, "__init__", made)


def interrupted_dropped(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def dose(self: Any, seq: int) -> Any:
            found = original(self, seq)
            return None if found is not None and found["o"] == "interrupted" else found

        return dose

    around(patch, memory.Memory, "dose", made)


def hold_unseen_while_turning(patch: Patch) -> None:
    def turn(self: Any, steps: int) -> Any:
        done = 0
        while done < steps:
            self.hw.pump()
            made = self.hw.step(min(20, steps - done))
            done += made
            if made < 20:
                break
        return done, False

    patch.setattr(feeding.Feeding, "_turn", turn)


def hold_unseen(patch: Patch) -> None:
    patch.setattr(feeding.Feeding, "held", lambda self: False)


def reduction_unseen(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def read_hold(fields: Any) -> Any:
            return original({**fields, "reduce_to": None})

        return read_hold

    around(patch, feeder, "read_hold", made)


def expiry_unseen(patch: Patch) -> None:
    def made(original: Any) -> Any:
        return lambda self, *given: original(self, *given[:-2], None, given[-1])

    around(patch, feeder.Feeder, "_refusal", made)


def older_plans_taken(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def on_plan(self: Any, fields: Any) -> None:
            if self.plan:
                self.plan.version = 0
            original(self, fields)

        return on_plan

    around(patch, feeder.Feeder, "_on_plan", made)


def older_releases_taken(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def on_hold(self: Any, hold: Any) -> None:
            self.hold.floors = {}
            self.hold.version = 0
            original(self, hold)

        return on_hold

    around(patch, feeder.Feeder, "_on_hold", made)


def without_clock_for_ever(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def init(self: Any, *arguments: Any) -> None:
            original(self, *arguments)
            self.blind_days = 366

        return init

    around(patch, orders.Plan, "__init__", made)


def sent_before_flash_has_it(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def talk(self: Any) -> None:
            dirty, self.memory.file.dirty = self.memory.file.dirty, False
            original(self)
            self.memory.file.dirty = dirty or self.memory.file.dirty

        return talk

    around(patch, feeder.Feeder, "_talk", made)


def received_before_commit(patch: Patch) -> None:
    def made(original: Any) -> Any:
        def take(self: Any, batch: Any) -> None:
            for message in batch:
                device, _, tail = message.topic.removeprefix("tareline/").partition("/up/")
                if tail == "dose":
                    body = json.loads(message.payload)
                    self._downlink.publish([received_message(device, body["journal"], body["seq"])])
            original(self, batch)

        return take

    around(patch, Batches, "take", made)


def entered_again(patch: Patch) -> None:
    """The service forgets which doses it has seen, and its books take them again."""
    patch.setattr(Track, "seen", lambda self, seq: False)

    def add_doses(connection: Any, rows: Any) -> None:
        for row in rows:
            ledger.add(connection, "dose", row["at_ms"], row["recorded_ms"], row["body"], device=row["device"])

    patch.setattr(ledger, "add_doses", add_doses)


def nothing_said_at_connecting(patch: Patch) -> None:
    """Neither when the service connects, nor when a feeder says hello."""
    patch.setattr(Downlink, "greeting", lambda self: [])
    patch.setattr(Downlink, "remind", lambda *given: None)


def nothing_sent_again(patch: Patch) -> None:
    """The client forgets what it has sent when a connection is lost, and nobody offers it or asks for it again."""

    def made(original: Any) -> Any:
        return lambda self: original(self) if isinstance(self.hw, Ghost) else None

    around(patch, feeder.Feeder, "_offer_all", made)
    around(patch, Link, "drop", lambda original: lambda self, crashed=False: (original(self, crashed), self.forget()))
    patch.setattr(Track, "missing", lambda self: [])


BROKEN: list[tuple[Any, str, int, int]] = [
    (no_intent, "flash does not have", 0, 20),
    (counter_stands, "cap", 0, 20),
    (counter_forgotten_at_start, "cap", 1, 20),
    (meals_forgotten_at_rewrite, "a meal was fed twice", 0, 20),
    (commands_forgotten_at_rewrite, "a command acted twice", 4, 20),
    (commands_act_again, "a command acted twice", 1, 20),
    (numbers_used_again, "was over|two contents|steps is told", 0, 20),
    (interrupted_dropped, "flash does not have", 0, 20),
    (hold_unseen_while_turning, "moved during a hold", 14, 20),
    (hold_unseen, "moved during a hold", 0, 20),
    (not_kept("hold.bin"), "moved during a hold|not the one to obey", 0, 20),
    (not_kept("button.bin"), "moved during a hold", 10, 20),
    (reduction_unseen, "was larger than|during a hold", 1, 20),
    (expiry_unseen, "expire", 1, 20),
    (older_plans_taken, "not the newest", 0, 20),
    (older_releases_taken, "during a hold|not the one to obey", 4, 20),
    (sent_before_flash_has_it, "two contents", 5, 20),
    (received_before_commit, "not in the books|given up", 20, 20),
    (entered_again, "twice", 0, 20),
    (nothing_said_at_connecting, "obeys|during a hold|has no plan two hours|not freed", 1, 20),
    (nothing_sent_again, "not in the books|not freed", 8, 20),
]


@pytest.mark.parametrize(("breaks", "words", "first", "days"), BROKEN)
def test_a_broken_rule_is_noticed(breaks: Any, words: str, first: int, days: int, monkeypatch: Patch) -> None:
    breaks(monkeypatch)
    assert notices(words, first, days)


def test_feeding_without_a_clock_for_ever_is_noticed(monkeypatch: Patch) -> None:
    without_clock_for_ever(monkeypatch)
    assert notices("blind_days", 2, 20, HARDWARE)


def test_feeding_late_is_noticed(monkeypatch: Patch) -> None:
    monkeypatch.setattr(feeding, "GRACE_MS", 5 * HOUR)
    assert notices("nobody asked", 3, 20)


def test_a_second_reset_within_20_hours_is_noticed(monkeypatch: Patch) -> None:
    """All guards away: the 20 hours, the day, and the age of the last dose, which alone withstands most leaps."""

    def made(original: Any) -> Any:
        def budget(self: Any, now: int | None) -> Any:
            if self.memory.counter.used_ug:
                self.memory.counter.last_age, self.memory.counter.day_ms = -1000 * DAY, -1
            return original(self, now)

        return budget

    monkeypatch.setattr(feeding, "RESET_AGE_MS", 0)
    around(monkeypatch, feeding.Feeding, "_budget", made)
    assert notices("cap", 1, 20)
