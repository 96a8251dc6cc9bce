"""A disk that fails or is full: nothing is acknowledged that is not on it, and the service ends instead of going on.

The faults are real errors of system calls, put there by strace, and a real limit on the size of files. The device keeps
silent when it is asked to send again, so only the broker's own delivery can bring what was not acknowledged.
"""

import shutil
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import httpx
import pytest
from device import Device
from servers import Broker, Service
from waiting import until

from conftest import FULL, Household

CLEAR = "a write to the store failed, so nothing more is written"


def faulty(service: Service, call: str, fault: str, when: str) -> Sequence[str]:
    """A command that runs the service with one system call failing; strace daemonised, so that a signal reaches it."""
    strace = shutil.which("strace")
    assert strace is not None, "strace is not installed; these tests need it"
    log, database = service.folder / "strace.log", service.database
    # Only the database and its log: SQLite goes on where a folder cannot be synchronised, as some file systems cannot.
    paths = [part for path in (database, f"{database}-wal") for part in ("-P", str(path))]
    fault = f"inject={call}:{fault}:when={when}"
    return (strace, "-D", "-f", "-qq", "-o", str(log), *paths, "-e", f"trace={call}", "-e", fault)


def limited(size: int) -> Sequence[str]:
    """A command that runs the service where no file may grow beyond a size: a full disk, as far as it can tell."""
    prlimit = shutil.which("prlimit")
    assert prlimit is not None, "prlimit is not installed; these tests need it"
    return (prlimit, f"--fsize={size}")


def injected(service: Service) -> bool:
    """Whether strace has put its fault in; a fault that nobody met proves nothing."""
    log = (service.folder / "strace.log").read_text()
    return "INJECTED" in log or "killed by SIGKILL" in log


def stopped(household: Household) -> None:
    household.service.terminate()
    assert household.service.ended() == 0


def silent_device(household: Household) -> Device:
    device = household.device()
    device.resends_at_connect = False
    device.on_resend = "ignore"
    return device


def dosing_until_the_service_ends(household: Household, device: Device) -> int:
    """A dose every moment, until the service is gone; its exit code."""
    process = household.service.process
    assert process is not None

    def ended() -> bool:
        device.dose()
        return process.poll() is not None

    until(ended, timeout=60, what=lambda: f"the service to end: {household.service.log[-2000:]}")
    return int(process.returncode)


def doses_on_disk(household: Household) -> set[int]:
    """Read the file itself; only while no service runs."""
    with sqlite3.connect(household.service.database) as books:
        return {seq for (seq,) in books.execute("SELECT seq FROM ledger WHERE kind = 'dose'")}


def books_are_right(household: Household, device: Device) -> None:
    """Every dose once, with its own content, and none given up."""
    device.wait_received()
    entries = household.ledger("dose")
    assert sorted(e["seq"] for e in entries) == list(range(1, device.seq + 1))
    for entry in entries:
        made = device.sent[entry["seq"]]
        assert {key: entry[key] for key in made if key != "at_ms"} == {k: v for k, v in made.items() if k != "at_ms"}
    assert household.ledger("gap") == []
    assert household.rejects() == []


FDATASYNC = range(1, 40) if FULL else (1, 4)
PWRITE = range(1, 400, 3) if FULL else (2, 63)


@pytest.mark.timeout(1800 if FULL else 300)
@pytest.mark.parametrize(
    ("call", "fault", "moments", "code"),
    [
        ("fdatasync", "error=EIO", FDATASYNC, 1),
        ("pwrite64", "error=ENOSPC", PWRITE, 1),
        ("fdatasync", "signal=SIGKILL", FDATASYNC, -9),
    ],
)
def test_whatever_write_fails_every_dose_is_in_the_ledger_exactly_once(
    household: Household, call: str, fault: str, moments: Sequence[int], code: int
) -> None:
    """Each round the service meets one failing call, the nth; the fault is gone at once, so going on would succeed."""
    stopped(household)
    device = silent_device(household)
    for nth in moments:
        before = len(household.service.log)
        household.service.wrapper = faulty(household.service, call, fault, str(nth))
        household.service.spawn()
        assert dosing_until_the_service_ends(household, device) == code
        log = household.service.log[before:]
        assert injected(household.service), log
        if code == 1:
            assert CLEAR in log
        assert set(range(1, device.received + 1)) <= doses_on_disk(household), f"{call} {nth}: acknowledged, not kept"
    household.service.wrapper = ()
    household.service.start()
    books_are_right(household, device)


@pytest.mark.parametrize(("call", "fault"), [("fdatasync", "error=EIO"), ("pwrite64", "error=ENOSPC")])
def test_a_disk_that_fails_at_the_first_start_is_one_clear_line(
    broker: Broker, tmp_path: Path, call: str, fault: str
) -> None:
    service = Service(tmp_path, broker.url)
    service.wrapper = faulty(service, call, fault, "2")
    service.spawn()
    assert service.ended() == 2
    assert injected(service)
    (line,) = service.log.strip().splitlines()
    assert "cannot be opened" in line
    service.wrapper = ()
    service.start()
    service.close()


def test_a_full_disk_ends_the_service_and_costs_nothing(household: Household) -> None:
    stopped(household)
    device = silent_device(household)
    room = household.service.database.stat().st_size + 80_000
    household.service.wrapper = limited(room)
    household.service.start()
    assert dosing_until_the_service_ends(household, device) == 1
    assert CLEAR in household.service.log
    assert set(range(1, device.received + 1)) <= doses_on_disk(household)
    household.service.wrapper = ()
    household.service.start()
    books_are_right(household, device)


def test_what_a_person_enters_is_answered_only_when_it_is_on_disk(household: Household) -> None:
    """201 means kept; after anything else the same post with the same client reference makes one entry."""
    stopped(household)
    household.service.wrapper = faulty(household.service, "fdatasync", "error=EIO", "12")
    household.service.start()
    answers: dict[str, int] = {}
    process = household.service.process
    assert process is not None

    def entered() -> bool:
        reference = f"note-{len(answers)}"
        try:
            answer = household.api.post(f"/tanks/{household.tank}/notes", json=note(reference))
        except httpx.TransportError:
            answers[reference] = 0
        else:
            answers[reference] = answer.status_code
            if answer.status_code != 201:
                assert answer.headers["content-type"] == "application/problem+json"
                assert CLEAR in answer.json()["detail"]
        return process.poll() is not None

    until(entered, timeout=60, what="the service to end")
    assert process.returncode == 1
    assert injected(household.service)
    assert set(answers.values()) <= {201, 503, 0}
    assert 503 in answers.values(), answers
    household.service.wrapper = ()
    household.service.start()
    kept = {entry["text"] for entry in household.ledger("note")}
    assert {reference for reference, status in answers.items() if status == 201} <= kept
    for reference in answers:
        household.post(f"/tanks/{household.tank}/notes", **note(reference))
    assert sorted(entry["text"] for entry in household.ledger("note")) == sorted(answers)


def note(reference: str) -> dict[str, Any]:
    return {"kind": "other", "text": reference, "client_ref": reference}
