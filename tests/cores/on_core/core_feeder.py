"""A feeder's hardware on the emulated core: a hopper whose content is a word. Runs under MicroPython."""

import time

import core_board
from core_board import (
    CELL_FAULT,
    DOSE_TURNS,
    DOSE_US,
    HOPPER_UG,
    MOST_DOSE_US,
    PRESS,
    STEP_US,
    STEPS,
    TRUE_GAIN_NG,
    VIRTUAL,
    pass_ms,
    put,
    word,
)
from feeder_rig import run_feeder
from weighing import Scale

CALIBRATING_UG = 50000000
COUNTS_PER_G = 17600
ZERO_COUNTS = 211000
NOISE_COUNTS = 70  # 4 mg


class Cell:
    """The driver's place: see desk_feeder.py."""

    ceiling = 8388607
    rate_hz = 10
    least_noise = 4

    def __init__(self):
        self.seed = 1
        self.bench_ug = None  # what hangs on it while it is calibrated

    def convert(self):
        if word(VIRTUAL):
            pass_ms(100)
        if word(CELL_FAULT):
            return None
        noise = 0
        for _ in range(4):  # of uniform ones, whose variance is a third of the square of their bound
            self.seed = (1103515245 * self.seed + 12345) & 0x7FFFFFFF
            noise += (self.seed >> 8) % (2 * NOISE_COUNTS) - NOISE_COUNTS
        load_ug = word(HOPPER_UG) if self.bench_ug is None else self.bench_ug
        return ZERO_COUNTS + load_ug // 1000 * COUNTS_PER_G // 1000 + noise * 866 // 1000


class Button:
    """Presses that the test asks for: 1 short, 2 long."""

    def look(self):
        pressed = word(PRESS)
        if pressed:
            put(PRESS, 0)
            return "short" if pressed == 1 else "long"
        return None


class FeederCore(core_board.CoreBoard):
    """Cell, auger and button. A turn of the loop in which the auger moved is measured as a dose's."""

    most_steps = 24000

    def __init__(self, settings):
        core_board.CoreBoard.__init__(self, settings)
        self.gain_ng = settings["gain_ng_per_step"]
        self.ceiling_ug = settings["ceiling_g_per_day"] * 1000000
        self.cell = Cell()
        self.button = Button()
        self.moved = False
        self.began = time.ticks_cpu()
        if self.read("scale.bin") is None:
            self._calibrate()

    def _calibrate(self):
        """What a maker does on the bench."""
        scale = Scale(self.cell, self)
        self.cell.bench_ug = 0
        scale.tare()
        self.cell.bench_ug = CALIBRATING_UG
        scale.calibrate(CALIBRATING_UG)
        self.cell.bench_ug = None

    def step(self, steps):
        self.moved = True
        pass_ms(steps * word(STEP_US) // 1000)
        put(STEPS, word(STEPS) + steps)
        put(HOPPER_UG, max(0, word(HOPPER_UG) - steps * word(TRUE_GAIN_NG) // 1000))
        return steps

    def end_cycle(self):
        if self.moved:
            took = ((time.ticks_cpu() - self.began) & 0x3FFFFFFF) // 25
            put(DOSE_TURNS, word(DOSE_TURNS) + 1)
            put(DOSE_US, word(DOSE_US) + took)
            put(MOST_DOSE_US, max(word(MOST_DOSE_US), took))
            self.moved = False
        core_board.CoreBoard.end_cycle(self)
        self.began = time.ticks_cpu()


def start():
    core_board.start(FeederCore, run_feeder, ("hx711", "button", "stepper"))
