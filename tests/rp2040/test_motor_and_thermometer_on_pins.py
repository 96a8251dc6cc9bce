"""The stepper's and the thermometer's drivers on an RP2040's core, against chips on its pins."""

from pathlib import Path

import pytest
from pin_chips import Ds18b20Chip, StepDriver
from rp2_board import Rp2Board, compiled, firmware

HERE = Path(__file__).parent


def board_with(image: Path, script: str, modules: tuple[str, ...], settings: str) -> Rp2Board:
    files = firmware(*modules) | {f"{script}.mpy": compiled(HERE / f"{script}.py"), "settings.py": settings.encode()}
    return Rp2Board(image, files | {"main.py": f"import {script}\n".encode()})


def test_every_pulse_is_a_step_under_an_interrupt_of_1_khz(rp2_image: Path) -> None:
    board = board_with(rp2_image, "step_script", ("stepper",), "STEPS = (20, 1, 300)\n")
    driver = StepDriver(board, step=18, direction=19, enable=20)
    board.hear("end", 20)
    assert [line for line in board.said if line.startswith("made")] == ["made 20", "made 1", "made 300"]
    assert driver.position == len(driver.times_us) == 321
    assert driver.lost == 0
    assert not driver.coils_on
    apart = [later - earlier for earlier, later in zip(driver.times_us[21:], driver.times_us[22:], strict=False)]
    assert min(apart) >= 2500, "never faster than the driver was told"
    # A sleep of 2.5 ms may end only with the next tick: 3 ms.
    assert sum(apart) / len(apart) < 3000 * 1.05


def test_a_stall_ends_the_turn_and_the_coils_are_off(rp2_image: Path) -> None:
    board = board_with(rp2_image, "step_script", ("stepper",), "STEPS = (50,)\n")
    driver = StepDriver(board, step=18, direction=19, enable=20)
    driver.on_step = lambda: board.drive(15, int(driver.position == 30))
    board.hear("end", 10)
    assert board.said[-2] == "made 29", "the step in which it stalled does not count"
    assert driver.position == 30
    assert not driver.coils_on


def read_twice(image: Path, port_bus: bool, zero_us: float) -> list[str]:
    board = board_with(image, "thermometer_script", ("ds18b20", "onewire_bus"), f"PORT_BUS = {port_bus}\n")
    # 25.0625 degrees (data sheet's table of temperatures: 0191h).
    chip = Ds18b20Chip(board, 4, 0x0191, zero_us)
    board.hear("end", 20)
    assert chip.conversions == 2
    return [line for line in board.said if line.startswith("read")]


@pytest.mark.parametrize("port_bus", [True, False])
def test_a_thermometer_is_read(rp2_image: Path, port_bus: bool) -> None:
    assert read_twice(rp2_image, port_bus, 20) == ["read 2506"] * 2


def test_a_thermometer_too_quick_for_the_bus_in_python_is_refused_and_never_wrong(rp2_image: Path) -> None:
    damaged = "read None the thermometer's answer is damaged"
    assert set(read_twice(rp2_image, False, 15)) <= {damaged, "read 2506"}
