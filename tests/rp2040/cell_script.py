"""Runs on the board: converts, while interrupts run, and says each conversion. settings.py, from the test, has

PIO: whether the RP2's own hardware makes the pulses, else the program; COUNT: conversions; RATE_HZ: the converter's;
HOLD: whether the driver may hold interrupts off; LONG_US: how long the interrupt takes that a rising pin 22 asks for;
TICK_HZ: a hard timer interrupt, 0 for none; MOST_US: what the driver takes for a pulse that is not too long, None for
its own figure.
"""

import time

import hx711
import machine
import settings
from machine import Pin

ticks = [0]


def tick(_timer):
    ticks[0] += 1


def disturb(_pin):
    time.sleep_us(settings.LONG_US)


if settings.MOST_US:
    hx711.LONGEST_US = settings.MOST_US
Pin(22, Pin.IN).irq(disturb, Pin.IRQ_RISING, hard=True)
if settings.TICK_HZ:
    timer = machine.Timer(freq=settings.TICK_HZ, mode=machine.Timer.PERIODIC, callback=tick, hard=True)
data, clock = Pin(16, Pin.IN), Pin(17, Pin.OUT)
if settings.PIO:
    from board_cell_pio import PioHX711

    cell = PioHX711(data, clock, time, settings.RATE_HZ)
else:
    cell = hx711.HX711(data, clock, time, machine if settings.HOLD else None, settings.RATE_HZ)
begun = time.ticks_ms()
for _ in range(settings.COUNT):
    print("cell", cell.convert())
print("end", ticks[0], time.ticks_diff(time.ticks_ms(), begun))
