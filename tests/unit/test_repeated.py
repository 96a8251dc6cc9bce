"""Work that is repeated lives on whatever it raises, tells of it, and goes on when the cause is gone."""

import logging
import threading

import pytest
from house import NOON_MS, House

from tareline.app import workers
from tareline.app.workers import Worker
from tareline.clock import ManualClock
from tareline.store.engine import StoreError
from tareline.web.app import health


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """What failed is tried again without a pause."""
    monkeypatch.setattr(workers, "AGAIN_FIRST_S", 0.0)


class Work:
    """Work that fails for so many times; `done` once it has not."""

    def __init__(self, failures: int, error: Exception) -> None:
        self.left, self.error = failures, error
        self.tried = 0
        self.failed, self.done = threading.Event(), threading.Event()

    def __call__(self) -> None:
        self.tried += 1
        if self.left:
            self.left -= 1
            self.failed.set()
            raise self.error
        self.done.set()


def test_work_that_fails_a_hundred_times_is_done_when_the_cause_is_gone(caplog: pytest.LogCaptureFixture) -> None:
    clock = ManualClock(NOON_MS)
    work = Work(100, ValueError("a listener that raises"))
    worker = Worker("watcher", work, clock)
    with caplog.at_level(logging.ERROR):
        worker.start()
        assert work.done.wait(20)
    worker.stop()
    assert work.tried == 101
    assert len([record for record in caplog.records if "watcher" in record.message]) == 100
    assert worker.state == workers.State(done_ms=NOON_MS)


def test_it_tells_since_when_and_why_it_fails() -> None:
    clock = ManualClock(NOON_MS)
    go_on = threading.Event()
    tries = threading.Semaphore(0)

    def work() -> None:
        if go_on.is_set():
            raise StoreError("the service is ending")
        clock.advance(1000)
        tries.release()
        raise ValueError("the cause")

    worker = Worker("loader", work, clock)
    worker.start()
    for _ in range(3):
        assert tries.acquire(timeout=20)
    go_on.set()
    worker.stop()
    assert worker.state.done_ms is None
    assert worker.state.failing_since_ms == NOON_MS + 1000
    assert worker.state.error == "ValueError: the cause"


def test_a_broken_store_ends_it() -> None:
    work = Work(1, StoreError("broken"))
    worker = Worker("reckoner", work, ManualClock(NOON_MS))
    worker.start()
    assert work.failed.wait(20)
    worker._thread.join(20)
    assert not worker._thread.is_alive()
    assert work.tried == 1


@pytest.mark.parametrize("name", ["reckoner", "watcher", "loader"])
def test_each_kind_of_worker_of_a_service_lives_on_and_health_tells_of_it(
    house: House, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A listener that raises gets into each of them."""
    (worker,) = [one for one in house.service.workers if one.name == name]
    work = Work(2, RuntimeError("a listener"))
    real = worker._work
    monkeypatch.setattr(worker, "_work", lambda: (work(), real()))
    worker.start()
    assert work.done.wait(20)
    worker.stop()
    assert health(house.service)["workers"][name]["error"] is None
    assert health(house.service)["workers"][name]["done_s_ago"] is not None


def test_health_says_failing_after_a_minute(house: House) -> None:
    (worker,) = [one for one in house.service.workers if one.name == "loader"]
    worker._note_failure(RuntimeError("the cause"))
    assert health(house.service)["status"] == "ok"
    house.clock.advance(61_000)
    assert health(house.service)["status"] == "failing"
    assert health(house.service)["workers"]["loader"] == {
        "done_s_ago": None,
        "failing_for_s": 61.0,
        "error": "RuntimeError: the cause",
    }
