"""A feeder that stops itself: the service holds its tank, and never says that it feeds before it is known to go on.

By the contract a stop on the feeder ends with a hold that began after it, once that hold is released. A model of the
feeder below keeps that rule by the messages it hears, so that what the service says can be held against what is so.
"""

import json
from typing import Any

import pytest
from house import DAY_MS, FEEDER, FOOD, MINUTE_MS, TANK, House
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from present import present
from tareline.app.answers.alerts import AlertAnswer
from tareline.app.answers.feeding import HoldAnswer, StopAnswer
from tareline.core.safety.stops import STOPS

CODES = sorted(STOPS)


@pytest.fixture
def house(house: House) -> House:
    house.hear(house.hello(), house.online())
    house.confirm()
    return house


def fault(house: House, code: str, boot: str = "boot", device: str = FEEDER) -> None:
    house.clock.advance(1)
    at_ms = house.clock.now_ms()
    body = {"boot": boot, "at_ms": at_ms, "uptime_ms": at_ms % DAY_MS, "code": code, "detail": "0.9 g where 0.2 g"}
    house.hear(house.message("fault", body, device))


def release(house: House, tank: str = TANK) -> HoldAnswer:
    house.clock.advance(1)
    return house.service.release(tank, {"note": "looked at it"})


def told(house: House, device: str = FEEDER) -> dict[str, Any]:
    found = house.last("hold", device)
    assert found is not None
    return found


def stopped(house: House) -> StopAnswer | None:
    return house.hold().feeders[0].stopped


def alerts(house: House) -> dict[str, AlertAnswer]:
    return {one.what.removeprefix("reading room: "): one for one in house.watch()}


@pytest.mark.parametrize("code", CODES)
def test_a_stop_holds_the_tank_at_once_until_a_person_releases_it(house: House, code: str) -> None:
    before = told(house)["version"]
    fault(house, code)
    hold = house.hold()
    assert [r.kind for r in hold.reasons] == ["stop"]
    assert hold.reasons[0].text == f"feeder has stopped itself: {STOPS[code].found}"
    assert told(house)["held"]
    assert told(house)["version"] > before
    house.confirm()
    house.clock.advance(20 * DAY_MS)
    house.restart()
    assert house.hold().held, "it ends by no time and no restart"
    found = alerts(house)["feeder stopped itself, the animals are fasting, feeding is still held"]
    assert found.urgent
    assert STOPS[code].do in found.text
    assert "Then release the hold" in found.text
    assert not release(house).held
    assert not told(house)["held"]


def test_the_alert_comes_at_once_and_speaks_for_the_doses_before_it(house: House) -> None:
    house.hear(house.dose(1, outcome="over", after_g=49.0), house.dose(2, outcome="over", before_g=49.0, after_g=48.0))
    fault(house, "stopped_over")
    assert set(alerts(house)) == {"feeder stopped itself, feeding is held"}
    house.confirm()
    release(house)
    house.confirm()
    assert set(alerts(house)) == {"more was fed than the ration"}, "doses that a person looked at are not told again"
    house.clock.advance(1)
    house.hear(house.dose(3, outcome="over", before_g=48.0, after_g=47.0))
    assert "feeder gave too much" in alerts(house)


def test_the_service_does_not_say_that_it_feeds_before_the_release_is_confirmed(house: House) -> None:
    fault(house, "stopped_over")
    house.confirm()
    assert house.hold().message == "held"
    assert present(stopped(house)).waits_for == "a person to release it"
    release(house)
    hold = house.hold()
    assert not hold.held
    assert hold.nothing_moves
    assert hold.message == "feeder has stopped itself and has not confirmed the release yet"
    assert hold.confirmed_by_feeders == {FEEDER: False}
    assert present(stopped(house)).waits_for == "the feeder to confirm the release"
    assert alerts(house) == {}, "a minute is given to it"
    house.clock.advance(MINUTE_MS)
    assert set(alerts(house)) == {"feeder has stopped itself"}
    house.confirm()
    assert stopped(house) is None
    assert house.hold().message == "feeding"
    assert house.hold().confirmed_by_feeders == {FEEDER: True}


