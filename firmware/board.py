"""A board: the platform of runner.py on a microcontroller with Wi-Fi: ESP32, ESP32-S3, ESP32-C3, Pico W, Pico 2 W. What
these do in different ways is in board_esp32.py and board_rp2.py.

What can block here, and for how long: asking for the time over the network, a second and the look-up of a name, once
every six hours; nothing of it while a dose is under way. The watchdog bites after two minutes without a complete
control cycle.
"""

import binascii
import os
import sys
import time

import machine
import micropython
import network
import ntptime
import starter

try:
    import _onewire

    PORT_BUS = True
except ImportError:
    from onewire_bus import OneWireBus  # it takes memory only where the port has no bus of its own

    PORT_BUS = False

from ds18b20 import DS18B20
from ds3231 import DS3231
from files import Files
from runner import FIRMWARE, guarded
from sockets import Sockets

if sys.platform == "rp2":
    import board_rp2 as port
else:
    import board_esp32 as port

WATCHDOG_MS = 120000
ASK_TIME_MS = 6 * 3600000
ASK_AGAIN_MS = 60000
JOIN_AGAIN_MS = 30000
CALM_MS = 5000  # after an error, so that one that comes at every start does not wear out the flash
LEFT_MS = 15 * 60000  # how long the board stays at the prompt after Ctrl-C before it starts anew
CEILING_G_PER_DAY = 5
FOR_THE_START = ("setup_start", "setup_settings", "selfcheck")  # modules that nobody needs once the program runs
CLOCK_FIRST_S = 1735689600  # 2025: before that, this clock was never set; a Pico starts in 2021
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
    import setup_settings

    settings, _ = setup_settings.load(Files("/"))
    if settings is None:
        raise ValueError("settings.json cannot be read")
    return settings


def pin_number(settings, name):
    """The number of the pin of this name. Raises ValueError where the settings lack it."""
    if name not in settings["pins"]:
        raise ValueError("settings.json, pins: expected %s" % name)
    return settings["pins"][name]


def ceiling_ug(settings):
    """The most that this device gives in a day, above every plan. Raises ValueError."""
    grams = settings.get("ceiling_g_per_day", CEILING_G_PER_DAY)
    if isinstance(grams, bool) or not isinstance(grams, (int, float)) or not 0 < grams <= 1000:
        raise ValueError("settings.json, ceiling_g_per_day: expected grams above 0, at most 1000")
    return int(grams * 1000000 + 0.5)


class Board(Files):
    """What both kinds of device have: flash, network, clock, watchdog. dog: the running one of start()."""

    ticks_period = 1 << 30
    firmware = FIRMWARE

    def __init__(self, settings, dog, bitten):
        import setup_settings
        from selfcheck import damaged

        Files.__init__(self, "/")
        self.dog = dog
        self.watchdog_bit = bitten
        self.board = binascii.hexlify(machine.unique_id()).decode()
        code = Files("/" + (starter.running or ""))
        self.damaged_files = damaged(code, code) + setup_settings.damaged(self)
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
            self.wlan.connect(self.wifi["ssid"], self.wifi["password"] or None)
        except OSError:
            pass  # already on its way

    def ticks_ms(self):
        return time.ticks_ms()

    def now_ms(self):
        """UNIX milliseconds, or None while nobody has set the clock."""
        now_ms = time.time_ns() // 1000000 + EPOCH_S * 1000
        return now_ms if now_ms >= CLOCK_FIRST_S * 1000 else None

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
                self.clock.set_s(time.time() + EPOCH_S)
            except OSError:
                pass  # tried again with the next answer
        return True


def _page_served(settings, flash, feed):
    """Whether somebody has asked for the set-up page, and it was served."""
    import setup_start

    if not setup_start.wanted(settings, machine, time):
        return False
    setup_start.run(settings, flash, network, time, feed)
    return True


def start(platform, run):
    """Run this board's device, and start anew whenever that ends, but for Ctrl-C: that leads to the prompt, so that
    files can be copied. In any case the hardware is at rest then, the motor without current.

    After Ctrl-C the board starts anew by itself after LEFT_MS; see the ports' Watchdog.leave for what bars that.
    """
    bitten = port.bitten()
    dog = port.Watchdog(WATCHDOG_MS)
    made = []
    left = False

    def whole(_, __):
        settings = read_settings()
        made.append(platform(settings, dog, bitten))
        if not _page_served(settings, made[0], dog.feed):
            for name in FOR_THE_START:
                sys.modules.pop(name, None)  # what runs for months needs their memory
            run(made[0], settings)

    try:
        if not guarded(whole, Files("/"), None):
            dog.feed()
            time.sleep_ms(CALM_MS)
    except KeyboardInterrupt:
        left = True
    finally:
        micropython.kbd_intr(-1)  # whoever presses twice must not end what follows
        for device in made:
            device.rest()
        if left:
            dog.leave(LEFT_MS)
        else:
            port.restart()
    micropython.kbd_intr(3)
    print("Stopped. The board starts anew in %d minutes, or with Ctrl-D." % (LEFT_MS // 60000))
