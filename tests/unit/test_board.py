"""The boards' own files on simulated boards: how they start, what restarts them, how they are left, what they read."""

import binascii  # noqa: F401
import importlib
import json
import os
import select  # noqa: F401
import socket  # noqa: F401
import ssl  # noqa: F401 - these load the real module `time`, so they come before it is another one
import sys
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from boardware import Hardware, ResetError, module
from pulse_makers import Rp2

from tareline.resources import firmware_dir, load_firmware

pins = load_firmware("pins")
NEVER_SET_MS = {"esp32": 946_684_800_000, "rp2": 1_609_459_200_000}  # 2000 and 2021: what their clocks show at power-up
BOARDS = [("esp32", "ESP32"), ("esp32", "ESP32S3"), ("esp32", "ESP32C3"), ("rp2", "RP2040"), ("rp2", "RP2350")]
PORTS = [("esp32", "ESP32"), ("rp2", "RP2040"), ("rp2", "RP2350")]
every = pytest.mark.parametrize(("port", "chip"), BOARDS)
each = pytest.mark.parametrize(("port", "chip"), PORTS)
TABLES = {"ESP32": "esp32", "ESP32S3": "esp32-s3", "ESP32C3": "esp32-c3", "RP2040": "pico-w", "RP2350": "pico-2-w"}


class Machine:
    """A PIO's state machine that finishes every run at once: what it does is tested elsewhere."""

    def __init__(self, number: int) -> None:
        self.init = self.active = self.put = lambda *given, **how: None
        self.rx_fifo = lambda: 1
        self.get = lambda: 0


class Channel:
    """A channel of the RMT, likewise."""

    def __init__(self, pin: Any, resolution_hz: int, idle_level: bool) -> None:
        self.write_pulses = lambda durations, level: None
        self.wait_done = lambda timeout: True