def test_a_feeder_that_has_not_seen_the_hold_is_not_sent_its_release(house: House) -> None:
    """A release alone would end no stop: a retained message replaces the one before, and with it the hold."""
    fault(house, "stopped_loss")
    house.hear(house.online(online=False))
    release(house)
    assert told(house)["held"], "the feeder has yet to see that there was a hold"
    hold = house.hold()
    assert not hold.held
    assert hold.confirmed_by_feeders == {FEEDER: False}
    assert present(hold.feeders[0].stopped).waits_for.startswith("the feeder to confirm that it has received the hold")
    assert "and then releases it automatically" in alerts(house)["feeder has stopped itself"].text
    house.hear(house.hello(boot="next"), house.online())
    house.confirm(boot="next")
    assert not told(house)["held"], "it has seen the hold, so the release follows by itself"
    assert stopped(house) is not None
    house.confirm(boot="next")
    assert stopped(house) is None


def test_a_tank_that_was_held_already_sends_a_hold_that_began_after_the_stop(house: House) -> None:
    house.service.hold(TANK, {"reason": "medication"})
    house.confirm()
    before = told(house)["version"]
    fault(house, "stopped_loss")
    assert told(house)["version"] > before
    assert [r.kind for r in house.hold().reasons] == ["person", "stop"]
    house.confirm()
    release(house)
    house.confirm()
    assert stopped(house) is None


def test_the_same_stop_again_renews_the_hold_and_adds_no_reason(house: House) -> None:
    """A second leak during the hold of the first one: the feeder must see a hold that began after that, too."""
    fault(house, "stopped_loss")
    house.confirm()
    versions = [told(house)["version"]]
    for boot in ("second", "third"):
        house.hear(house.hello(boot=boot))
        fault(house, "stopped_loss", boot)
        versions.append(told(house)["version"])
        house.confirm(boot=boot)
    assert versions == sorted(set(versions))
    assert len(house.hold().reasons) == 1
    assert len(house.standing("hold")) == 1


def test_a_fault_told_again_after_the_release_holds_again(house: House) -> None:
    fault(house, "stopped_over")
    house.confirm()
    release(house)
    assert not house.hold().held
    house.hear(house.hello(boot="next"))
    fault(house, "stopped_over", "next")
    assert house.hold().held
    house.confirm(boot="next")
    release(house)
    house.confirm(boot="next")
    assert stopped(house) is None


def test_a_message_that_the_broker_delivers_twice_is_one_stop(house: House) -> None:
    at_ms = house.clock.now_ms()
    body = {"boot": "boot", "at_ms": at_ms, "uptime_ms": 7, "code": "stopped_over", "detail": ""}
    house.hear(house.message("fault", body))
    house.confirm()
    release(house)
    house.hear(house.message("fault", body))
    assert not house.hold().held


def test_a_stop_of_a_feeder_on_no_tank_is_told_and_holds_its_next_tank(house: House) -> None:
    house.service.things.put("feeder", FEEDER, {"tank": None, "food": FOOD})
    house.confirm()
    before = told(house)["version"]
    fault(house, "stopped_over")
    assert told(house)["version"] > before, "a hold that began after the stop"
    assert any(one.what == "No tank: feeder has stopped itself" for one in house.watch())
    (device,) = [d for d in house.service.devices.all() if d.device == FEEDER]
    assert present(device.stopped).code == "stopped_over"
    house.confirm()
    versions = len(house.told("hold"))
    house.confirm()
    assert len(house.told("hold")) <= versions + 1, "what it confirms brings no new message each time"
    house.service.things.put("feeder", FEEDER, {"tank": TANK, "food": FOOD})
    assert house.hold().held
    house.confirm()
    release(house)
    house.confirm()
    assert stopped(house) is None


def test_a_feeder_that_moves_to_another_tank_takes_its_stop_along(house: House) -> None:
    fault(house, "stopped_over")
    house.confirm()
    house.add("tank", id="sill", name="sill", volume_l=20, timezone="UTC")
    house.service.things.put("feeder", FEEDER, {"tank": "sill", "food": FOOD})
    assert house.hold("sill").held, "no person has released it there"
    assert told(house)["held"]
    assert house.hold().held


def test_a_feeder_that_confirms_each_hold_is_sent_no_endless_row_of_them(house: House) -> None:
    """Released, then held by a person before the feeder has seen anything of it."""
    fault(house, "stopped_over")
    release(house)
    house.service.hold(TANK, {"reason": "by hand"})
    count = len(house.told("hold"))
    for _ in range(5):
        house.confirm()
    assert len(house.told("hold")) <= count + 1


