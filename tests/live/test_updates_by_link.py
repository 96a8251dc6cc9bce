"""Updates over the air from end to end: the real service and command, a real broker, the firmware under MicroPython."""

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from desk import Desk, Ear
from waiting import until

import tareline
from conftest import Household
from tareline.app import updates
from tareline.resources import firmware_dir, load_firmware
from tareline.simulate.desk import install_set

starter = load_firmware("starter")
MPY = 6  # what mpy-cross 1.28 makes
OLD = "0.0.9"


@pytest.fixture(scope="module")
def old_set(tmp_path_factory: pytest.TempPathFactory) -> updates.FirmwareSet:
    """The same firmware under an older number."""
    folder = tmp_path_factory.mktemp("old") / "firmware"
    shutil.copytree(firmware_dir(), folder)
    runner = folder / "runner.py"
    now = load_firmware("runner").FIRMWARE
    text = runner.read_text()
    assert f'FIRMWARE = "{now}"' in text
    runner.write_text(text.replace(f'FIRMWARE = "{now}"', f'FIRMWARE = "{OLD}"'))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(updates, "firmware_dir", lambda: folder)
        return updates.build("desk_feeder", MPY)


class Board(Desk):
    """A desk that runs from sets of modules, with an older one on its flash."""

    def __init__(self, flash: Path, house: Household, made: updates.FirmwareSet) -> None:
        flash.mkdir()
        install_set(flash, "feeder", made)
        secret = house.service.folder / "tareline.key"
        super().__init__(flash, "feeder", house.feeder, house.broker.url, "--secret-file", str(secret))

    def whole(self) -> set[str]:
        return {folder for folder in starter.SETS if starter.is_whole(starter.Flash(f"{self.folder}/"), folder)}

    @property
    def record(self) -> dict[str, Any]:
        found: dict[str, Any] = starter.load(starter.Flash(f"{self.folder}/"))
        return found


@pytest.fixture
def board(household: Household, tmp_path: Path, old_set: updates.FirmwareSet) -> Iterator[Board]:
    made = Board(tmp_path / "flash", household, old_set)
    made.start()
    yield made
    made.close()


def state(house: Household) -> dict[str, Any]:
    found: dict[str, Any] = house.get(f"/devices/{house.feeder}/update")
    return found


def device(house: Household) -> dict[str, Any]:
    return next(one for one in house.get("/devices") if one["device"] == house.feeder)


def ready(house: Household, board: Board) -> None:
    until(lambda: state(house)["takes_updates"], 30, lambda: board.log)
    until(lambda: device(house)["hold_confirmed"], 30, lambda: board.log)
    assert device(house)["firmware"] == f"{OLD}-desk"


def command(house: Household, *more: str) -> subprocess.CompletedProcess[str]:
    program = str(Path(sys.executable).with_name("tareline"))
    arguments = [program, "update", house.feeder, "--config", str(house.service.config), *more]
    return subprocess.run(arguments, capture_output=True, text=True, check=False, timeout=200)


def test_the_command_brings_a_feeder_to_the_services_firmware(household: Household, ear: Ear, board: Board) -> None:
    ready(household, board)
    done = command(household)
    assert done.returncode == 0, done.stderr + board.log
    assert done.stdout.splitlines()[-1] == f"{household.feeder} runs the new firmware"
    now = load_firmware("runner").FIRMWARE
    until(lambda: device(household)["firmware"] == f"{now}-desk", 20, lambda: board.log)
    assert board.record["set"] == "fw_b"
    assert board.whole() == {"fw_a", "fw_b"}
    faults = until(lambda: household.ledger("fault"), 20, lambda: board.log)
    assert [one["code"] for one in faults] == ["update_done"]
    # Offered again, nothing happens: it runs this already.
    again = command(household)
    assert again.returncode == 2
    assert "already" in again.stderr
    sizes = [len(json.dumps(one)) for one in ear.of(household.feeder, "fetch")]
    assert len(sizes) > 50
    assert max(sizes) < 200


