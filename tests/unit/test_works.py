"""The service's works live on whatever they raise, tell of it, and go on when the cause is gone."""

import threading
import time
from collections.abc import Callable
from typing import Any

import pytest
from house import FEEDER, FOOD, MINUTE_MS, NOON_MS, TANK, House
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from present import present
from tareline.app import supervisor
from tareline.app.alerts import Alerts
from tareline.app.projections.accounts import Accounts
from tareline.app.projections.loads import Loads
from tareline.app.projections.samples import Samples
from tareline.app.supervisor import Supervisor, Work
from tareline.app.work_alerts import WorkAlerts
from tareline.clock import ManualClock
from tareline.core.alerts.service_concerns import of_work
from tareline.store.engine import StoreError
from tareline.web.api.health import health

FAILURES = 100
BODIES = {
    "accounts": (Accounts, "behind"),
    "monitor": (Alerts, "record"),
    "load": (Loads, "compute"),
    "alerts of works": (WorkAlerts, "record"),
}
TOLD = {
    "accounts": "Tareline: it no longer calculates how much was really fed",
    "monitor": "Tareline: it no longer watches the tanks",
    "load": "Tareline: it no longer calculates the load of the tanks",
}


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """What failed is tried again without a pause."""
    monkeypatch.setattr(supervisor, "AGAIN_FIRST_S", 0.0)


@pytest.fixture
def house(impatient: None, house: House) -> House:
    """A house whose works try again at once."""
    return house


def until(met: Callable[[], bool]) -> None:
    """Wait for something that a thread brings about."""
    end_s = time.monotonic() + 120  # a busy machine may take long, and nothing here is about speed
    while not met():
        assert time.monotonic() < end_s, "it took too long"
        time.sleep(0.01)


class Cause:
    """Makes a method raise while it lasts; counts how often it has."""

    def __init__(self, patch: pytest.MonkeyPatch, owner: type, name: str) -> None:
        self.raised = 0
        self.lasts = True
        real = getattr(owner, name)

        def method(*given: Any) -> Any:
            if self.lasts:
                self.raised += 1
                raise RuntimeError("the cause")
            return real(*given)

        patch.setattr(owner, name, method)


def alerts(house: House) -> list[str]:
    """Those of the service itself that last."""
    found = house.service.alerts.list("open")
    return [one.what for one in found if one.what.startswith("Tareline: ")]


def metric(house: House, name: str, work: str) -> float:
    """A sample of a work's metric, as who scrapes it reads it."""
    for family in text_string_to_metric_families(house.service.metrics.text().decode()):
        for sample in family.samples:
            if (sample.name, sample.labels.get("work")) == (name, work):
                return float(sample.value)
    raise KeyError(name)


