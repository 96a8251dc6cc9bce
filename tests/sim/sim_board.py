"""A board that runs the feeder's real logic: the hardware seam of firmware/feeder.py, with power, clock and flash that
fail. Everything the model must know passes through here."""

import json
from random import Random
from typing import TYPE_CHECKING, Any

from flash import Flash, PowerCutError
from model import DAY, HOUR, MINUTE, RIGHT_MS, SECOND, Model
from network import Link, Packet

from tareline.resources import load_firmware

if TYPE_CHECKING:
    from world import World

feeder_module = load_firmware("feeder")
PERIOD = 1 << 30
NEVER_MS = 1 << 62
FIRST_MS, LAST_MS = 1_577_836_800_000, 4_102_444_800_000  # the contract's bounds of a clock that was set
LEAP_2106_MS = 4_294_967_295_000 + 1000  # where 32 bits of seconds end
ECHO_MS = 5 * SECOND  # contract: down/time is refused when its echo is older
ROOT = "tareline/"
KEPT_MS = 2 * HOUR  # by then a running feeder has surely written down what its clock shows


def _cut() -> None:
    raise PowerCutError


class Seam:
    """What of the hardware never fails and never moves; a ghost needs no more."""

    ticks_period = PERIOD
    firmware = "test"
    calibration = "factory"
    most_steps = 100_000
    damaged_files: tuple[str, ...] = ()
    watchdog_bit = False
    cell_fault = ("cell_dead", "")

    def __init__(self, name: str, gain_ng: int, flash: Flash) -> None:
        self.name, self.board, self.gain_ng, self.flash = name, f"board of {name}", gain_ng, flash
        self.read, self.append, self.replace = flash.read, flash.append, flash.replace

    def temperature_c100(self) -> int | None:
        return 2450

    def weigh(self) -> tuple[int, int] | None:
        return 50_000_000, 500

    def tare(self) -> bool:
        return True

    def calibrate(self, mass_ug: int) -> bool:
        return mass_ug > 0

    def restart(self) -> None: ...

    def room(self) -> int:
        return 1000

    def pump(self) -> None: ...


class Ghost(Seam):
    """A copy of a board's flash in another board without a clock: what would be known if power went now."""

    def __init__(self, board: "Board") -> None:
        super().__init__(board.name, board.gain_ng, Flash(dict(board.flash.files), Random(0)))
        self.doses: list[dict[str, Any]] = []

    def ticks_ms(self) -> int:
        return 0

    def now_ms(self) -> None:
        return None

    def random_id(self) -> str:
        return "ghost"

    def step(self, steps: int) -> int:
        return steps

    def publish(self, tail: str, fields: dict[str, Any], retained: bool) -> bool:
        if tail == "dose":
            self.doses.append(fields)
        return True

    def open_dose(self) -> dict[str, Any] | None:
        """The newest dose that flash has begun and not ended."""
        feeder = feeder_module.Feeder(self)
        feeder.on_connect()
        feeder.tick()
        cut = [dose for dose in self.doses if dose["outcome"] == "interrupted"]
        return max(cut, key=lambda dose: dose["seq"], default=None)


