"""Looking after the tanks in a service: what becomes an alert, who is told, once, whatever goes wrong meanwhile."""

import os
import threading
from pathlib import Path
from typing import Any

import pytest
from house import DAY_MS, FEEDER, FOOD, HOUR_MS, MINUTE_MS, NOON_MS, TANK, House
from sqlalchemy import select, text

from present import present
from tareline.app import repository
from tareline.app.answers.lines import LineAnswer
from tareline.app.monitor import Monitor
from tareline.app.projections.samples import Samples
from tareline.errors import FieldError
from tareline.store.engine import StoreError
from tareline.store.tables import delivery, message

FULL = os.environ.get("TARELINE_FULL") == "1"
NOTIFY = {"webhooks": ["http://127.0.0.1:9/keeper"], "others": {"the desk": ["http://127.0.0.1:9/desk"], "nobody": []}}
ROOM = {"name": "reading room", "volume_l": 60, "timezone": "UTC"}


@pytest.fixture
def house_settings() -> dict[str, Any]:
    return {"notify": NOTIFY}


def whats(house: House) -> list[str]:
    return [one.what for one in house.watch()]


def kinds(house: House) -> set[str]:
    return {one.kind for one in house.watch()}


def outbox(house: House) -> list[tuple[str, list[str]]]:
    """Every message queued so far: its title, and to whose addresses it goes."""
    addresses = {}
    for who, address in (("keeper", NOTIFY["webhooks"][0]), ("the desk", NOTIFY["others"]["the desk"][0])):  # type: ignore[index]
        addresses[house.service.deliveries._addresses.name(address)] = who
    with house.service.context.store.read() as tx:
        rows = tx.execute(select(message.c.id, message.c.title, message.c.kind).order_by(message.c.id)).all()
        sent = tx.execute(select(delivery.c.message, delivery.c.target)).all()
    return [(r.title, [addresses[t] for m, t in sent if m == r.id]) for r in rows if r.kind == "alert"]


def put_tank(house: House, stage: str) -> None:
    house.service.things.put("tank", TANK, {**ROOM, "stage": stage})


def measured(house: House) -> None:
    for analyte, value in (("ammonia", 0.1), ("nitrite", 0.0), ("nitrate", 2.0), ("ph", 7.0), ("temperature", 24.0)):
        house.reading(analyte, value)


# -- nothing for nothing -----------------------------------------------------------------------------------------------


def test_a_new_tank_with_nothing_entered_is_no_news_for_days(tmp_path: Path) -> None:
    house = House(tmp_path)
    house.add("tank", id=TANK, **ROOM)
    for _ in range(2 * 24):
        assert house.watch() == []
        house.clock.advance(HOUR_MS)
    house.clock.advance(5 * DAY_MS)
    (late,) = house.watch()
    assert late.kind == "due"
    assert "kh" not in late.text, "who has no kit for it is not asked"
    house.close()


def test_nothing_is_written_while_nothing_changes(house: House) -> None:
    house.hear(house.hello(), house.online())
    house.reading("ammonia", 2.5)
    house.confirm()
    house.watch()
    log = house.folder / "house.db-wal"
    before = log.read_bytes()
    for _ in range(60):
        house.clock.advance(30_000)
        house.watch()
    assert log.read_bytes() == before


@pytest.mark.parametrize("stage", ["no animals", "empty"])
def test_a_tank_without_animals_is_only_notified(house: House, stage: str) -> None:
    put_tank(house, stage)
    house.clock.advance(1)
    house.reading("ammonia", 4.0)
    assert kinds(house) == {"line"}
    assert not house.hold().held
    assert house.hold().reduce_to == 1.0


def test_what_was_measured_before_a_tank_was_emptied_is_over(house: House) -> None:
    house.reading("nitrate", 30.0)
    assert whats(house) == ["reading room: nitrate is too high"]
    house.clock.advance(HOUR_MS)
    put_tank(house, "empty")
    house.watch()
    house.clock.advance(30 * DAY_MS)
    assert whats(house) == [], "neither its water nor what nobody measures"


def test_after_a_pause_of_the_service_meals_that_are_on_their_way_are_not_missed(house: House) -> None:
    house.service.entries.add("weighin", FEEDER, {"mass_g": 50.0, "sd_g": 0.05})
    house.hear(house.hello(), house.online())
    measured(house)
    house.watch()
    for pause_ms, kind in ((7 * HOUR_MS, "feeder"), (4 * DAY_MS, "budget")):
        house.close()
        house.clock.advance(pause_ms)
        house.open()
        house.confirm()
        for _ in range(5):
            assert kind not in kinds(house)
            house.clock.advance(5 * MINUTE_MS)
        house.clock.advance(10 * MINUTE_MS)
        assert kind in kinds(house), "when nothing has come by then, it is told"


def test_a_clock_that_fell_back_makes_nothing_late(house: House) -> None:
    house.hear(house.hello(), house.online())
    house.confirm()
    measured(house)
    assert house.watch() == []
    house.clock.set(NOON_MS - 400 * DAY_MS)
    assert house.service.context.behind_ms()
    for _ in range(30):
        house.clock.advance(10 * MINUTE_MS)
        assert house.watch() == []


