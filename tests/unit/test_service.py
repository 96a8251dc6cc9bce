"""What time alone brings, and what a clock that is wrong must not (issue: ration, plan, hold; contract: plan, time)."""

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from house import DAY_MS, FEEDER, HOUR_MS, MINUTE_MS, NOON_MS, TANK, House
from sqlalchemy import Connection

from tareline import service as module
from tareline.clock import SystemClock
from tareline.web.api.health import health


@pytest.fixture
def house(house: House) -> House:
    house.hear(house.online(), house.hello())
    return house


def plan(house: House) -> dict[str, Any]:
    last = house.last("plan")
    assert last is not None
    return last


def test_a_new_plan_goes_out_at_midnight_with_the_new_day_first(house: House) -> None:
    house.service.tick()
    before = plan(house)
    house.clock.advance(12 * HOUR_MS - 1000)
    house.service.tick()
    assert plan(house) == before
    house.clock.advance(1000)
    house.service.tick()
    assert plan(house)["version"] > before["version"]
    assert plan(house)["days"][0]["start_ms"] == NOON_MS + 12 * HOUR_MS
    assert len(plan(house)["days"]) >= 8
    assert plan(house)["meals"][0]["id"] == "2025-06-16/08:00"
    assert plan(house)["meals"][-1]["id"] == "2025-06-22/18:00"


def test_midnight_is_each_tanks_own(house: House) -> None:
    house.add("tank", id="far", name="far", volume_l=10, timezone="Pacific/Auckland")
    house.add("feeder", id="far-feeder", tank="far")
    house.ration(1.0, 1.0, [("08:00", 1.0)], tank="far")
    house.service.tick()
    house.sent.clear()
    # Noon in UTC is midnight in Auckland in June, when its clocks are 12 hours ahead; the next one is a day later.
    house.clock.advance(23 * HOUR_MS)
    house.service.tick()
    house.sent.clear()
    house.clock.advance(HOUR_MS)
    house.service.tick()
    assert len(house.told("plan", "far-feeder")) == 1
    assert house.told("plan") == []


def test_a_midnight_passed_while_the_service_was_down_is_made_up_for_at_the_start(house: House) -> None:
    house.close()
    house.clock.advance(3 * DAY_MS)
    house.sent.clear()
    house.open()
    assert plan(house)["meals"][0]["id"] == "2025-06-18/18:00"


def test_a_day_that_is_over_gives_back_what_was_fed_by_hand(house: House) -> None:
    house.service.entries.add("handfeed", TANK, {"mass_g": 2.0})
    assert plan(house)["days"][0]["cap_g"] == 0
    house.service.tick()
    house.clock.advance(12 * HOUR_MS)
    house.service.tick()
    assert plan(house)["days"][0]["cap_g"] == 2.0


# -- a clock behind the newest entry -----------------------------------------------------------------------------------


def behind(house: House) -> None:
    """A restart after a power cut on a small computer whose clock begins in the past."""
    house.service.entries.add("note", TANK, {"kind": "other", "text": "the newest entry"})
    house.close()
    house.clock.set(NOON_MS - 400 * DAY_MS)
    house.sent.clear()
    house.open()
    house.service.tick()


def test_behind_its_newest_entry_it_sends_holds_but_no_plan_and_no_time(house: House) -> None:
    behind(house)
    assert house.told("plan") == []
    assert len(house.told("hold")) == 1
    house.reading("ammonia", 3.0)
    assert house.last("hold")["held"] is True  # type: ignore[index]
    house.ration(0.5, 1.0, [("08:00", 1.0)])
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.5})
    house.hear(house.hello(clock="unset"))
    house.pass_time(5 * MINUTE_MS)
    assert house.told("plan") == []
    assert house.told("time") == []
    assert health(house.service).clock.behind_s == pytest.approx(400 * 86_400 - 300, abs=5)


