"""Some months in the life of three windowsill tanks in a village library: invented, and only for the demo.

The past is told to the service itself, in order, with its clock set to each moment: doses and samples as messages from
devices, everything else as entries by people. So whatever the demo shows went the way that real data go.
"""

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from random import Random
from typing import Any

from tareline.clock import ManualClock
from tareline.core.calendar import day_of, day_start_ms, meal_ms
from tareline.core.units import DAY_MS, MINUTE_MS
from tareline.mqtt.messages import Message
from tareline.service import Service

ZONE = "CET"
DAYS = 120
SEED = 20260301
JOURNAL = "0ld5tory"

WATERS = [
    {"id": "tap", "name": "Tap water", "tds_mg_per_l": 210, "nitrate_mg_per_l": 4, "kh_dkh": 6},
    {"id": "rain", "name": "Rain barrel", "tds_mg_per_l": 12, "nitrate_mg_per_l": 1, "kh_dkh": 0},
]
FOODS = [
    {"id": "crumbs", "name": "Fine crumbs", "protein_percent": 42, "particle_mg": 0.4},
    {"id": "greens", "name": "Leaf granules", "protein_percent": 31, "particle_mg": 0.9},
]
KITS = [
    {"id": "drops-nh", "name": "Ammonia drops", "analyte": "ammonia", "unit": "mg/L", "basis": "N"},
    {"id": "drops-no2", "name": "Nitrite drops", "analyte": "nitrite", "unit": "mg/L", "basis": "ion"},
    {"id": "drops-no3", "name": "Nitrate drops", "analyte": "nitrate", "unit": "mg/L", "basis": "ion"},
]
STEPS: dict[str, list[float]] = {
    "drops-nh": [0, 0.2, 0.4, 0.8, 1.6, 3.2],
    "drops-no2": [0, 0.1, 0.2, 0.4, 0.8, 1.6],
    "drops-no3": [0, 3, 6, 12, 25, 50],
}

WEIGHING_SD_G = 0.001  # what a weighing of many conversions is worth
LIGHT_H_PER_DAY = 8.5


@dataclass(frozen=True, slots=True)
class Sill:
    """One tank of the scenario: what stands there, and how much it is fed now."""

    tank: str
    name: str
    volume_l: float
    planted_area_cm2: float
    feeder: str
    food: str
    daily_g: float
    meals: tuple[str, ...]
    probe: str | None
    hopper_g: float
    spill_day: int | None = None  # days ago on which somebody emptied a jar of food into the tank


def every_two_hours(first_ms: int) -> tuple[str, ...]:
    """Twelve local times, the first of them at an instant."""
    day = day_of(first_ms, ZONE)
    minute = (first_ms - day_start_ms(day, ZONE)) // MINUTE_MS % (24 * 60)
    return tuple(sorted(f"{(minute // 60 + 2 * i) % 24:02}:{minute % 60:02}" for i in range(12)))


def sills(now_ms: int) -> tuple[Sill, ...]:
    """The three tanks. Two are fed little and often, beginning soon after now, so that there is something to see."""
    soon, later = every_two_hours(now_ms + 2 * MINUTE_MS), every_two_hours(now_ms + 4 * MINUTE_MS)
    return (
        Sill("atlas", "Atlas shelf", 60, 1100, "feeder-atlas", "crumbs", 0.30, soon, "probe-atlas", 48.0, spill_day=33),
        Sill("poetry", "Poetry corner", 20, 520, "feeder-poetry", "crumbs", 0.12, later, "probe-poetry", 30.0),
        Sill("fable", "Fable nook", 24, 600, "feeder-fable", "greens", 0.10, ("08:00", "18:00"), None, 26.0),
    )


def write(service: Service, clock: ManualClock, now_ms: int, told: Callable[[int], None]) -> dict[str, float]:
    """Tell the service the past up to now; returns what is left in each feeder's hopper, in grams.

    told is called with the number of days that have been told, out of DAYS.
    """
    random = Random(SEED)
    today = day_of(now_ms, ZONE)
    first = today - timedelta(days=DAYS)
    clock.set(day_start_ms(first, ZONE))
    _furnish(service, now_ms)
    tanks = [_Tank(service, clock, sill, random) for sill in sills(now_ms)]
    for i in range(DAYS + 1):
        day = first + timedelta(days=i)
        end_ms = min(day_start_ms(day + timedelta(days=1), ZONE) - 1, now_ms)
        messages: list[Message] = []
        events: list[tuple[int, Callable[[], object]]] = []
        for tank in tanks:
            events += [(at_ms, act) for at_ms, act in tank.people(day, DAYS - i) if at_ms < end_ms]
        for at_ms, act in sorted(events, key=lambda event: event[0]):
            clock.set(max(at_ms, clock.now_ms()))
            act()
        for tank in tanks:
            messages += tank.devices(day, DAYS - i, end_ms)
        clock.set(max(end_ms, clock.now_ms()))
        service.take(sorted(messages, key=lambda m: m.arrival_ms))
        told(i)
    return {tank.sill.feeder: round(tank.hopper_g, 4) for tank in tanks}


