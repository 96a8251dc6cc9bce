"""Two people, or a person and the ramp, enter at the same moment: what is decided last stands; nothing comes back."""

from collections.abc import Callable
from typing import Any

import pytest
from house import FEEDER, MINUTE_MS, TANK, House

from tareline.app.commands.entries import Entries
from tareline.app.commands.feeding import Feeding
from tareline.app.commands.ramp import Ramps
from tareline.app.commands.transactions import Transactions
from tareline.app.snapshot import Snapshots
from tareline.errors import FieldError


class Overtaken(Transactions):
    """Transactions before each of which something else is entered once, after the request was read."""

    def __init__(self, house: House, first: Callable[[], object]) -> None:
        super().__init__(house.service.context, house.service.downlink.send, house.service.samples)
        self._first: Callable[[], object] | None = first

    def enter(self, *arguments: Any, **named: Any) -> Any:
        if self._first is not None:
            first, self._first = self._first, None
            first()
        return super().enter(*arguments, **named)


MEALS = [("08:00", 0.5), ("18:00", 0.5)]
LOWER = {"daily_g": 0.4, "cap_g": 0.8, "meals": [{"at": at, "share": share} for at, share in MEALS]}


def newest_ration_g(house: House) -> float:
    with house.service.context.store.read() as tx:
        last = Snapshots(tx, house.service.context, house.service.samples).of(TANK).last_ration
    assert last is not None
    return last.daily_g


def test_a_ration_entered_last_stands_where_another_came_between(house: House) -> None:
    def raised() -> None:
        house.clock.advance(MINUTE_MS)
        house.ration(1.2, 2.0, MEALS)

    feeding = Feeding(house.service.context, Overtaken(house, raised))
    answer = feeding.put_ration(TANK, LOWER)
    assert answer.daily_g == 0.4
    assert answer.today.daily_g == 0.4  # less is fed at once
    house.restart()
    assert newest_ration_g(house) == 0.4


def test_a_ramp_set_last_leads_on_from_the_ration_that_came_between(house: House) -> None:
    def lowered() -> None:
        house.clock.advance(MINUTE_MS)
        house.ration(0.5, 2.0, MEALS)

    service = house.service
    ramps = Ramps(service.context, Overtaken(house, lowered), service.samples, service._ramp_sources())
    answer = ramps.put(TANK, {"start_g": 0.4, "step_g": 0.1, "ceiling_g": 1.0})
    assert answer.ration_g_per_day == 0.4
    house.restart()
    assert newest_ration_g(house) == 0.4


def test_an_entry_taken_back_meanwhile_is_not_corrected_back_into_the_books(house: House) -> None:
    made = house.service.entries.add("handfeed", TANK, {"mass_g": 0.3})
    entries = Entries(
        house.service.context,
        Overtaken(house, lambda: house.service.entries.correct(made.entry, {"void": True})),
    )
    with pytest.raises(FieldError, match="taken back") as caught:
        entries.correct(made.entry, {"mass_g": 0.2})
    assert caught.value.status == 409


def test_a_feeder_is_stopped_though_its_hopper_was_taken_off_before_it_moved(house: House) -> None:
    """The entry belongs to the tank of that time; the feeder that must stop is on another now."""
    earlier = "2025-06-15T11:00:00Z"
    house.service.things.put("feeder", FEEDER, {"tank": None})
    house.sent.clear()
    house.service.entries.add("hopper", FEEDER, {"hung": False, "at": earlier})
    holds = [message for message in house.sent if message.topic == f"{FEEDER}/down/hold"]
    assert len(holds) == 1
    assert b'"hopper_off":true' in holds[0].payload
