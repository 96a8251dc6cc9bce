"""Stopping: by SIGTERM with pages open, and what is left behind."""

import threading
from pathlib import Path

import httpx
import pytest
from servers import Service, accepts
from waiting import until

from conftest import Household


def test_sigterm_ends_an_idle_service_with_exit_code_0(household: Household) -> None:
    household.service.terminate()
    assert household.service.ended() == 0
    assert "Traceback" not in household.service.log


def test_sigterm_ends_a_service_with_event_streams_open(household: Household) -> None:
    """A page left open must not keep it alive; the stream ends as a whole response."""
    with (
        httpx.stream("GET", f"{household.url}/api/v1/events", timeout=30) as first,
        httpx.stream("GET", f"{household.url}/api/v1/events", timeout=30) as second,
    ):
        lines = first.iter_lines()
        assert any("open" in line for line in lines)
        household.service.terminate()
        rest = list(lines) + list(second.iter_lines())
        assert any("open" in line for line in rest)
    assert household.service.ended() == 0
    assert "Traceback" not in household.service.log


def test_events_tell_of_changes_by_tank(household: Household) -> None:
    with httpx.stream("GET", f"{household.url}/api/v1/events", timeout=30) as stream:
        assert stream.headers["content-type"].startswith("text/event-stream")
        lines = stream.iter_lines()
        assert any("open" in line for line in lines)
        household.reading(value=0.1)
        # An account that is worked out at the start may be told of first.
        assert next(line for line in lines if line.startswith("data") and household.tank in line and "reading" in line)
        household.device().dose()
        assert next(line for line in lines if line.startswith("data") and '"dose"' in line)


def test_sigterm_under_traffic_leaves_nothing_that_was_taken_unacknowledged(household: Household) -> None:
    """What is on disk has been acknowledged: the broker delivers none of it again to the next service."""
    device = household.device()
    device.resends_at_connect = False
    stop = threading.Event()

    def traffic() -> None:
        while not stop.is_set() and device.seq < 600:
            for _ in range(20):
                device.dose()
            stop.wait(0.02)  # Mosquitto writes its whole state at every change here

    sender = threading.Thread(target=traffic)
    sender.start()
    try:
        device.wait_received(60)
        household.service.terminate()
        assert household.service.ended() == 0
    finally:
        stop.set()
        sender.join()
    household.service.start()
    device.wait_received()
    assert household.metric("tareline_messages_total", what="repeat") == 0
    assert sorted(e["seq"] for e in household.doses()) == list(range(1, device.seq + 1))


def test_a_stop_while_the_broker_is_away_is_as_quick(household: Household) -> None:
    household.broker.kill()
    until(lambda: not household.service.healthy(connected=True) or None, what="the link to notice")
    household.service.terminate()
    assert household.service.ended() == 0


def test_the_service_starts_without_a_broker_and_reaches_it_later(household: Household) -> None:
    household.service.terminate()
    household.service.ended()
    household.broker.kill()
    household.service.start(connected=False)
    assert household.get("/tanks")
    household.reading(value=2.5)
    household.broker.start()
    device = household.device()
    device.wait_hold(True)


def test_a_port_that_is_taken_is_one_clear_line_and_a_failing_exit(
    household: Household, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("second")
    second = Service(folder, household.broker.url, http={"listen": f"127.0.0.1:{household.service.port}"})
    second.spawn()
    try:
        assert second.ended() != 0
    finally:
        second.close()
    assert "Traceback" not in second.log
    assert "address already in use" in second.log


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[http]\nlisten = 8620", "listen"),
        ('[http]\nlisten = "127.0.0.1"', "listen"),
        ('[broker]\nurl = "http://127.0.0.1"', "url"),
        ('[broker]\nport = "1"', "port"),
        ('[brokers]\nurl = "mqtt://127.0.0.1"', "brokers"),
        ("[http", "TOML"),
    ],
)
def test_bad_settings_are_one_line_that_names_the_key(tmp_path: Path, text: str, named: str) -> None:
    service = Service(tmp_path, "mqtt://127.0.0.1:1")
    service.config.write_text(text)
    service.spawn()
    try:
        assert service.ended() != 0
    finally:
        service.close()
    assert len(service.log.strip().splitlines()) == 1
    assert named in service.log
    assert not accepts(service.port)
