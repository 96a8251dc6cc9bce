"""A ramp's record on one page: what was fed, what the water did, the limit, the ration to keep, the conditions."""

import asyncio
from dataclasses import replace

import httpx
import pytest
from house import DAY_MS, HOUR_MS, MINUTE_MS, NOON_MS, TANK, House

from present import present
from tareline.app.answers.ramp_record import FoodSeen, RampRecordAnswer
from tareline.app.commands.ramp import Ramps, RampSources
from tareline.app.queries.ramp_record import record, stages
from tareline.core.feeding.ration import Ration
from tareline.core.safety.ramp import LoadKnowledge
from tareline.errors import FieldError
from tareline.web.app import make_app
from tareline.web.events import Hub

OPEN = LoadKnowledge(True, None, False, 0.07, 0.1, None, 0.05, 0.95, {})
FOUND = LoadKnowledge(True, None, True, 0.09, 0.1, 0.11, 0.06, 0.95, {})
MIDNIGHT_MS = NOON_MS + 12 * HOUR_MS


@pytest.fixture
def house(house: House) -> House:
    house.ration(0.05, 0.1, [("08:00", 0.5), ("18:00", 0.5)])
    knows(house, OPEN)
    return house


def knows(house: House, told: LoadKnowledge) -> None:
    """From now on this is what the ramp is told: every ration is under the limit."""
    evidence = RampSources(
        lambda tank, rations: replace(told, p_under=dict.fromkeys(rations, 0.99)),
        rising=lambda tank: (),
        findings=lambda tank: 0,
    )
    house.service.ramps = Ramps(house.service.context, house.service.transactions, house.service.samples, evidence)


def written(house: House) -> RampRecordAnswer:
    service = house.service
    return record(service.context, service.accounts, service.ramps, TANK)


def page(house: House, name: str = "ramp/record") -> str:
    async def call() -> httpx.Response:
        transport = httpx.ASGITransport(make_app(house.service, Hub()))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            return await client.get(f"/tanks/{TANK}/{name}")

    answer = asyncio.run(call())
    assert answer.status_code == 200, answer.text
    return answer.text


def live(house: House, days: int, first_seq: int = 1) -> None:
    """One weighed dose of 0.03 g a day, and everything measured."""
    for day in range(days):
        house.clock.advance(DAY_MS - MINUTE_MS)
        house.hear(house.dose(first_seq + day, target_g=0.03, before_g=40 - 0.03 * day, after_g=39.97 - 0.03 * day))
        house.clock.advance(MINUTE_MS)
        house.reading("ammonia", 0.0, below=None, above=0.25)
        house.reading("nitrite", 0.0, below=None, above=0.25)
        house.reading("nitrate", 5.0 + day, basis="ion")
        house.service.ramps.step(TANK)


def ration(daily_g: float, decided_ms: int) -> Ration:
    return Ration(daily_g, 1.0, (), decided_ms)


def test_a_stage_begins_when_its_ration_is_in_force() -> None:
    """More from the next local midnight, less at once (contract)."""
    up, down = ration(0.06, NOON_MS), ration(0.05, NOON_MS + 3 * DAY_MS)
    found = stages([ration(0.05, 0), up, down], "UTC", NOON_MS - DAY_MS, NOON_MS + 9 * DAY_MS)
    assert [(s.daily_g, s.from_ms, s.to_ms) for s in found] == [
        (0.05, NOON_MS - DAY_MS, MIDNIGHT_MS),
        (0.06, MIDNIGHT_MS, NOON_MS + 3 * DAY_MS),
        (0.05, NOON_MS + 3 * DAY_MS, NOON_MS + 9 * DAY_MS),
    ]


def test_a_step_that_was_taken_back_before_it_was_in_force_is_no_stage() -> None:
    up, back = ration(0.06, NOON_MS), ration(0.05, NOON_MS + HOUR_MS)
    found = stages([ration(0.05, 0), up, back], "UTC", NOON_MS - DAY_MS, NOON_MS + DAY_MS)
    assert [(s.daily_g, s.from_ms, s.to_ms) for s in found] == [(0.05, NOON_MS - DAY_MS, NOON_MS + DAY_MS)]


