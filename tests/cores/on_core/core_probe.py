"""A probe's hardware on the emulated core. Runs under MicroPython."""

import core_board
from core_board import CONDUCTANCE_US, word
from journal import save_one
from probe_rig import run_probe


class ProbeCore(core_board.CoreBoard):
    """A cell in series with a kilo-ohm, as desk_probe.py has it, without noise but for the converter's steps."""

    excitation_uv = 3300000
    reference_ohm = 1000
    full_uv = 3100000

    def __init__(self, settings):
        core_board.CoreBoard.__init__(self, settings)
        if self.read("sensor.bin") is None:
            save_one(self, "sensor.bin", {"points": [[141300, 1413000]]})

    def converter_uv(self):
        conductance = word(CONDUCTANCE_US)
        uv = self.excitation_uv * conductance // (1000000 // self.reference_ohm + conductance)
        return [(uv + 700 * (n % 3)) // 806 * 806 for n in range(32)]


def start():
    core_board.start(ProbeCore, run_probe, ("converter",))
