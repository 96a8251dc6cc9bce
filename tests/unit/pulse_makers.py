"""Hardware that makes pulses by itself, simulated: a state machine of the RP2's PIO, a channel of the ESP32's RMT.

`Rp2` and `Esp32` stand in the places of the modules `rp2` and `esp32`. The state machine interprets its program cycle
by cycle as chapter 3 of the RP2040's data sheet says, from memory: side-set takes effect as an instruction begins,
delays follow it, x_dec and y_dec test before they count down, FIFOs hold four words. Nothing here hears of interrupts:
that is what such hardware is for.
"""

from collections.abc import Callable
from types import FunctionType
from typing import Any

from chips import LoadCellChip, Pin, VirtualTime

WORD = 0xFFFFFFFF
FIFO = 4


class Instruction:
    """One instruction as the assembler's notation gives it: `jmp(x_dec, "loop").side(0)[2]`."""

    def __init__(self, name: str, *arguments: Any) -> None:
        self.name = name
        self.arguments = arguments
        self.level: int | None = None
        self.delay = 0

    def side(self, level: int) -> "Instruction":
        self.level = level
        return self

    def __getitem__(self, delay: int) -> "Instruction":
        assert 0 <= delay <= 15, "one side-set bit leaves four bits of delay"
        self.delay = delay
        return self


class Program:
    """A function in the assembler's notation, run once to be recorded."""

    NAMES = ("x", "y", "osr", "pins", "block", "x_dec", "y_dec")

    def __init__(self, function: Callable[[], None], how: dict[str, Any]) -> None:
        self.how = how
        self.instructions: list[Instruction] = []
        self.labels: dict[str, int] = {}
        names: dict[str, Any] = {name: name for name in self.NAMES}
        for name in ("pull", "push", "out", "in_", "mov", "jmp"):
            names[name] = lambda *arguments, name=name: self._add(Instruction(name, *arguments))
        names["label"] = lambda name: self.labels.update({name: len(self.instructions)})
        body = FunctionType(function.__code__, names)
        body()
        assert len(self.instructions) <= 32, "the PIO's memory"
        assert all(instruction.level is not None for instruction in self.instructions), "side-set is not optional"

    def _add(self, instruction: Instruction) -> Instruction:
        self.instructions.append(instruction)
        return instruction


