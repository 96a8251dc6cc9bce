"""A keeper's month in fast motion: what people would have been told while it went on. Invented, and only for the demo.

The real service is told five weeks of one windowsill tank, with a clock set to each moment: a feeder that obeys the
plan and the hold as issued, a probe, a keeper with test kits, and somebody who looks in during an absence. Half an hour
after half an hour, and after each event, the service looks after the tank as it does when it runs. The addresses are
never contacted: what is told is read from the outbox.
"""

import json
import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

from rich.console import Console
from rich.padding import Padding

from tareline.clock import ManualClock
from tareline.core.calendar import day_start_ms, from_ms, meal_ms
from tareline.core.units import DAY_MS, HOUR_MS
from tareline.mqtt.messages import Message
from tareline.notify.targets import Addresses
from tareline.service import Service
from tareline.settings import Settings
from tareline.simulate import history
from tareline.simulate.history import FOODS, KITS, WATERS, WEIGHING_SD_G, ZONE
from tareline.store import alerts as outbox
from tareline.store import devices as device_store

FIRST = date(2026, 5, 4)  # a Monday
DAYS = 35
SEED = 20260504
STEP_MS = 30 * 60_000
SECOND_MS = 1000
AGE_DAYS = 300  # of the tank when the month begins: long mature

TANK, NAME, VOLUME_L = "travel", "Travel shelf", 30
FEEDER, PROBE = "feeder-travel", "probe-travel"
MEALS, DAILY_G, AWAY_G, HOPPER_G, REFILL_G = ("08:00", "18:00"), 0.12, 0.06, 3.6, 20.0
GAIN = 1.01  # what a step really gives, of what the feeder takes it to give
QUIET = "22:00-07:00"
KEEPER, NEIGHBOUR = "morning desk", "caretaker"
TOWN = {
    "id": "town",
    "name": "Town supply",
    "tds_mg_per_l": 230,
    "nitrate_mg_per_l": 3,
    "kh_dkh": 7,
    "chloramine": True,
}

# What the tank really holds, day by day: total ammonia as mg/L N and nitrate as mg/L; straight lines in between.
AMMONIA: tuple[tuple[float, float], ...] = (
    (0.0, 0.0),
    (7.0, 0.0),
    (10.4, 0.4),
    (11.4, 0.8),
    (12.4, 1.6),
    (12.45, 1.6),
    (12.48, 0.8),
    (13.4, 0.4),
)
AMMONIA += ((14.4, 0.1), (16, 0.0), (DAYS, 0.0))
NITRATE = ((-70.0, 10.0), (-28.0, 10.0), (0.0, 21.0), (12.45, 31.0), (12.48, 16.0), (DAYS, 16.0))
STEPS: dict[str, list[float]] = {**history.STEPS, "drops-no3": [0, 5, 10, 15, 20, 25, 30, 40, 60]}


@dataclass(frozen=True, slots=True)
class Told:
    """A message that would have been sent: when, to whom, and what it says of which alerts."""

    at_ms: int
    to: str
    title: str
    text: str
    alerts: Sequence[dict[str, Any]]


def play(folder: Path, told: Callable[[int], None] = lambda _day: None) -> list[Told]:
    """Play the month in a new store in this folder; returns what would have been sent, in order.

    told is called with the number of days that have been played, out of DAYS.
    """
    notify = {"webhooks": ["http://127.0.0.1:9/keeper"], "others": {NEIGHBOUR: ["json://127.0.0.1:9/caretaker"]}}
    settings = Settings.model_validate(
        {"store": {"url": f"sqlite:///{folder.absolute()}/month.db"}, "notify": {**notify, "quiet": QUIET}}
    )
    clock = ManualClock(day_start_ms(FIRST, ZONE))
    service = Service(settings, clock)
    try:
        _Month(service, clock, Random(SEED)).play(told)
        others = Addresses(settings.notify, service.context.installation).others[NEIGHBOUR]
        with service.context.store.read() as tx:
            return [
                Told(m.queued_ms, NEIGHBOUR if target in others else KEEPER, m.title, m.text, m.alerts)
                for m, target in outbox.queued(tx)
            ]
    finally:
        service.stop()


def show(messages: Sequence[Told], console: Console) -> None:
    """Print the messages like a diary, each day under its date."""
    day = ""
    for one in messages:
        at = from_ms(one.at_ms, ZONE)
        if (today := f"{at:%A} {at.day} {at:%B}") != day:
            day = today
            console.rule(f"[bold]{day}[/bold]", align="left")
        head, _, rest = one.text.partition("\n")
        console.print(f"\n[bold]{at:%H:%M}  {head}[/bold]  [dim]to the {one.to}[/dim]", highlight=False)
        console.print(Padding(rest, (0, 0, 0, 7)), highlight=False, markup=False)
    console.print(f"\n{len(messages)} messages in {DAYS} days.")


