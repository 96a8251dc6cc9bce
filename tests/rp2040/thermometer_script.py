"""Runs on the board: reads the thermometer, over the bus in Python or the port's own. settings.py has PORT_BUS."""

import time

import _onewire
import machine
import settings
from ds18b20 import DS18B20
from machine import Pin
from onewire_bus import OneWireBus


class PortBus:
    def __init__(self, pin):
        self.pin = pin

    def reset(self):
        return bool(_onewire.reset(self.pin))

    def write(self, byte):
        _onewire.writebyte(self.pin, byte)

    def read(self, size):
        return bytes([_onewire.readbyte(self.pin) for _ in range(size)])


pin = Pin(4, Pin.OPEN_DRAIN)
thermometer = DS18B20(PortBus(pin) if settings.PORT_BUS else OneWireBus(pin, time, machine), time)
for _ in range(2):
    print("read", thermometer.read(), thermometer.detail)
print("end")