def test_when_the_clock_is_right_again_the_plan_goes_out(house: House) -> None:
    behind(house)
    house.ration(0.5, 1.0, [("08:00", 1.0)])
    house.clock.set(NOON_MS + HOUR_MS)
    house.service.tick()
    assert plan(house)["meals"][0] == {"id": "2025-06-16/08:00", "at_ms": NOON_MS + 20 * HOUR_MS, "target_g": 0.5}
    assert plan(house)["days"][0]["cap_g"] == 1.0
    house.hear(house.hello(clock="unset"))
    assert house.told("time")[-1]["now_ms"] == NOON_MS + HOUR_MS


def test_what_is_entered_meanwhile_is_not_older_than_what_was_entered_before(house: House) -> None:
    """A release needs a reading newer than the hold: the order of entries must survive a wrong clock."""
    behind(house)
    stamps = [house.service.entries.add("note", TANK, {"kind": "other", "text": "x"}).recorded_at for _ in range(3)]
    assert stamps == sorted(stamps)
    assert stamps[0] >= "2025-06-15T12:00:00"


def test_doses_taken_meanwhile_keep_the_devices_own_time(house: House) -> None:
    behind(house)
    house.hear(house.dose(1, at_ms=NOON_MS + MINUTE_MS))
    assert house.doses()[1].at == "2025-06-15T12:01:00.000+00:00"


def test_a_clock_corrected_by_seconds_is_not_behind(house: House) -> None:
    house.service.entries.add("note", TANK, {"kind": "other", "text": "x"})
    house.clock.set(NOON_MS - 30_000)
    house.service.tick()
    house.hear(house.hello(clock="unset"))
    assert len(house.told("time")) == 1
    assert health(house.service).clock.behind_s == 0


# -- connections -------------------------------------------------------------------------------------------------------


def test_every_connection_is_told_plan_hold_and_received(house: House) -> None:
    """The broker may have forgotten them."""
    house.hear(house.dose(1), house.dose(2))
    house.sent.clear()
    house.connect()
    assert {m.topic for m in house.sent} == {f"{FEEDER}/down/{tail}" for tail in ("plan", "hold", "received")}
    assert all(m.retain and m.qos == 1 for m in house.sent)
    assert house.last("received") == {"journal": "journal", "seq": 2}


def test_the_greeting_says_received_of_the_journal_that_the_device_has_now(house: House) -> None:
    house.hear(house.dose(1))
    house.hear(house.hello(journal="after-the-format"))
    house.sent.clear()
    house.connect()
    assert house.told("received") == [{"journal": "after-the-format", "seq": 0}]


def test_a_repetition_alone_is_answered_with_received_where_the_broker_lost_it(house: House) -> None:
    """A device that sends again has not been told; the retained message brings it at its next connect at the latest."""
    house.hear(house.dose(1))
    house.sent.clear()
    house.hear(house.hello(), house.dose(1))
    house.connect()
    assert house.last("received") == {"journal": "journal", "seq": 1}


def test_an_error_of_ours_in_the_link_ends_the_service_and_says_so(tmp_path: Path) -> None:
    """Without its link it would show old values for ever, and feeders would wait for plans."""
    told: list[str] = []
    settings = module.Settings.model_validate(
        {"store": {"url": f"sqlite:///{tmp_path / 'x.db'}"}, "broker": {"url": "mqtt://127.0.0.1:9"}}
    )
    service = module.Service(settings, SystemClock(), told.append)

    def broken() -> None:
        raise ZeroDivisionError("an error of ours")

    service.link._tick = broken
    service.start()
    assert service.link.ended.wait(20)
    assert len(told) == 1
    assert "an error of ours" in told[0]
    service.stop()


