"""On the board of the tests: the network's time, which is what it was when the power came and what has passed since."""

import time

import machine


def settime():
    with open("power_s.txt") as file:
        now = time.gmtime(int(file.read()) + time.ticks_ms() // 1000)
    machine.RTC().datetime((now[0], now[1], now[2], now[6], now[3], now[4], now[5], 0))
