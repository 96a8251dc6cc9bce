"""The seeded world: one service, one broker, one to three feeders, thirty days, and everything that can go wrong.

    python tests/sim/world.py SEED [DAYS] [without FAULT ...]      runs one seed and says what happened in it

The faults that can be left out are those of troubles.py, by name, and `stranger`; all else stays as it is.

`World(seed).run()` is a virtual clock and two queues of events: what is on the wire, and everything else. The service
is the real one with its store; the feeders run firmware/feeder.py; broker, links, flash, power, clocks and people are
this folder's. After every step of a motor and every message the models (model.py, one for each feeder) are asked. At
the end nothing fails any more for a day and a half, and then books, journals, plans and holds must agree with what
truly happened.

Chance comes from one stream for each part of the world, drawn from the seed.
"""

import heapq
import json
import logging
import sys
from collections import Counter
from collections.abc import Callable, Collection
from datetime import datetime
from functools import partial
from random import Random
from typing import Any
from zoneinfo import ZoneInfo

from foreign import Stranger
from hardware_seam import feeder_module
from model import DAY, HOUR, MINUTE, SECOND, RuleBrokenError
from network import Broker, Link
from sim_board import Board
from sim_shell import TANK, Shell
from troubles import Troubles

from tareline.resources import load_firmware
from tareline.service import Service
from tareline.store import devices as device_store

DAYS = 30
HEAL_MS = 36 * HOUR
# The days in which clocks change in 2026, from the IANA time zone database: 29 March and 25 October in Europe, 8 March
# and 1 November in America; Lord Howe Island moves by half an hour on 5 April and 4 October.
STARTS = {
    "Europe/Berlin": (1_773_446_400_000, 1_791_590_400_000),
    "America/New_York": (1_772_323_200_000, 1_792_368_000_000),
    "Australia/Lord_Howe": (1_774_051_200_000, 1_790_035_200_000),
}
memory_module = load_firmware("memory")
# Every dose again each hour while the service is away for weeks says nothing new about any rule here, and would be most
# of the work. And a month is short: journals are written anew more often than on a board.
PACE = (
    (feeder_module, "RESEND_LAST_MS", 8 * HOUR),
    (memory_module, "REWRITE_FREED", 600),
    (memory_module, "LARGEST_GROWTH", 1500),
)