def test_messages_leave_in_the_order_in_which_they_were_decided(house: House) -> None:
    """Two people at once: the older message must not be the last, since the broker keeps the last for the feeder."""
    first_leaves, second_left = threading.Event(), threading.Event()
    order: list[tuple[int, bool]] = []

    def publish(messages: Any) -> None:
        if not first_leaves.is_set():
            first_leaves.set()
            second_left.wait(1)  # as if this thread were not given its turn
        order.extend((body["version"], body["held"]) for m in messages if "held" in (body := json.loads(m.payload)))

    house.service.hold(TANK, {"reason": "medication"})
    house.service.link.publish = publish  # type: ignore[method-assign]
    release = threading.Thread(target=lambda: house.service.release(TANK, {"note": "done"}))
    release.start()
    assert first_leaves.wait(10)

    def read() -> None:
        house.reading("ammonia", 3.0)
        second_left.set()

    hold = threading.Thread(target=read)
    hold.start()
    release.join()
    hold.join()
    assert [held for _, held in order] == [False, True]
    assert order == sorted(order)


# -- a feeder that says hello and obeys something else -----------------------------------------------------------------


def obeys(house: House, plan_version: int, hold_version: int) -> Any:
    return house.message("applied", {"boot": "boot", "plan_version": plan_version, "hold_version": hold_version})


def test_a_feeder_that_says_hello_without_the_plan_is_sent_it_again(house: House) -> None:
    """It had no memory for it, or gave it up for another installation's; without a plan it feeds nothing."""
    house.ration(0.5, 1.0, [("08:00", 1.0)])
    hold = house.last("hold")
    assert hold is not None
    planned, held = plan(house)["version"], hold["version"]
    house.hear(house.hello(), obeys(house, planned, held))
    house.sent.clear()
    house.hear(house.hello())
    assert house.told("plan") == house.told("hold") == []
    house.hear(obeys(house, 0, held), house.hello())
    assert [message["version"] for message in house.told("plan")] == [planned]
    assert house.told("hold") == []


def test_what_a_hello_brings_anew_is_sent_once(house: House) -> None:
    house.ration(0.5, 1.0, [("08:00", 1.0)])
    house.hear(house.hello(), obeys(house, 0, 0))
    house.sent.clear()
    house.hear(house.hello(gain_g_per_step=0.002))  # the plan names the gain, so that this one is another
    assert len(house.told("plan")) == 1


def test_an_old_hello_that_the_broker_kept_asks_for_nothing(house: House) -> None:
    house.ration(0.5, 1.0, [("08:00", 1.0)])
    house.hear(obeys(house, 0, 0))
    house.sent.clear()
    house.hear(house.hello(retained=True))
    assert house.told("plan") == []


# -- what is sent again, while somebody decides something newer --------------------------------------------------------


def decide_after_the_next_reading(house: House, monkeypatch: pytest.MonkeyPatch) -> threading.Thread:
    """Another thread lowers the ration just after this one has read what was issued, unless it has to wait for it."""
    store = house.service.context.store
    read = store.read
    other = threading.Thread(target=lambda: house.ration(0.25, 1.0, [("08:00", 1.0)]))

    @contextmanager
    def and_decide() -> Iterator[Connection]:
        monkeypatch.setattr(store, "read", read)
        with read() as tx:
            yield tx
        other.start()
        other.join(1)

    monkeypatch.setattr(store, "read", and_decide)
    return other


def test_a_plan_that_is_sent_again_leaves_before_a_newer_one(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """The broker keeps the last one for the feeder."""
    house.ration(0.5, 1.0, [("08:00", 1.0)])
    hold = house.last("hold")
    assert hold is not None
    house.service.take([house.message("applied", {"boot": "boot", "plan_version": 0, "hold_version": hold["version"]})])
    house.service.take([house.hello()])
    house.sent.clear()
    other = decide_after_the_next_reading(house, monkeypatch)
    house.service.settle()
    other.join(20)
    versions = [message["version"] for message in house.told("plan")]
    assert len(versions) == 2
    assert versions == sorted(versions)


def test_the_plan_that_waited_for_the_clock_leaves_before_a_newer_one(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    behind(house)
    house.clock.set(NOON_MS + HOUR_MS)
    other = decide_after_the_next_reading(house, monkeypatch)
    house.service.tick()
    other.join(20)
    versions = [message["version"] for message in house.told("plan")]
    assert versions == sorted(versions)
    assert plan(house)["meals"][0]["target_g"] == 0.25
