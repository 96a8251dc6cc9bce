"""The load cell's converter, clocked bit by bit. Figures of the chip: its data sheet, from memory."""

import pytest
from chips import LoadCellChip, VirtualTime

from tareline.resources import load_firmware

hx711 = load_firmware("hx711")


def driver(chip, **how):
    return hx711.HX711(chip.data, chip.clock, chip.time, **how)


@pytest.mark.parametrize(
    ("register", "counts"),
    # Data sheet: 24 bits, two's complement, the most significant first; saturated at 0x800000 and 0x7FFFFF.
    [
        (0x000000, 0),
        (0x000001, 1),
        (0xFFFFFF, -1),
        (0x7FFFFF, 8_388_607),
        (0x800000, -8_388_608),
        (0xA5C3F1, 0xA5C3F1 - 0x1000000),
        (0x555555, 0x555555),
    ],
)
def test_a_conversion_is_24_bits_of_twos_complement(register, counts):
    chip = LoadCellChip(VirtualTime(), code=register)
    assert driver(chip).convert() == counts


@pytest.mark.parametrize(("gain", "pulses"), [(128, 25), (32, 26), (64, 27)])
def test_the_number_of_pulses_sets_the_gain_and_nothing_unsettled_is_returned(gain, pulses):
    chip = LoadCellChip(VirtualTime(), code=100_000)
    cell = driver(chip, gain=gain)
    assert [cell.convert() for _ in range(3)] == [100_000 * gain // 128] * 3
    chip.time.spend(chip.period_us)
    cell.convert()
    assert set(chip.read_pulses) == {pulses}


@pytest.mark.parametrize(("rate_hz", "settled_ms"), [(10, 400), (80, 50)])
def test_after_a_start_it_waits_for_four_conversions(rate_hz, settled_ms):
    time = VirtualTime()
    chip = LoadCellChip(time, rate_hz=rate_hz, code=7)
    begun = time.us
    assert driver(chip, rate_hz=rate_hz).convert() == 7
    period_ms = 1000 / rate_hz
    assert settled_ms <= (time.us - begun) / 1000 <= settled_ms + 2 * period_ms


def test_conversions_come_at_the_chips_rate_with_none_lost():
    chip = LoadCellChip(VirtualTime(), rate_hz=80, code=7)
    cell = driver(chip, rate_hz=80)
    cell.convert()
    begun = chip.time.us
    assert [cell.convert() for _ in range(40)] == [7] * 40
    assert abs(chip.time.us - begun - 40 * chip.period_us) < 2_000


def test_an_old_conversion_is_not_taken_for_a_new_one():
    chip = LoadCellChip(VirtualTime(), code=1_000)
    cell = driver(chip)
    assert cell.convert() == 1_000
    chip.time.sleep_ms(150)  # one is ready now, from before the dose
    chip.code = 500
    assert cell.convert() == 500


def about_to_clock_out(after_us, taking_us, hold_off=False):
    """A settled chip whose next conversion is clocked out within 1.5 ms, while an interrupt comes."""
    time = VirtualTime()
    chip = LoadCellChip(time, code=0x345678)
    cell = driver(chip, irq=time if hold_off else None)
    assert cell.convert() == 0x345678
    time.us = chip._next_us - 100
    time.interrupt(after_us, taking_us)
    return chip, cell


@pytest.mark.parametrize("taking_us", [30, 55, 61, 300])
def test_an_interrupt_anywhere_in_the_clocking_never_gives_a_wrong_number_and_costs_none(taking_us):
    restarts = 0
    for after_us in range(0, 1_600, 2):
        chip, cell = about_to_clock_out(after_us, taking_us)
        begun = chip.time.us
        assert [cell.convert() for _ in range(3)] == [0x345678] * 3
        assert not chip.time.interrupts
        restarts += chip.power_downs - 1
        # One restart costs the four conversions that it settles and the one that was spoilt.
        assert chip.time.us - begun < (3 + 5 * (chip.power_downs > 1) + 1) * chip.period_us
    assert (restarts > 10) == (taking_us > 50), "the longer ones did hit pulses"


@pytest.mark.parametrize("taking_us", [61, 300])
def test_without_the_guard_some_of_those_interrupts_would_give_a_wrong_number(monkeypatch, taking_us):
    monkeypatch.setattr(hx711, "LONGEST_US", 1_000_000)
    wrong = 0
    for after_us in range(0, 1_600, 2):
        _, cell = about_to_clock_out(after_us, taking_us)
        wrong += any(cell.convert() not in {None, 0x345678} for _ in range(3))
    assert wrong > 10


def test_with_interrupts_held_off_during_a_pulse_none_is_lost():
    for after_us in range(0, 1_600, 2):
        chip, cell = about_to_clock_out(after_us, 300, hold_off=True)
        assert cell.convert() == 0x345678
        assert chip.power_downs == 1
        assert not chip.time.held_off


class Changing(LoadCellChip):
    """Gives one number until `changes_us`, then another."""

    changes_us = 1 << 62
    code = property(lambda chip: 0x345678 if chip.time.us < chip.changes_us else 0x00FFFF, lambda chip, code: None)


def replaced_while_read():
    """What is read where the chip puts its next conversion in the place of the one that is clocked out."""
    for taking_us in range(11_000, 13_500, 50):
        for after_us in (900, 1_100, 1_300):
            time = VirtualTime()
            chip = Changing(time, rate_hz=80)
            cell = driver(chip, irq=time, rate_hz=80)
            cell.convert()
            chip.changes_us = chip._next_us + 6_000
            time.us = chip._next_us - 1_000
            time.interrupt(after_us, taking_us)
            yield cell.convert()


def test_a_conversion_that_was_replaced_while_it_was_clocked_out_is_repeated():
    assert set(replaced_while_read()) == {0x345678, 0x00FFFF}


def test_without_the_look_at_the_clock_some_of_those_would_be_half_of_either(monkeypatch):
    class Blind(hx711.HX711):  # type: ignore[name-defined]
        """Takes no conversion for late: the clock stands still from when it is clocked out."""

        def _shift(self):
            counts = super()._shift()
            self._passed = lambda since: 0
            return counts

    monkeypatch.setattr(hx711, "HX711", Blind)
    assert len([counts for counts in replaced_while_read() if counts not in {0x345678, 0x00FFFF}]) > 10


def test_a_cell_that_is_always_read_late_is_told_in_bounded_time():
    """Interrupts leave 0.1 ms of every 6.6: no conversion is clocked out within half of its time."""
    time = VirtualTime()
    chip = LoadCellChip(time, rate_hz=80, code=1)
    cell = driver(chip, irq=time, rate_hz=80)
    assert cell.convert() == 1
    for k in range(1_000):
        time.interrupt(6_600 * k, 6_500)
    begun = time.us
    assert cell.convert() is None
    assert 120_000 < time.us - begun < 160_000
    time.interrupts.clear()
    assert cell.convert() == 1


def test_a_chip_that_never_answers_is_told_in_bounded_time():
    time = VirtualTime()
    chip = LoadCellChip(time)
    cell = driver(chip)
    chip.dead = True
    begun = time.us
    assert cell.convert() is None
    assert time.us - begun < 1_100_000


def test_a_line_that_stays_low_is_no_conversion():
    chip = LoadCellChip(VirtualTime())
    cell = driver(chip)
    chip.stuck_low = True
    assert [cell.convert() for _ in range(3)] == [None] * 3
    chip.stuck_low = False
    chip.code = 4
    assert cell.convert() == 4
