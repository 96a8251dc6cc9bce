"""What an ESP32, ESP32-S3 or ESP32-C3 does in its own way: watchdog, restart, the chips' clock line, analog inputs."""

import machine
from board_cell_rmt import RmtHX711 as LoadCell

__all__ = ("AnalogInput", "LoadCell", "Watchdog", "bitten", "restart")


class Watchdog:
    """Restarts the board when feed() was not called for timeout_ms."""

    def __init__(self, timeout_ms):
        self._dog = machine.WDT(timeout=timeout_ms)
        self.feed = self._dog.feed

    def leave(self, ms):
        """For somebody at the prompt: the board restarts after so long. It holds over a soft reset, as mpremote makes
        one; the watchdog cannot be stopped, but its time can be set anew."""
        machine.WDT(timeout=ms).feed()


class AnalogInput:
    """An input of the converter, calibrated by the chip's maker. machine.ADC reads 0 to 3.1 V at this attenuation (the
    C3 to 2.5 V); the first ESP32 gives its code 0 for all that lies under some 0.14 V, which read_uv would tell as that
    much (from memory). Here it is nothing."""

    def __init__(self, pin):
        self._adc = machine.ADC(pin, atten=machine.ADC.ATTN_11DB)

    def read_uv(self):
        return self._adc.read_uv() if self._adc.read_u16() else 0


def bitten():
    """Whether the watchdog made this start."""
    return machine.reset_cause() == machine.WDT_RESET


def restart():
    machine.reset()