class World:
    """See the module's text. `counts` says how often what happened."""

    def __init__(self, seed: int, days: int = DAYS, *, without: Collection[str] = ()) -> None:
        self.seed, self.without = seed, without
        self.counts: Counter[str] = Counter()
        self._main: list[tuple[int, int, Callable[[], None]]] = []
        self._wire: list[tuple[int, int, Callable[[], None]]] = []
        self._number = 0
        rng = self.rng = self.random("world")
        zone = rng.choice(list(STARTS))
        self.zone = ZoneInfo(zone)
        self.now_ms = rng.choice(STARTS[zone]) + rng.randrange(DAY)
        self.end_ms = self.now_ms + days * DAY
        self.healing = False
        self.service_away = False
        self.broker = Broker(self, self.random("broker"))
        self.boards = [Board(self, f"feeder{i + 1}") for i in range(rng.choice((1, 1, 2, 3)))]
        self.shell = Shell(self, zone, [board.name for board in self.boards])
        self.troubles = [Troubles(self, board) for board in self.boards]
        self.stranger = Stranger(self)
        self.poison: dict[bytes, str] = {}  # every payload that is no message -> its kind
        self._commands = 0

    # Time and chance

    def random(self, name: str) -> Random:
        return Random(f"{self.seed}/{name}")

    def now(self) -> int:
        return self.now_ms

    def at(self, due_ms: int, call: Callable[[], None]) -> None:
        self._number += 1
        heapq.heappush(self._main, (due_ms, self._number, call))

    def wire(self, due_ms: int, call: Callable[[], None]) -> None:
        self._number += 1
        heapq.heappush(self._wire, (due_ms, self._number, call))

    def pass_ms(self, ms: int) -> None:
        self.now_ms += ms
        self.shell.clock.advance(ms)

    def count(self, what: str, n: int = 1) -> None:
        self.counts[what] += n

    def run_wire(self) -> None:
        """Whatever has arrived by now, while something else goes on."""
        while self._wire and self._wire[0][0] <= self.now_ms:
            heapq.heappop(self._wire)[2]()

    def _run_until(self, end_ms: int) -> None:
        while True:
            board = min(self.boards, key=lambda b: b.wake_ms)
            queue = min((q for q in (self._main, self._wire) if q), key=lambda q: q[0][:2])
            due_ms = min(board.wake_ms, queue[0][0])
            if due_ms > end_ms:
                self.pass_ms(max(0, end_ms - self.now_ms))
                return
            if due_ms > self.now_ms:
                self.pass_ms(due_ms - self.now_ms)
            if queue[0][0] <= due_ms:
                heapq.heappop(queue)[2]()
            else:
                board.wake()

    def off_ms(self, rng: Random) -> int:
        """How long power is away."""
        if self.healing:
            return 5 * SECOND
        longest = rng.choice((10 * SECOND, 10 * SECOND, MINUTE, HOUR, HOUR, 20 * HOUR, 4 * DAY))
        return SECOND + rng.randrange(longest)

    def down_ms(self, rng: Random) -> int:
        """How long a process is away that somebody starts again."""
        return SECOND + rng.randrange(rng.choice((5 * SECOND, MINUTE, MINUTE, 3 * HOUR)))

    def connect_soon(self, link: Link, rng: Random) -> None:
        self.at(self.now_ms + 200 + rng.randrange(30 * SECOND), lambda: self._connect(link))

    def _connect(self, link: Link) -> None:
        board = next((b for b in self.boards if b.link is link), None)
        alive = board.powered if board is not None else self.shell.service is not None
        if alive and link.connect():
            if board is None:
                self.shell.connected()
            else:
                board.wake_ms = self.now_ms

    # The run

    def run(self) -> "World":
        """All of it. Raises RuleBrokenError where a rule does not hold, with the seed."""
        logger = logging.getLogger("tareline")
        level = logger.level
        logger.setLevel(logging.CRITICAL + 1)
        usual = [getattr(module, name) for module, name, _ in PACE]
        for module, name, value in PACE:
            setattr(module, name, value)
        began_ms = self.now_ms
        try:
            self._begin()
            self._run_until(self.end_ms)
            self._heal()
        except RuleBrokenError as error:
            days = (self.now_ms - began_ms) / DAY
            raise RuleBrokenError(f"seed {self.seed}, day {days:.2f} ({self.now_ms}): {error}") from error
        finally:
            self.shell.remove()
            logger.setLevel(level)
            for (module, name, _), value in zip(PACE, usual, strict=True):
                setattr(module, name, value)
        return self

    def _begin(self) -> None:
        self._put_ration()
        for board in self.boards:
            self.at(self.now_ms + board.rng.randrange(10 * MINUTE), board.power_on)
        self._service_ticks()
        calm = self.rng.choice((0.7, 1.0, 1.5, 2.5))  # some worlds are wilder than others
        for board in self.boards:
            for mean_days, act in (
                (3.0, self._power_cut),
                (1.5, self._cut_at_a_write),
                (6.0, self._cut_in_a_dose),
                (6.0, self._flash_refuses),
                (1.5, self._network_away),
                (6.0, self._clock_wrong),
                (1.0, lambda b: b.press()),
                (1.2, self._command),
                (2.0, self._hold_in_a_dose),
                (8.0, self._jam),
                (8.0, self._long_press),
            ):
                self.now_and_then(board.rng, mean_days * calm, act, board)
        for mean_days, act in (
            (2.0, self._kill_service),
            (2.5, self._service_network),
            (0.5, lambda _: self.broker.save()),
            (2.5, self._broker_crash),
            (3.0, self._person_holds),
            (3.0, self._water),
            (4.0, lambda _: self._put_ration()),
            (3.0, self._hand_feed),
            (1.0, self._look_after),
            (40.0, self._stranger),
        ):
            self.now_and_then(self.rng, mean_days * calm, act, None)
        for troubles in self.troubles:
            troubles.begin(calm)
        if self.rng.random() < 0.3:
            soon_ms = self.rng.randrange(self.rng.choice((DAY, 6 * DAY)))
            self.at(self.now_ms + HOUR + soon_ms, self._service_leaves)

    def now_and_then(self, rng: Random, mean_days: float, act: Callable[[Any], None], whom: Any) -> None:
        def again() -> None:
            if not self.healing:
                act(whom)
                next_one()

        def next_one() -> None:
            self.at(self.now_ms + int(rng.expovariate(1 / (mean_days * DAY))) + 1, again)

        next_one()

    # What goes wrong with a board

    def _power_cut(self, board: Board) -> None:
        board.power_off(self.off_ms(board.rng))

    def _cut_at_a_write(self, board: Board) -> None:
        """Within minutes, since a feeder writes that often; or at the next dose's."""
        board.flash.cut(board.rng.choice((1, 1, 2, 3, 8)), board.rng.choice(("before", "torn", "after")))
        if board.rng.random() < 0.5:
            board.press()

    def _cut_in_a_dose(self, board: Board) -> None:
        board.cut_chunk = board.rng.choice((1, 1, 2, 4))

    def _flash_refuses(self, board: Board) -> None:
        until_ms = self.now_ms + board.rng.randrange(board.rng.choice((MINUTE, HOUR)))
        board.flash.refuse(board.rng.choice((1, 2, 2, 3)), until_ms)  # the second: a dose's end
        if board.rng.random() < 0.7:
            board.press()
        if board.rng.random() < 0.5:
            self.at(self.now_ms + board.rng.randrange(MINUTE), lambda: board.power_off(self.off_ms(board.rng)))

    def _network_away(self, board: Board) -> None:
        rng, link = board.rng, board.link
        if not link.network:
            return
        link.network = False
        link.stalled = True
        self.at(self.now_ms + rng.choice((0, rng.randrange(45 * SECOND))), lambda: self._lose(link))
        away_ms = SECOND + rng.randrange(rng.choice((10 * SECOND, MINUTE, MINUTE, 5 * HOUR, 2 * DAY, 16 * DAY)))
        self.at(self.now_ms + away_ms, lambda: self._network_back(link, rng))

    def _lose(self, link: Link) -> None:
        if link.stalled:
            link.drop()

    def _network_back(self, link: Link, rng: Random) -> None:
        link.network = True
        link.drop()
        self.connect_soon(link, rng)

    def _clock_wrong(self, board: Board) -> None:
        rng = board.rng
        kind = rng.choice(("back", "ahead", "2106", "lost", "seconds"))
        self.count(f"clock {kind}")
        far_ms = rng.choice((HOUR, 8 * HOUR, DAY, 3 * DAY))
        if kind == "2106":
            board.clock_wrapped = True
        elif kind == "lost":
            board.clock_set = False
        elif kind == "seconds":
            board.clock_error_ms = rng.randrange(-5 * SECOND, 5 * SECOND)
        else:
            board.clock_error_ms = (MINUTE + rng.randrange(far_ms)) * (-1 if kind == "back" else 1)

        def right() -> None:
            board.clock_error_ms, board.clock_wrapped = 0, False
            board.clock_set = board.clock_set or board.clock == "kept"

        self.at(self.now_ms + rng.randrange(rng.choice((MINUTE, 5 * HOUR, 2 * DAY))), right)

    def _jam(self, board: Board) -> None:
        board.jam = True

    # What people and other programs do

    def _command(self, board: Board) -> None:
        """A program beside the service sends a command, sometimes twice, sometimes late, sometimes not for now."""
        rng = board.rng
        do = rng.choice(("dispense", "dispense", "dispense", "tare", "restart"))
        args = {"target_g": rng.randrange(10, 300) / 1000} if do == "dispense" else {}
        expires = rng.choice((None, self.now_ms + MINUTE, self.now_ms + HOUR, self.now_ms + DAY))
        body = {"id": f"c{self.next_command()}", "expires_at_ms": expires, "do": do, "args": args}
        self.count("commands")
        for _ in range(rng.choice((1, 1, 2, 3))):
            delay_ms = rng.choice((0, rng.randrange(2 * MINUTE), rng.randrange(3 * DAY)))
            self.at(self.now_ms + delay_ms, lambda: self._send_command(board, body))

    def next_command(self) -> int:
        self._commands += 1
        return self._commands

    def _send_command(self, board: Board, body: dict[str, Any]) -> None:
        if not self.healing:
            self.broker.publish(f"tareline/{board.name}/down/command", json.dumps(body).encode(), False, 1)

    def _long_press(self, board: Board) -> None:
        """A hold by the button, with a power cut or a forgetful press; whoever did it comes back to let it go on."""
        board.long_press()
        later_ms = 2 * SECOND + board.rng.randrange(board.rng.choice((MINUTE, 5 * HOUR, 30 * HOUR)))
        if board.rng.random() < 0.5:
            board.power_off(5 * SECOND)
            self.at(self.now_ms + MINUTE, board.press)
        self.at(self.now_ms + later_ms, lambda: self._let_go(board))

    def _let_go(self, board: Board) -> None:
        if not board.powered:
            self.at(self.now_ms + HOUR, lambda: self._let_go(board))
        elif any(board.model.local):
            board.long_press()

    def _hold_in_a_dose(self, board: Board) -> None:
        """While the motor turns next, somebody holds or releases."""
        act = self._hold if board.rng.random() < 0.7 else self._release
        board.in_dose = act
        if board.rng.random() < 0.5:
            board.press()

    def _hold(self) -> None:
        self.shell.enter(lambda service: service.hold(TANK, {"reason": "a look at the fish"}))
        self.at(self.now_ms + MINUTE + self.rng.randrange(20 * HOUR), self._release)

    def _release(self) -> None:
        self.shell.enter(lambda service: service.release(TANK, {"note": "all is well"}))

    def _person_holds(self, _: None) -> None:
        self._hold()

    def _reading(self, value: float) -> None:
        body = {"analyte": "ammonia", "value": value, "unit": "mg/L", "basis": "N"}
        self.shell.enter(lambda service: service.entries.add("reading", TANK, body))

    def _water(self, _: None) -> None:
        """A bad reading: half the food, or none; hours later a good one."""
        self._reading(self.rng.choice((1.2, 2.5)))
        later_ms = self.now_ms + self.rng.randrange(MINUTE, DAY)
        self.at(later_ms, lambda: self._reading(0.0))
        self.at(later_ms + self.rng.randrange(MINUTE, HOUR), self._release)

    def _look_after(self, _: None) -> None:
        """Nothing stays held for good: a clean reading, and a release."""
        self._reading(0.0)
        self._release()
        for troubles in self.troubles:
            troubles.look_into_hopper()

    def _put_ration(self) -> None:
        rng = self.rng
        names = [board.name for board in self.boards]
        times = rng.sample(("00:00", "00:05", "02:15", "02:30", "07:30", "08:00", "12:00", "18:00", "23:55"), k=3)
        daily_g = rng.choice((0.1, 0.3, 0.6))
        shares = rng.choice(((1.0,), (0.5, 0.5), (0.3, 0.3, 0.4)))
        meals = [{"at": at, "share": s, "feeder": rng.choice(names)} for at, s in zip(times, shares, strict=False)]
        cap_g = daily_g * rng.choice((1.0, 1.0, 1.3, 2.5))
        body = {"daily_g": daily_g, "cap_g": cap_g, "meals": meals, "confirm": True}
        self.shell.enter(lambda service: service.feeding.put_ration(TANK, body))

    def _hand_feed(self, _: None) -> None:
        mass_g = self.rng.randrange(10, 200) / 1000
        self.shell.enter(lambda service: service.entries.add("handfeed", TANK, {"mass_g": mass_g}))

    # What goes wrong with the service and the broker

    def _service_ticks(self) -> None:
        soon = self.shell.tick()
        wait_ms = self.rng.randrange(SECOND, 40 * SECOND) if soon else self.rng.randrange(20 * MINUTE, 120 * MINUTE)
        self.at(self.now_ms + wait_ms, self._service_ticks)

    def _kill_service(self, _: None) -> None:
        """Between two of its next steps, which half the time take doses."""
        self.shell.kill(self.rng.choice((1, 2, 3, 3, 4, 6, 8)))
        if self.rng.random() < 0.5:
            for board in self.boards:
                board.press()

    def _service_network(self, _: None) -> None:
        link = self.shell.link
        link.network = False
        link.drop()
        away_ms = SECOND + self.rng.randrange(self.rng.choice((10 * SECOND, HOUR, DAY)))
        self.at(self.now_ms + away_ms, lambda: self._network_back(link, self.rng))

    def _service_leaves(self) -> None:
        """For days or weeks, or until the end: the feeders' fallback, and its end."""
        if self.healing:
            return
        self.service_away = True
        self.shell.close()
        self.count("service away")
        self.at(self.now_ms + self.rng.choice((3, 10, 20, 60)) * DAY, self._service_returns)

    def _service_returns(self) -> None:
        self.service_away = False
        self.shell.open_again()

    def service_killed(self) -> None:
        """Sometimes it was the whole machine, and the broker goes with it."""
        if self.rng.random() < 0.4 and not self.healing:
            self.at(self.now_ms + self.rng.randrange(SECOND), lambda: self._broker_crash(None))

    def _broker_crash(self, _: None) -> None:
        if not self.broker.running:
            return
        self.broker.crash()
        self.count("broker crashes")
        self.at(self.now_ms + self.down_ms(self.rng), self._broker_back)

    def _broker_back(self) -> None:
        self.broker.running = True
        for link in self.broker.links:
            self.connect_soon(link, self.rng)

    def _stranger(self, _: None) -> None:
        if "stranger" not in self.without:
            self.stranger.comes()

    # The end

    def _heal(self) -> None:
        """Nothing fails any more; after a day and a half everything must agree."""
        self.healing, self.service_away = True, False
        self.shell.spare()
        self.shell.open_again()
        self.broker.running = True
        for board in self.boards:
            self.shell.enter(partial(_hang_again, board.name))
            board.heal()
            board.link.network = True
            board.link.drop()
            self.connect_soon(board.link, board.rng)
            board.power_on()
        self.shell.link.network = True
        self.connect_soon(self.shell.link, self.rng)
        self._run_until(self.now_ms + 10 * MINUTE)
        for board in self.boards:
            self._let_go(board)
        self.troubles[0].hold_and_release()
        self._run_until(self.now_ms + 2 * HOUR)
        coming = {board.name: self._meals_to_come(board) for board in self.boards}
        self._run_until(self.now_ms + HEAL_MS - 3 * HOUR)
        for _ in range(3):  # at each connect a feeder says what it still holds; a dose may be on its way just then
            for board in self.boards:
                board.link.drop()
                self.connect_soon(board.link, board.rng)
            self._run_until(self.now_ms + 20 * MINUTE)
            if all(self._all_freed(board) for board in self.boards):
                break
        self._check(coming)

    def _meals_to_come(self, board: Board) -> set[str]:
        """The meals of the first whole day in which nothing fails."""
        need(bool(board.model.plans), f"{board.name} has no plan two hours after all is well")
        plan = board.model.plans[0]
        if plan["installation"] == Stranger.NAME:
            return set()  # nobody has chosen yet; in the end it must be ours
        first_ms, last_ms = plan["days"][1]["start_ms"], self.now_ms + HEAL_MS - 4 * HOUR
        return {meal["id"] for meal in plan["meals"] if first_ms <= meal["at_ms"] < last_ms}

    def _check(self, coming: dict[str, set[str]]) -> None:
        service = self.shell.service
        assert service is not None
        standing = [entry for entry in self._ledger(service) if not entry["corrected_by"] and not entry["void"]]
        with service.context.store.read() as tx:
            issued = device_store.issued(tx)
        misdated = {self._day(at_ms) for board in self.boards for at_ms in board.model.misdated}
        for board in self.boards:
            gaps = [e for e in standing if e["kind"] == "gap" and e["feeder"] == board.name]
            loses = bool(board.model.lossy or board.model.gone_boards)
            need(loses or len(gaps) <= board.model.flips, "doses were given up for good")
            board.model.check_books([e for e in standing if e["kind"] == "dose" and e["feeder"] == board.name])
            late = self._days_of_late_meals(board) | misdated
            fed = {dose["meal"] for dose in board.model.said.values()}
            lacking = {meal for meal in coming[board.name] - fed if meal[:10] not in late}
            need(not lacking, f"meals of a day without a fault were not fed: {lacking}")
            said = {tail: self._kept(f"{board.name}/up/{tail}") for tail in ("status", "hello", "applied")}
            need(said["status"]["online"] is True, "a feeder that is there does not say so")
            need(self._all_freed(board), "a received dose was not freed")
            for tail in ("plan", "hold"):
                now, asked = said["applied"][f"{tail}_version"], issued[board.name, tail].version
                need(now == asked, f"{board.name} obeys {tail} {now} where {asked} was issued")

    def _days_of_late_meals(self, board: Board) -> set[str]:
        """Local days that began with a meal of the day before, some minutes late: it counts in the new day's ration."""
        told = [dose for dose in board.model.said.values() if dose["meal"] and dose["at_ms"] is not None]
        days = [self._day(dose["at_ms"]) for dose in told]
        return {day for dose, day in zip(told, days, strict=True) if dose["meal"][:10] < day}

    def _day(self, at_ms: int) -> str:
        return datetime.fromtimestamp(at_ms / 1000, self.zone).date().isoformat()

    @staticmethod
    def _ledger(service: Service) -> list[dict[str, Any]]:
        entries: list[dict[str, Any]] = []
        while page := service.ledger.page(TANK, None, None, None, entries[-1]["entry"] if entries else None):
            entries += [entry.model_dump(mode="json") for entry in page]
        return entries

    def _all_freed(self, board: Board) -> bool:
        hello = self._kept(f"{board.name}/up/hello")
        return bool(hello["journal_from"] == hello["journal_to"] + 1)

    def _kept(self, topic: str) -> dict[str, Any]:
        fields: dict[str, Any] = json.loads(self.broker.retained[f"tareline/{topic}"])
        return fields


def need(holds: bool, rule: str) -> None:
    if not holds:
        raise RuleBrokenError(rule)


def _hang_again(feeder: str, service: Service) -> object:
    return service.entries.add("hopper", feeder, {"hung": True})


def main() -> None:
    given, _, without = " ".join(sys.argv[1:]).partition("without")
    seed, *days = (int(word) for word in given.split())
    world = World(seed, *days, without=without.split())
    try:
        world.run()
    finally:
        for what, n in sorted(world.counts.items()):
            print(f"{n:8} {what}")


if __name__ == "__main__":
    main()