class StateMachine:
    """Runs a program at 1 MHz beside the program's own time: caught up whenever somebody looks."""

    def __init__(self, chip: LoadCellChip) -> None:
        self.chip = chip
        self.time = chip.time
        self.us = chip.time.us
        self.stuck = False
        self.level = 0
        self.high_us: list[int] = []  # of every pulse
        self._rose = 0
        self._on = False

    def init(self, program: Program, *, freq: int, in_base: Pin, sideset_base: Pin) -> None:
        assert freq == 1_000_000, "a cycle of this simulation is a microsecond"
        assert in_base is self.chip.data
        assert sideset_base is self.chip.clock
        assert program.how == {"sideset_init": "low", "in_shiftdir": "left", "out_shiftdir": "right"}
        self.program = program
        self.transmit: list[int] = []
        self.receive: list[int] = []
        self.x = self.y = self.osr = self.isr = self.pc = self._wait = 0
        self._on = False
        self._drive(0)

    def active(self, on: int) -> None:
        self._on = bool(on)
        self.us = self.time.us

    def put(self, word: int) -> None:
        self._catch_up()
        assert len(self.transmit) < FIFO, "the program would wait here"
        self.transmit.append(word & WORD)

    def rx_fifo(self) -> int:
        self.time.spend(self.time.call_us)
        self._catch_up()
        return len(self.receive)

    def get(self) -> int:
        self._catch_up()
        return self.receive.pop(0)

    def _catch_up(self) -> None:
        """Run the cycles up to now; the chip sees each at its own time."""
        now = self.time.us
        if self._on and not self.stuck:
            while self.us < now and not (self.pc == 0 and not self.transmit):  # it waits for a word there
                self.time.us = self.us
                self._cycle()
                self.us += 1
        self.us = self.time.us = now

    def _cycle(self) -> None:
        if self._wait:
            self._wait -= 1
            return
        instruction = self.program.instructions[self.pc]
        if self.pc == 0:
            assert (instruction.name, instruction.arguments) == ("pull", ("block",)), "what _catch_up relies on"
        self._drive(instruction.level)
        following = (self.pc + 1) % len(self.program.instructions)
        match instruction.name, *instruction.arguments:
            case "pull", "block":
                if not self.transmit:
                    return
                self.osr = self.transmit.pop(0)
            case "push", "block":
                if len(self.receive) >= FIFO:
                    return
                self.receive.append(self.isr)
                self.isr = 0
            case "out", "x", bits:
                self.x = self.osr & ((1 << bits) - 1)
                self.osr >>= bits
            case "in_", "pins", 1:
                self.isr = (self.isr << 1 | self.chip._line()) & WORD
            case "mov", "y", "osr":
                self.y = self.osr
            case "jmp", "x_dec" | "y_dec" as condition, label:
                register = condition[0]
                count = getattr(self, register)
                setattr(self, register, (count - 1) & WORD)
                if count:
                    following = self.program.labels[label]
            case _:
                raise AssertionError(
                    f"an instruction that this simulation does not know: {instruction.name} {instruction.arguments}"
                )
        self.pc = following
        self._wait = instruction.delay

    def _drive(self, level: int | None) -> None:
        assert level is not None
        if level != self.level:
            self.level = level
            if level:
                self._rose = self.us
            else:
                self.high_us.append(self.us - self._rose)
            self.chip._clock(level)


class Rp2:
    """In the place of the module rp2."""

    class PIO:
        OUT_LOW, SHIFT_LEFT, SHIFT_RIGHT = "low", "left", "right"

    chip: LoadCellChip
    machines: list[StateMachine]

    @staticmethod
    def asm_pio(**how: Any) -> Callable[[Callable[[], None]], Program]:
        return lambda function: Program(function, how)

    @classmethod
    def StateMachine(cls, number: int) -> StateMachine:  # noqa: N802
        assert 0 <= number < 4, "the second PIO is the Wi-Fi chip's"
        cls.machines = [StateMachine(cls.chip)]
        return cls.machines[0]


class Channel:
    """A channel of the RMT at 1 MHz: makes a sequence beside the program's own time, then rests at its idle level."""

    def __init__(self, pin: Pin, resolution_hz: int, idle_level: bool) -> None:
        assert resolution_hz == 1_000_000
        assert idle_level is False, "a clock that rests high switches the chip off"
        self.chip = Esp32.chip
        assert pin is self.chip.clock
        self.time: VirtualTime = self.chip.time
        self.stuck = False
        self.high_us: list[int] = []
        self._ends = 0

    def write_pulses(self, durations: tuple[int, ...], level: bool) -> None:
        assert all(1 <= us <= 32_767 for us in durations)
        assert self.time.us >= self._ends, "the program would wait here"
        now = self.time.us
        for us in durations:
            self.chip._clock(int(level))
            if level:
                self.high_us.append(us)
            self.time.us += us
            level = not level
        self._ends = self.time.us
        self.chip._clock(0)
        self.time.us = now
        self.time.spend(20)  # the call takes longer than the pulse

    def wait_done(self, *, timeout: int) -> bool:
        if self.stuck:
            self.time.spend(1_000 * timeout)
            return False
        self.time.spend(max(0, self._ends - self.time.us) + 30)
        return True


class Esp32:
    """In the place of the module esp32."""

    chip: LoadCellChip
    channels: list[Channel]

    @classmethod
    def RMT(cls, *, pin: Pin, resolution_hz: int, idle_level: bool) -> Channel:  # noqa: N802
        cls.channels = [Channel(pin, resolution_hz, idle_level)]
        return cls.channels[0]
