"""The load cell's converter, clocked by PIO and by the RMT. Figures of the chip: its data sheet, from memory."""

import sys
from collections.abc import Callable
from typing import Any

import pytest
from chips import LoadCellChip, VirtualTime
from pulse_makers import Esp32, Rp2

from tareline.resources import load_firmware

NUMBER = 0x345678


def with_module(name: str, module: Any, firmware: str) -> Any:
    """A firmware's module that imports what only a board has."""
    before = sys.modules.get(name)
    sys.modules[name] = module
    try:
        return load_firmware(firmware)
    finally:
        del sys.modules[name]
        if before is not None:
            sys.modules[name] = before


pio = with_module("rp2", Rp2, "board_cell_pio")
rmt = with_module("esp32", Esp32, "board_cell_rmt")


def by_pio(chip: LoadCellChip, **how: Any) -> Any:
    Rp2.chip = chip
    cell = pio.PioHX711(chip.data, chip.clock, chip.time, **how)
    cell.maker = Rp2.machines[0]
    return cell


def by_rmt(chip: LoadCellChip, **how: Any) -> Any:
    Esp32.chip = chip
    cell = rmt.RmtHX711(chip.data, chip.clock, chip.time, **how)
    cell.maker = Esp32.channels[0]
    return cell


both = pytest.mark.parametrize("driver", [by_pio, by_rmt])
Driver = Callable[..., Any]


@both
@pytest.mark.parametrize(
    ("register", "counts"),
    # Data sheet: 24 bits, two's complement, the most significant first; saturated at 0x800000 and 0x7FFFFF.
    [(0, 0), (1, 1), (0xFFFFFF, -1), (0x7FFFFF, 8_388_607), (0x800000, -8_388_608), (0xA5C3F1, 0xA5C3F1 - 0x1000000)],
)
def test_a_conversion_is_24_bits_of_twos_complement(driver: Driver, register: int, counts: int) -> None:
    assert driver(LoadCellChip(VirtualTime(), code=register)).convert() == counts


@both
@pytest.mark.parametrize(("gain", "pulses"), [(128, 25), (32, 26), (64, 27)])
def test_the_number_of_pulses_sets_the_gain(driver: Driver, gain: int, pulses: int) -> None:
    chip = LoadCellChip(VirtualTime(), code=100_000)
    cell = driver(chip, gain=gain)
    assert [cell.convert() for _ in range(3)] == [100_000 * gain // 128] * 3
    chip.time.spend(chip.period_us)
    cell.convert()
    assert set(chip.read_pulses) == {pulses}


@both
def test_pulses_are_as_wide_as_the_chip_wants_and_only_the_restart_is_longer_than_60_us(driver: Driver) -> None:
    chip = LoadCellChip(VirtualTime(), code=5)
    cell = driver(chip)
    assert [cell.convert() for _ in range(4)] == [5] * 4
    restart, *clocked = cell.maker.high_us
    assert restart > 60
    assert chip.power_downs == 1
    assert len(clocked) % 25 == 0
    assert all(1 <= us <= 50 for us in clocked)  # data sheet: 0.2 to 50 us


@both
@pytest.mark.parametrize("taking_us", [30, 61, 300, 20_000])
def test_no_interrupt_loses_a_conversion_or_switches_the_chip_off(driver: Driver, taking_us: int) -> None:
    interrupted = 0
    for after_us in range(100, 6_000, 13):
        time = VirtualTime()
        chip = LoadCellChip(time, code=NUMBER)
        cell = driver(chip)
        assert cell.convert() == NUMBER
        time.us = chip._next_us - 1_500
        time.interrupt(after_us, taking_us)
        begun = time.us
        assert cell.convert() == NUMBER
        assert chip.power_downs == 1, "only the driver's own restart switched it off"
        assert time.us - begun < chip.period_us, "and none was dropped"
        interrupted += not time.interrupts
    assert interrupted > 100


@both
def test_a_conversion_that_was_seen_too_late_is_dropped_and_its_successor_read(driver: Driver) -> None:
    time = VirtualTime()
    chip = LoadCellChip(time, code=NUMBER)
    cell = driver(chip)
    cell.convert()
    time.us = chip._next_us - 500
    time.interrupt(400, 70_000)
    begun = time.us
    assert cell.convert() == NUMBER
    assert time.us - begun > chip.period_us


@both
def test_conversions_come_at_the_chips_rate_with_none_lost(driver: Driver) -> None:
    chip = LoadCellChip(VirtualTime(), rate_hz=80, code=7)
    cell = driver(chip, rate_hz=80)
    cell.convert()
    begun = chip.time.us
    assert [cell.convert() for _ in range(40)] == [7] * 40
    assert abs(chip.time.us - begun - 40 * chip.period_us) < 4_000


@both
def test_a_dead_chip_a_line_that_stays_low_and_hardware_that_stops_are_told_in_bounded_time(driver: Driver) -> None:
    time = VirtualTime()
    chip = LoadCellChip(time, code=4)
    cell = driver(chip)
    for fault in ("dead", "stuck_low"):
        setattr(chip, fault, True)
        begun = time.us
        assert cell.convert() is None
        assert time.us - begun < 1_200_000
        setattr(chip, fault, False)
        assert cell.convert() == 4
    cell.maker.stuck = True
    begun = time.us
    assert cell.convert() is None
    assert time.us - begun < 1_400_000
    cell.maker.stuck = False
    assert cell.convert() == 4
