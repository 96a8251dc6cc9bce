"""The modules that only a board has, simulated as far as board*.py use them: machine, network, micropython and so on.

`Hardware` is one board: what it is told, and the clock of its virtual milliseconds. `Reset` is raised where it resets.
"""

import time as real_time
import types
from collections.abc import Callable
from datetime import datetime
from typing import Any


class ResetError(BaseException):
    """The board was reset, by the program or by its watchdog; nothing after it runs."""


class Hardware:
    """One board of a port, `esp32` or `rp2`; epoch: the year from which it counts."""

    PWRON_RESET, HARD_RESET, WDT_RESET, SOFT_RESET = 1, 2, 3, 5
    RP2040_WATCHDOG = 0x40058000
    ENABLE = 1 << 30

    def __init__(self, port: str, chip: str = "") -> None:
        self.port = port
        self.chip = chip or {"esp32": "ESP32", "rp2": "RP2040"}[port]
        self.ms = 1_000
        self.cause = self.PWRON_RESET
        self.unix_ms = 0  # of the clock, at ms 0
        self.bite_ms: int | None = None  # of the hardware's watchdog
        self.fed_at = 0
        self.registers: dict[int, int] = {}
        self.timers: list[Timer] = []
        self.pins: dict[int, Pin] = {}
        self.log: list[str] = []
        self.typed = True  # whether Ctrl-C is heard
        self.press_at: int | None = None  # Ctrl-C comes at this call of a pin or of a pause
        self.calls = 0
        self.hung = False  # the interpreter is busy in something that never ends: soft timers are not called

    def touch(self) -> None:
        self.calls += 1
        if self.typed and self.calls == self.press_at:
            raise KeyboardInterrupt

    # Time

    def spend(self, ms: int) -> None:
        """Let time pass: timers are called, and the watchdog bites."""
        end = self.ms + ms
        while self.ms < end and "bitten" not in self.log:
            due = [timer.due for timer in self.timers if timer.hard or not self.hung]
            bite_ms = self.bite_ms if self.enabled() else None
            if bite_ms is not None:
                due.append(self.fed_at + bite_ms)
            self.ms = max(self.ms + 1, min([end, *due]))
            for timer in list(self.timers):
                if self.ms >= timer.due and (timer.hard or not self.hung):
                    timer.call()
            if bite_ms is not None and self.ms >= self.fed_at + bite_ms:
                self.log.append("bitten")
                self.cause = self.WDT_RESET
                raise ResetError("watchdog")

    def watchdog_base(self) -> int:
        return 0x400D8000 if self.chip == "RP2350" else self.RP2040_WATCHDOG

    def enabled(self) -> bool:
        return self.port != "rp2" or bool(self.registers.get(self.watchdog_base(), 0) & self.ENABLE)

    def soft_reset(self) -> None:
        """What a soft reset leaves: the watchdog. Timers of the program are gone."""
        self.timers.clear()

    def restarted(self) -> "Hardware":
        """The same board after a restart: registers that outlive one, and the cause."""
        after = Hardware(self.port, self.chip)
        after.cause = self.cause
        after.registers = {at: value for at, value in self.registers.items() if at != self.watchdog_base()}
        return after

    def reset(self) -> None:
        if "bitten" in self.log:
            raise ResetError("watchdog")  # what runs on here runs nowhere
        self.log.append("reset")
        # The RP2's own way to restart is its watchdog.
        self.cause = self.WDT_RESET if self.port == "rp2" else self.SOFT_RESET
        raise ResetError("reset")

    # Modules

    def modules(self) -> dict[str, types.ModuleType]:
        hardware = self

        class WDT:
            def __init__(self, *, timeout: int) -> None:
                if hardware.port == "rp2":
                    if timeout > 8388:
                        raise ValueError("timeout exceeds 8388")
                    base = hardware.watchdog_base()
                    hardware.registers[base] = hardware.registers.get(base, 0) | hardware.ENABLE
                hardware.bite_ms = timeout
                hardware.fed_at = hardware.ms

            def feed(self) -> None:
                hardware.fed_at = hardware.ms

        class Memory:
            def __getitem__(self, at: int) -> int:
                return hardware.registers.get(at, 0)

            def __setitem__(self, at: int, value: int) -> None:
                assert 0 <= value < 1 << 32
                if "bitten" in hardware.log:
                    return
                hardware.registers[at] = value

        class ADC:
            ATTN_11DB = 3

            def __init__(self, pin: "Pin", **how: int) -> None:
                assert (how == {"atten": 3}) == (hardware.port == "esp32"), "the RP2 knows no attenuation"
                self.pin = pin
                if hardware.port == "esp32":
                    # The first ESP32 tells its calibrated offset where its code is 0 (from memory).
                    self.read_uv = lambda: pin.uv if pin.uv > 142_000 else 142_000

            def read_u16(self) -> int:
                if hardware.port == "esp32":
                    return 0 if self.pin.uv <= 142_000 else self.pin.uv // 50
                return self.pin.uv * 65_535 // 3_300_000

        pins = type("Pin", (Pin,), {"hardware": hardware})
        machine = module(
            "machine",
            WDT=WDT,
            Timer=type("Timer", (Timer,), {"hardware": hardware}),
            ADC=ADC,
            Pin=pins,
            RTC=lambda: types.SimpleNamespace(datetime=self._set_clock),
            SoftI2C=lambda **wires: self.i2c,
            mem32=Memory(),
            unique_id=lambda: b"\xe6\x61\x01",
            reset_cause=lambda: hardware.cause,
            reset=self.reset,
            disable_irq=lambda: 0,
            enable_irq=lambda state: None,
            **{name: getattr(self, name) for name in ("PWRON_RESET", "WDT_RESET", "SOFT_RESET")},
        )
        self.wlan = Wlan()
        return {
            "machine": machine,
            "micropython": module("micropython", kbd_intr=self._listen),
            "network": module("network", WLAN=lambda kind: self.wlan, STA_IF=0),
            "ntptime": module("ntptime", settime=self._ask_time),
            "time": self._time(),
            "_onewire": module("_onewire", reset=lambda pin: 0, writebyte=None, readbyte=None),
        }

    def _time(self) -> types.ModuleType:
        """The module time: an ESP32 counts its seconds from 2000, an RP2 from 1970."""
        epoch_s = 946_684_800 if self.port == "esp32" else 0

        def now_s() -> int:
            return (self.unix_ms + self.ms) // 1000 - epoch_s

        def sleep_ms(ms: int) -> None:
            self.touch()
            self.spend(ms)

        return module(
            "time",
            ticks_ms=lambda: self.ms,
            ticks_us=lambda: self.ms * 1000,
            ticks_diff=lambda end, start: end - start,
            sleep_ms=sleep_ms,
            sleep_us=lambda us: self.touch(),
            time=now_s,
            time_ns=lambda: now_s() * 1_000_000_000,
            gmtime=lambda s: tuple(real_time.gmtime(s + epoch_s)),
        )

    i2c: Any = None
    ntp: Callable[[], None] | None = None

    def _ask_time(self) -> None:
        if self.ntp is None:
            raise OSError(110)
        self.ntp()

    def _set_clock(self, moment: tuple[int, ...]) -> None:
        year, month, day, _weekday, hour, minute, second, _subsecond = moment
        self.log.append(f"clock {datetime(year, month, day, hour, minute, second)}")

    def _listen(self, char: int) -> None:
        self.typed = char == 3


