"""A board: the platform of runner.py on a microcontroller with Wi-Fi (ESP32 first).

What can block here, and for how long: asking for the time over the network, a second and the look-up of a name, once
every six hours; nothing of it while a dose is under way. The watchdog bites after two minutes without a complete
control cycle.
"""

import binascii
import json
import os
import time

import machine
import network
import ntptime

try:
    import _onewire

    PORT_BUS = True
except ImportError:
    PORT_BUS = False

from ds18b20 import DS18B20
from ds3231 import DS3231
from files import Files
from onewire_bus import OneWireBus
from runner import FIRMWARE, guarded
from selfcheck import damaged
from sockets import Sockets

SETTINGS = "settings.json"
WATCHDOG_MS = 120000
ASK_TIME_MS = 6 * 3600000
ASK_AGAIN_MS = 60000
JOIN_AGAIN_MS = 30000
CALM_MS = 5000  # after an error, so that one that comes at every start does not wear out the flash
CLOCK_FIRST_S = 1577836800  # 2020: before that, this clock was never set
# A board counts its time from 1970 or from 2000.
EPOCH_S = 946684800 if time.gmtime(0)[0] == 2000 else 0


class PortBus:
    """The 1-Wire bus in the port's own code, which keeps its times better than Python can; see onewire_bus.py."""

    def __init__(self, pin):
        self._pin = pin

    def reset(self):
        return bool(_onewire.reset(self._pin))

    def write(self, byte):
        _onewire.writebyte(self._pin, byte)

    def read(self, size):
        return bytes([_onewire.readbyte(self._pin) for _ in range(size)])


class WifiSockets(Sockets):
    """Connections over Wi-Fi: without it none is tried, since looking up a name would only block."""

    def __init__(self, settings, wlan):
        Sockets.__init__(self, settings)
        self._wlan = wlan

    def open(self):
        if not self._wlan.isconnected():
            raise OSError("no network")
        return Sockets.open(self)


def thermometer(number):
    """The DS18B20 on this pin."""
    pin = machine.Pin(number, machine.Pin.OPEN_DRAIN)
    return DS18B20(PortBus(pin) if PORT_BUS else OneWireBus(pin, time, machine), time)


def read_settings():
    """What `tareline flash` has prepared for this board."""
    with open(SETTINGS) as file:
        return json.load(file)


class Board(Files):
    """What both kinds of device have: flash, network, clock, watchdog."""

    ticks_period = 1 << 30
    firmware = FIRMWARE

    def __init__(self, settings):
        self.dog = machine.WDT(timeout=WATCHDOG_MS)
        Files.__init__(self, "/")
        self.watchdog_bit = machine.reset_cause() == machine.WDT_RESET
        self.board = binascii.hexlify(machine.unique_id()).decode()
        self.damaged_files = damaged(self, self)
        self.pins = settings["pins"]
        self.wifi = settings["wifi"]
        self.wlan = network.WLAN(network.STA_IF)
        self.wlan.active(True)
        self.sockets = WifiSockets(settings, self.wlan)
        self.joined_at = None
        self.asked_at = None
        self.ask_ms = 0
        self.clock = None
        if "clock_sda" in self.pins:
            sda, scl = machine.Pin(self.pins["clock_sda"]), machine.Pin(self.pins["clock_scl"])
            self._set_from(DS3231(machine.SoftI2C(sda=sda, scl=scl)))
        self.join()

    def _set_from(self, clock):
        """Take the time from a clock with a battery, where there is one."""
        try:
            at_s = clock.read_s()
        except OSError:
            return
        self.clock = clock
        if at_s is not None and at_s >= CLOCK_FIRST_S:
            moment = time.gmtime(at_s - EPOCH_S)
            machine.RTC().datetime((moment[0], moment[1], moment[2], moment[6], moment[3], moment[4], moment[5], 0))

    def join(self):
        """Ask for the network; the driver goes on by itself."""
        self.joined_at = time.ticks_ms()
        try:
            self.wlan.connect(self.wifi["ssid"], self.wifi["password"])
        except OSError:
            pass  # already on its way

    def ticks_ms(self):
        return time.ticks_ms()

    def now_ms(self):
        return time.time_ns() // 1000000 + EPOCH_S * 1000

    def random_id(self):
        return binascii.hexlify(os.urandom(6)).decode()

    def ended(self):
        return False

    def end_cycle(self):
        """Feed the watchdog; look after network and clock."""
        self.dog.feed()
        now = time.ticks_ms()
        if not self.wlan.isconnected():
            if time.ticks_diff(now, self.joined_at) >= JOIN_AGAIN_MS:
                self.join()
        elif self.asked_at is None or time.ticks_diff(now, self.asked_at) >= self.ask_ms:
            self.asked_at = now
            self.ask_ms = ASK_TIME_MS if self._ask_time() else ASK_AGAIN_MS

    def _ask_time(self):
        try:
            ntptime.settime()
        except (OSError, OverflowError):
            return False
        if self.clock is not None:
            try:
                self.clock.set_s(self.now_ms() // 1000)
            except OSError:
                pass  # tried again with the next answer
        return True


def start(platform, run):
    """Run this board's device, and start anew whenever that ends."""
    settings = read_settings()
    try:
        if not guarded(run, platform(settings), settings):
            time.sleep_ms(CALM_MS)
    finally:
        machine.reset()
