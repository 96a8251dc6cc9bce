"""The example feeders where no client on the broker can look: an auger that gives too much, and a power cut in a dose.

Each runs as a program of its own, with the same two knobs in its environment: GAIN_TIMES and CUT_ONCE.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from beds import sketch
from breakers import EXAMPLES
from servers import Broker
from waiting import until

from tareline.conform.bench import Bench, Options
from tareline.conform.verdicts import Verdicts
from tareline.conform.wire import Wire

SIZE_G = 0.05
# For both interpreters: the example with hardware that obeys the knobs.
WRAPPER = """
import os, sys
sys.path.insert(0, {examples!r})
import {module} as example

class Odd(example.Hardware):
    def turn(self, steps):
        super().turn(steps * int(os.getenv("GAIN_TIMES") or 1))
        cut = os.getenv("CUT_ONCE")
        if cut:
            try:
                open(cut).close()
            except OSError:
                open(cut, "w").close()
                sys.exit(1)  # no `except Exception` stops it

example.run("{name}", "127.0.0.1", {port}, {flash!r}, Odd())
"""


class Example:
    """One example feeder as a process, and the service's side of its wire."""

    def __init__(self, language: str, broker: Broker, folder: Path, **knobs: str) -> None:
        self.name = f"{language}-feeder"
        self._environment = {**os.environ, **knobs}
        self._folder = folder
        port = broker.port
        if language == "sketch":
            program = sketch("feeder", self.name, folder)
            self._command = [program, "127.0.0.1", str(port), str(folder / "flash.bin")]
        else:
            script = folder / "odd.py"
            text = WRAPPER.format(
                examples=str(EXAMPLES),
                module=f"feeder_{language}",
                name=self.name,
                port=port,
                flash=str(folder / "flash"),
            )
            script.write_text(text)
            runtime = sys.executable if language == "cpython" else str(Path(sys.executable).with_name("micropython"))
            self._command = [runtime, str(script)]
        self.process: subprocess.Popen[bytes] | None = None
        self.wire = Wire(broker.url, "tareline", self.name, None)
        self.bench = Bench(self.wire, Options("feeder", dose_g=SIZE_G, patience_s=20.0), Verdicts("feeder"))
        self.start()
        assert self.bench.message("hello") is not None  # now it reads what goes down
        self.bench.ready()

    def start(self) -> None:
        with (self._folder / "log").open("ab") as log:
            self.process = subprocess.Popen(self._command, env=self._environment, stdout=log, stderr=log)

    def close(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)
        self.wire.close()


@pytest.fixture(params=["cpython", "micropython", "sketch"])
def language(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_an_auger_that_gives_four_times_too_much_stops_itself(language: str, broker: Broker, tmp_path: Path) -> None:
    made = Example(language, broker, tmp_path, GAIN_TIMES="4")
    try:
        bench = made.bench
        doses = [bench.dispense()[1] for _ in range(3)]
        assert [dose and dose["outcome"] for dose in doses] == ["over", "over", "held"]
        assert doses[0] is not None
        assert doses[2] is not None
        assert doses[2]["steps"] == 0
        assert [fault["code"] for fault in bench.all("fault")] == ["stopped_over"]
        # A hold that began after the stop, and its release, end it; over a restart it stays.
        bench.restart()
        assert (bench.dispense()[1] or {})["outcome"] == "held"
        bench.hold(True)
        bench.hold(False)
        bench.settle()
        # The cap counts what the cell has shown beyond doubt: 0.4 g less four deviations of each dose, not the 0.1 g
        # that were asked for.
        bench.plan(cap_g=0.4 - 2 * 4 * doses[0]["sd_g"] - 0.001)
        bench.settle()
        last = bench.dispense()[1] or {}
        assert (last["outcome"], last["steps"]) == ("capped", 0)
    finally:
        made.close()


def test_power_that_goes_in_a_dose_costs_that_dose(language: str, broker: Broker, tmp_path: Path) -> None:
    made = Example(language, broker, tmp_path, CUT_ONCE=str(tmp_path / "cut"))
    try:
        bench = made.bench
        bench.plan(cap_g=SIZE_G + 0.02)
        bench.settle()
        command = bench.command("dispense", 600_000, target_g=SIZE_G)
        assert made.process is not None
        until(lambda: made.process is not None and made.process.poll() is not None, what="the power to go")
        made.start()
        dose = bench.message("dose", outcome="interrupted")
        assert dose is not None
        assert (dose["cause"], dose["target_g"], dose["before_g"]) == ("command", SIZE_G, None)
        bench.say("command", command)
        left = bench.dispense()[1] or {}
        assert (left["outcome"], left["seq"]) == ("capped", dose["seq"] + 1)  # the command acted once
        assert left["steps"] * 0.001 <= 0.02 + 0.001  # the cap counts the interrupted dose in full
    finally:
        made.close()