def _level(course: Sequence[tuple[float, float]], day: float) -> float:
    for (from_day, before), (to_day, after) in pairwise(course):
        if from_day <= day <= to_day:
            return before + (after - before) * (day - from_day) / (to_day - from_day)
    raise ValueError(f"day {day} lies outside of the course")


class _Month:
    """People, devices and time."""

    def __init__(self, service: Service, clock: ManualClock, random: Random) -> None:
        self._service, self._clock, self._random = service, clock, random
        self._feeder = _Feeder(service, clock, random)
        self._probe = _Probe(clock, random)

    def play(self, told: Callable[[int], None]) -> None:
        self._furnish()
        events = sorted(self._events(), key=lambda event: event[0])
        end_ms = day_start_ms(FIRST + timedelta(days=DAYS), ZONE)
        for now_ms in range(self._clock.now_ms(), end_ms, STEP_MS):
            while events and events[0][0] <= now_ms:
                at_ms, act = events.pop(0)
                self._reach(at_ms)
                act()
                self._service.watch()  # at once, as after every change
                self._reach(at_ms + SECOND_MS)
                self._look()
                self._reach(at_ms + 90 * SECOND_MS)
                self._look()
            self._reach(now_ms)
            self._look()
            told((now_ms - day_start_ms(FIRST, ZONE)) // DAY_MS)

    def _reach(self, at_ms: int) -> None:
        """Let time pass, and hear what devices have to say."""
        self._clock.advance(max(0, at_ms - self._clock.now_ms()))
        messages = [*self._feeder.messages(), *self._probe.messages()]
        if messages:
            self._service.take(messages)
            self._service.settle()

    def _look(self) -> None:
        """What time and the messages bring, as the running service works it out."""
        self._service.tick()
        self._service.update_accounts()
        self._service.watch()

    # -- people ------------------------------------------------------------------------------------------------------

    def _at(self, day: int, time: str) -> int:
        at_ms = meal_ms(FIRST + timedelta(days=day), time, ZONE)
        assert at_ms is not None
        return at_ms

    def _furnish(self) -> None:
        """The tank, what belongs to it, and the keeper's notebook of ten weeks, typed in on the first evening."""
        service, since = self._service, _stated(self._at(-AGE_DAYS, "12:00"))
        for kind, things in (("water", [*WATERS, TOWN]), ("food", FOODS), ("kit", [*KITS])):
            for thing in things:
                body = {**thing, "at": since}
                service.add_thing(kind, body | ({"steps": STEPS[str(thing["id"])]} if kind == "kit" else {}))
        service.add_thing("tank", {"id": TANK, "name": NAME, "volume_l": VOLUME_L, "timezone": ZONE, "at": since})
        service.add_thing("feeder", {"id": FEEDER, "tank": TANK, "food": "crumbs"})
        service.add_thing("probe", {"id": PROBE, "tank": TANK})
        meals = [{"at": at, "share": 1 / len(MEALS)} for at in MEALS]
        service.feeding.put_ration(TANK, {"daily_g": DAILY_G, "cap_g": 0.18, "meals": meals, "by": KEEPER})
        for week in range(10, 0, -1):
            self._measure(self._at(1 - 7 * week, "10:00"))
        service.entries.add("weighin", FEEDER, {"mass_g": HOPPER_G, "sd_g": 0.01, "by": KEEPER})

    def _events(self) -> Iterator[tuple[int, Callable[[], object]]]:
        """(instant, deed) of everything that people do and that happens to devices."""
        at, service, feeder = self._at, self._service, self._feeder
        for day in (1, 8, 15, 22, 25):
            yield at(day, "10:00"), self._measure
            yield at(day, "10:05"), self._weigh_in
        yield at(8, "20:00"), partial(self._see, "I thin the plants' dead leaves out, and change water this week.")
        for day in (10, 11, 12):  # ammonia rises, and is measured daily from the first alert on
            yield at(day, "10:00"), partial(self._drops, "drops-nh")
            yield at(day, "10:20"), partial(self._see, "Water looks clear; I measure again tomorrow.")
        change = {"volume_l": 15, "water": "town", "by": KEEPER}
        yield at(12, "11:00"), partial(service.entries.add, "water-change", TANK, change)
        yield at(12, "16:00"), partial(self._drops, "drops-nh")
        yield at(13, "10:00"), partial(self._drops, "drops-nh")
        note = "A dead snail behind the filter; taken out. Animals lively, ammonia falls."
        yield at(13, "10:10"), partial(service.release, TANK, {"note": note, "by": KEEPER})
        yield at(14, "10:00"), partial(self._drops, "drops-nh")
        yield at(16, "23:20"), feeder.leave  # somebody pulls the plug of the shelf's network box
        yield at(17, "06:50"), feeder.join
        yield at(19, "17:00"), partial(feeder.jam, True)
        yield at(20, "09:30"), partial(feeder.jam, False)
        yield at(24, "16:00"), self._refill
        away = {"start": str(FIRST + timedelta(days=26)), "end": str(FIRST + timedelta(days=32)), "daily_g": AWAY_G}
        yield at(25, "17:00"), partial(service.feeding.put_absence, TANK, {**away, "tell": NEIGHBOUR, "by": KEEPER})
        yield at(29, "13:10"), self._unplug  # the caretaker vacuums, and forgets to plug the shelf in again
        yield at(29, "15:40"), self._plug
        yield at(33, "10:00"), self._measure
        yield at(33, "10:05"), self._weigh_in

    def _measure(self, at_ms: int | None = None) -> None:
        """The weekly tests; typed in later where an instant is given."""
        for kit in ("drops-nh", "drops-no2", "drops-no3"):
            self._drops(kit, at_ms)
        value = round(7.2 + self._random.gauss(0, 0.02), 1)
        self._enter({"analyte": "ph", "value": value, "unit": "1", "resolution": 0.1}, at_ms)

    def _drops(self, kit: str, at_ms: int | None = None) -> None:
        """A chart's step next to what the water holds."""
        day = ((at_ms or self._clock.now_ms()) - day_start_ms(FIRST, ZONE)) / DAY_MS
        course = {"drops-nh": AMMONIA, "drops-no3": NITRATE}.get(kit, ())
        value = _level(course, max(day, course[0][0])) if course else 0.0
        step = min(STEPS[kit], key=lambda s: abs(s - value))
        analyte = next(k["analyte"] for k in KITS if k["id"] == kit)
        self._enter({"kit": kit, "analyte": analyte, "value": step}, at_ms)

    def _enter(self, body: dict[str, Any], at_ms: int | None) -> None:
        stated = {} if at_ms is None else {"at": _stated(at_ms)}
        self._service.entries.add("reading", TANK, {**body, **stated, "by": KEEPER})

    def _see(self, note: str) -> None:
        for alert in self._service.alerts.list("open"):
            self._service.alerts.seen(alert.id, {"by": KEEPER, "note": note})

    def _weigh_in(self) -> None:
        mass_g = round(self._feeder.hopper_g + self._random.gauss(0, 0.01), 2)
        self._service.entries.add("weighin", FEEDER, {"mass_g": mass_g, "sd_g": 0.01, "by": KEEPER})

    def _unplug(self) -> None:
        self._feeder.leave()
        self._probe.leave()

    def _plug(self) -> None:
        self._feeder.join()
        self._probe.join()

    def _refill(self) -> None:
        before_g = round(self._feeder.hopper_g, 2)
        self._feeder.hopper_g += REFILL_G
        after_g = round(self._feeder.hopper_g, 2)
        self._service.entries.add("refill", FEEDER, {"before_g": before_g, "after_g": after_g, "by": KEEPER})


def _stated(at_ms: int) -> str:
    return from_ms(at_ms, ZONE).isoformat()


class _Device(ABC):
    """What a feeder and a probe share: a network that may be away, and what waits for it meanwhile."""

    kind, name = "", ""

    def __init__(self, clock: ManualClock, random: Random) -> None:
        self._clock, self._random = clock, random
        self._online: bool | None = None
        self._waiting: list[tuple[str, Any]] = []
        self._leaves = False

    def leave(self) -> None:
        self._leaves = True

    def join(self) -> None:
        self._leaves, self._online = False, None

    def messages(self) -> list[Message]:
        """What the broker has from it now."""
        self._live()
        if self._leaves:
            will = [self._message("status", {"online": False})] if self._online else []
            self._online = False
            return will
        first = [] if self._online else [("status", {"online": True}), ("hello", self._hello())]
        self._online = True
        sent = [*first, *self._waiting, *self._after()]
        self._waiting = []
        return [self._message(tail, body) for tail, body in sent]

    def _message(self, tail: str, body: Any) -> Message:
        return Message(f"tareline/{self.name}/up/{tail}", json.dumps(body).encode(), self._clock.now_ms())

    def _hello(self) -> dict[str, Any]:
        head = {"boot": "m0nth", "uptime_ms": 1000, "board": f"{self.name}-board", "journal": "m0nth"}
        return head | {"kind": self.kind, "firmware": "1.0", "clock": "set", "journal_from": 1, "journal_to": 0}

    @abstractmethod
    def _live(self) -> None:
        """What happens in it up to now."""

    def _after(self) -> list[tuple[str, Any]]:
        """What it answers to what it was told."""
        return []


class _Feeder(_Device):
    """A feeder that feeds the plan it has heard, and nothing while it is held."""

    kind, name = "feeder", FEEDER

    def __init__(self, service: Service, clock: ManualClock, random: Random) -> None:
        super().__init__(clock, random)
        self.hopper_g = HOPPER_G
        self._service = service
        self._heard: dict[str, dict[str, Any]] = {}
        self._fed: set[str] = set()
        self._seq = 0
        self._jammed = False
        self._since_ms = clock.now_ms()

    def jam(self, jammed: bool) -> None:
        self._jammed = jammed

    def _hello(self) -> dict[str, Any]:
        return super()._hello() | {"journal_to": self._seq, "gain_g_per_step": 0.001}

    def _live(self) -> None:
        now_ms = self._clock.now_ms()
        for meal in self._heard.get("plan", {"meals": []})["meals"]:
            if self._since_ms < meal["at_ms"] <= now_ms and meal["id"] not in self._fed:
                self._fed.add(meal["id"])
                self._waiting.append(("dose", self._dose(meal)))
        self._since_ms = now_ms

    def _after(self) -> list[tuple[str, Any]]:
        """Takes in what the service has issued, and says so."""
        with self._service.context.store.read() as tx:
            told = device_store.issued(tx)
        heard = {topic: m.body for (device, topic), m in told.items() if device == self.name}
        if heard == self._heard:
            return []
        self._heard = heard
        versions = {f"{topic}_version": body["version"] for topic, body in heard.items()}
        return [("applied", {"boot": "m0nth", **versions})]

    def _dose(self, meal: dict[str, Any]) -> dict[str, Any]:
        hold, random = self._heard["hold"], self._random
        held = bool(hold["held"])
        share = 1.0 if hold["reduce_to"] is None else float(hold["reduce_to"])
        target_g = round(meal["target_g"] * share, 6)
        steps = 0 if held else round(target_g * 1000)
        given_g = 0.0 if held or self._jammed else target_g * GAIN * random.gauss(1, 0.1 / math.sqrt(max(steps, 1)))
        before_g = self.hopper_g + random.gauss(0, WEIGHING_SD_G)
        self.hopper_g -= given_g
        after_g = self.hopper_g + random.gauss(0, WEIGHING_SD_G)
        self._seq += 1
        return {
            "journal": "m0nth",
            "seq": self._seq,
            "boot": "m0nth",
            "at_ms": meal["at_ms"],
            "uptime_ms": meal["at_ms"] % (40 * DAY_MS),
            "meal": meal["id"],
            "cause": "plan",
            "target_g": target_g,
            "steps": steps,
            "before_g": round(before_g, 4),
            "after_g": round(after_g, 4),
            "sd_g": round(WEIGHING_SD_G * math.sqrt(2), 4),
            "temperature_c": 22.0,
            "outcome": "held" if held else "jam" if self._jammed else "ok",
        }


class _Probe(_Device):
    """A probe that samples every half hour and sends what it has whenever it can."""

    kind, name = "probe", PROBE
    EVERY_MS = STEP_MS

    def __init__(self, clock: ManualClock, random: Random) -> None:
        super().__init__(clock, random)
        self._next_ms = clock.now_ms()
        self._records: list[tuple[int, float, float]] = []

    def _live(self) -> None:
        while self._next_ms <= self._clock.now_ms():
            hours = self._next_ms / HOUR_MS
            celsius = 22.5 + 0.9 * math.sin(2 * math.pi * (hours - 10) / 24) + self._random.gauss(0, 0.05)
            siemens = 0.041 * (1 + 0.02 * (celsius - 25)) + self._random.gauss(0, 0.0001)
            self._records.append((self._next_ms, round(celsius, 3), round(siemens, 6)))
            self._next_ms += self.EVERY_MS
        if self._records:
            self._waiting.append(("samples", self._pack()))

    def _pack(self) -> list[dict[str, Any]]:
        base_s = self._records[0][0] // 1000
        pack: list[dict[str, Any]] = []
        for at_ms, celsius, siemens in self._records:
            pack.append({"n": "temperature", "u": "Cel", "t": at_ms // 1000 - base_s, "v": celsius})
            pack.append({"n": "conductivity", "u": "S/m", "t": at_ms // 1000 - base_s, "v": siemens})
        pack[0] = {"bn": f"urn:dev:ops:{self.name}:", "bt": base_s, **pack[0]}
        self._records = []
        return pack
