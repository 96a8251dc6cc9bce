"""`tareline flash` and `board-settings` against MicroPython's own prompt on a serial line, and a real broker.

The reference is MicroPython itself, through the protocol of its raw REPL, and Mosquitto. What is on the flash is read
by the test from the folder behind the board, not through the code under test.
"""

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from serial_board import SerialBoard
from servers import Broker, free_port

from tareline.flashing import wire
from tareline.resources import load_firmware

HOME = {"home": "a good one", "café": ""}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    folder = tmp_path / "mqtt"
    folder.mkdir()
    made = Broker(folder)
    made.start()
    yield made
    made.close()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[SerialBoard]:
    with SerialBoard(tmp_path / "flash", HOME) as made:
        yield made


class Tool:
    """`tareline` in a folder with a tareline.toml, as its own process."""

    def __init__(self, folder: Path, port: int) -> None:
        self._folder = folder
        # By this spelling the loopback passes for another machine's address, as a board would have it.
        self.broker = f"mqtt://127.1:{port}"
        (folder / "tareline.toml").write_text(f'[broker]\nurl = "mqtt://127.0.0.1:{port}"\n')

    def start(self, *words: str) -> "subprocess.Popen[str]":
        command = [sys.executable, "-m", "tareline", *words]
        return subprocess.Popen(
            command,
            cwd=self._folder,
            env={name: value for name, value in os.environ.items() if not name.startswith("TARELINE_")},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def run(self, *words: str) -> tuple[int, str]:
        with self.start(*words) as process:
            try:
                out, _ = process.communicate(timeout=100)
            finally:
                process.kill()
        return process.returncode, out

    def flash(self, board: SerialBoard, *more: str, device: str = "feeder-1", wifi: str = "home") -> tuple[int, str]:
        return self.run(*self.words(board, device, wifi), *more)

    def words(self, board: SerialBoard, device: str = "feeder-1", wifi: str = "home") -> list[str]:
        link = ["--wifi", wifi, "--wifi-password", HOME.get(wifi, "12345678"), "--broker", self.broker]
        return ["flash", "feeder", "--device", device, "--port", board.port, *link]


@pytest.fixture
def tool(tmp_path: Path, broker: Broker) -> Tool:
    return Tool(tmp_path, broker.port)


def on(flash: Path) -> dict[str, str]:
    """SHA-256 of every file of the firmware on a board's flash."""
    kept = [*flash.glob("fw_a/*"), *flash.glob("*.mpy"), flash / "main.py"]
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in kept}


def counts(out: str) -> tuple[int, int]:
    found = re.search(r"(\d+) files are right already, (\d+) to write", out)
    assert found, out
    return int(found[1]), int(found[2])


def test_a_fresh_board_is_written_tried_started_and_says_hello(tool: Tool, board: SerialBoard, tmp_path: Path) -> None:
    starts = board.starts
    code, out = tool.flash(board, "--ceiling-g-per-day", "2.5")
    assert code == 0, out
    for step in ("joined the network", "reached the broker", "has let it in", "files verified on the board"):
        assert step in out
    assert re.search(r"The board says hello: board desk-\w+, firmware ", out)
    assert board.starts == starts + 1
    right, wrong = counts(out)
    assert (right, wrong) == (0, len(on(board.flash)) + 1)  # and settings.json
    settings = json.loads((board.flash / "settings.json").read_text())
    assert (settings["device"], settings["wifi"]["ssid"], settings["ceiling_g_per_day"]) == ("feeder-1", "home", 2.5)
    assert f"password {settings['setup_password']}," in out
    assert "a good one" not in out
    # The same set as the folder that --prepare makes; its settings alone differ.
    link = ["--wifi", "home", "--wifi-password", "a good one", "--broker", tool.broker]
    code, out = tool.run("flash", "feeder", "--device", "feeder-1", "--prepare", "--out", "folder", *link)
    assert code == 0, out
    assert on(board.flash) == on(tmp_path / "folder")


def test_a_run_that_was_killed_is_gone_on_with(tool: Tool, board: SerialBoard) -> None:
    half = board.after(60_000)
    process = tool.start(*tool.words(board))
    assert half.wait(60)
    process.kill()
    process.communicate()
    before = {path: path.stat().st_ino for path in (board.flash / "fw_a").glob("*.mpy")}
    assert len(before) > 5
    assert not (board.flash / "main.py").exists()
    code, out = tool.flash(board)
    assert code == 0, out
    right, wrong = counts(out)
    assert right == len(before)
    assert wrong == len(on(board.flash)) + 1 - right
    assert {path: path.stat().st_ino for path in before} == before
    assert list(board.flash.rglob("*.new")) == []


