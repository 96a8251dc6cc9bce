"""An HX711 clocked by a state machine of the RP2's PIO: no interrupt can lengthen a pulse. See hx711.py.

The state machine takes one word per run: the number of pulses less one in the lowest eight bits, above them how many
microseconds each pulse is lengthened. It answers with one word, the bits read. A run of one pulse of 100 us switches
the chip off. Registers and instructions: the RP2040's data sheet, chapter 3, from memory; the RP2350's are the same.
"""
# The instructions' names exist only where rp2.asm_pio runs the function.
# ruff: noqa: F403, F405

import rp2
from hx711 import HX711, OFF_US

TYPE_CHECKING = False
if TYPE_CHECKING:
    from rp2.asm_pio import *

MACHINE = 0  # of the first PIO: the Wi-Fi chip of a Pico W is driven by the second
CYCLE_HZ = 1000000
LONGEST_MS = 10  # of a run; 27 pulses take 0.2 ms


@rp2.asm_pio(sideset_init=rp2.PIO.OUT_LOW, in_shiftdir=rp2.PIO.SHIFT_LEFT, out_shiftdir=rp2.PIO.SHIFT_RIGHT)
def pulses():
    """High for 3 us and what is asked more, the data line looked at 2 us after the rise at the earliest; low for 3 us.
    The chip wants 0.2 us each, and its data stand 0.1 us after the rise."""
    pull(block).side(0)
    out(x, 8).side(0)
    label("pulse")
    mov(y, osr).side(1)
    label("high")
    jmp(y_dec, "high").side(1)
    in_(pins, 1).side(1)
    jmp(x_dec, "pulse").side(0)[2]
    push(block).side(0)


class PioHX711(HX711):
    """The chip on two pins, `machine.Pin` both; time and rate_hz as in hx711.py."""

    def __init__(self, data, clock, time, rate_hz=10, gain=128):
        self._machine = rp2.StateMachine(MACHINE)
        self._data, self._clock = data, clock
        self._begin()
        HX711.__init__(self, data, clock, time, None, rate_hz, gain)

    def _begin(self):
        """Start the state machine anew, with nothing left in its FIFOs."""
        self._machine.init(pulses, freq=CYCLE_HZ, in_base=self._data, sideset_base=self._clock)
        self._machine.active(1)

    def _run(self, count, longer_us):
        machine = self._machine
        begun = self._time.ticks_ms()
        machine.put(count - 1 | longer_us << 8)
        while True:
            late = self._passed(begun) > LONGEST_MS  # before the look: an interrupt may take longer than the run
            if machine.rx_fifo():
                return machine.get()
            if late:
                self._begin()
                return None

    def _clock_out(self, pulses):
        return self._run(pulses, 0)

    def _switch_off(self):
        self._run(1, OFF_US)
