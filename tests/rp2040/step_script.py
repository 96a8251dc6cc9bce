"""Runs on the board: turns the auger, while a hard interrupt of 1 kHz runs. settings.py has STEPS: of each turn."""

import time

import machine
import settings
from machine import Pin
from stepper import Stepper

ticks = [0]


def tick(_timer):
    ticks[0] += 1


timer = machine.Timer(freq=1000, mode=machine.Timer.PERIODIC, callback=tick, hard=True)
stall = Pin(15, Pin.IN, Pin.PULL_DOWN)
motor = Stepper(Pin(18, Pin.OUT), Pin(19, Pin.OUT), Pin(20, Pin.OUT, value=1), time, 2500, 1, stall)
for steps in settings.STEPS:
    print("made", motor.turn(steps))
print("end", ticks[0])
