"""A probe put together. Besides what runner.py names, the platform has what probe.py names under sensors."""

from probe import Probe
from runner import Seam, run


class ProbeSeam(Seam):
    """A probe's hardware."""

    def __init__(self, platform):
        Seam.__init__(self, platform)
        self.excitation_uv = platform.excitation_uv
        self.reference_ohm = platform.reference_ohm
        self.full_uv = platform.full_uv
        self.converter_uv = platform.converter_uv


def run_probe(platform, settings):
    """Run a probe until a restart is asked for or the platform has ended."""
    seam = ProbeSeam(platform)
    logic = Probe(seam, settings)

    def look():
        while seam.link.delivered:
            logic.on_delivered(seam.link.delivered.pop(0))

    run(seam, logic, settings, look)