@pytest.mark.parametrize("name", BODIES)
def test_a_work_that_fails_a_hundred_times_is_alive_and_told_and_goes_on(
    house: House, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    cause = Cause(monkeypatch, *BODIES[name])
    house.service.supervisor.start()
    until(lambda: cause.raised >= FAILURES)
    told = health(house.service).workers[name]
    assert "RuntimeError: the cause" in present(told.error)
    assert told.failing_for_s == 0.0
    house.clock.advance(11 * MINUTE_MS)
    assert health(house.service).status == "failing"
    assert metric(house, "tareline_work_failing_seconds", name) == 660
    assert metric(house, "tareline_work_lag_seconds", name) == 660
    if name in TOLD:
        house.service.watch_works()
        assert alerts(house) == [TOLD[name]]
    cause.lasts = False
    until(lambda: health(house.service).workers[name].error is None)
    house.service.supervisor.stop()
    told = health(house.service).workers[name]
    assert (told.done_s_ago, told.failing_for_s, told.lag_s) == (0.0, None, 0.0)
    assert "RuntimeError: the cause" in present(told.last_error)
    assert metric(house, "tareline_work_last_success_timestamp_seconds", name) == house.clock.now_ms() / 1000
    assert metric(house, "tareline_work_last_error_timestamp_seconds", name) >= NOON_MS / 1000
    assert health(house.service).status == "ok"
    house.service.watch_works()
    house.clock.advance(11 * MINUTE_MS)
    house.service.watch_works()
    assert alerts(house) == [], "it clears by itself"


def test_a_monitor_that_hangs_is_told_by_its_lag(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    looking, done = threading.Event(), threading.Event()

    compute = Samples.compute

    def hang(self: Samples, tank: str, now_ms: int) -> Any:
        looking.set()
        assert done.wait(60)
        return compute(self, tank, now_ms)

    monkeypatch.setattr(Samples, "compute", hang)
    house.service.supervisor.start()
    assert looking.wait(20)
    house.clock.advance(9 * MINUTE_MS)
    house.service.watch_works()
    assert alerts(house) == []
    house.clock.advance(MINUTE_MS)
    house.service.watch_works()
    assert alerts(house) == [TOLD["monitor"]]
    assert "still not processed" in house.service.alerts.list("open")[0].text
    assert health(house.service).workers["monitor"].lag_s == 600
    done.set()
    until(lambda: health(house.service).workers["monitor"].lag_s == 0)


def test_what_the_monitor_finds_leaves_alerts_of_works_as_they_are(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    cause = Cause(monkeypatch, *BODIES["accounts"])
    house.service.supervisor.start()
    until(lambda: cause.raised >= 1)
    house.clock.advance(11 * MINUTE_MS)
    house.service.watch_works()
    house.reading("ammonia", 2.5)
    for _ in range(3):
        found = [one.what for one in house.watch()]
        house.service.watch_works()
        house.clock.advance(11 * MINUTE_MS)
    assert TOLD["accounts"] in found
    assert "reading room: feeding is held" in found


def test_a_feeder_whose_account_fails_is_told_and_delays_no_other(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    house.add("feeder", id="other", tank=TANK, food=FOOD)
    compute = Accounts.compute

    def stumble(self: Accounts, feeder: str) -> Any:
        if feeder == FEEDER:
            raise ValueError("an odd dose")
        return compute(self, feeder)

    monkeypatch.setattr(Accounts, "compute", stumble)
    house.service.supervisor.start()
    until(lambda: house.service.accounts.account("other") is not None)
    until(lambda: health(house.service).workers["accounts"].error is not None)
    assert health(house.service).workers["accounts"].error == f"{FEEDER}: ValueError: an odd dose"
    monkeypatch.undo()
    until(lambda: health(house.service).workers["accounts"].error is None)
    assert house.service.accounts.account(FEEDER) is not None


def test_a_change_is_a_lag_until_it_is_worked_out(house: House) -> None:
    assert metric(house, "tareline_work_lag_seconds", "accounts") == 0
    house.service.context.listen(house.service.supervisor.note)
    house.reading("ammonia", 0.5)
    house.clock.advance(5000)
    house.reading("ammonia", 0.5)
    lags = {name: state.lag_s for name, state in house.service.supervisor.states().items()}
    assert lags == {"accounts": 5.0, "monitor": 5.0, "load": 5.0, "alerts of works": 0.0}


def test_a_broken_store_ends_a_work() -> None:
    tried = threading.Semaphore(0)

    def break_store() -> Any:
        tried.release()
        raise StoreError("broken")

    works = Supervisor(ManualClock(NOON_MS), [Work("accounts", break_store, late_s=60.0, every_s=0.01)])
    works.start()
    assert tried.acquire(timeout=20)
    assert not tried.acquire(timeout=0.2), "it is not tried again"
    works.stop()
    assert works.states()["accounts"].done_ms is None


def test_a_failure_of_short_duration_is_no_alert() -> None:
    minute = 60_000
    assert of_work("load", 9 * minute, "OSError: no memory", 9 * minute, 120 * minute, NOON_MS) is None
    assert of_work("load", None, None, 119 * minute, 120 * minute, NOON_MS) is None
    found = of_work("load", 10 * minute, "OSError: no memory", 10 * minute, 120 * minute, NOON_MS)
    assert found is not None
    assert (found.since_ms, found.urgent) == (NOON_MS - 10 * minute, False)
    assert found.text.startswith(
        "It has failed for 10 minutes: OSError: no memory. Feeding, holds and alerts continue."
    )
