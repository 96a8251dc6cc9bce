"""What goes wrong with one feeder's hardware, and the person who mends it. Each fault has its own random stream."""

import json
from random import Random
from typing import TYPE_CHECKING

from foreign import Neighbour
from model import DAY, HOUR, MINUTE, SECOND
from nature import FULL_UG, Leak
from sim_board import ROOT, Board
from sim_shell import TANK
from truth import FAULTS

if TYPE_CHECKING:
    from world import World

LEAST_UG = 5_000_000  # a hopper that holds less is filled again


class Troubles:
    """The faults of one board, at random, from `begin` on; and the answers of whoever looks after it."""

    def __init__(self, world: "World", board: Board) -> None:
        self.world, self.board = world, board
        self.neighbour = Neighbour(world, board)
        self.hands = self._random("hands")
        self._coming = False  # somebody is on the way
        board.alarmed = self._alarmed

    def _random(self, name: str) -> Random:
        return self.world.random(f"{self.board.name}/{name}")

    def begin(self, calm: float) -> None:
        for name, mean_days, act in (
            ("gain", 10.0, self._gain),
            ("leak", 10.0, self._leak),
            ("stuck", 10.0, self._stuck),
            ("poison", 2.0, lambda _: self.neighbour.send()),
            ("rot", 25.0, lambda _: self.board.rot()),
            ("swap", 60.0, lambda _: self.board.swap()),
            ("noise", 10.0, self._noise),
            ("cell", 15.0, self._cell),
            ("refill", 6.0, self._refill),
            ("memory", 3.0, self._memory),
        ):
            rng = self._random(name)
            if name not in self.world.without:
                self.world.now_and_then(rng, mean_days * calm, act, rng)

    def later(self, ms: int, act: object) -> None:
        assert callable(act)
        self.world.at(self.world.now_ms + ms, lambda: None if self.world.healing else act())

    # Faults

    def _gain(self, rng: Random) -> None:
        self.board.nature.auger.factor = rng.choice((0.2, 0.5, 1.2, 1.5, 2.0, 4.0, 8.0)) * rng.uniform(0.9, 1.0)
        self.world.count("auger gives more" if self.board.nature.auger.factor > 1 else "auger gives less")
        if rng.random() < 0.5:
            self.board.press()
        self.later(rng.randrange(HOUR, 6 * DAY), self.board.nature.auger.repair)

    def _leak(self, rng: Random) -> None:
        if rng.random() < 0.7:
            leak = Leak(rng.randrange(20_000, 500_000), round(MINUTE * 60 ** rng.random()))
            self.world.count("leak by drops")
        else:
            leak = Leak(rng.randrange(50, 5_000), MINUTE)
            self.world.count("leak as a trickle")
        self.board.nature.begin_leak(leak, self.world.now_ms)
        if rng.random() < 0.2:
            self.board.power_off(self.world.off_ms(rng))
        self.later(round(MINUTE * 5000 ** rng.random()), self._leak_ends)

    def _leak_ends(self) -> None:
        self.board.nature.advance(self.world.now_ms)
        self.board.nature.leak = None

    def _stuck(self, rng: Random) -> None:
        self.board.nature.auger.sticks = True
        self.world.count("auger sticks")
        self.later(rng.randrange(HOUR, 2 * DAY), self.board.nature.auger.gives_in)

    def _noise(self, rng: Random) -> None:
        cell = self.board.nature.cell
        cell.sd_ug = rng.choice((3_000, 10_000, 30_000))
        self.world.count("noisy cell")
        self.later(rng.randrange(HOUR, 4 * DAY), lambda: setattr(cell, "sd_ug", cell.usual_sd_ug))

    def _cell(self, rng: Random) -> None:
        nature = self.board.nature
        self.board.touch()
        state = rng.choice(("dead", "dead", "stuck", "frozen"))
        if state == "frozen":
            nature.cell.freeze(nature.on_the_cell_ug())
        else:
            nature.cell.state = state
        self.world.count(f"cell {state}")
        self.later(rng.choice((HOUR, DAY, 5 * DAY, 14 * DAY)) + rng.randrange(DAY), self._cell_mended)

    def _cell_mended(self) -> None:
        self.board.touch()
        self.board.nature.cell.state = "good"

    def _memory(self, rng: Random) -> None:
        what = rng.choice(("turn", "message"))
        self.board.starve = (what, rng.randrange(1, rng.choice((4, 12, 60))))
        if rng.random() < 0.5:
            self.board.press()

    # A person at the hopper

    def _refill(self, rng: Random) -> None:
        """The hopper comes off, is filled, and is hung again, with or without a word to service or button."""
        board, nature = self.board, self.board.nature
        if not nature.hung:
            return
        tells = rng.choice(("service", "service", "button", "nobody"))
        self.world.count(f"hopper off, told {tells}")
        if tells == "service":
            self._tell_hopper(False)
        elif tells == "button":
            board.long_press()
        board.touch()
        nature.hung = False
        minutes = rng.choice((2, 10, 90))

        def back() -> None:
            board.touch()
            nature.hung = True
            before_ug, nature.content_ug = nature.content_ug, rng.randrange(FULL_UG // 3, FULL_UG)
            board.touch()
            if tells == "service":
                added_g = max(0, nature.content_ug - before_ug) / 1e6
                self.world.shell.enter(lambda s: s.entries.add("refill", board.name, {"added_g": added_g}))
                self._tell_hopper(True)
            elif tells == "button" and any(board.model.local):
                board.long_press()

        self.world.at(self.world.now_ms + rng.randrange(MINUTE, minutes * MINUTE), back)

    def _tell_hopper(self, hung: bool) -> None:
        self.world.shell.enter(lambda s: s.entries.add("hopper", self.board.name, {"hung": hung}))

    def look_into_hopper(self) -> None:
        """Somebody looks now and then: an almost empty hopper is filled."""
        if self.board.nature.content_ug < LEAST_UG and self.board.nature.hung:
            self._refill(self.hands)

    # A person who hears of a stop

    def _alarmed(self, code: str) -> None:
        if code in FAULTS.values() and not self._coming:
            self._coming = True
            longest = 20 * MINUTE if self.world.healing else self.hands.choice((HOUR, 10 * HOUR, 2 * DAY))
            self.world.at(self.world.now_ms + self.hands.randrange(MINUTE, longest), self._answer)

    def _answer(self) -> None:
        """Mends it, in most cases; then lets it go on in one of the three ways there are."""
        self._coming = False
        rng, board = self.hands, self.board
        if self.world.healing or rng.random() < 0.8:
            board.touch()
            board.nature.repair(self.world.now_ms)
            self.world.count("repairs")
        else:
            self.world.count("released without a repair")
        way = "hold" if self.world.healing else rng.choice(("hold", "hold", "press", "calibrate"))
        if way == "press" and board.feeder is not None:
            if not any(board.model.local):
                board.long_press()
            self.world.at(self.world.now_ms + rng.randrange(10 * SECOND, 10 * MINUTE), self._let_go)
        elif way == "calibrate":
            self._calibrate()
        else:
            self.hold_and_release()

    def _let_go(self) -> None:
        if self.board.feeder is not None and any(self.board.model.local):
            self.board.long_press()

    def hold_and_release(self) -> None:
        shell = self.world.shell
        shell.enter(lambda service: service.hold(TANK, {"reason": "a look at the feeder"}))
        wait_ms = self.hands.randrange(5 * MINUTE, HOUR)
        self.world.at(self.world.now_ms + wait_ms, lambda: shell.enter(lambda s: s.release(TANK, {"note": "mended"})))

    def _calibrate(self) -> None:
        body = {"id": f"k{self.world.next_command()}", "expires_at_ms": None, "do": "calibrate", "args": {"mass_g": 50}}
        self.world.broker.publish(f"{ROOT}{self.board.name}/down/command", json.dumps(body).encode(), False, 1)