def _furnish(service: Service, now_ms: int) -> None:
    for kind, things in (("water", WATERS), ("food", FOODS)):
        for thing in things:
            service.add_thing(kind, thing)
    for kit in KITS:
        service.add_thing("kit", {**kit, "steps": STEPS[kit["id"]]})
    for sill in sills(now_ms):
        tank = {"id": sill.tank, "name": sill.name, "volume_l": sill.volume_l, "timezone": ZONE}
        planted = {"planted_area_cm2": sill.planted_area_cm2, "light_h_per_day": LIGHT_H_PER_DAY}
        service.add_thing("tank", {**tank, **planted})
        service.add_thing("feeder", {"id": sill.feeder, "tank": sill.tank, "food": sill.food})
        if sill.probe is not None:
            service.add_thing("probe", {"id": sill.probe, "tank": sill.tank})


class _Tank:
    """One tank's past: what people did on each day, and what its devices sent."""

    def __init__(self, service: Service, clock: ManualClock, sill: Sill, random: Random) -> None:
        self.sill, self.hopper_g = sill, sill.hopper_g
        self._service, self._clock, self._random = service, clock, random
        self._seq = 0
        self._gain = random.uniform(0.975, 1.025)
        self._held: tuple[int, int] | None = None

    # -- people ------------------------------------------------------------------------------------------------------

    def people(self, day: date, days_ago: int) -> Iterator[tuple[int, Callable[[], object]]]:
        """(instant, deed) of a day."""
        sill, add = self.sill, self._service

        def at(time: str) -> int:
            at_ms = meal_ms(day, time, ZONE)
            assert at_ms is not None
            return at_ms

        share = {DAYS: 0.6, 80: 0.8, 40: 1.0}.get(days_ago)
        if share is not None:
            yield at("00:05"), partial(self._ration, share)
        if days_ago == DAYS:
            note = {"kind": "plants", "text": "Stem plants and moss moved in from the seed tray.", "by": "morning desk"}
            yield at("09:00"), partial(add.entries.add, "note", sill.tank, note)
        if days_ago % 14 == 2:
            cut = {"kind": "harvest", "text": "Trimmed what shades the moss.", "share": 0.06, "by": "morning desk"}
            yield at("11:15"), partial(add.entries.add, "note", sill.tank, cut)
        if days_ago % 7 == 3:
            yield at("10:10"), partial(self._read_water, days_ago)
            yield at("10:30"), self._weigh_in
            top_up = {"volume_l": round(sill.volume_l * 0.03, 1), "water": "rain", "by": "morning desk"}
            yield at("10:40"), partial(add.entries.add, "top-up", sill.tank, top_up)
        if self.hopper_g < 8:
            yield at("17:20"), self._refill
        if sill.tank == "fable" and days_ago in (5, 19, 61):
            feed = {"mass_g": 0.03, "sd_g": 0.01, "by": "evening desk"}
            yield at("15:30"), partial(add.entries.add, "handfeed", sill.tank, feed)
        if sill.spill_day is not None and days_ago == sill.spill_day:
            yield at("09:15"), self._spill
        if sill.spill_day is not None and days_ago == sill.spill_day - 1:
            yield at("16:00"), self._recover

    def _ration(self, share: float) -> None:
        sill = self.sill
        daily_g = round(sill.daily_g * share, 3)
        meals = [{"at": at, "share": 1 / len(sill.meals)} for at in sill.meals]
        body = {"daily_g": daily_g, "cap_g": round(1.5 * daily_g, 3), "meals": meals, "by": "morning desk"}
        self._service.feeding.put_ration(sill.tank, body)

    def _read_water(self, days_ago: int) -> None:
        young = math.exp(-(DAYS - days_ago) / 12)
        nitrate = 3.0 + 14 * self.sill.daily_g / self.sill.volume_l * 60 * (1 - young) + self._random.gauss(0, 1.5)
        for kit, value in (("drops-nh", 1.0 * young), ("drops-no2", 0.5 * young), ("drops-no3", nitrate)):
            self._read(kit, value)
        ph = {"analyte": "ph", "value": round(7.1 + self._random.gauss(0, 0.08), 1), "unit": "1", "by": "morning desk"}
        self._service.entries.add("reading", self.sill.tank, ph)

    def _read(self, kit: str, value: float) -> None:
        step = min(STEPS[kit], key=lambda s: abs(s - value))
        analyte = next(k["analyte"] for k in KITS if k["id"] == kit)
        body = {"kit": kit, "analyte": analyte, "value": step, "by": "morning desk"}
        self._service.entries.add("reading", self.sill.tank, body)

    def _weigh_in(self) -> None:
        weighed = round(self.hopper_g + self._random.gauss(0, 0.01), 2)
        body = {"mass_g": weighed, "sd_g": 0.01, "by": "morning desk"}
        self._service.entries.add("weighin", self.sill.feeder, body)

    def _refill(self) -> None:
        before = round(self.hopper_g, 2)
        self.hopper_g += self.sill.hopper_g
        body = {"before_g": before, "after_g": round(self.hopper_g, 2), "by": "evening desk"}
        self._service.entries.add("refill", self.sill.feeder, body)

    def _spill(self) -> None:
        """A child emptied the spoon jar into the tank; the keeper measured, and feeding was held."""
        spilled = {"kind": "other", "text": "The spoon jar went into the water; scooped out what floated."}
        self._service.entries.add("note", self.sill.tank, {**spilled, "by": "morning desk"})
        self._read("drops-nh", 1.6)
        self._held = (self._clock.now_ms(), 2**62)

    def _recover(self) -> None:
        change = {"volume_l": self.sill.volume_l / 2, "water": "tap", "by": "evening desk"}
        self._service.entries.add("water-change", self.sill.tank, change)
        self._clock.advance(90 * MINUTE_MS)
        self._read("drops-nh", 0.2)
        self._clock.advance(MINUTE_MS)
        note = "Water changed by half, ammonia nearly gone, shrimps are out and grazing."
        self._service.release(self.sill.tank, {"note": note, "by": "evening desk"})
        assert self._held is not None
        self._held = (self._held[0], self._clock.now_ms())

    # -- devices -----------------------------------------------------------------------------------------------------

    def devices(self, day: date, days_ago: int, end_ms: int) -> list[Message]:
        """What feeder and probe sent on a day."""
        share = 0.6 if days_ago > 80 else 0.8 if days_ago > 40 else 1.0
        target_g = round(self.sill.daily_g * share / len(self.sill.meals), 6)
        messages = []
        for slot in self.sill.meals:
            at_ms = meal_ms(day, slot, ZONE)
            assert at_ms is not None
            if at_ms < end_ms and not (days_ago == DAYS and at_ms < day_start_ms(day, ZONE) + DAY_MS // 3):
                messages.append(self._dose(f"{day}/{slot}", at_ms, target_g))
        if self.sill.probe is not None:
            start_ms = day_start_ms(day, ZONE)
            messages += [self._pack(at_ms) for at_ms in range(start_ms, end_ms - 240 * MINUTE_MS, 240 * MINUTE_MS)]
        return messages

    def _dose(self, meal: str, at_ms: int, target_g: float) -> Message:
        self._seq += 1
        random = self._random
        held = self._held is not None and self._held[0] <= at_ms < self._held[1]
        steps = 0 if held else round(target_g * 1000)
        given_g = 0.0 if held else target_g * self._gain * random.gauss(1, 0.1 / math.sqrt(max(steps, 1)))
        outcome, weighed = "held" if held else "ok", not held and random.random() > 0.004
        before_g = self.hopper_g + random.gauss(0, WEIGHING_SD_G)
        self.hopper_g -= given_g
        after_g = self.hopper_g + random.gauss(0, WEIGHING_SD_G)
        body = {
            "journal": JOURNAL,
            "seq": self._seq,
            "boot": "0ldb007",
            "at_ms": at_ms,
            "uptime_ms": at_ms % (40 * DAY_MS),
            "meal": meal,
            "cause": "plan",
            "target_g": target_g,
            "steps": steps,
            "before_g": round(before_g, 4) if weighed else None,
            "after_g": round(after_g, 4) if weighed else None,
            "sd_g": round(WEIGHING_SD_G * math.sqrt(2), 4) if weighed else None,
            "temperature_c": round(self._celsius(at_ms), 1),
            "outcome": outcome,
        }
        return Message(f"tareline/{self.sill.feeder}/up/dose", json.dumps(body).encode(), at_ms + 1500)

    def _pack(self, at_ms: int) -> Message:
        """Four hours of samples, one every ten minutes."""
        records: list[dict[str, Any]] = []
        for i in range(24):
            celsius = self._celsius(at_ms + i * 10 * MINUTE_MS) + self._random.gauss(0, 0.05)
            siemens = 0.041 * (1 + 0.02 * (celsius - 25)) + self._random.gauss(0, 0.0001)
            records.append({"n": "temperature", "u": "Cel", "t": i * 600, "v": round(celsius, 3)})
            records.append({"n": "conductivity", "u": "S/m", "t": i * 600, "v": round(siemens, 6)})
        records[0] = {"bn": f"urn:dev:ops:{self.sill.probe}:", "bt": at_ms // 1000, **records[0]}
        return Message(f"tareline/{self.sill.probe}/up/samples", json.dumps(records).encode(), at_ms + 240 * MINUTE_MS)

    @staticmethod
    def _celsius(at_ms: int) -> float:
        hours = at_ms / 3_600_000
        return 23.0 + 0.9 * math.sin(2 * math.pi * (hours - 10) / 24) + 0.5 * math.sin(2 * math.pi * hours / 410)
