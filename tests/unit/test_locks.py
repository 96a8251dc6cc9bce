"""Locks are taken in one order, and each of the service stands in it."""

import ast
import threading
from pathlib import Path

import pytest
from house import House

from lock_order import LockOrderError
from tareline import locks
from tareline.locks import Order, OrderedLock

PACKAGE = Path(__file__).resolve().parents[2] / "service" / "tareline"
OUTSIDE = ("conform", "simulate")  # commands of their own, beside the service


def is_free(lock: OrderedLock) -> bool:
    """Whether another thread can take it now."""
    found: list[bool] = []

    def take() -> None:
        found.append(lock.acquire(blocking=False))
        if found[0]:
            lock.release()

    other = threading.Thread(target=take)
    other.start()
    other.join()
    return found[0]


def test_a_lock_that_stands_before_one_that_is_held_is_refused_and_stays_free() -> None:
    first, second = OrderedLock(Order.IN_ORDER), OrderedLock(Order.STORE)
    with first, second:
        assert not is_free(first)
        assert not is_free(second)
    with second:
        with pytest.raises(LockOrderError, match="IN_ORDER was to be taken while STORE was held"):
            first.acquire()
        assert is_free(first)
    assert is_free(second)
    with first, second:
        pass


def test_in_service_a_wrong_order_is_told_and_nothing_is_lost(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(locks, "on_wrong_order", locks._tell)
    with OrderedLock(Order.STORE), OrderedLock(Order.IN_ORDER):
        assert "IN_ORDER was to be taken while STORE was held" in caplog.text


def test_who_holds_a_lock_may_take_it_again_also_below_another() -> None:
    first, second = OrderedLock(Order.IN_ORDER), OrderedLock(Order.STORE)
    with first, second, first:
        assert not is_free(first)
        with pytest.raises(LockOrderError):
            OrderedLock(Order.DELIVERIES).acquire()
    assert is_free(first)


def test_two_locks_of_one_kind_are_not_held_at_once() -> None:
    with OrderedLock(Order.PROCESS), pytest.raises(LockOrderError):
        OrderedLock(Order.PROCESS).acquire()


def test_what_another_thread_holds_does_not_count() -> None:
    store = OrderedLock(Order.STORE)
    with store:
        assert is_free(OrderedLock(Order.IN_ORDER))


def test_a_lock_that_could_not_be_taken_in_time_is_not_held() -> None:
    store = OrderedLock(Order.STORE)
    taken, done = threading.Event(), threading.Event()

    def hold() -> None:
        with store:
            taken.set()
            assert done.wait(60)

    other = threading.Thread(target=hold)
    other.start()
    assert taken.wait(20)
    assert not store.acquire(timeout=0.01)
    with OrderedLock(Order.IN_ORDER):
        pass
    done.set()
    other.join()


def test_what_follows_from_a_commit_cannot_be_begun_amid_another(house: House) -> None:
    with house.service.context.write(), pytest.raises(LockOrderError):
        house.service.downlink.tell(["feeder"])
    house.service.downlink.tell(["feeder"])


def test_every_lock_of_the_service_stands_in_the_order() -> None:
    found = {
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path in PACKAGE.rglob("*.py")
        if path.name != "locks.py" and path.relative_to(PACKAGE).parts[0] not in OUTSIDE
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and node.attr in ("Lock", "RLock", "Condition", "Semaphore")
    }
    assert found == set()