def test_power_cuts_in_the_middle_cost_nothing(household: Household, ear: Ear, board: Board) -> None:
    """SIGKILL after so many pieces, at the switch and on trial; plan, hold and journal are as they were."""
    ready(household, board)
    household.api.post(f"/tanks/{household.tank}/hold", json={"reason": "the glass is being cleaned"})
    until(lambda: device(household)["hold_confirmed"], 30, lambda: board.log)
    before = device(household)
    journal = ear.of(household.feeder, "hello")[-1]["journal"]
    assert command(household, "--no-wait").returncode == 0

    def asked() -> int:
        return len(ear.of(household.feeder, "fetch"))

    def asked_at_least(count: int) -> bool:
        return asked() >= count

    for pieces in (1, 3, 17, 40):
        until(partial(asked_at_least, asked() + pieces), 30, lambda: board.log)
        board.kill()
        assert "fw_a" in board.whole()
        board.start()
    until(lambda: board.record["trial"] == "fw_b", 60, lambda: board.log)
    board.kill()
    board.start()
    until(lambda: state(household)["state"] == "done", 60, lambda: board.log)
    assert board.record["set"] == "fw_b"
    until(lambda: device(household)["firmware"] == f"{load_firmware('runner').FIRMWARE}-desk", 20, lambda: board.log)
    until(lambda: device(household)["hold_confirmed"], 30, lambda: board.log)
    after = device(household)
    assert (after["hold_version"], after["plan_version"]) == (before["hold_version"], before["plan_version"])
    assert household.hold()["held"]
    assert ear.of(household.feeder, "hello")[-1]["journal"] == journal


def crashing(folder: Path) -> Path:
    """This package with a firmware that ends with an error as soon as it starts."""
    package = Path(tareline.__file__).parent
    shutil.copytree(package, folder / "service" / "tareline")
    shutil.copytree(firmware_dir(), folder / "firmware")
    if not (folder / "service" / "tareline" / "dashboards").exists():
        shutil.copytree(package.parents[1] / "dashboards", folder / "dashboards")
    feeder = folder / "firmware" / "feeder.py"
    feeder.write_text(feeder.read_text() + '\nraise RuntimeError("this one never runs")\n')
    return folder / "service"


def test_a_set_that_crashes_is_left_by_itself_and_told(household: Household, board: Board, tmp_path: Path) -> None:
    ready(household, board)
    household.service.terminate()
    household.service.ended()
    household.service.environment["PYTHONPATH"] = str(crashing(tmp_path / "crashing"))
    household.service.start()
    until(lambda: state(household)["takes_updates"], 30, lambda: board.log)
    done = command(household)
    assert done.returncode == 2, done.stdout + board.log
    assert "ended 2 times before it was proven" in done.stderr
    assert board.log.count("this one never runs") == 2
    assert board.record["set"] == "fw_a"
    until(lambda: device(household)["firmware"] == f"{OLD}-desk", 20, lambda: board.log)
    until(lambda: device(household)["online"], 20, lambda: board.log)
    faults = until(lambda: household.ledger("fault"), 20, lambda: board.log)
    assert [one["code"] for one in faults] == ["update_failed"]
    page = household.api.get(f"{household.url}/devices")
    assert page.status_code == 200
    assert "ended 2 times before it was proven" in page.text


def test_the_service_may_be_started_anew_in_the_middle(household: Household, ear: Ear, board: Board) -> None:
    ready(household, board)
    assert command(household, "--no-wait").returncode == 0
    until(lambda: len(ear.of(household.feeder, "fetch")) >= 5, 30, lambda: board.log)
    household.service.kill()
    household.service.start()
    until(lambda: state(household)["state"] == "done", 60, lambda: board.log + household.service.log[-2000:])
    assert board.record["set"] == "fw_b"
