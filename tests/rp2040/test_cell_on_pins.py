"""The load cell's driver on an RP2040's core, against a converter on its pins whose time is the core's own."""

import random
from pathlib import Path

import pytest
from pin_chips import OFF_US, Hx711Chip
from rp2_board import Rp2Board, compiled, firmware

HERE = Path(__file__).parent
# Every bit in both states beside both neighbours, and the ends of the range (24 bits, two's complement: data sheet).
CODES = (0x000000, 0x000001, 0xFFFFFF, 0x7FFFFF, 0x800000, 0xA5C3F1, 0x555555, 0xAAAAAA, 0x123456, 0xFEDCBA)
NOISE_PIN = 22


class Bench:
    """The board with the converter; `told`: what each conversion gave; `ticks`, `passed_ms`: of the timer interrupt;
    `spared`: pulses that had no interrupt."""

    spared = 25

    def __init__(self, image: Path, codes: list[int], **settings: object) -> None:
        fields = {"PIO": False, "RATE_HZ": 10, "HOLD": True, "LONG_US": 1, "TICK_HZ": 0, "MOST_US": None} | settings
        text = "".join(f"{name} = {value!r}\n" for name, value in fields.items())
        files = firmware("hx711", "board_cell_pio") | {"cell_script.mpy": compiled(HERE / "cell_script.py")}
        self.board = Rp2Board(image, files | {"settings.py": text.encode(), "main.py": b"import cell_script\n"})
        source = iter(codes)
        self.chip = Hx711Chip(self.board, 16, 17, lambda: next(source), int(str(fields["RATE_HZ"])))

    def run(self) -> "Bench":
        end = self.board.hear("end", 120)
        self.told = [None if word == "None" else int(word) for word in self._words("cell")]
        self.ticks, self.passed_ms = map(int, end.split()[1:])
        return self

    def _words(self, first: str) -> list[str]:
        return [line.split()[1] for line in self.board.said if line.startswith(first)]


def signed(code: int) -> int:
    return code - (1 << 24) if code & 0x800000 else code


def different(count: int) -> list[int]:
    """Codes of which no two are alike."""
    return random.Random(count).sample(range(1 << 24), count)


def test_every_conversion_is_right_bit_by_bit_under_an_interrupt_of_1_khz(rp2_image: Path) -> None:
    bench = Bench(rp2_image, [*CODES, *CODES, *different(20)], COUNT=20, TICK_HZ=1000).run()
    given = [signed(code) for _, code in bench.chip.given]
    assert len(bench.told) == 20
    assert bench.told == given[:20], "none wrong, none lost"
    assert abs(bench.ticks - bench.passed_ms) < 20, "the interrupt ran all the time"
    assert max(bench.chip.widths_us[1:]) < OFF_US / 4, "and never came into a pulse"


def disturbed(image: Path, **settings: object) -> Bench:
    """An interrupt in every pulse from the first to the last, each in a conversion of its own."""
    bench = Bench(image, different(4000), COUNT=60, RATE_HZ=80, **settings)
    left = list(range(1, 26))
    spoilt = {0, 1, 2}  # conversions that had theirs, by number; the first ones stay whole

    def rise(pulse: int) -> None:
        if left and pulse == left[0] and len(bench.chip.given) not in spoilt:
            left.pop(0)
            spoilt.add(len(bench.chip.given))
            bench.board.drive(NOISE_PIN, 1)
            bench.board.drive(NOISE_PIN, 0)

    bench.chip.on_rise = rise
    bench.run()
    bench.spared = len(left)
    return bench


def wrong(bench: Bench) -> list[int]:
    """What was told and is not the next of the conversions that the chip had right when it was told."""
    given = iter([signed(code) for _, code in bench.chip.given])
    return [told for told in bench.told if told is not None and told not in given]


@pytest.mark.parametrize("long_us", [70, 300])
def test_a_pulse_that_an_interrupt_makes_too_long_never_gives_a_wrong_number(rp2_image: Path, long_us: int) -> None:
    bench = disturbed(rp2_image, HOLD=False, LONG_US=long_us)
    long = [width for width in bench.chip.widths_us if width > long_us]
    assert bench.spared == 0
    assert len(long) >= 25, "each interrupt came into its pulse"
    assert bench.chip.offs >= 25
    assert wrong(bench) == []
    assert len([told for told in bench.told if told is not None]) > 20, "and it goes on"


def test_without_the_guard_such_pulses_give_wrong_numbers(rp2_image: Path) -> None:
    assert wrong(disturbed(rp2_image, HOLD=False, LONG_US=300, MOST_US=1_000_000))


def test_with_interrupts_held_off_none_comes_into_a_pulse(rp2_image: Path) -> None:
    bench = disturbed(rp2_image, HOLD=True, LONG_US=300)
    assert bench.spared == 0
    assert max(bench.chip.widths_us[1:]) < OFF_US / 4
    assert bench.chip.offs == 1, "the driver's own restart"
    assert None not in bench.told
    assert wrong(bench) == []


def test_no_interrupt_comes_into_a_pulse_that_the_chip_makes_itself(rp2_image: Path) -> None:
    bench = disturbed(rp2_image, PIO=True, LONG_US=300, TICK_HZ=1000)
    assert bench.spared == 0
    assert max(bench.chip.widths_us[1:]) < OFF_US / 4
    assert bench.chip.offs == 1, "the driver's own restart"
    assert None not in bench.told
    assert wrong(bench) == []