# -- absence -----------------------------------------------------------------------------------------------------------


def test_during_an_absence_lines_act_more_strictly_and_somebody_else_is_told(house: House) -> None:
    measured(house)
    body = {"start": "2025-06-16", "end": "2025-06-18", "daily_g": 0.5, "tell": "the desk"}
    house.service.feeding.put_absence(TANK, body)
    house.clock.advance(DAY_MS)
    house.reading("ammonia", 0.6)
    assert house.hold().reduce_to == 0.5, "0.5 notifies by default; one step more is half the ration"
    house.clock.advance(MINUTE_MS)
    house.reading("ammonia", 1.2)
    assert house.hold().held, "1.0 reduces by default"
    house.watch()
    assert {who for _, to in outbox(house) for who in to} == {"the desk"}
    house.clock.advance(4 * DAY_MS)
    before = len(outbox(house))
    house.reading("ammonia", 0.6)
    assert [c.do for c in present(house.reading("ammonia", 0.6).crossed)] == ["notify"], "the lines are back"
    house.watch()
    later = outbox(house)[before:]
    assert {who for _, to in later for who in to} == {"keeper"}


@pytest.mark.parametrize("name", ["a stranger", "nobody", "The desk"])
def test_only_who_has_addresses_may_be_told_instead(house: House, name: str) -> None:
    body = {"start": "2025-06-16", "end": "2025-06-18", "daily_g": 0.5, "tell": name}
    with pytest.raises(FieldError, match=r"expected a name with addresses in notify\.others") as refused:
        house.service.feeding.put_absence(TANK, body)
    assert (refused.value.field, refused.value.status) == ("tell", 422)
    assert "the desk" in refused.value.message
    assert not house.standing("absence")


# -- lines of the keeper's own -----------------------------------------------------------------------------------------


def test_the_default_nitrate_line_follows_the_tank_s_ceiling(house: House) -> None:
    def limits() -> list[float]:
        lines = [LineAnswer.of(line) for line in repository.lines(house.service.context, TANK)]
        return [present(line.above) for line in lines if line.analyte == "nitrate"]

    assert limits() == [40.0]
    house.service.things.put("tank", TANK, {**ROOM, "nitrate_ceiling_mg_per_l": 25})
    assert limits() == [25.0]
    house.reading("nitrate", 30.0, basis="ion")
    assert whats(house) == ["reading room: nitrate is too high"]


def test_lines_without_a_hold_on_ammonia_need_to_be_confirmed(house: House) -> None:
    warm = {"analyte": "temperature", "above": 86, "unit": "degF", "do": "reduce", "reduce_to": 0.5}
    solids = {"analyte": "tds", "above": 400, "unit": "ppm", "do": "hold"}
    with pytest.raises(FieldError) as refused:
        house.service.feeding.put_lines(TANK, {"lines": [warm, solids]})
    assert (refused.value.field, refused.value.status) == ("confirm", 409)
    house.service.feeding.put_lines(TANK, {"lines": [warm, solids], "confirm": True})
    house.reading("temperature", 30.0)  # 86 degF
    assert house.hold().reduce_to == 0.5
    house.clock.advance(1)
    house.reading("tds", 401.0)
    assert house.hold().held
    assert kinds(house) == {"hold", "line"}


# -- once, whatever happens --------------------------------------------------------------------------------------------


def test_an_alert_comes_once_over_restarts(house: House) -> None:
    house.hear(house.hello(), house.online())
    house.reading("ammonia", 2.5)
    house.confirm()
    house.watch()
    told = outbox(house)
    assert told
    for _ in range(3):
        house.restart()
        house.clock.advance(MINUTE_MS)
        house.watch()
    assert outbox(house) == told
    assert len(house.service.alerts.list()) == len({one.what for one in house.service.alerts.list()})


def test_a_hold_whose_alert_was_not_recorded_before_the_service_was_killed_is_told_after_it(house: House) -> None:
    house.reading("ammonia", 2.5)
    assert house.hold().held
    assert house.service.alerts.list() == []
    house.restart()
    assert "reading room: feeding is held" in whats(house)
    assert outbox(house)


def test_a_flood_of_readings_is_one_alert(house: House) -> None:
    """TARELINE_FULL=1: twenty thousand at once."""
    for i in range(20_000 if FULL else 200):
        house.clock.advance(10)
        house.reading("nitrite", 0.5 + i % 7 / 100)
    assert whats(house) == ["reading room: nitrite is too high"]
    assert len(outbox(house)) == 1


# -- what goes wrong ---------------------------------------------------------------------------------------------------


def breaks(monkeypatch: pytest.MonkeyPatch, house: House, tank: str) -> None:
    compute = house.service.trends.compute

    def broken(name: str, now_ms: int) -> Any:
        if name == tank:
            raise ZeroDivisionError("nothing to divide by")
        return compute(name, now_ms)

    monkeypatch.setattr(house.service.trends, "compute", broken)


