"""Motor, conductivity inputs and button on simulated pins."""

import pytest
from chips import WRAP, Electrodes, MotorDriver, Pin, VirtualTime

from tareline.resources import load_firmware

stepper = load_firmware("stepper")
converter = load_firmware("converter")
button = load_firmware("button")
sensing = load_firmware("sensing")


def motor(chip, **how):
    return stepper.Stepper(chip.step, chip.direction, chip.enable, chip.time, **how)


def test_the_motor_makes_the_steps_asked_and_rests_without_current():
    chip = MotorDriver(VirtualTime())
    auger = motor(chip)
    assert not chip.coils_on
    assert auger.turn(20) == 20
    assert chip.position == 20
    assert not chip.coils_on
    assert auger.turn(0) == 0
    assert chip.position == 20


def test_steps_are_evenly_spaced_and_20_take_50_ms():
    chip = MotorDriver(VirtualTime(call_us=0))
    motor(chip).turn(20)
    gaps = {after - before for before, after in zip(chip.times_us, chip.times_us[1:], strict=False)}
    assert gaps == {2_500}


def test_the_direction_is_set_before_the_first_step():
    chip = MotorDriver(VirtualTime())
    motor(chip, forward=0).turn(7)
    assert chip.position == -7


def test_a_stall_ends_the_turn_and_only_steps_made_are_counted():
    chip = MotorDriver(VirtualTime(), stalls_after=12)
    assert motor(chip, stall=chip.stall).turn(20) == 12
    assert chip.position == 12
    assert not chip.coils_on


def test_the_coils_are_off_even_where_a_step_fails():
    chip = MotorDriver(VirtualTime())
    chip.on_step = lambda: (_ for _ in ()).throw(KeyboardInterrupt)
    auger = motor(chip)
    with pytest.raises(KeyboardInterrupt):
        auger.turn(20)
    assert not chip.coils_on


def test_the_motor_loop_takes_no_memory(monkeypatch):
    """Under CPython the lock is an event to be seen; portable_weighing.py turns a motor under the real one."""
    seen = []
    monkeypatch.setattr(stepper, "heap_lock", lambda: seen.append("locked"))
    monkeypatch.setattr(stepper, "heap_unlock", lambda: seen.append("unlocked"))
    chip = MotorDriver(VirtualTime())
    chip.on_step = lambda: seen.append("step") if seen[-1] != "step" else None
    motor(chip).turn(20)
    assert seen == ["locked", "step", "unlocked"]


def test_at_rest_the_motor_has_no_current_and_no_half_made_step():
    chip = MotorDriver(VirtualTime())
    auger = motor(chip)
    chip.enable.value(0)
    chip.step.value(1)
    auger.rest()
    assert not chip.coils_on
    assert chip.step.level == 0


def conductance_ns(cell):
    """What the probe's logic makes of one excitation."""
    probe = converter.ConverterInput(cell.drive_a, cell.drive_b, cell.input_a, cell.input_b, cell.time)
    uv, fault = sensing.assess(probe.read(), 3_300_000, 3_300_000)
    assert fault is None
    return sensing.conductance_ns(uv, 3_300_000, round(sum(cell.resistor_ohm)))


def by_direct_current(cell, ms=4):
    """The same cell read in one direction only, for as long as 32 conversions with pauses take."""
    cell.drive_a.value(1)
    cell.time.sleep_us(200)
    sums = []
    for _ in range(ms * 10):
        sums.append(2 * cell.input_b.read_uv())
        cell.time.sleep_us(40)
    cell.drive_a.value(0)
    return sensing.conductance_ns(sensing.median(sums), 3_300_000, round(sum(cell.resistor_ohm)))


def error(found_ns, water_ohm):
    return found_ns * water_ohm / 1e9 - 1


# Cell constant 100 per metre: water of 1 000, 420 and 100 uS/cm, and a soft one of 50.
WATERS = [1_000, 2_381, 10_000, 20_000]


@pytest.mark.parametrize("water_ohm", WATERS)
# Tarnished metal, smooth metal, platinum black. A conversion sees the end of its 60 us: not quite the middle.
@pytest.mark.parametrize(("layer_uf", "within"), [(2, 0.025), (10, 0.005), (1_000, 0.001)])
@pytest.mark.parametrize("own_v", [-0.1, 0.0, 0.1])
def test_alternating_excitation_reads_the_water_and_not_the_electrodes(water_ohm, layer_uf, within, own_v):
    cell = Electrodes(VirtualTime(), water_ohm, layer_uf=layer_uf, own_v=own_v)
    assert abs(error(conductance_ns(cell), water_ohm)) < within


