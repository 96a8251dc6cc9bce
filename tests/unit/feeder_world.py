"""A desk for the firmware's logic: a virtual clock, a flash that loses power at any write, a scale and an auger that
tell the truth, and a link that keeps what was sent. What moved is kept beside what the feeder says."""

import json
from collections.abc import Callable, Iterable
from typing import Any

from tareline.resources import load_firmware

firmware = load_firmware("feeder")
journal = load_firmware("journal")
memory = load_firmware("memory")
dosing = load_firmware("dosing")
feeding = load_firmware("feeding")
base = load_firmware("base")
orders = load_firmware("orders")

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR
# Midnight in Europe/Berlin that begins 2026-10-25, the day of 25 hours (references: day_length_dst.csv, from the IANA
# time zone database): 2026-10-24T22:00Z.
MIDNIGHT = 1_792_879_200_000
GAIN_NG = 1_000_000  # a milligram per step
PERIOD = 1 << 30


class PowerCutError(BaseException):
    """The power is gone: nothing of the program runs any more."""


class MovedError(BaseException):
    """What must never happen; no handler of the firmware may catch it."""


class World:
    """The seam of firmware/feeder.py, and everything around it that a test may want to bend."""

    ticks_period = PERIOD
    firmware = "test"
    board = "board-1"
    calibration = "factory"
    gain_ng = GAIN_NG
    most_steps = 100_000
    damaged_files: tuple[str, ...] = ()
    watchdog_bit = False
    cell_fault = ("cell_dead", "the load cell gave no conversions")

    def __init__(self, now_ms: int = MIDNIGHT + 7 * HOUR, has_clock: bool = True) -> None:
        self.true_ms = now_ms
        self.has_clock = has_clock
        self.clock_error_ms = 0
        self.ticks = PERIOD - 5 * MINUTE  # the counter wraps soon, in every test
        self.files: dict[str, bytes] = {}
        self.writes = 0
        self.cut_at: int | None = None  # the write at which power goes, counted from now
        self.cut_how = "before"
        self.refuse_writes = False
        self.hopper_ug = 60_000_000
        self.cell: str = "good"
        self.share = 1.0
        self.stall_after: int | None = None
        self.on_step: Callable[[], None] | None = None
        self.waiting: list[tuple[str, bytes]] = []
        self.sent: list[tuple[str, dict[str, Any]]] = []
        self.moves: list[tuple[int, int]] = []  # (true time, steps)
        self.window = 1000
        self.no_memory_for: tuple[str, ...] = ()
        self.restarts = 0
        self.held = False  # the truth: what the last hold message that was handled said
        self._ids = 0
        self.feeder: Any = None

    # The seam

    def ticks_ms(self) -> int:
        return self.ticks % PERIOD

    def now_ms(self) -> int | None:
        return self.true_ms + self.clock_error_ms if self.has_clock else None

    def random_id(self) -> str:
        self._ids += 1
        return f"id{self._ids}"

    def temperature_c100(self) -> int:
        return 2450

    def weigh(self) -> tuple[int, int] | None:
        return None if self.cell == "dead" else (self.hopper_ug, 500)

    def tare(self) -> bool:
        return self.cell == "good"

    def calibrate(self, mass_ug: int) -> bool:
        return self.cell == "good" and mass_ug > 0

    def step(self, steps: int) -> int:
        if self.held:
            raise MovedError("the motor moved during a hold")
        made = steps if self.stall_after is None else min(steps, self.stall_after)
        self.moves.append((self.true_ms, made))
        self.hopper_ug = max(0, self.hopper_ug - int(made * GAIN_NG * self.share) // 1000)
        self.pass_ms(50)
        if self.on_step:
            self.on_step()
        return made

    def restart(self) -> None:
        self.restarts += 1

    def publish(self, tail: str, fields: dict[str, Any], retained: bool) -> bool:
        if tail in self.no_memory_for:
            return False
        assert self.feeder is None or self.feeder.connected or tail == "reply"
        assert retained == (tail in ("status", "hello", "applied"))
        self.sent.append((tail, json.loads(json.dumps(fields))))
        return True

    def room(self) -> int:
        return self.window

    def pump(self) -> None:
        for item in [item for item in self.waiting if item[0] == "hold"]:
            self.waiting.remove(item)
            self.feeder.on_message(*item)

    # Flash

    def _write(self, apply: Callable[[], None], part: Callable[[], None]) -> None:
        if self.refuse_writes:
            raise OSError("flash refuses")
        self.writes += 1
        if self.cut_at is not None:
            self.cut_at -= 1
            if self.cut_at <= 0:
                if self.cut_how == "torn":
                    part()
                elif self.cut_how == "after":
                    apply()
                raise PowerCutError
        apply()

    def read(self, name: str, at: int = 0, size: int | None = None) -> bytes | None:
        content = self.files.get(name)
        return None if content is None else content[at : None if size is None else at + size]

    def append(self, name: str, data: bytes) -> None:
        def put(length: int) -> None:
            self.files[name] = self.files.get(name, b"") + data[:length]

        self._write(lambda: put(len(data)), lambda: put(len(data) * 2 // 3))

    def replace(self, name: str, parts: Iterable[bytes]) -> None:
        data = b"".join(parts)
        self._write(lambda: self.files.__setitem__(name, data), lambda: None)

    # What a test does

    def pass_ms(self, ms: int) -> None:
        self.true_ms += ms
        self.ticks += ms

    def boot(self) -> "World":
        """Power on, with whatever flash holds. What was not yet handed over is lost."""
        self.waiting = []
        self.feeder = None
        self.feeder = firmware.Feeder(self)
        return self

    def off(self, ms: int) -> "World":
        """Power off for a while: true time passes, the tick counter starts anew."""
        self.true_ms += ms
        self.ticks = 0
        return self

    def connect(self) -> "World":
        self.feeder.on_connect()
        return self

    def run(self, ms: int, at_most: int | None = None) -> "World":
        """Let time pass with the feeder awake; at_most is the grid of the ticks (default a minute)."""
        end = self.true_ms + ms
        while True:
            wait = self.feeder.tick()
            assert wait > 0
            left = end - self.true_ms
            if left <= 0:
                return self
            # An idle feeder asks for a tick each second; one at each full minute (or as told) is enough here.
            step = at_most or MINUTE
            self.pass_ms(min(left, wait if wait < 1000 else step - self.true_ms % step))

    def say(self, tail: str, fields: Any) -> "World":
        payload = fields if isinstance(fields, bytes) else json.dumps(fields).encode()
        assert self.feeder.on_message(tail, payload)
        self.held = self.feeder.held()
        return self

    def command(self, command_id: str, do: str, expires: int | None = None, **args: Any) -> dict[str, Any]:
        """Send a command and return the reply to it."""
        expires = self.true_ms + HOUR if expires is None else expires
        self.say("command", {"id": command_id, "expires_at_ms": expires or None, "do": do, "args": args})
        return self.of("reply")[-1]

    def of(self, tail: str) -> list[dict[str, Any]]:
        return [fields for known, fields in self.sent if known == tail]

    def doses(self) -> dict[int, dict[str, Any]]:
        """Every dose that was published, by sequence number; the same number must always say the same."""
        found: dict[int, dict[str, Any]] = {}
        for dose in self.of("dose"):
            assert found.setdefault(dose["seq"], dose) == dose, "a seq was reused for another content"
        return found

    def faults(self) -> list[str]:
        return [fault["code"] for fault in self.of("fault")]

    def steps(self) -> int:
        return sum(made for _, made in self.moves)


def meal(name: str, at_ms: int, target_g: float = 0.05) -> dict[str, Any]:
    return {"id": name, "at_ms": at_ms, "target_g": target_g}


def plan(
    version: int = 10,
    meals: tuple[dict[str, Any], ...] = (),
    cap_g: float = 0.5,
    start_ms: int = MIDNIGHT,
    fallback_g: float = 0.0,
    installation: str = "A",
    gain: float | None = None,
    blind_days: int = 3,
    until_ms: int = MIDNIGHT + 20 * DAY,
    at_utc_s: tuple[int, ...] = (6 * 3600,),
) -> dict[str, Any]:
    """A plan of nine days, the first of 25 hours as on a night when clocks go back."""
    starts = [start_ms] + [start_ms + DAY + HOUR + i * DAY for i in range(8)]
    return {
        "installation": installation,
        "version": version,
        "issued_at_ms": start_ms,
        "gain_g_per_step": gain,
        "days": [{"start_ms": start, "cap_g": cap_g} for start in starts],
        "meals": list(meals),
        "fallback": {
            "daily_g": fallback_g,
            "at_utc_s": list(at_utc_s),
            "until_ms": until_ms,
            "blind_days": blind_days,
        },
    }


def hold(held: bool, version: int = 10, reduce_to: float | None = None, installation: str = "A") -> dict[str, Any]:
    return {"installation": installation, "version": version, "held": held, "reduce_to": reduce_to, "reason": "test"}


def running(message: dict[str, Any] | None = None, **world: Any) -> World:
    """A connected feeder, with a plan where one is given."""
    desk = World(**world).boot().connect()
    if message:
        desk.say("plan", message)
    return desk
