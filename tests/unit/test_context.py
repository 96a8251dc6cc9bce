"""What threads see of the register while one of them changes it."""

import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest
from house import FEEDER, TANK, House
from sqlalchemy import text

from tareline.app.snapshot import Snapshots
from tareline.store.engine import StoreError

OTHER = {"name": "sill", "volume_l": 20, "timezone": "UTC", "stage": "empty"}


def seen_by_another_thread(look: Callable[[], Any]) -> Any:
    """What a look of another thread sees now."""
    seen: list[Any] = []
    thread = threading.Thread(target=lambda: seen.append(look()))
    thread.start()
    thread.join(20)
    return seen[0]


def test_what_a_transaction_adds_to_the_register_is_its_own_until_the_commit(house: House) -> None:
    context = house.service.context
    before = context.register
    with context.write() as tx:
        context.add_version(tx, "tank", "sill", context.stamp_ms(), OTHER)
        assert context.register.refs("tank") == [TANK, "sill"]
        assert seen_by_another_thread(lambda: context.register) is before
    assert seen_by_another_thread(lambda: context.register.refs("tank")) == [TANK, "sill"]
    assert context.register.refs("tank") == [TANK, "sill"]


def test_what_a_transaction_has_added_goes_with_it_when_it_fails(house: House) -> None:
    context = house.service.context
    before = context.register
    with suppress(InterruptedError), context.write() as tx:
        context.add_version(tx, "tank", "sill", context.stamp_ms(), OTHER)
        raise InterruptedError
    assert context.register is before
    assert seen_by_another_thread(lambda: context.register) is before


def test_what_a_commit_could_not_write_is_not_in_the_register(house: House) -> None:
    """A reference that is checked at the commit, and leads nowhere, makes the commit itself fail."""
    context = house.service.context
    before = context.register
    with context.write() as tx:
        tx.execute(text("CREATE TABLE one (id INTEGER PRIMARY KEY)"))
        tx.execute(text("CREATE TABLE other (one INTEGER REFERENCES one DEFERRABLE INITIALLY DEFERRED)"))

    def add() -> None:
        with context.write() as tx:
            context.add_version(tx, "tank", "sill", context.stamp_ms(), OTHER)
            tx.execute(text("INSERT INTO other VALUES (7)"))

    with pytest.raises(StoreError, match="a write to the store failed"):
        add()
    assert context.register is before
    assert house.broken == [context.store.broken]


def test_a_feeder_that_comes_to_a_tank_after_that_was_read_is_read_by_itself(house: House) -> None:
    context = house.service.context
    with context.store.read() as tx:
        snapshots = Snapshots(tx, context, house.service.samples)
        tank = snapshots.of(TANK)
        house.add("feeder", id="second", tank=TANK)
        second = snapshots.feeder("second")
        assert [one.name for one in tank.feeders] == [FEEDER]
        assert (second.name, second.plan, second.off_since_ms) == ("second", None, None)
        snapshots.put_feeder(replace(second, off_since_ms=1))
        assert snapshots.feeder("second").off_since_ms == 1
        assert snapshots.of(TANK) is tank