def test_direct_current_reads_the_electrodes_too():
    """ISO 7888:1985 asks for alternating current against polarisation (from memory); here is how much it is."""
    polarised = [abs(error(by_direct_current(Electrodes(VirtualTime(), ohm)), ohm)) for ohm in WATERS[:2]]
    assert min(polarised) > 0.05
    unlike = [error(by_direct_current(Electrodes(VirtualTime(), 10_000, own_v=v)), 10_000) for v in (-0.1, 0.1)]
    assert unlike[0] - unlike[1] > 0.05
    for ohm in WATERS[:2]:
        assert abs(error(conductance_ns(Electrodes(VirtualTime(), ohm)), ohm)) < 0.005


@pytest.mark.parametrize("call_us", [0, 2, 10])
def test_no_net_current_flows_through_the_cell(call_us):
    cell = Electrodes(VirtualTime(call_us), 2_381)
    conductance_ns(cell)
    cell.settle()
    assert cell.moved_c > 1e-6
    assert abs(cell.charge_c) < 0.002 * cell.moved_c
    assert (cell.drive_a.level, cell.drive_b.level) == (0, 0)
    assert cell.most_driven_us < 700
    assert cell.driven_us < 25_000


def test_the_excitation_alternates_at_about_a_kilohertz():
    cell = Electrodes(VirtualTime(0), 2_381)
    conductance_ns(cell)
    assert 500 <= cell.most_driven_us <= 600
    assert cell.driven_us == pytest.approx(2 * converter.PAIRS * cell.most_driven_us, rel=0.05)


def test_unequal_resistors_change_nothing():
    """Kirchhoff: the sum of both drops is the current times the sum of both resistors."""
    cell = Electrodes(VirtualTime(), 2_381, resistor_ohm=(950, 1_050))
    assert abs(error(conductance_ns(cell), 2_381)) < 0.005


@pytest.mark.parametrize(("water_ohm", "fault"), [(1e9, "probe_dry"), (0.1, "probe_shorted")])
def test_a_cell_in_air_and_one_that_is_shorted_are_recognised(water_ohm, fault):
    cell = Electrodes(VirtualTime(), water_ohm, layer_uf=1e6)
    probe = converter.ConverterInput(cell.drive_a, cell.drive_b, cell.input_a, cell.input_b, cell.time)
    assert sensing.assess(probe.read(), 3_300_000, 3_300_000)[1] == fault


def test_a_converter_that_fails_leaves_the_cell_without_voltage():
    cell = Electrodes(VirtualTime(), 2_381)
    probe = converter.ConverterInput(cell.drive_a, cell.drive_b, cell.input_a, cell.input_b, cell.time)
    cell.fails = True
    assert probe.read() is None
    assert (cell.drive_a.level, cell.drive_b.level) == (0, 0)


class Finger:
    """A button's contact, looked at every 10 ms; tells what the button said and when."""

    def __init__(self, down=False):
        self.time = VirtualTime()
        self.pin = Pin(self.time, read=lambda: 0 if self.down else 1)
        self.down = down
        self.button = button.Button(self.pin, self.time)
        self.told = []

    def hold(self, down, ms):
        self.down = down
        for _ in range(ms // 10):
            self.time.sleep_ms(10)
            told = self.button.look()
            if told:
                self.told.append((told, self.down))
        return self

    def bounce(self):
        for down in (True, False, True, False, True, False):
            self.hold(down, 10)
        return self


def test_a_short_press_is_told_once_at_its_release():
    finger = Finger().hold(False, 100).hold(True, 200)
    assert finger.told == []
    finger.hold(False, 500)
    assert finger.told == [("short", False)]


def test_a_bouncing_contact_is_one_press():
    finger = Finger().hold(False, 100).bounce().hold(True, 200).bounce().hold(False, 500)
    assert finger.told == [("short", False)]


def test_bouncing_alone_is_no_press():
    assert Finger().hold(False, 100).bounce().hold(False, 500).told == []


def test_a_long_press_is_told_while_the_button_is_down_and_its_release_is_none():
    finger = Finger().hold(False, 100).hold(True, 2_900)
    assert finger.told == []
    finger.hold(True, 7_000)
    assert finger.told == [("long", True)]
    finger.hold(False, 500)
    assert finger.told == [("long", True)]
    finger.hold(True, 200).hold(False, 200)
    assert finger.told == [("long", True), ("short", False)]


def test_a_button_that_is_down_at_the_start_says_nothing_until_it_was_up():
    finger = Finger(down=True).hold(True, 10_000).hold(False, 200)
    assert finger.told == []
    assert finger.hold(True, 200).hold(False, 200).told == [("short", False)]


def test_a_press_across_the_wrap_of_the_tick_counter_is_one_press():
    finger = Finger()
    finger.hold(False, 100)
    finger.time.us = WRAP * 1000 - 1_500_000
    finger.hold(True, 4_000).hold(False, 200)
    assert finger.told == [("long", True)]
