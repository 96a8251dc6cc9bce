"""What one operation asks the store: nothing twice, and of a tank no more than a dozen SELECTs.

Counted where SQLAlchemy hands statements to the engines of the real store, reading and writing, with their parameters.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from house import DAY_MS, FEEDER, HOUR_MS, MINUTE_MS, TANK, House
from sqlalchemy import event

from present import present
from tareline.app.answers.entries import HoldNow
from tareline.app.commands.ramp import Ramps, RampSources
from tareline.core.safety.ramp import LoadKnowledge

OF_ALL, OF_EACH = 6, 12  # SELECTs that an overview may take: for all tanks together, and for each
Asked = tuple[str, str]


@pytest.fixture
def house(house: House) -> House:
    """A tank in use: readings, a carry-over, an absence to come, doses, hand feeds, a probe, a second feeder."""
    house.add("feeder", id="second", tank=TANK, food="flakes")
    house.add("probe", id="probe", tank=TANK)
    house.ration(1.0, 2.0, [("08:00", 0.5, FEEDER), ("18:00", 0.5, "second")], carry_over=0.5)
    house.service.feeding.put_absence(TANK, {"start": "2025-08-01", "end": "2025-08-05", "daily_g": 0.5})
    house.hear(house.hello(), house.online(), house.hello("second"), house.online("second"))
    for name in (FEEDER, "second"):
        house.service.entries.add("weighin", name, {"mass_g": 50.0, "sd_g": 0.1})
    house.samples([(house.clock.now_ms() - k * 5 * MINUTE_MS, 24.0, 0.05) for k in range(24, 0, -1)])
    for analyte, value in (("ph", 7.5), ("temperature", 24.0), ("ammonia", 0.1), ("nitrite", 0.05), ("nitrate", 3.0)):
        house.reading(analyte, value)
    house.service.entries.add("water-change", TANK, {"volume_l": 10.0})
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.05})
    house.clock.advance(HOUR_MS)
    house.hear(house.dose(1), house.dose(1, device="second", journal="second"))
    house.service.update_accounts()
    return house


class Count:
    """The SELECTs of a service while it is listened to."""

    def __init__(self, house: House) -> None:
        store = house.service.context.store
        self._engines = (store._reader, store._writer)
        self.asked: list[Asked] = []

    def __enter__(self) -> "Count":
        for engine in self._engines:
            event.listen(engine, "before_cursor_execute", self._note)
        return self

    def __exit__(self, *_: object) -> None:
        for engine in self._engines:
            event.remove(engine, "before_cursor_execute", self._note)

    def _note(self, _c: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, _many: bool) -> None:
        if statement.lstrip().upper().startswith(("SELECT", "WITH")):
            self.asked.append((statement, repr(parameters)))

    def twice(self) -> list[Asked]:
        return [one for k, one in enumerate(self.asked) if one in self.asked[:k]]


def counted(house: House, operation: Callable[[], Any]) -> tuple[Any, Count]:
    with Count(house) as count:
        result = operation()
    return result, count


def once(house: House, operation: Callable[[], Any]) -> Any:
    """What the operation returns, after a look at what it asked."""
    result, count = counted(house, operation)
    assert count.asked, "nothing was counted"
    assert count.twice() == []
    return result


def test_what_is_asked_twice_is_noticed(house: House) -> None:
    _, count = counted(house, lambda: (house.hold(), house.hold()))
    assert len(count.asked) >= 4
    assert len(count.twice()) == len(count.asked) // 2


@pytest.mark.parametrize("tanks", [1, 3, 10])
def test_an_overview_takes_a_dozen_of_each_tank(house: House, tanks: int) -> None:
    for k in range(1, tanks):
        house.add("tank", id=f"tank-{k}", name=f"tank {k}", volume_l=40, timezone="Europe/Berlin")
        house.add("feeder", id=f"feeder-{k}", tank=f"tank-{k}", food="flakes")
        house.ration(0.5, 1.0, [("09:00", 1.0)], tank=f"tank-{k}", carry_over=0.5)
        house.reading("ammonia", 2.5, tank=f"tank-{k}")
        house.hear(house.dose(1, device=f"feeder-{k}"))
    shown, count = counted(house, house.service.tanks.overview)
    assert len(shown) == tanks
    assert all(len(one.today.doses) == len(one.hoppers) >= 1 for one in shown)
    assert all(one.hold.held for one in shown[1:])
    assert count.twice() == []
    assert len(count.asked) <= OF_ALL + OF_EACH * tanks


def test_a_look_at_nothing_new(house: House) -> None:
    house.service.watch()
    house.clock.advance(MINUTE_MS)
    before = len(house.ledger())
    once(house, house.service.watch)
    assert house.service.monitor._last.keys() == {TANK}
    assert len(house.ledger()) == before


def test_a_look_of_the_monitor_at_several_tanks(house: House) -> None:
    house.add("tank", id="other", name="other", volume_l=40, timezone="UTC")
    house.add("feeder", id="third", tank="other", food="flakes")
    house.add("feeder", id="loose", tank=None)
    house.service.watch()
    house.clock.advance(MINUTE_MS)
    once(house, house.service.watch)
    assert house.service.monitor._last.keys() == {TANK, "other"}


def test_a_look_at_a_tank_with_a_ramp_whose_load_is_known(house: House) -> None:
    service = house.service
    service.load()
    assert service.loads.known(TANK) is not None
    body = {"start_g": 1.0, "step_g": 0.1, "ceiling_g": 3.0, "dwell_days": 14, "fraction": 0.7, "consent": "ask"}
    service.ramps.put(TANK, body)
    for _ in range(3):  # a step back, which the ramp then waits on
        service.load()
        service.watch()
        house.clock.advance(MINUTE_MS)
    before = len(house.ledger())
    once(house, service.watch)
    assert service.loads.state(TANK).fresh
    assert len(house.ledger()) == before
    assert once(house, service.tanks.overview)[0].due


def test_settling_a_dose(house: House) -> None:
    house.service.take([house.dose(2, target_g=0.9, before_g=49.75, after_g=48.85)])
    before = house.last("plan", "second")
    once(house, house.service.settle)
    assert house.last("plan", "second") != before


def test_a_reading_that_holds(house: House) -> None:
    entered = once(house, lambda: house.reading("ammonia", 2.5))
    assert entered.hold.held
    assert len(entered.made) == 2
    assert (house.last("hold") or {})["held"]


def test_a_reading_that_restores(house: House) -> None:
    assert present(house.reading("ammonia", 1.1).hold).reduce_to == 0.5
    house.clock.advance(MINUTE_MS)
    entered = once(house, lambda: house.reading("ammonia", 0.1))
    assert entered.hold == HoldNow(held=False, reduce_to=1.0)
    assert len(entered.made) == 1


def test_a_ration(house: House) -> None:
    meals = [("08:00", 0.5, FEEDER), ("18:00", 0.5, "second")]
    decided = once(house, lambda: house.ration(0.8, 1.5, meals))
    assert decided.today.daily_g == 0.8
    assert len(house.ledger("ration")) == 3


def test_a_step_of_the_ramp(house: House) -> None:
    known = LoadKnowledge(True, None, False, 3.0, 5.0, 9.0, 2.0, 0.95, {})
    service = house.service
    evidence = RampSources(
        lambda tank, rations: replace(known, p_under=dict.fromkeys(rations, 0.99)),
        rising=lambda tank: (),
        findings=lambda tank: 0,
    )
    service.ramps = Ramps(service.context, service.transactions, service.samples, evidence)
    body = {"start_g": 1.0, "step_g": 0.1, "ceiling_g": 3.0, "dwell_days": 14, "fraction": 0.7, "consent": "auto"}
    service.ramps.put(TANK, body)
    before = len(house.ledger("ramp"))
    for _ in range(4):
        house.clock.advance(4 * DAY_MS)
        for analyte, value in (("ammonia", 0.02), ("nitrite", 0.0), ("nitrate", 3.0)):
            house.reading(analyte, value)
    decision = once(house, lambda: service.ramps.step(TANK))
    assert decision is not None
    assert decision.daily_g == 1.1
    assert house.standing("ration")[-1].daily_g == 1.1
    assert len(house.ledger("ramp")) == before + 1
    service.ramps.step(TANK)  # which notes that the ramp waits again
    before = len(house.ledger("ramp"))
    idle = once(house, lambda: service.ramps.step(TANK))
    assert idle is None
    assert len(house.ledger("ramp")) == before


def test_the_hold_the_week_and_the_due_list(house: House) -> None:
    house.reading("ammonia", 2.5)
    assert once(house, lambda: house.service.hold_states.hold(TANK)).reasons
    week = once(house, lambda: house.service.books.week(TANK, None))
    assert any(day.doses for day in week.days)
    assert week.holds
    assert once(house, lambda: house.service.tanks.due(TANK))
