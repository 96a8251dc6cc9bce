"""A board that runs the feeder's real logic: the hardware seam of firmware/feeder.py, with power, clock and flash that
fail. Everything the model must know passes through here."""

import json
from typing import TYPE_CHECKING, Any

from flash import Flash, PowerCutError
from hardware_seam import PERIOD, Ghost, Seam, Starved, feeder_module
from model import DAY, HOUR, MINUTE, RIGHT_MS, SECOND, Model, RuleBrokenError
from nature import Nature
from network import Link, Packet

if TYPE_CHECKING:
    from world import World

NEVER_MS = 1 << 62
FIRST_MS, LAST_MS = 1_577_836_800_000, 4_102_444_800_000  # the contract's bounds of a clock that was set
LEAP_2106_MS = 4_294_967_295_000 + 1000  # where 32 bits of seconds end
ECHO_MS = 5 * SECOND  # contract: down/time is refused when its echo is older
LIMIT = 8192  # contract: the most that comes down
ROOT = "tareline/"
KEPT_MS = 2 * HOUR  # by then a running feeder has surely written down what its clock shows


def _cut() -> None:
    raise PowerCutError


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
        self.nature = Nature(world.random, name, world.now_ms)
        self.nature.leaked = self.model.truth.leaked
        self.alarmed: Any = lambda code: None  # what a person does who hears of a fault
        self.starve: tuple[str, int] | None = None  # (in what, at which of its calls) memory fails next
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
        self._carries_ms: int | None = None  # since when there has been a connection that carries
        self._weights = 0
        self._poison_ms: int | None = None
        self._refusal_ms = -DAY  # when a refused message was last told
        self._spares = 0
        self._stops_seen = 0

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

    def temperature_c100(self) -> int | None:
        return self.nature.cell.temperature_c100(self.world.now_ms)

    def weigh(self) -> tuple[int, int] | None:
        nature = self.nature
        weight = nature.weigh(self.world.now_ms)
        self.cell_fault = ("cell_stuck" if nature.cell.state == "stuck" else "cell_dead", "")
        honest = nature.hung and nature.cell.state == "good" and not self.model.person_at_hopper()
        self.model.truth.looked(self.world.now_ms, weight, honest)
        return weight

    def tare(self) -> bool:
        """A person has emptied the hopper for it and filled it again."""
        self._acts()
        self.touch()
        self.model.truth.calibrated()
        self.nature.cell.tare()
        return True

    def calibrate(self, mass_ug: int) -> bool:
        self._acts()
        self.touch()
        if mass_ug <= 0:
            return False
        self.model.truth.calibrated()
        self.world.count("calibrations")
        return True

    def touch(self) -> None:
        """A hand is on the hopper, or the cell changes: weights of before say nothing any more."""
        self.nature.advance(self.world.now_ms)
        self.model.truth.disturbed()

    def restart(self) -> None:
        self._acts()
        self.world.at(self.world.now_ms + 500, lambda: self.power_off(SECOND))

    def _acts(self) -> None:
        assert self.command is not None
        self.model.acts(self.command, self.world.now_ms, self.error_ms())

    def step(self, steps: int) -> int:
        if self.flash.writes != self._writes_seen:  # a dose is written before it moves: this may be a new one
            ghost = Ghost(self)
            self.model.begin(ghost.opened, ghost.announced_ng, self.world.now_ms, self.error_ms(), self.command)
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
        true_ug = self.nature.turn(made * self.gain_ng // 1000, self.world.now_ms)
        self.model.left(made, true_ug, self.world.now_ms)
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
        if tail == "weight":  # one of a day is enough for the books
            self._weights += 1
            if self._weights % 24:
                return True
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
            self.model.truth.told(fields["code"], self.world.now_ms)
            if fields["code"] == "mass_lost":
                self.model.loss_told(fields["at_ms"], self._boot_ms + fields["uptime_ms"])
            if fields["code"] in ("message_refused", "message_too_large"):
                self._refusal_ms = self.world.now_ms
            self.alarmed(fields["code"])
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
        self._carries_ms = self._poison_ms = None
        self.model.truth.started(world.now_ms)
        self.told_error_ms = None
        self.clock_set = self.clock == "kept"
        world.at(world.now_ms + self.rng.randrange(MINUTE), self._network_time)
        world.connect_soon(self.link, self.rng)
        self._guard(self._boot)

    def _boot(self) -> None:
        self.feeder = feeder_module.Feeder(self)
        if self.model.rotten and self.feeder.button_held:
            self.model.local = [True]  # a hold by the button that cannot be read holds
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
        self.nature.advance(self.world.now_ms)
        self.model.restarted(self.world.now_ms)
        self.command, self.cut_chunk, self.in_dose = None, None, None
        self.wake_ms = NEVER_MS
        self.world.count("power cuts")
        self.world.at(self.world.now_ms + ms, self.power_on)

    def swap(self) -> None:
        """Another board, with an empty flash, takes this one's place."""
        self.power_off(MINUTE)
        self._spares += 1
        self.board = f"spare board {self._spares} of {self.name}"
        self.flash = Flash({}, self.world.random(f"{self.name}/flash{self._spares}"), self.world.now)
        self.read, self.append, self.replace = self.flash.read, self.flash.append, self.flash.replace
        self.model.swapped(self.world.now_ms)
        self._shown = []
        self.world.count("boards swapped")

    def rot(self) -> None:
        """One bit of one file flips."""
        on_flash = {(dose["journal"], dose["seq"]) for dose in Ghost(self).doses}
        if self.flash.rot():
            self.model.bit_flipped(on_flash)
            self.world.count("bits flipped")

    def _guard(self, act: Any) -> None:
        try:
            act()
        except PowerCutError:
            self.world.count("power cuts at a write or a step")
            self.power_off(self.world.off_ms(self.rng))
        except MemoryError:  # the loop starts the program anew
            self.world.count("restarts for want of memory")
            self.power_off(SECOND)

    def _starved(self, what: str, act: Any) -> Any:
        """Call the firmware; where it was arranged, memory fails once on the way."""
        if self.starve is None or self.starve[0] != what:
            return act()

        def failed() -> None:  # what is under way just then is what it befalls: in a turn, a hold that comes in a dose
            self.starve = None
            self.world.count(f"memory failed in a {what}")

        with Starved(self.starve[1], what == "message", failed):
            return act()

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
        refused, begun_ms = self.flash.refused, self.world.now_ms
        wait_ms = self._starved("turn", self.feeder.tick)
        assert wait_ms > 0
        now_ms = self.world.now_ms
        self._look_back(self.flash.refused != refused, begun_ms)
        self.wake_ms = now_ms + (SECOND if now_ms < self._alert_ms else self.rng.randrange(MINUTE, 8 * MINUTE))

    def _look_back(self, refused: bool, begun_ms: int) -> None:
        """At the end of a turn: what the feeder must have done and said by now."""
        truth = self.model.truth
        self.model.turn_over(refused)
        truth.stands(self.feeder.memory.stop.code, begun_ms)
        for kind in truth.stopped[self._stops_seen :]:
            self.world.count(f"stop {kind}")
        self._stops_seen = len(truth.stopped)
        carries = self.link.connected and not self.link.stalled and self._greeted == self.link.connection
        if not carries:
            self._carries_ms = None
        elif self._carries_ms is None:
            self._carries_ms = begun_ms
        truth.check_look(begun_ms, begun_ms - self._carries_ms if self._carries_ms is not None else 0)
        since_ms = max(self._poison_ms or begun_ms, self._carries_ms or begun_ms)
        if self._poison_ms is not None and begun_ms - since_ms > HOUR:
            if self._refusal_ms < self._poison_ms - DAY:
                raise RuleBrokenError("a message that cannot be taken was not told as a fault")
            self._poison_ms = None

    def _hand_over(self, packet: Packet) -> bool:
        tail = packet.topic.rpartition("/")[2]
        poison = self.world.poison.get(packet.payload)
        fields = json.loads(packet.payload) if poison is None else {}
        refused = self.flash.refused
        outer, self.command = self.command, fields if tail == "command" else self.command
        if tail == "time" and poison is None:
            self._handle_time(fields)
        starved = self.starve
        try:
            taken = self._give(tail, packet.payload)
        except PowerCutError:
            if poison is None:
                self.model.handle(tail, fields, False, self.world.now_ms)
            raise
        except Exception as error:
            what = poison or f"a message on down/{tail}"
            raise RuleBrokenError(f"{what} made on_message end with {type(error).__name__}: {error}") from error
        self.command = outer
        self._look_at_clock()
        failed = self.starve is not starved
        if poison is None:
            self.model.handle(tail, fields, refused == self.flash.refused and not failed, self.world.now_ms)
        elif poison.endswith("(unreadable)") or failed:
            self._poison_ms = self._poison_ms or self.world.now_ms
            self.model.holdless |= failed and tail == "hold"  # it may have said held, so that the feeder holds itself
            self.world.count("poison handed over")
        if tail in ("plan", "hold") and self._applied is not None:
            self.model.applied(self._applied)
        # Of many messages that come in one turn, a later one may answer the stop that an earlier one began.
        self.model.truth.stands(self.feeder.memory.stop.code, self.world.now_ms)
        self.link.acknowledge(packet)
        return bool(taken)

    def _give(self, tail: str, payload: bytes) -> Any:
        """What the link hands over; it keeps what is larger than the contract allows to itself, and tells of it."""
        if len(payload) <= LIMIT:
            return self._starved("message", lambda: self.feeder.on_message(tail, payload))
        self.feeder.on_fault("message_too_large", f"down/{tail}: {len(payload)} bytes")
        return True

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
        self.touch()
        self.nature.repair(self.world.now_ms)
        self.nature.hung, self.nature.cell.state = True, "good"
        self.nature.cell.sd_ug = self.nature.cell.usual_sd_ug
        self.jam, self.cut_chunk, self.in_dose, self.starve = False, None, None, None