def test_the_other_feeder_of_the_tank_goes_on_with_the_release(house: House) -> None:
    house.add("feeder", id="second", tank=TANK, food=FOOD)
    house.hear(house.hello("second"), house.online("second"))
    fault(house, "stopped_loss")
    assert told(house, "second")["held"]
    house.confirm("second")
    release(house)
    assert not told(house, "second")["held"]
    house.confirm("second")
    hold = house.hold()
    assert hold.message == "feeding, but feeder has stopped itself and has not confirmed the release yet"
    assert not hold.nothing_moves
    assert hold.confirmed_by_feeders == {FEEDER: False, "second": True}


def test_a_probe_or_a_feeder_nobody_knows_holds_nothing(house: House) -> None:
    house.add("probe", id="pen", tank=TANK)
    fault(house, "stopped_over", device="pen")
    fault(house, "stopped_over", device="stranger")
    assert not house.hold().held


def test_what_the_second_installation_left_behind_is_said_as_it_is(house: House) -> None:
    """After the second one has gone and the first has released, the feeder still holds itself until it has seen a hold
    of the first's that began after the conflict; until then nobody may say that it feeds."""
    plan = json.dumps({**(house.last("plan") or {}), "installation": "another"}).encode()
    house.hear(house.message("status", {"online": True}))
    from tareline.mqtt.messages import Message

    house.hear(Message(f"tareline/{FEEDER}/down/plan", plan, house.clock.now_ms()))
    house.confirm()
    release(house)
    house.confirm()
    assert house.hold().message == "feeding", "of the feeder's own stop there is no word yet"
    fault(house, "two_installations")
    assert house.hold().held
    house.confirm()
    release(house)
    assert house.hold().message == "feeder has stopped itself and has not confirmed the release yet"
    house.confirm()
    assert house.hold().message == "feeding"


class Board:
    """A feeder by the contract's rule for stops. It hears what is retained for it only while it is online."""

    def __init__(self, house: House) -> None:
        self.house, self.boots, self.online = house, 0, True
        self.version, self.held = 0, False
        self.stop: str | None = None
        self.seen_since = False
        self.listen()

    @property
    def boot(self) -> str:
        return f"b{self.boots}"

    def listen(self) -> None:
        """Take in what the broker keeps, and say so, until there is nothing new."""
        while self.online and told(self.house)["version"] != self.version:
            hold = told(self.house)
            assert hold["version"] > self.version
            self.version, self.held = hold["version"], hold["held"]
            if self.held:
                self.seen_since = self.stop is not None
            elif self.seen_since:
                self.stop, self.seen_since = None, False
            body = {"boot": self.boot, "plan_version": 0, "hold_version": self.version}
            self.house.hear(self.house.message("applied", body))

    def does(self, what: str) -> None:
        house = self.house
        house.clock.advance(MINUTE_MS)
        if what in STOPS:
            self.stop, self.seen_since = what, False
            if self.online:
                fault(house, what, self.boot)
        elif what == "restart":
            self.boots += 1
        elif what == "leave":
            self.online = False
            house.hear(house.online(online=False))
        elif what == "return":
            self.online = True
        elif what == "release" and house.hold().held:
            release(house)
        elif what == "hold":
            house.clock.advance(1)
            house.service.hold(TANK, {"reason": "by hand"})
        if what in ("restart", "return") and self.online:
            applied = {"boot": self.boot, "plan_version": 0, "hold_version": self.version}
            house.hear(house.hello(boot=self.boot), house.online(), house.message("applied", applied))
            if self.stop is not None:
                fault(house, self.stop, self.boot)
        self.listen()


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from([*CODES, "restart", "leave", "return", "release", "hold"]), max_size=14))
def test_whatever_happens_the_service_never_says_that_a_stopped_feeder_feeds(
    tmp_path_factory: pytest.TempPathFactory, steps: list[str]
) -> None:
    house = House.furnished(tmp_path_factory.mktemp("stops"))
    try:
        house.hear(house.hello(boot="b0"), house.online())
        board = Board(house)
        for step in steps:
            board.does(step)
            if board.online and board.stop is not None:
                assert not house.hold().confirmed_by_feeders[FEEDER] or house.hold().held, steps
                assert house.hold().nothing_moves, steps
        for _ in range(3):  # and it can always be mended: online, released, confirmed
            board.does("return")
            board.does("release")
        assert board.stop is None
        assert not board.held
        assert house.hold().message == "feeding"
    finally:
        house.close()