def test_what_one_tank_stumbles_over_is_told_and_leaves_the_others_looked_after(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    house.add("tank", id="sill", name="window sill", volume_l=30, timezone="UTC")
    house.reading("nitrite", 0.5)
    house.watch()
    breaks(monkeypatch, house, TANK)
    house.clock.advance(MINUTE_MS)
    house.reading("nitrite", 0.5, tank="sill")
    for _ in range(5):
        found = whats(house)
        house.clock.advance(MINUTE_MS)
    assert found == [
        "reading room: nitrite is too high",
        "reading room: Tareline cannot watch this tank",
        "window sill: nitrite is too high",
    ]
    monkeypatch.undo()
    house.watch()
    house.clock.advance(11 * MINUTE_MS)
    assert "reading room: Tareline cannot watch this tank" not in whats(house)


def test_what_a_device_on_no_tank_or_a_morning_text_stumbles_over_keeps_no_alert_away(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    house.add("feeder", id="spare", tank=None)
    house.hear(house.online("spare"), house.hello("spare"))
    house.reading("nitrite", 0.5)
    of_device = Monitor._of_device

    def broken(self: Monitor, tx: Any, place: Any, known: Any, *others: Any) -> Any:
        if known.device == "spare":
            raise ZeroDivisionError("nothing to divide by")
        return of_device(self, tx, place, known, *others)

    def no_morning(*_: Any) -> str:
        raise ZeroDivisionError("no morning either")

    monkeypatch.setattr(Monitor, "_of_device", broken)
    monkeypatch.setattr(Monitor, "_morning", no_morning)
    house.clock.set(NOON_MS + 20 * HOUR_MS)  # 08:00, when the morning's text is due
    found = whats(house)
    assert "reading room: nitrite is too high" in found
    assert "spare: Tareline cannot watch this device, which is on no tank" in found
    monkeypatch.undo()
    house.watch()
    house.clock.advance(11 * MINUTE_MS)
    assert "spare: Tareline cannot watch this device, which is on no tank" not in whats(house)


def test_a_store_that_fails_in_the_watcher_ends_the_service(house: House) -> None:
    with house.service.context.write() as tx:
        tx.execute(text("DROP TABLE delivery"))
    house.reading("ammonia", 2.5)
    with pytest.raises(StoreError):
        house.watch()
    assert len(house.broken) == 1, "told once, which ends the service"


def test_entries_do_not_wait_for_the_watcher_and_hold_the_feeder_at_once(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    working, done = threading.Event(), threading.Event()
    compute = Samples.compute

    def slow(self: Samples, tank: str, now_ms: int) -> Any:
        working.set()
        assert done.wait(60)
        return compute(self, tank, now_ms)

    monkeypatch.setattr(Samples, "compute", slow)
    watcher = threading.Thread(target=house.service.watch)
    watcher.start()
    assert working.wait(60)
    house.reading("ammonia", 2.5)
    assert (house.last("hold") or {})["held"], "while the watcher is at work"
    assert watcher.is_alive()
    done.set()
    watcher.join(60)
    assert "reading room: feeding is held" in whats(house)


def test_two_lines_that_hold_on_one_thing_make_one_hold(house: House) -> None:
    lines = [
        {"analyte": "ammonia", "above": 2.0, "unit": "mg/L", "basis": "N", "do": "hold"},
        {"analyte": "ammonia", "above": 1.5, "unit": "mg/L", "basis": "N", "do": "hold"},
    ]
    house.service.feeding.put_lines(TANK, {"lines": lines})
    house.reading("ammonia", 3.0)
    assert len(house.standing("hold")) == 1


def test_the_alert_of_a_hold_tells_of_a_feeder_that_does_not_obey(house: House) -> None:
    house.add("feeder", id="second", tank=TANK, food=FOOD)
    house.hear(house.hello(), house.online(), house.hello("second"), house.online("second"))
    house.reading("ammonia", 2.5)
    (first,) = [one for one in house.watch() if one.kind == "hold"]
    assert "feeder and second were told just now" in first.text, "nothing is said to be so before it is"
    house.confirm()
    house.watch()
    house.clock.advance(61_000)
    told = {one.what: one for one in house.watch()}
    assert "reading room: second has not confirmed the hold" in told
    assert f"reading room: {FEEDER} has not confirmed the hold" not in told


def test_advice_fits_the_side_of_the_line(house: House) -> None:
    """Who is told that a cold tank holds feeding must not be told to cool it."""
    lines = [
        {"analyte": "ammonia", "above": 2.0, "unit": "mg/L", "basis": "N", "do": "hold"},
        {"analyte": "temperature", "below": 18.0, "unit": "degC", "do": "hold"},
    ]
    house.service.feeding.put_lines(TANK, {"lines": lines})
    house.reading("temperature", 16.0)
    (hold,) = [one for one in house.watch() if one.kind == "hold"]
    assert "heater" in hold.text
    assert "Shade" not in hold.text
