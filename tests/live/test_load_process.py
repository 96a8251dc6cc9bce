"""The load of a real service: worked out beside it by a process that may die, and that never outlives it."""

import os
import random
import signal
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
from waiting import until

from conftest import Household

WEEKS = 8


def workers(of: int) -> list[int]:
    """The processes that compute for a service."""
    found = []
    for folder in Path("/proc").iterdir():
        if not folder.name.isdigit():
            continue
        try:
            command = (folder / "cmdline").read_bytes()
            parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
        except OSError:  # it has ended meanwhile
            continue
        if parent == of and b"tareline.compute.load" in command:
            found.append(int(folder.name))
    return found


def alive(pid: int) -> bool:
    try:
        return (Path("/proc") / str(pid) / "stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def notebook(household: Household, nitrate_step: float = 1.0) -> None:
    """Some weeks of a notebook typed in: food by hand, and a test of the water each week."""
    now = datetime.now(UTC)
    for week in range(WEEKS, 0, -1):
        for day in range(7):
            at = (now - timedelta(days=7 * week - day, hours=3)).isoformat()
            household.post(f"/tanks/{household.tank}/handfeeds", mass_g=0.1, sd_g=0.01, at=at)
        at = (now - timedelta(days=7 * (week - 1), hours=1)).isoformat()
        for analyte in ("ammonia", "nitrite"):
            household.reading(analyte, 0.0, basis="N", above=0.25, at=at)
        household.reading("nitrate", nitrate_step * min(WEEKS - week, 3), basis="ion", resolution=1.0, at=at)


def load(household: Household) -> dict[str, Any]:
    told: dict[str, Any] = household.get(f"/tanks/{household.tank}/load")
    return told


def fresh(household: Household) -> dict[str, Any]:
    """The load, once everything that was entered is in it."""

    def told() -> dict[str, Any] | None:
        found = load(household)
        return found if found["fresh"] else None

    return until(told, 60, "everything that was entered to be in the load")


def worker(household: Household) -> int:
    process = household.service.process
    assert process is not None
    return until(lambda: workers(process.pid), 30, "a process that computes")[0]


def test_a_notebook_leads_to_a_limit_and_a_forecast(common: Household) -> None:
    notebook(common)
    told = fresh(common)
    assert told["refuses"] is None
    assert told["food"] == "windowsill flakes"
    limit = told["limit_g_per_day"]
    assert limit["p5"] > 0
    assert (limit["p95"] is None) is not limit["found"]
    assert told["evidence"][0].startswith(f"{WEEKS} nitrate readings")
    ahead = common.get(f"/tanks/{common.tank}/forecast", daily_g=0.1, days=21)
    assert len(ahead["days"]) == 21
    for day in ahead["days"]:
        assert {"date", "nitrate_mg_per_l", "ammonia_mg_n_per_l", "nitrite_mg_n_per_l"} <= day.keys()


def test_dissolved_solids_are_forecast_where_they_were_read(common: Household) -> None:
    notebook(common)
    for week in range(WEEKS):
        at = (datetime.now(UTC) - timedelta(days=7 * week, hours=1)).isoformat()
        common.reading("tds", 240.0 - 2 * week, resolution=1.0, at=at)
    fresh(common)
    last = common.get(f"/tanks/{common.tank}/forecast", daily_g=0.1, days=28)["days"][-1]
    assert 200 < last["tds_mg_per_l"]["p5"] < last["tds_mg_per_l"]["p95"] < 320


def test_dissolved_solids_are_forecast_where_only_a_probe_tells_of_them(common: Household) -> None:
    """A backlog of half-hourly samples over the wire: 240 mg/L, by 0.64 mg/L for each uS/cm at 25 degC."""
    notebook(common)
    probe, noise = f"probe-of-{common.tank}", random.Random(1)
    common.post("/probes", id=probe, tank=common.tank)
    device = common.device(probe, kind="probe")
    now_s = int(time.time())
    times = range(now_s - 7 * WEEKS * 86_400, now_s, 1800)
    for first in range(0, len(times), 60):
        pack: list[dict[str, Any]] = []
        for at_s in times[first : first + 60]:
            siemens = round(240 / 6400 * (1 + noise.gauss(0, 2e-3)), 6)
            pack.append({"n": "temperature", "u": "Cel", "t": at_s, "v": round(25 + noise.gauss(0, 0.03), 3)})
            pack.append({"n": "conductivity", "u": "S/m", "t": at_s, "v": siemens})
        device.send("samples", [{"bn": f"{probe}/", **pack[0]}, *pack[1:]])

    def forecast() -> dict[str, Any] | None:
        days = common.get(f"/tanks/{common.tank}/forecast", daily_g=0.1, days=28)["days"]
        return days[-1] if "tds_mg_per_l" in days[-1] else None

    fresh(common)
    last = until(forecast, 60, "dissolved solids to be forecast")
    assert 180 < last["tds_mg_per_l"]["p5"] < 240 < last["tds_mg_per_l"]["p95"] < 320
    fresh(common)
    page = httpx.get(f"{common.url}/tanks/{common.tank}/load", timeout=20).text
    assert "Dissolved solids, mg/L" in page


def test_nothing_is_forecast_of_a_tank_nobody_has_measured(common: Household) -> None:
    told = fresh(common)
    assert "Nitrate has not been measured yet" in told["refuses"]
    answer = common.api.get(f"/tanks/{common.tank}/forecast", params={"daily_g": 0.1, "days": 7})
    assert answer.status_code == 409
    assert "Nitrate has not been measured yet" in answer.json()["detail"]
    assert common.api.get("/tanks/none/load").status_code == 404
    assert common.api.get("/tanks/none/forecast").status_code == 404


def test_a_process_that_is_killed_is_replaced_and_feeding_does_not_notice(household: Household) -> None:
    notebook(household)
    fresh(household)
    first = worker(household)
    os.kill(first, signal.SIGKILL)
    device = household.device()
    device.dose()
    household.reading("nitrate", 4.0, basis="ion", resolution=1.0)
    told = fresh(household)
    assert told["refuses"] is None
    assert worker(household) != first
    household.until(household.doses, what="the dose in the books")


def test_one_that_hangs_holds_nothing_up(household: Household) -> None:
    """Stopped, it answers nobody; readings still hold feeding, doses are taken, and calls answer."""
    notebook(household)
    fresh(household)
    stopped = worker(household)
    os.kill(stopped, signal.SIGSTOP)
    device = household.device()
    household.reading("ammonia", 2.5)
    assert household.hold()["held"] is True
    device.dose()
    household.until(household.doses, what="the dose in the books")
    told = load(household)
    assert (told["fresh"], told["limit_g_per_day"]["p5"] is not None) == (False, True)
    assert household.get(f"/tanks/{household.tank}/forecast", daily_g=0.1, days=7)["fresh"] is False
    household.service.terminate()
    assert household.service.ended() == 0
    until(lambda: not alive(stopped), what="the stopped process to be gone")


def test_no_process_outlives_a_service_that_is_killed(household: Household) -> None:
    notebook(household)
    fresh(household)
    pid = worker(household)
    household.service.kill()
    until(lambda: not alive(pid), what="the process to end with its service")


def test_a_service_that_comes_back_says_the_same(household: Household) -> None:
    """Nothing of it is kept on disk: the ledger gives the same answer again."""
    notebook(household)
    before = fresh(household)
    household.service.kill()
    household.service.start()
    after = fresh(household)
    for name in ("refuses", "diagnostics", "limit_g_per_day", "load_now_g_per_day", "proven_g_per_day"):
        assert after[name] == before[name], name