class Board(Seam):
    """One feeder.

    clock: `kept` (a battery keeps it), `network` (set a while after a network is there, lost with power) or `none`.
    """

    def __init__(self, world: "World", name: str) -> None:
        self.rng = rng = world.random(name)
        super().__init__(name, rng.choice((1_000_000, 730_000)), Flash({}, world.random(name + "/flash"), world.now))
        self.world = world
        self.model = Model(self.gain_ng)
        self.clock = rng.choice(("kept", "kept", "network", "network", "none"))
        self.clock_set = self.clock == "kept"
        self.clock_error_ms = 0
        self.clock_wrapped = False
        self.told_error_ms: int | None = None  # of the clock that down/time set
        self.window = rng.choice((2, 8, 100))
        self.link = Link(
            world.broker,
            world.random(name + "/link"),
            lambda topic: topic.startswith(f"{ROOT}{name}/down/"),
            rng.random() < 0.5,
            self._heard,
            (f"{ROOT}{name}/up/status", b'{"online": false}'),
        )
        self.feeder: Any = None
        self.hopper_ug = 60_000_000
        self.cell = True
        self.jam = False
        self.cut_chunk: int | None = None  # the chunk of steps from now in which power goes
        self.in_dose: Any = None  # called once, between two chunks of steps
        self.command: dict[str, Any] | None = None
        self.wake_ms = NEVER_MS
        self.powered = False
        self._clock_new = True
        self._shown: list[tuple[int, int, int]] = []  # (clock error, first seen, last seen)
        self._alert_ms = 0
        self._ids = 0
        self._writes_seen = -1
        self._applied: dict[str, Any] | None = None  # as last said in this connection
        self._greeted = -1  # the connection that the feeder knows of
        self._boot_ms = 0
        self._ticks_first = 0
        self._boot_id = ""

    # The seam

    def ticks_ms(self) -> int:
        return (self._ticks_first + self.world.now_ms - self._boot_ms) % PERIOD

    def now_ms(self) -> int | None:
        if not self.clock_set:
            return None
        if self.clock_wrapped:
            return LEAP_2106_MS + self.world.now_ms % DAY
        return self.world.now_ms + self.clock_error_ms

    def random_id(self) -> str:
        self._ids += 1
        return f"{self.name}-{self._ids}"

    def weigh(self) -> tuple[int, int] | None:
        return (max(0, self.hopper_ug), 500) if self.cell else None

    def tare(self) -> bool:
        self._acts()
        return True

    def calibrate(self, mass_ug: int) -> bool:
        self._acts()
        return True

    def restart(self) -> None:
        self._acts()
        self.world.at(self.world.now_ms + 500, lambda: self.power_off(SECOND))

    def _acts(self) -> None:
        assert self.command is not None
        self.model.acts(self.command, self.world.now_ms, self.error_ms())

    def step(self, steps: int) -> int:
        if self.flash.writes != self._writes_seen:  # a dose is written before it moves: this may be a new one
            self.model.begin(Ghost(self).open_dose(), self.world.now_ms, self.error_ms(), self.command)
            self._writes_seen = self.flash.writes
            self.world.count("doses moved")
            if self.error_ms() is None:
                self.world.count("fed without a clock")
            elif abs(self.error_ms() or 0) > RIGHT_MS:
                self.world.count("doses of a leaping clock")
        made, cut = steps, False
        if self.cut_chunk is not None:
            self.cut_chunk -= 1
            if self.cut_chunk <= 0:
                self.cut_chunk, cut = None, True
                made = self.rng.randrange(steps + 1)
                self.world.count("power cuts while the motor turned")
        elif self.jam:
            self.jam = False
            made = self.rng.randrange(steps)
        self.model.turn(made)
        self.hopper_ug -= made * self.gain_ng // 1000
        self.world.pass_ms(5 * steps)
        if cut:
            raise PowerCutError
        if self.in_dose is not None and self.rng.random() < 0.5:
            act, self.in_dose = self.in_dose, None
            act()
        return made

    def publish(self, tail: str, fields: dict[str, Any], retained: bool) -> bool:
        assert self.link.connected, "the feeder sends without a link"
        assert retained == (tail in ("status", "hello", "applied"))
        payload = json.dumps(fields).encode()
        if tail == "dose":
            self.model.say(json.loads(payload), self.world.now_ms)
            self.world.count("doses sent")
            self.world.count(f"{fields['cause']} {fields['outcome']}")
        elif tail == "applied":
            self._applied = fields
        elif tail == "hello":
            self._boot_id = fields["boot"]
        elif tail == "fault":
            self.world.count(f"fault {fields['code']}")
        self.link.publish(f"{ROOT}{self.name}/up/{tail}", payload, retained)
        return True

    def room(self) -> int:
        return self.window - len(self.link.outbox)

    def pump(self) -> None:
        self.model.look()
        self.world.run_wire()
        for packet in [p for p in self.link.inbox if p.topic.endswith("/down/hold")]:
            self.link.inbox.remove(packet)
            self._hand_over(packet)
            self.world.count("holds handed over during a dose")

    # Time

    def error_ms(self) -> int | None:
        """How far the feeder's clock is from true time; None where it has none (contract: `at_ms` null)."""
        now_ms = self.now_ms()
        if now_ms is not None and FIRST_MS <= now_ms < LAST_MS:
            return now_ms - self.world.now_ms
        return self.told_error_ms

    def _look_at_clock(self) -> None:
        """Before anything the feeder does: note what its clock shows, and whether this start's first look shows a clock
        that is further ahead than what the flash may have of it from earlier starts."""
        error_ms, now_ms = self.error_ms(), self.world.now_ms
        if error_ms is None:
            return
        self.model.clock_known()
        if self._clock_new:
            self._clock_new = False
            watched_ms = 0
            for earlier, first_ms, last_ms in reversed(self._shown):
                if error_ms > earlier + RIGHT_MS:
                    self.model.leapt(now_ms)
                    break
                watched_ms += last_ms - first_ms
                if watched_ms > KEPT_MS:
                    break
            self._shown = [*self._shown[-20:], (error_ms, now_ms, now_ms)]
        earlier, first_ms, _ = self._shown[-1]
        if earlier == error_ms:
            self._shown[-1] = (earlier, first_ms, now_ms)
        else:
            self._shown.append((error_ms, now_ms, now_ms))

    def _handle_time(self, fields: dict[str, Any]) -> None:
        uptime_ms = self.world.now_ms - self._boot_ms
        if fields["boot"] == self._boot_id and 0 <= uptime_ms - fields["uptime_ms"] <= ECHO_MS:
            self.told_error_ms = fields["now_ms"] - self.world.now_ms

    # Power

    def power_on(self) -> None:
        world = self.world
        if self.powered:
            return
        self.powered, self._clock_new, self._writes_seen, self._greeted = True, True, -1, -1
        self._boot_ms, self._ticks_first = world.now_ms, self.rng.randrange(PERIOD)
        self.told_error_ms = None
        self.clock_set = self.clock == "kept"
        world.at(world.now_ms + self.rng.randrange(MINUTE), self._network_time)
        world.connect_soon(self.link, self.rng)
        self._guard(self._boot)

    def _boot(self) -> None:
        self.feeder = feeder_module.Feeder(self)
        self._turn()

    def _network_time(self) -> None:
        if self.powered and self.clock == "network" and self.link.network:
            self.clock_set = True
        elif self.powered and self.clock == "network":
            self.world.at(self.world.now_ms + 10 * MINUTE, self._network_time)

    def power_off(self, ms: int) -> None:
        """Power goes, and comes back after a while."""
        if not self.powered:
            return
        self.powered, self.feeder = False, None
        self.link.drop()
        self.link.forget()
        self.model.restarted()
        self.command, self.cut_chunk, self.in_dose = None, None, None
        self.wake_ms = NEVER_MS
        self.world.count("power cuts")
        self.world.at(self.world.now_ms + ms, self.power_on)

    def _guard(self, act: Any) -> None:
        try:
            act()
        except PowerCutError:
            self.world.count("power cuts at a write or a step")
            self.power_off(self.world.off_ms(self.rng))

    # Running

    def _heard(self) -> None:
        if not self.powered:
            return
        self._alert_ms = self.world.now_ms + 3 * SECOND
        self.wake_ms = min(self.wake_ms, self.world.now_ms + 5)

    def wake(self) -> None:
        """One turn of the board's loop."""
        self._guard(self._turn)

    def _turn(self) -> None:
        if self.feeder.connected and self._greeted != self.link.connection:
            self.feeder.on_disconnect()
        if self.link.connected and self._greeted != self.link.connection:
            self._look_at_clock()
            self._greeted, self._applied = self.link.connection, None
            self.feeder.on_connect()
        self._look_at_clock()
        while self.link.inbox:
            if not self._hand_over(self.link.inbox.pop(0)):
                raise AssertionError("a message was refused though no dose was under way")
        wait_ms = self.feeder.tick()
        assert wait_ms > 0
        now_ms = self.world.now_ms
        self.wake_ms = now_ms + (SECOND if now_ms < self._alert_ms else self.rng.randrange(MINUTE, 8 * MINUTE))

    def _hand_over(self, packet: Packet) -> bool:
        tail = packet.topic.rpartition("/")[2]
        fields = json.loads(packet.payload)
        refused = self.flash.refused
        outer, self.command = self.command, fields if tail == "command" else self.command
        if tail == "time":
            self._handle_time(fields)
        try:
            taken = self.feeder.on_message(tail, packet.payload)
        except PowerCutError:
            self.model.handle(tail, fields, False)
            raise
        self.command = outer
        self._look_at_clock()
        self.model.handle(tail, fields, refused == self.flash.refused)
        if tail in ("plan", "hold") and self._applied is not None:
            self.model.applied(self._applied)
        self.link.acknowledge(packet)
        return bool(taken)

    def long_press(self) -> None:
        if self.feeder is None:
            return
        refused = self.flash.refused
        try:
            self.feeder.long_press()
        except PowerCutError:
            self.model.pressed_long(False)
            self._guard(_cut)
            return
        self.model.pressed_long(refused == self.flash.refused)
        self.world.count("long presses")

    def press(self) -> None:
        if self.feeder is not None:
            self.model.presses += 1
            self.feeder.press()
            self.wake_ms = min(self.wake_ms, self.world.now_ms + 20)
            self.world.count("presses")

    def heal(self) -> None:
        """Nothing fails from now on."""
        self.flash.mend()
        self.clock_error_ms, self.clock_wrapped = 0, False
        self.cell, self.jam, self.cut_chunk, self.in_dose = True, False, None, None