def test_the_record_of_a_found_limit(house: House) -> None:
    house.service.entries.add(
        "note", TANK, {"kind": "plants", "text": "half full of stems", "at": "2025-06-01T08:00:00Z"}
    )
    house.service.entries.add("note", TANK, {"kind": "other", "text": "light: 8 hours, dimmed to 60 %"})
    house.service.ramps.put(
        TANK, {"start_g": 0.05, "step_g": 0.01, "ceiling_g": 0.2, "dwell_days": 14, "consent": "auto"}
    )
    live(house, 14)
    house.service.entries.add("water-change", TANK, {"volume_l": 6})
    house.service.entries.add("top-up", TANK, {"volume_l": None})
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.02})
    knows(house, FOUND)
    live(house, 16, first_seq=15)
    told = written(house)
    assert (told.state, told.ended, told.keep_g_per_day) == ("limit found", True, 0.03)
    assert present(told.limit).p5 == 0.09
    first, second = told.stages
    assert (first.daily_g, second.daily_g) == (0.05, 0.06)
    # Fourteen doses of 0.03 g while 0.05 g was the ration, and one more for each day of the second stage.
    assert first.dispensed_g == pytest.approx(14 * 0.03, abs=1e-6)
    assert second.dispensed_g == pytest.approx(14 * 0.03, abs=0.031)
    assert (first.handfed_g, second.handfed_g) == (0.02, 0.0)
    assert first.readings["nitrate"].n == 14
    assert (first.readings["nitrate"].lowest, first.readings["nitrate"].highest) == (5.0, 18.0)
    assert (told.water_changed_l, told.topped_up_unknown, told.holds) == (6.0, 1, [])
    conditions = told.conditions
    assert conditions.volume_l == 60
    assert conditions.foods == [FoodSeen(name="windowsill flakes", protein_percent=42)]
    assert [n.text for n in conditions.notes["plants"]] == ["half full of stems"]
    assert [n.text for n in conditions.notes["light"]] == ["light: 8 hours, dimmed to 60 %"]
    assert conditions.notes["filter"] == []
    assert (conditions.planted_area_cm2, conditions.light_h_per_day) == (None, None)
    house.clock.advance(30 * DAY_MS)
    body = {"name": "reading room", "volume_l": 80, "timezone": "UTC", "planted_area_cm2": 900}
    house.service.things.put("tank", TANK, body)
    later = written(house)
    # What has ended is not told otherwise later.
    assert later == told.model_copy(update={"tank": later.tank, "made_at": later.made_at})


def test_the_page_says_the_same(house: House) -> None:
    house.service.ramps.put(TANK, {"start_g": 0.05, "step_g": 0.01, "ceiling_g": 0.2, "dwell_days": 14})
    text = " ".join(page(house).split())
    assert "Not ended:" in text
    assert "not found; at least 0.07 g a day" in text
    assert "at most 0.05 g a day</strong>" in text
    live(house, 15)
    knows(house, FOUND)
    live(house, 1, first_seq=16)
    text = " ".join(page(house).split())
    assert "Ended: limit found." in text
    assert "0.09 to 0.11 g a day" in text
    assert "<strong>0.03 g a day</strong>" in text
    assert "nitrate 5 to 19 mg/L as ion" in text
    assert "windowsill flakes, 42 % protein" in text


def test_what_is_known_of_plants_and_light_is_told_and_what_is_not(house: House) -> None:
    house.service.ramps.put(TANK, {"start_g": 0.05, "step_g": 0.01, "ceiling_g": 0.2, "dwell_days": 14})
    text = " ".join(page(house).split())
    assert '<dt>Planted area</dt><dd><span class="unknown">unknown</span>' in text
    assert '<dt>Light</dt><dd><span class="unknown">hours not stated</span>' in text
    body = {"name": "reading room", "volume_l": 60, "timezone": "UTC", "planted_area_cm2": 900, "light_h_per_day": 0}
    house.service.things.put("tank", TANK, body)
    house.service.entries.add("note", TANK, {"kind": "harvest", "text": "stems cut back", "share": 0.125})
    house.service.entries.add("note", TANK, {"kind": "harvest", "text": "a few leaves"})
    conditions = written(house).conditions
    assert (conditions.planted_area_cm2, conditions.light_h_per_day) == (900, 0)
    assert [n.share for n in conditions.notes["harvest"]] == [0.125, None]
    text = " ".join(page(house).split())
    assert "<dt>Planted area</dt><dd>900 cm² of the bottom</dd>" in text
    assert "<dt>Light</dt><dd>0 h a day</dd>" in text
    assert "stems cut back (12.5 % of the plants); " in text
    assert "a few leaves</dd>" in text


def test_a_tank_from_before_these_fields_is_as_valid_as_ever(house: House) -> None:
    context = house.service.context
    old = {k: v for k, v in context.need("tank", TANK).items() if k not in ("planted_area_cm2", "light_h_per_day")}
    with context.store.write() as tx:
        context.add_version(tx, "tank", TANK, house.clock.now_ms(), old)
    assert "planted_area_cm2" not in context.need("tank", TANK)
    house.service.ramps.put(TANK, {"start_g": 0.05, "step_g": 0.01, "ceiling_g": 0.2, "dwell_days": 14})
    assert "hours not stated" in page(house)
    assert "planted ·" not in page(house, "load")


def test_without_a_ramp_there_is_no_record(house: House) -> None:
    with pytest.raises(FieldError, match="no ramp has been set"):
        written(house)