def test_one_damaged_file_is_found_and_mended_and_states_stay(tool: Tool, board: SerialBoard) -> None:
    assert tool.flash(board)[0] == 0
    sound = on(board.flash)
    password = json.loads((board.flash / "settings.json").read_text())["setup_password"]
    target = board.flash / "fw_a" / "feeding.mpy"
    data = bytearray(target.read_bytes())
    data[len(data) // 2] ^= 4
    target.write_bytes(data)
    (board.flash / "stray.mpy").write_bytes(b"an older module at the root")
    (board.flash / "other.bin").write_bytes(b"not of this firmware")
    assert tool.flash(board)[0] == 0
    assert on(board.flash) == sound
    assert (board.flash / "other.bin").read_bytes() == b"not of this firmware"
    assert not (board.flash / "stray.mpy").exists()
    assert json.loads((board.flash / "settings.json").read_text())["setup_password"] == password


def test_the_set_that_is_written_is_the_one_that_starts_and_updates_are_counted_on(
    tool: Tool, board: SerialBoard
) -> None:
    assert tool.flash(board)[0] == 0
    starter = load_firmware("starter")
    root = starter.Flash(f"{board.flash}/")
    starter.save(root, starter.fresh(7) | {"set": "fw_b", "trial": "fw_a", "starts": 1, "failed": "fw_a"})
    code, out = tool.flash(board)
    assert code == 0, out
    record = starter.load(root)
    assert {name: record[name] for name in ("set", "trial", "failed", "counter")} == {
        "set": "fw_a",
        "trial": None,
        "failed": None,
        "counter": 7,
    }


def test_it_erases_only_when_asked_and_confirmed(tool: Tool, board: SerialBoard) -> None:
    assert tool.flash(board)[0] == 0
    (board.flash / "doses.bin").write_bytes(b"not told yet")
    code, out = tool.flash(board, device="feeder-2")
    assert code == 2
    assert "this board is feeder-1, a feeder" in out
    assert "--erase" in out
    code, out = tool.flash(board, "--erase", device="feeder-2")  # nobody is there to confirm it
    assert code != 0
    assert "Erase feeder-1 (feeder)" in out
    assert (board.flash / "doses.bin").read_bytes() == b"not told yet"
    code, out = tool.flash(board, "--erase", "--yes", device="feeder-2")
    assert code == 0, out
    assert not (board.flash / "doses.bin").exists()
    assert json.loads((board.flash / "settings.json").read_text())["device"] == "feeder-2"


@pytest.mark.parametrize(
    ("wifi", "at", "said"),
    [
        ("away", None, "cannot join the network: away was not found .* networks that are heard: .*home"),
        ("home", "nowhere.invalid:1883", "cannot look up the broker: nowhere.invalid"),
        ("home", "closed", "cannot reach the broker: 127.1 port"),
    ],
)
def test_the_board_says_which_step_failed(tool: Tool, board: SerialBoard, wifi: str, at: str | None, said: str) -> None:
    # "invalid" is no name of any host (RFC 2606).
    words = tool.words(board, wifi=wifi)
    if at:
        words[-1] = f"mqtt://127.1:{free_port()}" if at == "closed" else f"mqtt://{at}"
    code, out = tool.run(*words)
    assert code == 2
    assert re.search(said, out), out
    assert "Traceback" not in out


def test_nothing_plugged_in_rubbish_plugged_in_and_a_port_in_use(
    tool: Tool, tmp_path: Path, board: SerialBoard
) -> None:
    link = ["--wifi", "home", "--wifi-password", "a good one", "--broker", tool.broker]
    code, out = tool.run("flash", "feeder", "--device", "feeder-1", *link)
    assert (code, "no board: no serial port on USB" in out) == (2, True)
    code, out = tool.run("flash", "feeder", "--device", "feeder-1", "--port", str(tmp_path / "none"), *link)
    assert (code, "there is no such port" in out) == (2, True)
    with SerialBoard(tmp_path / "rubbish", {}, answer=b"\x00\xffU") as rubbish:
        code, out = tool.flash(rubbish)
    assert (code, "does not answer like MicroPython" in out) == (2, True), out
    import fcntl

    with open(board.port) as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        code, out = tool.flash(board)
    assert (code, "another program uses the board" in out) == (2, True), out


def test_a_cable_that_is_pulled_is_said(tool: Tool, board: SerialBoard) -> None:
    half = board.after(60_000)
    with tool.start(*tool.words(board)) as process:
        assert half.wait(60)
        board.unplug()
        out, _ = process.communicate(timeout=60)
    assert (process.returncode, "does not answer any more" in out) == (2, True), out
    assert "Traceback" not in out


def test_a_micropython_that_is_too_old_is_named(board: SerialBoard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wire, "OLDEST", (9, 9))
    with (
        pytest.raises(wire.BoardError, match=r"runs MicroPython 1\.\d+, too old; expected 9\.9 or newer"),
        wire.Wire(board.port),
    ):
        pass


def test_a_flash_without_room_is_said_before_anything_is_written(tool: Tool, tmp_path: Path) -> None:
    with SerialBoard(tmp_path / "small", HOME, size_bytes=100 * 1024) as small:
        code, out = tool.flash(small)
        assert code == 2
        assert "no room on the board" in out
        assert list(small.flash.iterdir()) == []


def test_a_broker_that_is_away_is_said_before_the_board_is_touched(tmp_path: Path, board: SerialBoard) -> None:
    tool = Tool(tmp_path, free_port())
    code, out = tool.flash(board)
    assert (code, "not reachable from this machine" in out) == (2, True)
    assert board.received == 0


def test_settings_change_over_the_line_and_only_those_that_work(tool: Tool, board: SerialBoard) -> None:
    assert tool.flash(board)[0] == 0
    sound = on(board.flash)
    settings = board.flash / "settings.json"
    before = settings.read_text()
    code, out = tool.run("board-settings", "--port", board.port, "--wifi", "home", "--wifi-password", "a wrong one")
    assert (code, "the password of home was refused" in out) == (2, True), out
    assert settings.read_text() == before
    code, out = tool.run(
        "board-settings", "--port", board.port, "--wifi", "café", "--wifi-password", "", "--ceiling-g-per-day", "0.5"
    )
    assert code == 0, out
    assert "The board says hello" in out
    after = json.loads(settings.read_text())
    assert after["wifi"] == {"ssid": "café", "password": ""}
    assert after["ceiling_g_per_day"] == 0.5
    changed = {name for name, value in json.loads(before).items() if after[name] != value}
    assert changed == {"crc32", "wifi", "ceiling_g_per_day"}
    assert on(board.flash) == sound
