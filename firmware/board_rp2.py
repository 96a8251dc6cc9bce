"""What a Pico W or Pico 2 W does in its own way: watchdog, restart, analog inputs. Registers: the data sheets of the
RP2040 (chapter 4.7) and of the RP2350 (12.9), from memory.

The hardware's watchdog counts to 8.4 s at most, and a weighing may take 24. So an interrupt feeds it every second for
as long as the program has completed a control cycle within its own time. A program that hangs is restarted when that
time and 8 s are over; a core that hangs, or interrupts that no longer come, after 8 s.
"""

import os
import time

import machine
from board_cell_pio import PioHX711 as LoadCell
from machine import Timer

__all__ = ("AnalogInput", "LoadCell", "Watchdog", "bitten", "restart")

HARDWARE_MS = 8000
LOOK_MS = 1000
REFERENCE_UV = 3300000  # the converter's reference is the supply, which also drives the conductivity cell
FULL = 65535
CONTROL = 0x400D8000 if "RP2350" in os.uname().machine else 0x40058000  # WATCHDOG: its CTRL
ENABLE = 1 << 30
SCRATCH = CONTROL + 0x0C  # SCRATCH0 keeps its content over every restart that is not a power-up
RUNNING = 0x746C6E31  # there while the program runs: who finds it at a start was not let go


class Watchdog:
    """Restarts the board when feed() was not called for timeout_ms and HARDWARE_MS."""

    def __init__(self, timeout_ms):
        self._timeout_ms = timeout_ms
        self.feed()
        machine.mem32[SCRATCH] = RUNNING
        self._dog = machine.WDT(timeout=HARDWARE_MS)
        self._timer = Timer(-1, mode=Timer.PERIODIC, period=LOOK_MS, callback=self._look, hard=True)

    def feed(self):
        self._fed_at = time.ticks_ms()

    def _look(self, _):
        """Called by the interrupt itself, whatever the program does: nothing here may take memory."""
        if time.ticks_diff(time.ticks_ms(), self._fed_at) < self._timeout_ms:
            self._dog.feed()

    def leave(self, ms):
        """For somebody at the prompt: the board restarts after so long. A soft reset, as mpremote makes one, takes the
        timer away, and then nothing restarts it: MicroPython cannot stop the watchdog, but its enable bit can."""
        machine.mem32[SCRATCH] = 0
        machine.mem32[CONTROL] = machine.mem32[CONTROL] & ~ENABLE
        self._timer.init(mode=Timer.ONE_SHOT, period=ms, callback=restart, hard=False)


class AnalogInput:
    """An input of the converter: 12 bits of its reference, GPIO 26 to 28."""

    def __init__(self, pin):
        self._adc = machine.ADC(pin)

    def read_uv(self):
        return self._adc.read_u16() * REFERENCE_UV // FULL


def bitten():
    """Whether the watchdog made this start. The chip itself restarts by its watchdog when asked to, so its own word
    does not tell."""
    return machine.reset_cause() == machine.WDT_RESET and machine.mem32[SCRATCH] == RUNNING


def restart(_=None):
    machine.mem32[SCRATCH] = 0
    machine.reset()
