"""From conversions to a mass with its deviation, and what is no weight at all."""

import ast
import math
from fractions import Fraction
from itertools import permutations
from random import Random

import portable_weighing
import pytest
from portable_weighing import GRAM, Cell, Flash, calibrated

from tareline.resources import firmware_dir, load_firmware

weighing = load_firmware("weighing")


def test_the_portable_part_holds_here():
    """What `run` asserts, and that it is the same each time; the other interpreter's digest is compared elsewhere."""
    first = portable_weighing.run()
    assert first == portable_weighing.run()
    assert len(first) > 60


def test_there_is_no_fraction_of_a_number_anywhere():
    """A board's floats have seven digits. So: no float literal, no true division, no call that gives one."""
    for name in ("weighing", "hx711", "ds18b20", "onewire_bus", "converter", "stepper", "button"):
        tree = ast.parse((firmware_dir() / f"{name}.py").read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            assert not isinstance(node, ast.Div), name
            assert not (isinstance(node, ast.Constant) and isinstance(node.value, float)), name
            assert not (isinstance(node, ast.Name) and node.id in {"float", "round", "math"}), name


# What the scale shows


class Still:
    """Conversions that alternate about a value, so that their mean is known exactly."""

    ceiling = 8_388_607
    least_noise = 0
    rate_hz = 10

    def __init__(self, counts=0):
        self.counts = counts
        self.sign = 1

    def convert(self):
        self.sign = -self.sign
        return self.counts + self.sign


@pytest.mark.parametrize("span", [8_388_000, -8_388_000, 7_919, -1_000_003])
@pytest.mark.parametrize("mass_ug", [50 * GRAM, 99_999_989])
def test_counts_become_micrograms_exactly(span, mass_ug):
    scale = weighing.Scale(Still(-17), Flash())
    assert scale.tare()
    scale.cell.counts = span - 17
    assert scale.calibrate(mass_ug)
    for counts in (0, 1, -1, span // 3, span, -span // 2):
        scale.cell.counts = counts - 17
        exact = Fraction(counts * mass_ug, span)
        assert abs(scale.weigh()[0] - exact) <= Fraction(1, 2)


def test_a_zero_that_is_wrong_cancels_in_a_difference():
    scale = calibrated()
    right = scale.weigh()[0]
    scale.cell.zero += 5_000
    wrong = scale.weigh()[0]
    assert wrong - right == pytest.approx(250_000, abs=1_500)
    scale.cell.mass_ug -= 300_000
    assert wrong - scale.weigh()[0] == pytest.approx(300_000, abs=1_500)


def test_independent_noise_gets_the_deviation_of_a_mean():
    """The variance of the mean of n independent samples is s^2/n (JCGM 100:2008, 4.2.3); on average ours is that, with
    Student's widening, within a fifth."""
    random = Random(4)
    ratio = []
    for _ in range(300):
        samples = [round(random.gauss(0, 10_000)) for _ in range(48)]
        variance = weighing.variance_of_mean([48 * x - sum(samples) for x in samples], 48)[0] / 48**2
        ratio.append(variance / (10_000**2 / 48))
    assert math.sqrt(sum(ratio) / len(ratio)) == pytest.approx(1.2, abs=0.2)


@pytest.mark.parametrize("kept", [0.3, 0.6, 0.75])
def test_correlated_noise_is_not_taken_for_independent(kept):
    """An autoregressive series of first order: the mean's variance is s^2/n (1 + r)/(1 - r) for long series (Box and
    Jenkins, Time Series Analysis; from memory)."""
    random = Random(5)
    ratio = []
    for _ in range(300):
        x = random.gauss(0, 10_000)
        samples = []
        for _ in range(48):
            x = kept * x + math.sqrt(1 - kept * kept) * random.gauss(0, 10_000)
            samples.append(round(x))
        variance = weighing.variance_of_mean([48 * x - sum(samples) for x in samples], 48)[0] / 48**2
        ratio.append(variance / (10_000**2 / 48 * (1 + kept) / (1 - kept)))
    assert 0.9 < math.sqrt(sum(ratio) / len(ratio)) < 1.5


def test_single_wild_conversions_do_not_count():
    calm, wild = calibrated(11), calibrated(11)
    wild.cell.given = 0
    wild.cell.knob = "spikes"  # 20 g each
    calm_ug, calm_sd = calm.weigh()
    wild_ug, wild_sd = wild.weigh()
    assert abs(wild_ug - calm_ug) < calm_sd
    assert wild_sd < 1.5 * calm_sd


def test_a_quarter_of_wild_samples_is_no_outlier_but_the_cells_own_scatter():
    samples = [0, 10, 20, 30] * 12 + [100_000] * 16
    marks = bytearray(64)
    assert weighing.mark_outlying(samples, marks) == 0
    assert not any(marks)


def test_noise_smaller_than_a_count_leaves_the_count_as_a_floor():
    """Rectangular over one count: q/sqrt(12) (JCGM 100:2008, F.2.2.1)."""
    cell = Cell(3)
    cell.least_noise = 0
    cell.per_g = 400
    cell.scatter = 0
    cell.convert = crossing(cell.convert)  # type: ignore[method-assign]
    scale = weighing.Scale(cell, Flash())
    assert scale.tare()
    cell.mass_ug = 50 * GRAM
    assert scale.calibrate(50 * GRAM)
    cell.mass_ug = 10_001_000
    mean, deviation = scale.weigh()
    assert deviation >= 2_500 / math.sqrt(12) * 0.999
    assert abs(mean - 10_001_000) <= 2_500


def crossing(convert):
    """Every twentieth conversion is one count higher."""
    count = 0

    def converted():
        nonlocal count
        count += 1
        return convert() + (count % 20 == 0)

    return converted


@pytest.mark.parametrize("rate_hz", [10, 80])
@pytest.mark.parametrize("tail_ug", [20_000, 100_000, 1_000_000])
def test_right_after_a_dose_it_waits_for_the_tail(rate_hz, tail_ug):
    scale = calibrated(2, rate_hz)
    scale.cell.given = 0
    scale.cell.tail_ug = tail_ug
    mean, deviation = scale.weigh()
    assert abs(mean - 20 * GRAM) < 4 * deviation
    assert scale.cell.given <= weighing.MOST_SAMPLES * rate_hz // 10


def test_a_weighing_never_takes_more_than_it_says():
    """A cell that never rests: 160 samples, and a deviation that covers the movement."""
    scale = calibrated(2)

    def pull():
        scale.cell.mass_ug -= 100_000
        return Cell.convert(scale.cell)

    scale.cell.convert = pull
    scale.cell.given = 0
    mean, deviation = scale.weigh()
    assert scale.cell.given == 160
    assert abs(mean - scale.cell.mass_ug) < 3 * deviation


def test_memory_holds_no_more_than_64_samples():
    assert len(weighing.Scale(Cell(), Flash())._samples) == 64


# What is no weight


@pytest.mark.parametrize(
    ("knob", "code"),
    [
        ("dead", "cell_dead"),
        ("saturated", "cell_saturated"),
        ("saturated_below", "cell_saturated"),
        ("stuck", "cell_stuck"),
        ("quiet", "cell_quiet"),
    ],
)
@pytest.mark.parametrize("rate_hz", [10, 80])
def test_a_cell_out_of_order_gives_no_weight_and_says_why(knob, code, rate_hz):
    scale = calibrated(1, rate_hz)
    scale.cell.knob = knob
    kept = dict(scale.flash.files)
    for does_it in (scale.weigh, scale.tare, lambda: scale.calibrate(5 * GRAM)):
        assert not does_it()
        assert scale.fault == code
        assert scale.detail == weighing.FAULTS[code]
    assert scale.flash.files == kept
    scale.cell.knob = None
    assert scale.weigh()
    assert scale.fault is None


def test_conversions_that_fail_now_and_then_are_no_fault():
    scale = calibrated(1)
    scale.cell.knob = "patchy"
    assert scale.weigh()[0] == pytest.approx(20 * GRAM, abs=2_000)
    assert scale.fault is None


def test_an_empty_flash_is_no_calibration_and_no_weight():
    scale = weighing.Scale(Cell(), Flash())
    assert scale.weigh() is None
    assert scale.fault == "scale_uncalibrated"
    assert scale.calibration == "none"


def test_every_cut_and_every_flipped_bit_of_the_file_is_damage_and_no_guess():
    flash = calibrated().flash
    good = flash.files["scale.bin"]
    for damaged in [good[:size] for size in range(len(good))] + [
        good[:at] + bytes([good[at] ^ 1 << at % 8]) + good[at + 1 :] for at in range(len(good))
    ]:
        flash.files["scale.bin"] = damaged
        scale = weighing.Scale(Cell(), flash)
        assert scale.weigh() is None
        assert scale.fault == "scale_damaged"
        assert scale.calibration == "damaged"


def test_after_damage_a_tare_alone_is_not_enough():
    flash = calibrated().flash
    flash.files["scale.bin"] = b"rubbish"
    scale = weighing.Scale(Cell(), flash)
    assert not scale.calibrate(50 * GRAM)
    assert "tare" in scale.detail
    assert scale.tare()
    assert scale.weigh() is None
    assert scale.fault == "scale_uncalibrated"
    scale.cell.mass_ug = 50 * GRAM
    assert scale.calibrate(50 * GRAM)
    assert scale.weigh()[0] == pytest.approx(50 * GRAM, abs=2_000)


# Calibrating


def test_the_calibration_outlives_a_restart():
    before = calibrated()
    after = weighing.Scale(Cell(9), before.flash)
    after.cell.mass_ug = 12 * GRAM
    assert after.weigh()[0] == pytest.approx(12 * GRAM, abs=2_000)
    assert after.calibration == before.calibration
    assert after.calibration.startswith("50.000 g = ")
    assert after.calibration.endswith(" counts, checked at 20.000 g")


def test_a_new_tare_moves_the_zero_and_keeps_the_span():
    scale = calibrated()
    assert scale.tare()
    scale.cell.mass_ug = 25 * GRAM
    assert scale.weigh()[0] == pytest.approx(5 * GRAM, abs=2_000)
    scale.cell.mass_ug = 30 * GRAM
    assert scale.calibrate(10 * GRAM), "the first mass after a tare begins a new calibration"
    assert scale.calibration.startswith("10.000 g = ")
    assert "checked" not in scale.calibration


@pytest.mark.parametrize(
    ("error_ppm", "taken"), [(0, True), (4_000, True), (-4_000, True), (6_000, False), (-6_000, False)]
)
def test_a_check_mass_may_differ_by_half_a_percent(error_ppm, taken):
    scale = weighing.Scale(Cell(), Flash())
    assert scale.tare()
    scale.cell.mass_ug = 50 * GRAM
    assert scale.calibrate(50 * GRAM)
    before = scale.calibration
    scale.cell.mass_ug = 20 * GRAM + 20 * error_ppm
    assert scale.calibrate(20 * GRAM) is taken
    assert (scale.fault is None) is taken
    if not taken:
        assert "20000000 ug" in scale.detail
        assert scale.calibration == before


def test_the_same_load_again_is_no_check():
    scale = weighing.Scale(Cell(), Flash())
    assert scale.tare()
    scale.cell.mass_ug = 50 * GRAM
    assert scale.calibrate(50 * GRAM)
    assert not scale.calibrate(50 * GRAM)
    assert "fifth" in scale.detail


@pytest.mark.parametrize("mass_ug", [0, -5])
def test_no_mass_calibrates_nothing(mass_ug):
    scale = weighing.Scale(Cell(), Flash())
    assert scale.tare()
    assert not scale.calibrate(mass_ug)
    assert scale.fault == "calibration_refused"


def test_a_mass_that_was_not_put_on_is_refused():
    scale = weighing.Scale(Cell(), Flash())
    assert scale.tare()
    assert not scale.calibrate(50 * GRAM)
    assert "noise" in scale.detail


def test_a_load_that_still_swings_is_neither_zero_nor_mass():
    scale = calibrated()
    kept = dict(scale.flash.files)
    for does_it in (scale.tare, lambda: scale.calibrate(20 * GRAM)):
        scale.cell.tail_ug = 200 * GRAM
        assert not does_it()
        assert "rest" in scale.detail
    assert scale.flash.files == kept


def test_a_flash_that_refuses_changes_nothing():
    scale = calibrated()
    before = scale.weigh()[0]
    scale.flash.full = True
    scale.cell.mass_ug = 30 * GRAM
    with pytest.raises(OSError, match="28"):
        scale.tare()
    scale.cell.mass_ug = 20 * GRAM
    assert scale.weigh()[0] == pytest.approx(before, abs=2_000)


# A real cell: deflection against load, NIST Statistical Reference Datasets, Pontius, first run of the data, with the
# certified deflection without load. Its curve bends by 1.3 % over the range.
PONTIUS_0 = 0.000673565789473684
PONTIUS = {300_000: 0.21956, 600_000: 0.43899, 750_000: 0.54803, 1_200_000: 0.87487, 2_100_000: 1.52399}


@pytest.mark.parametrize(("first", "second"), list(permutations(PONTIUS, 2)))
def test_the_check_mass_finds_how_a_real_cell_bends(first, second):
    scale = weighing.Scale(Still(round(4e6 * PONTIUS_0)), Flash())
    assert scale.tare()
    scale.cell.counts = round(4e6 * PONTIUS[first])
    assert scale.calibrate(10 * first)
    scale.cell.counts = round(4e6 * PONTIUS[second])
    shown = (PONTIUS[second] - PONTIUS_0) / (PONTIUS[first] - PONTIUS_0) * first
    assert scale.calibrate(10 * second) is (abs(shown / second - 1) < 0.005)
