"""Motor, conductivity input and button on simulated pins."""

import pytest
from chips import WRAP, Electrodes, MotorDriver, Pin, VirtualTime

from tareline.resources import load_firmware

stepper = load_firmware("stepper")
converter = load_firmware("converter")
button = load_firmware("button")


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


def test_conductivity_is_read_while_the_cell_has_power_and_not_longer():
    time = VirtualTime()
    cell = Electrodes(time, uv=1_234_567)
    probe = converter.ConverterInput(cell, cell.power, time)
    assert probe.read() == [1_234_567] * converter.READINGS
    assert cell.power.level == 0
    assert cell.powered_us < 5_000


def test_a_converter_that_fails_leaves_the_cell_without_power():
    time = VirtualTime()
    cell = Electrodes(time, uv=1)
    probe = converter.ConverterInput(cell, cell.power, time)
    cell.fails = True
    assert probe.read() is None
    assert cell.power.level == 0


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