class Bench:
    """Powers simulated boards, with a folder for their flash."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder = folder
        self.monkeypatch = monkeypatch
        monkeypatch.chdir(folder)

    def settings(self, kind: str, chip: str, **more: Any) -> dict[str, Any]:
        table = dict(pins.BOARDS[TABLES[chip]][kind])
        table.pop("clock_sda")
        table.pop("clock_scl")
        link = {"device": "d", "host": "192.0.2.1", "port": 1883, "tls": False, "ca": None}
        settings = {**link, "wifi": {"ssid": "home", "password": ""}, "pins": table, **more}
        return settings | ({"gain_ng_per_step": 1_200_000} if kind == "feeder" else {"reference_ohm": 1000})

    def power(self, hardware: Hardware, kind: str = "feeder") -> Any:
        """The module board_{kind} as this board loads it; `board` is on it."""
        for name in {path.stem for path in firmware_dir().glob("*.py")} & set(sys.modules):
            if Path(getattr(sys.modules[name], "__file__", None) or "").parent == firmware_dir():
                del sys.modules[name]
        if hardware.unix_ms == 0:
            hardware.unix_ms = NEVER_SET_MS[hardware.port]
        others = {
            "rp2": module("rp2", PIO=Rp2.PIO, asm_pio=Rp2.asm_pio, StateMachine=Machine),
            "esp32": module("esp32", RMT=Channel),
        }
        for name, content in (hardware.modules() | {hardware.port: others[hardware.port]}).items():
            self.monkeypatch.setitem(sys.modules, name, content)
        self.monkeypatch.syspath_prepend(str(firmware_dir()))  # also for what is imported when it is needed
        with self.monkeypatch.context() as loading:
            loading.setattr(sys, "platform", hardware.port)
            loading.setattr(os, "uname", lambda: types.SimpleNamespace(machine="A board with " + hardware.chip))
            program = __import__("board_" + kind)
        files = sys.modules["files"].Files
        folder = str(self.folder)
        before = files.__init__
        self.monkeypatch.setattr(files, "__init__", lambda flash, path: before(flash, folder if path == "/" else path))
        return program

    def write(self, settings: dict[str, Any]) -> None:
        (self.folder / "settings.json").write_text(json.dumps(settings))

    def start(self, hardware: Hardware, kind: str, run: Callable[[Any, Any], None], **more: Any) -> Any:
        """Start a board whose device does what `run` does; `made` on the result has the platform."""
        program = self.power(hardware, kind)
        self.write(self.settings(kind, hardware.chip, **more))
        made = []

        def whole(platform: Any, settings: Any) -> None:
            made.append(platform)
            run(platform, settings)

        ended = None
        try:
            program.board.start(getattr(program, kind.capitalize() + "Board"), whole)
        except ResetError as error:
            ended = str(error)
        return types.SimpleNamespace(platform=made[0] if made else None, ended=ended, program=program)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    before = dict(sys.modules)
    yield Bench(tmp_path, monkeypatch)
    for name in list(sys.modules):
        if Path(getattr(sys.modules[name], "__file__", None) or "").parent == firmware_dir():
            del sys.modules[name]
    # Other tests of this process may have loaded the firmware's modules for themselves.
    for name, module_before in before.items():
        sys.modules.setdefault(name, module_before)


def motor_off(hardware: Hardware, chip: str) -> bool:
    table = pins.BOARDS[TABLES[chip]]["feeder"]
    enable, step = hardware.pins[table["motor_enable"]], hardware.pins[table["motor_step"]]
    return enable.mode == "out" and enable.level == 1 and step.level == 0


@every
@pytest.mark.parametrize("kind", ["feeder", "probe"])
def test_every_board_starts_with_the_pins_of_its_table(bench: Bench, port: str, chip: str, kind: str) -> None:
    hardware = Hardware(port, chip)
    done = bench.start(hardware, kind, lambda platform, settings: None)
    assert done.ended == "reset"
    assert hardware.log == ["reset"]
    assert done.platform.board == "e66101"
    assert done.platform.watchdog_bit is False
    assert done.platform.now_ms() is None, "a clock that nobody has set is none"
    assert hardware.wlan.asked == [("home", None)]
    table = {number for name, number in pins.BOARDS[TABLES[chip]][kind].items() if not name.startswith("clock_")}
    assert set(hardware.pins) == table
    if kind == "feeder":
        assert motor_off(hardware, chip)


@pytest.mark.parametrize(
    ("given", "ceiling_ug"), [({}, 5_000_000), ({"ceiling_g_per_day": 0.25}, 250_000), ({"ceiling_g_per_day": 40}, 4e7)]
)
def test_the_ceiling_of_the_device_is_in_its_settings(bench: Bench, given: dict[str, float], ceiling_ug: int) -> None:
    done = bench.start(Hardware("rp2"), "feeder", lambda platform, settings: None, **given)
    assert done.platform.ceiling_ug == ceiling_ug
    assert isinstance(done.platform.ceiling_ug, int)


@pytest.mark.parametrize("bad", [0, -1, "5", None, True, 1001, float("nan")])
def test_a_ceiling_that_is_none_is_refused_by_its_name(bench: Bench, bad: Any, capsys: Any) -> None:
    done = bench.start(Hardware("rp2"), "feeder", lambda platform, settings: None, ceiling_g_per_day=bad)
    assert (done.platform, done.ended) == (None, "reset")
    assert b"ceiling_g_per_day: expected grams above 0" in (bench.folder / "crash.bin").read_bytes()


# The watchdog


@each
def test_a_weighing_of_24_s_and_a_dose_of_a_minute_are_no_hang(bench: Bench, port: str, chip: str) -> None:
    hardware = Hardware(port, chip)

    def run(platform: Any, settings: Any) -> None:
        for _ in range(3):
            hardware.spend(24_000 + 60_000 + 24_000)
            platform.end_cycle()

    assert bench.start(hardware, "feeder", run).ended == "reset"


@each
@pytest.mark.parametrize("hung", [False, True])
def test_a_program_that_hangs_is_restarted_and_tells_it(bench: Bench, port: str, chip: str, hung: bool) -> None:
    hardware = Hardware(port, chip)

    def run(platform: Any, settings: Any) -> None:
        hardware.spend(1_000)
        platform.end_cycle()
        hardware.hung = hung  # in a loop of the program's, or inside of the interpreter
        hardware.spend(1_000_000)

    begun = hardware.ms
    assert bench.start(hardware, "feeder", run).ended == "watchdog"
    assert 120_000 <= hardware.ms - begun <= 130_000
    after = hardware.restarted()
    assert bench.start(after, "feeder", lambda platform, settings: None).platform.watchdog_bit is True
    # That one ended by itself: the next start was not the watchdog's.
    assert bench.start(after.restarted(), "feeder", lambda platform, settings: None).platform.watchdog_bit is False


def test_a_pico_whose_interrupts_no_longer_come_is_restarted_within_nine_seconds(bench: Bench) -> None:
    hardware = Hardware("rp2")

    def run(platform: Any, settings: Any) -> None:
        hardware.timers.clear()
        hardware.spend(9_000)

    assert bench.start(hardware, "feeder", run).ended == "watchdog"


# How it is left


@pytest.mark.slow
@each
def test_ctrl_c_at_any_moment_of_a_turn_leads_to_the_prompt_with_the_motor_off(
    bench: Bench, port: str, chip: str
) -> None:
    pressed = 0
    for press_after in range(1, 32):
        hardware = Hardware(port, chip)

        def run(platform: Any, settings: Any, hardware: Hardware = hardware, press_after: int = press_after) -> None:
            hardware.press_at = hardware.calls + press_after
            platform.step(5)
            hardware.press_at = None
            raise KeyboardInterrupt

        done = bench.start(hardware, "feeder", run)
        assert done.ended is None
        assert hardware.log == []
        assert motor_off(hardware, chip)
        assert hardware.typed
        pressed += hardware.press_at is not None
    assert 20 < pressed < 31, "some came after the turn"


@each
def test_at_the_prompt_there_are_fifteen_minutes_then_the_board_starts_anew(bench: Bench, port: str, chip: str) -> None:
    hardware = Hardware(port, chip)

    def run(platform: Any, settings: Any) -> None:
        raise KeyboardInterrupt

    bench.start(hardware, "feeder", run)
    hardware.spend(14 * 60_000)
    with pytest.raises(ResetError):
        hardware.spend(2 * 60_000)
    after = bench.start(hardware.restarted(), "feeder", lambda platform, settings: None).platform
    assert after.watchdog_bit is (port == "esp32"), "there the watchdog is what ends the wait"


@each
def test_files_can_be_copied_after_the_soft_reset_that_copying_begins_with(bench: Bench, port: str, chip: str) -> None:
    hardware = Hardware(port, chip)

    def run(platform: Any, settings: Any) -> None:
        hardware.spend(100_000)
        raise KeyboardInterrupt

    bench.start(hardware, "feeder", run)
    hardware.soft_reset()
    hardware.spend(10 * 60_000)
    # And when the program is started again, it is watched again.
    hardware.cause = Hardware.SOFT_RESET if port == "esp32" else Hardware.PWRON_RESET
    assert bench.start(hardware, "feeder", lambda platform, settings: hardware.spend(140_000)).ended == "watchdog"


@each
@pytest.mark.parametrize("end", [ValueError("what nobody expected"), SystemExit(), MemoryError(), None])
def test_every_other_end_restarts_the_board_with_the_motor_off(
    bench: Bench, port: str, chip: str, end: BaseException | None
) -> None:
    hardware = Hardware(port, chip)

    def run(platform: Any, settings: Any) -> None:
        hardware.pins[pins.BOARDS[TABLES[chip]]["feeder"]["motor_enable"]].value(0)
        if end is not None:
            raise end

    assert bench.start(hardware, "feeder", run).ended == "reset"
    assert motor_off(hardware, chip)
    expected = isinstance(end, Exception)
    assert (bench.folder / "crash.bin").exists() == expected
    assert (hardware.ms >= 5_000) == expected, "one that comes at every start does not wear out the flash"


def test_a_second_ctrl_c_cannot_end_what_the_first_began(bench: Bench) -> None:
    hardware = Hardware("rp2")
    heard = []

    def run(platform: Any, settings: Any) -> None:
        platform.rest = lambda: heard.append(hardware.typed)
        raise KeyboardInterrupt

    bench.start(hardware, "feeder", run)
    assert heard == [False]
    assert hardware.typed


@each
def test_settings_that_are_missing_or_lack_a_pin_are_told_and_never_turn_the_motor(
    bench: Bench, port: str, chip: str
) -> None:
    hardware = Hardware(port, chip)
    program = bench.power(hardware)
    with pytest.raises(ResetError):
        program.board.start(program.FeederBoard, lambda platform, settings: None)
    settings = bench.settings("feeder", chip)
    del settings["pins"]["thermometer"]
    bench.write(settings)
    hardware = Hardware(port, chip)
    program = bench.power(hardware)
    with pytest.raises(ResetError):
        program.board.start(program.FeederBoard, lambda platform, settings: None)
    assert b"settings.json, pins: expected thermometer" in (bench.folder / "crash.bin").read_bytes()
    assert motor_off(hardware, chip)


# What it reads


@each
def test_the_time_is_unix_time_whatever_year_the_board_counts_from(bench: Bench, port: str, chip: str) -> None:
    hardware = Hardware(port, chip)
    hardware.unix_ms = 1_795_000_000_000  # November 2026
    platform = bench.start(hardware, "probe", lambda platform, settings: None).platform
    assert platform.now_ms() == (hardware.unix_ms + hardware.ms) // 1000 * 1000


@each
def test_a_clock_with_a_battery_sets_the_boards_and_is_set_from_the_network(bench: Bench, port: str, chip: str) -> None:
    hardware = Hardware(port, chip)
    registers = {0x0F: 0}
    # 2026-11-25 08:07:06 UTC, in binary-coded decimal (data sheet of the DS3231, from memory)
    registers.update(enumerate([0x06, 0x07, 0x08, 0x03, 0x25, 0x11, 0x26]))

    class Bus:
        @staticmethod
        def readfrom_mem(address: int, at: int, size: int) -> bytes:
            return bytes(registers[at + k] for k in range(size))

        @staticmethod
        def writeto_mem(address: int, at: int, data: bytes) -> None:
            registers.update({at + k: byte for k, byte in enumerate(data)})

    hardware.i2c = Bus

    def run(platform: Any, settings: Any) -> None:
        hardware.wlan.connected = True
        hardware.ntp = lambda: setattr(hardware, "unix_ms", 1_796_083_200_000 - hardware.ms)  # 2026-12-01 00:00
        platform.end_cycle()

    where = dict(pins.BOARDS[TABLES[chip]]["feeder"])
    bench.start(hardware, "feeder", run, pins=where)
    assert hardware.log[0] == "clock 2026-11-25 08:07:06"
    assert bytes(registers[k] for k in (6, 5, 4, 2, 1)) == bytes([0x26, 0x12, 0x01, 0x00, 0x00])


@each
def test_voltages_are_microvolts_on_every_converter_and_a_dry_cell_is_none(bench: Bench, port: str, chip: str) -> None:
    hardware = Hardware(port, chip)
    platform = bench.start(hardware, "probe", lambda platform, settings: None).platform
    table = pins.BOARDS[TABLES[chip]]["probe"]
    for name in ("converter_a", "converter_b"):
        hardware.pins[table[name]].uv = 412_500
    sums = platform.converter_uv()
    assert all(abs(uv - 825_000) < 110 for uv in sums)  # two steps of 3.3 V by 16 bits
    sensing = sys.modules["sensing"]
    # A quarter of 3.3 V on both resistors of 1 kilo-ohm together: three times as much water, 6 kilo-ohm.
    uv, fault = sensing.assess(sums, platform.excitation_uv, platform.full_uv)
    assert fault is None
    assert sensing.conductance_ns(uv, platform.excitation_uv, platform.reference_ohm) == pytest.approx(
        166_667, rel=2e-4
    )
    for name in ("converter_a", "converter_b"):
        hardware.pins[table[name]].uv = 300
    assert sensing.assess(platform.converter_uv(), platform.excitation_uv, platform.full_uv)[1] == "probe_dry"
    assert all(hardware.pins[table[name]].level == 0 for name in ("drive_a", "drive_b"))


# The set-up page


@pytest.mark.parametrize(("cause", "served"), [(Hardware.PWRON_RESET, True), (Hardware.HARD_RESET, False)])
def test_a_button_held_at_power_up_serves_the_page_instead_of_the_program(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, cause: int, served: bool
) -> None:
    hardware = Hardware("rp2")  # its button's pin is low
    hardware.cause = cause
    power = bench.power
    told: list[str] = []

    def power_with_page(*what: Any) -> Any:
        program = power(*what)
        monkeypatch.setattr(importlib.import_module("setup_start"), "run", lambda *given: told.append("page"))
        return program

    monkeypatch.setattr(bench, "power", power_with_page)
    done = bench.start(hardware, "feeder", lambda platform, settings: told.append("program"), setup_password="12345678")
    assert told == (["page"] if served else ["program"])
    assert done.ended == "reset"
    assert motor_off(hardware, hardware.chip)
    assert served == (hardware.ms >= 3000)


def test_what_only_the_start_needs_is_out_of_memory_when_the_program_runs(bench: Bench) -> None:
    loaded: set[str] = set()
    done = bench.start(Hardware("rp2"), "feeder", lambda platform, settings: loaded.update(sys.modules))
    assert {"board", "feeder"} <= loaded
    assert loaded & {"setup_start", "setup_settings", "selfcheck"} == set()
    assert done.platform.damaged_files != []  # the start has looked with them


def test_settings_with_a_wrong_bit_are_damage_and_without_sense_no_start(bench: Bench) -> None:
    done = bench.start(Hardware("rp2"), "feeder", lambda platform, settings: None)
    assert "settings.json" in done.platform.damaged_files  # written by this bench, without a CRC
    bench.write = lambda settings: (bench.folder / "settings.json").write_text("{")  # type: ignore[method-assign, assignment]
    done = bench.start(Hardware("rp2"), "feeder", lambda platform, settings: None)
    assert (done.platform, done.ended) == (None, "reset")
    assert b"settings.json cannot be read" in (bench.folder / "crash.bin").read_bytes()