def module(name: str, **content: Any) -> types.ModuleType:
    made = types.ModuleType(name)
    vars(made).update(content)
    return made


class Pin:
    """machine.Pin with what it was told."""

    IN, OUT, OPEN_DRAIN, PULL_UP = "in", "out", "open drain", "pull up"
    hardware: Hardware

    def __init__(self, number: int, mode: str = "in", pull: str | None = None, value: int | None = None) -> None:
        self.number = number
        self.mode = mode
        self.uv = 0
        before = self.hardware.pins.get(number)
        self.level: int = value if value is not None else before.level if before else 0
        self.hardware.pins[number] = self

    def value(self, level: int | None = None) -> int | None:
        self.hardware.touch()
        if level is None:
            return self.level
        self.level = level
        return None


class Timer:
    """machine.Timer; a soft one is called by the program's interpreter, a hard one by the interrupt."""

    ONE_SHOT, PERIODIC = 0, 1
    hardware: Hardware

    def __init__(self, number: int = -1, **how: Any) -> None:
        if how:
            self.init(**how)

    def init(self, *, mode: int, period: int, callback: Callable[["Timer"], None], hard: bool = False) -> None:
        self.mode, self.period, self.callback, self.hard = mode, period, callback, hard
        self.due = self.hardware.ms + period
        if self not in self.hardware.timers:
            self.hardware.timers.append(self)

    def call(self) -> None:
        self.due += self.period
        if self.mode == self.ONE_SHOT:
            self.hardware.timers.remove(self)
        self.callback(self)


class Wlan:
    """network.WLAN: is connected when told so."""

    def __init__(self) -> None:
        self.connected = False
        self.asked: list[tuple[str, str | None]] = []

    def active(self, on: bool) -> None:
        pass

    def isconnected(self) -> bool:
        return self.connected

    def connect(self, ssid: str, key: str | None) -> None:
        assert key is None or 8 <= len(key) <= 63, "an open network is joined without a key"
        self.asked.append((ssid, key))
