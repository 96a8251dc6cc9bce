"""Which pin serves as what on each kind of board. Facts of the chips: their data sheets, from memory."""

import itertools

import pytest

from tareline.boards import files
from tareline.errors import FieldError
from tareline.resources import firmware_dir, load_firmware

pins = load_firmware("pins")
EVERY = list(itertools.product(pins.BOARDS, ("feeder", "probe")))


@pytest.mark.parametrize(("board", "kind"), EVERY)
def test_the_places_of_a_table_are_possible_and_none_is_used_twice(board: str, kind: str) -> None:
    table = pins.BOARDS[board][kind]
    assert len(set(table.values())) == len(table)
    assert {name: pins.objection(board, name, number) for name, number in table.items()} == dict.fromkeys(table, "")
    assert set(table) | set(pins.OPTIONAL[kind]) == set(pins.names(kind))
    assert set(table) == set(pins.BOARDS["esp32"][kind])


@pytest.mark.parametrize(
    ("board", "name", "number", "why"),
    [
        ("esp32", "motor_step", 12, "power-up"),
        ("esp32", "motor_enable", 6, "flash"),
        ("esp32", "button", 34, "input without a pull-up"),
        ("esp32", "drive_a", 39, "input without a pull-up"),
        ("esp32", "thermometer", 1, "serial"),
        ("esp32", "converter_a", 25, "beside Wi-Fi"),
        ("esp32", "cell_data", 24, "no GPIO 24"),
        ("esp32-s3", "motor_step", 45, "power-up"),
        ("esp32-s3", "motor_step", 30, "flash"),
        ("esp32-s3", "cell_clock", 20, "USB"),
        ("esp32-s3", "converter_b", 11, "beside Wi-Fi"),
        ("esp32-s3", "button", 23, "no GPIO 23"),
        ("esp32-c3", "button", 9, "power-up"),
        ("esp32-c3", "motor_step", 14, "flash"),
        ("esp32-c3", "converter_a", 5, "beside Wi-Fi"),
        ("esp32-c3", "drive_a", 22, "no GPIO 22"),
        ("pico-w", "motor_step", 23, "Wi-Fi chip"),
        ("pico-2-w", "thermometer", 29, "Wi-Fi chip"),
        ("pico-w", "converter_a", 15, "expected one of 26, 27, 28"),
        ("pico-w", "button", 30, "no GPIO 30"),
    ],
)
def test_a_pin_that_cannot_serve_is_refused_with_the_reason(board: str, name: str, number: int, why: str) -> None:
    assert why in pins.objection(board, name, number)
    kind = "feeder" if name in pins.names("feeder") else "probe"
    link = files.device_settings(kind, "d", "mqtt://192.0.2.10")
    with pytest.raises(FieldError, match=why):
        files.board_settings(link, "home", "", [f"{name}={number}"], 0.001, 1000, board)


@pytest.mark.parametrize(
    ("board", "name", "number"),
    [
        ("esp32", "cell_data", 36),
        ("esp32", "motor_stall", 39),
        ("esp32", "converter_a", 32),
        ("esp32-s3", "drive_a", 48),
    ],
)
def test_a_pin_that_can_serve_is_taken(board: str, name: str, number: int) -> None:
    kind = "feeder" if name in pins.names("feeder") else "probe"
    link = files.device_settings(kind, "d", "mqtt://192.0.2.10")
    settings = files.board_settings(link, "home", "", [f"{name}={number}"], 0.001, 1000, board)
    assert settings["pins"][name] == number


def test_a_board_that_nobody_knows_is_refused() -> None:
    with pytest.raises(FieldError, match="expected one of esp32, esp32-s3"):
        files.board_settings(files.device_settings("probe", "d", "mqtt://192.0.2.10"), "home", "", [], 1, 1, "other")


def test_the_tables_of_the_readme_are_these() -> None:
    text = (firmware_dir() / "README.md").read_text(encoding="utf-8")
    columns = ("esp32", "esp32-s3", "esp32-c3", "pico-w")
    assert pins.BOARDS["pico-w"]["feeder"] == pins.BOARDS["pico-2-w"]["feeder"]
    assert pins.BOARDS["pico-w"]["probe"] == pins.BOARDS["pico-2-w"]["probe"]
    for kind in ("feeder", "probe"):
        table = text.split(f"| {kind} | ESP32 | ESP32-S3 | ESP32-C3 | Pico W, Pico 2 W | |\n", 1)[1].split("\n\n")[0]
        rows = [[cell.strip(" `") for cell in line.split("|")[1:6]] for line in table.splitlines()[1:]]
        told = {name: [int(number) for number in numbers] for name, *numbers in rows if numbers[0] != "none"}
        assert told == {name: [pins.BOARDS[board][kind][name] for board in columns] for name in told}
        assert set(told) == set(pins.BOARDS["esp32"][kind])
