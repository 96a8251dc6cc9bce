"""The load kept ready: real worker processes beside a real service, and what is told of what they answer."""

import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from house import DAY_MS, FEEDER, FOOD, TANK, House
from sqlalchemy import Connection

from present import present
from tareline.app.answers.load import ForecastAnswer, LimitAnswer, TankLoadAnswer
from tareline.app.projections.loads import Loads
from tareline.app.queries.load import WhatIf, forecast_view, load_view
from tareline.compute.process import Process, ProcessError
from tareline.core.load import forecast, limit, posterior
from tareline.core.load.forecast import Scenario
from tareline.errors import FieldError

RATION_G = 0.06
MODULE = "tareline.compute.load"


@pytest.fixture
def house(house: House) -> House:
    house.ration(RATION_G, 2 * RATION_G, [("08:00", 0.5), ("20:00", 0.5)])
    return house


def live(house: House, weeks: int, nitrate: float = 1.0, daily_g: float = RATION_G) -> None:
    """Weeks in which a ration is fed and weighed, and in the end of each nothing or little is seen in the water."""
    before, half = house.standing("dose"), daily_g / 2
    seq, left = len(before), before[-1].after_g if before else 90.0
    for _ in range(weeks):
        doses = []
        for _ in range(14):
            seq, left = seq + 1, left - half
            house.clock.advance(DAY_MS // 2)
            steps = round(1000 * half)
            doses.append(house.dose(seq, target_g=half, steps=steps, before_g=left + half, after_g=left, sd_g=0.002))
        house.hear(*doses)
        house.clock.advance(1000)
        for analyte in ("ammonia", "nitrite"):
            house.reading(analyte, 0.0, below=None, above=0.25)
        house.reading("nitrate", nitrate, below=0.0, above=2.0 * nitrate)


def settle(house: House) -> None:
    """What the service's threads do after the ledger has moved."""
    house.service.update_accounts()
    house.service.load()


def view(house: House, tank: str = TANK) -> TankLoadAnswer:
    return load_view(house.service.context, house.service.loads, tank)


def ahead(house: House, **asked: Any) -> ForecastAnswer:
    return forecast_view(house.service.context, house.service.loads, TANK, WhatIf(**asked))


# -- what is told ------------------------------------------------------------------------------------------------------


def test_before_anything_is_worked_out_nothing_is_claimed(house: House) -> None:
    told = view(house)
    assert told.refuses == "the load of this tank has not been calculated yet"
    assert told.limit_g_per_day == LimitAnswer(found=False, p5=None, p50=None, p95=None)
    assert (told.proven_g_per_day, told.recommended_g_per_day, told.as_of) == (None, None, None)
    assert told.fresh is False
    assert house.service.loads.knowledge(TANK, [0.1]) is None
    with pytest.raises(FieldError, match="not been calculated yet") as refused:
        ahead(house)
    assert refused.value.status == 409


def test_without_nitrate_it_refuses_to_speak(house: House) -> None:
    settle(house)
    told = view(house)
    assert told.fresh is True
    assert "Nitrate has not been measured yet" in present(told.refuses)
    assert told.limit_g_per_day.p5 is None
    knowledge = house.service.loads.knowledge(TANK, [0.1])
    assert knowledge is not None
    assert (knowledge.refuses, knowledge.p_under) == (told.refuses, {})
    with pytest.raises(FieldError, match="Nitrate has not been measured yet"):
        ahead(house)


def test_the_process_answers_what_the_model_says(house: House) -> None:
    """The same as in this process, from the same record: the answer follows from the record alone."""
    live(house, 8)
    settle(house)
    known = house.service.loads.known(TANK)
    assert known is not None
    own = posterior.posterior(known.gathered.record)
    may = limit.limits(own)
    said = limit.load(own)
    assert (known.told.load.p5_g, known.told.load.found) == (said.p5_g, said.found)
    for ration_g in (0.01, 0.05, 0.2, 1.0, 50.0):
        assert known.told.p_under(ration_g) == pytest.approx(may.at_least(ration_g), abs=1e-12)
    found = forecast.forecast(own, Scenario(14, 0.1))
    answer = house.service.loads.ahead(TANK, known, Scenario(14, 0.1))
    assert [list(day) for day in answer.bands["nitrate"]] == found.bands["nitrate"].tolist()
    assert list(answer.over_ceiling) == pytest.approx(found.over_ceiling.tolist())


def test_it_is_fresh_until_something_newer_is_entered(house: House) -> None:
    live(house, 3)
    settle(house)
    first = view(house)
    assert first.fresh is True
    house.clock.advance(1000)
    house.reading("nitrate", 4.0)
    assert view(house).fresh is False
    assert view(house).limit_g_per_day == first.limit_g_per_day
    settle(house)
    assert view(house).fresh is True
    assert view(house).limit_g_per_day != first.limit_g_per_day
    assert present(view(house).as_of) > present(first.as_of)


def test_a_dose_of_today_leaves_it_fresh_and_one_that_came_late_does_not(house: House) -> None:
    live(house, 3)
    settle(house)
    house.clock.advance(1000)
    house.hear(house.dose(1000, before_g=50, after_g=49.97))
    house.service.update_accounts()
    assert view(house).fresh is True
    house.hear(house.dose(1001, before_g=49.97, after_g=49.94, at_ms=house.clock.now_ms() - 3 * DAY_MS))
    assert view(house).fresh is False
    settle(house)
    assert view(house).fresh is True


def test_what_was_fed_in_doubt_until_the_account_is_kept_is_not_fresh(house: House) -> None:
    live(house, 2)
    settle(house)
    house.service.entries.add("weighin", FEEDER, {"mass_g": 80})
    house.service.load()
    assert view(house).fresh is False
    settle(house)
    assert view(house).fresh is True


def test_a_ration_held_in_balance_is_proven_and_caps_an_absence(house: House) -> None:
    live(house, 12)
    settle(house)
    told = view(house)
    assert told.refuses is None
    assert told.proven_g_per_day == pytest.approx(RATION_G, rel=0.05)
    assert told.as_of is not None
    proven = present(told.proven)
    assert present(proven.since) < present(proven.until) < told.as_of[:10]
    assert present(told.recommended_g_per_day) <= present(told.proven_g_per_day)
    proven_g = house.service.loads.proven_g(TANK)
    body = {"start": "2025-12-01", "end": "2025-12-05", "daily_g": 0.08}
    house.ration(0.09, 0.18, [("08:00", 0.5), ("20:00", 0.5)])
    with pytest.raises(FieldError) as refused:
        house.service.feeding.put_absence(TANK, body, proven_g)
    assert (refused.value.field, refused.value.status) == ("daily_g", 409)
    house.service.feeding.put_absence(TANK, {**body, "daily_g": 0.05}, proven_g)


def test_an_empty_tank_has_no_load(house: House) -> None:
    live(house, 2)
    settle(house)
    body = {"name": "reading room", "volume_l": 60, "timezone": "UTC", "stage": "empty"}
    house.service.things.put("tank", TANK, body)
    settle(house)
    assert view(house).refuses == "the tank is empty"


def test_a_tank_nothing_is_known_of_gets_a_guess_from_another(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other's answer is this test's own: the guess itself is tested against its closed form elsewhere."""
    live(house, 2)
    settle(house)
    loads = house.service.loads
    known = loads.known(TANK)
    assert known is not None
    found = replace(known.told.load, found=True, p5_g=0.2, p50_g=0.3, p95_g=0.4)
    answers = {TANK: replace(known, told=replace(known.told, load=found))}
    monkeypatch.setattr(loads, "known", answers.get)
    house.add("tank", id="half", name="half", volume_l=30, timezone="UTC")
    (guess,) = view(house, "half").guesses
    assert guess.per == "litre"
    assert guess.p50 == pytest.approx(0.15, rel=0.01), "per litre, of half the volume"
    assert guess.p5 < 0.1, "wide"
    assert guess.p95 > 0.2
    assert guess.text.startswith("A guess")
    assert view(house, "half").limit_g_per_day.p5 is None
    assert view(house).guesses == []
    # By planted area once both are stated: a quarter of 1200 cm2 is a quarter of 0.3 g.
    for tank, name, volume_l, area in ((TANK, "reading room", 60, 1200), ("half", "half", 30, 300)):
        body = {"name": name, "volume_l": volume_l, "timezone": "UTC", "planted_area_cm2": area}
        house.service.things.put("tank", tank, body)
        assert len(view(house, "half").guesses) == (1 if tank == TANK else 2)
    by_litre, by_area = view(house, "half").guesses
    assert by_litre == guess
    assert (by_area.per, by_area.tanks) == ("planted area", 1)
    assert by_area.p50 == pytest.approx(0.075, rel=0.01)
    assert by_area.p95 / by_area.p5 == pytest.approx(guess.p95 / guess.p5), "no surer than by litre"
    assert by_area.text.startswith("A guess, by planted area from 1 other tank:")


# -- what if -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def told(house: House) -> House:
    live(house, 6, nitrate=4.0)
    settle(house)
    return house


def test_the_weeks_ahead_go_on_as_planned_with_an_absence_in_them(told: House) -> None:
    start = told.service.context.stamp_ms()
    found = ahead(told)
    assert len(found.days) == 56
    assert {day.daily_g for day in found.days} == {RATION_G}
    assert found.days[0].at > found.as_of
    first, last = found.days[7].date, found.days[13].date
    told.service.feeding.put_absence(TANK, {"start": first, "end": last, "daily_g": 0.02})
    days = ahead(told).days
    assert [day.date for day in days if day.daily_g == 0.02] == [day.date for day in found.days[7:14]]
    assert told.service.context.stamp_ms() - start < DAY_MS


def test_quantiles_are_in_order_and_nitrate_is_stated_as_ion(told: House) -> None:
    """4 mg/L of nitrate as N are 17.7 as ion (62.004 / 14.007, IUPAC atomic weights)."""
    for day in ahead(told).days:
        for name in ("nitrate_mg_per_l", "ammonia_mg_n_per_l", "nitrite_mg_n_per_l"):
            values = list(getattr(day, name).model_dump().values())
            assert values == sorted(values)
    assert ahead(told).days[0].nitrate_mg_per_l.p5 < 17.7 < ahead(told).days[0].nitrate_mg_per_l.p95


def test_more_food_means_more_nitrate_and_a_water_change_less(told: House) -> None:
    def nitrate(**asked: Any) -> float:
        value: float = ahead(told, days=28, **asked).days[-1].nitrate_mg_per_l.p50
        return value

    told.add("food", id="rich", name="rich", protein_percent=84)
    told.add("water", id="soft", name="soft", nitrate_mg_per_l=0)
    usual = nitrate(daily_g=RATION_G)
    assert nitrate(daily_g=3 * RATION_G) > usual
    assert nitrate(daily_g=RATION_G, food="rich") > usual
    assert nitrate(daily_g=RATION_G, food=FOOD) == pytest.approx(usual)
    assert nitrate(daily_g=RATION_G, change_l=30, water="soft") < 0.8 * usual
    assert nitrate(daily_g=RATION_G, plants_removed=0.5) > usual
    dates = [day.date for day in ahead(told, days=28).days]
    away = {"holiday_start": date.fromisoformat(dates[3]), "holiday_end": date.fromisoformat(dates[24])}
    assert nitrate(daily_g=RATION_G, **away) < usual
    assert nitrate(daily_g=RATION_G, **away, holiday_g=RATION_G) == pytest.approx(usual)


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"daily_g": -0.1}, "daily_g"),
        ({"daily_g": float("nan")}, "daily_g"),
        ({"days": 0}, "days"),
        ({"days": 366}, "days"),
        ({"food": "none"}, "food"),
        ({"change_l": 61}, "change_l"),
        ({"water": "none", "change_l": 1}, "water"),
        ({"water": "none"}, "change_l"),
        ({"plants_removed": 1.5}, "plants_removed"),
        ({"holiday_start": date.fromisoformat("2025-08-01")}, "holiday_end"),
        (
            {"holiday_start": date.fromisoformat("2025-08-02"), "holiday_end": date.fromisoformat("2025-08-01")},
            "holiday_end",
        ),
    ],
)
def test_a_question_that_makes_no_sense_is_refused(house: House, asked: dict[str, Any], field: str) -> None:
    with pytest.raises(FieldError) as refused:
        ahead(house, **asked)
    assert (refused.value.field, refused.value.status) == (field, 422)


# -- the ramp ----------------------------------------------------------------------------------------------------------


def test_a_ramp_rests_on_the_load_and_is_told_when_it_asks(house: House) -> None:
    live(house, 8)
    house.service.ramps.put(TANK, {"start_g": 0.05, "step_g": 0.01, "ceiling_g": 0.3, "dwell_days": 14})
    settle(house)
    house.service.watch()
    due = {(d.subject, d.why) for d in house.service.tanks.due(TANK) if d.what == "measure"}
    assert any(subject == "nitrate" and "ramp's next step" in why for subject, why in due)
    live(house, 3, daily_g=0.05)
    settle(house)
    house.service.watch()
    shown = house.service.ramps.view(TANK)
    assert shown.state == "ready for a step", shown.waits_for
    assert present(shown.knowledge).p_under[f"{shown.next_g_per_day:g}"] >= 0.975
    alerts = [one for one in house.service.alerts.list() if one.kind == "due" and "asks for a step" in one.what]
    assert len(alerts) == 1
    assert "accept or veto it" in alerts[0].text
    house.service.ramps.decide(TANK, {"decision": "accept"})
    house.clock.advance(3_600_000)
    house.service.watch()
    assert house.service.ramps.view(TANK).ration_g_per_day == 0.06
    states = [e.state for e in house.ledger("ramp") if "state" in e.own]
    assert states.count("ready for a step") == 1, "looking often enters nothing twice"


def test_a_ramp_that_goes_back_is_told(house: House) -> None:
    live(house, 8)
    house.service.ramps.put(TANK, {"start_g": RATION_G, "step_g": 0.01, "ceiling_g": 0.3, "dwell_days": 14})
    settle(house)
    house.service.watch()
    house.clock.advance(1000)
    house.reading("ammonia", 1.5)
    settle(house)
    house.service.watch()
    told = [one for one in house.service.alerts.list() if "gone back" in one.what]
    assert [one.kind for one in told] == ["due"]
    assert house.standing("ration")[-1].daily_g < RATION_G


def test_trends_that_were_never_worked_out_are_not_taken_for_calm(house: House) -> None:
    live(house, 2)
    assert house.service.trends.alarms(TANK) is None
    house.service.watch()
    assert house.service.trends.alarms(TANK) == []


def test_an_answer_and_whether_it_is_fresh_are_of_one_moment(told: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer that is kept amid a look does not lend its freshness to the one before it."""
    loads, store = told.service.loads, told.service.context.store
    read = store.read
    for look in ("knowledge", "view", "forecast"):
        told.clock.advance(1000)
        told.reading("nitrate", 4.0)
        told.service.update_accounts()
        before, as_of = loads.known(TANK), view(told).as_of
        assert before is not None

        @contextmanager
        def once_an_answer_was_kept() -> Iterator[Connection]:
            monkeypatch.setattr(store, "read", read)
            told.service.load()
            with read() as tx:
                yield tx

        monkeypatch.setattr(store, "read", once_an_answer_was_kept)
        if look == "knowledge":
            knowledge = loads.knowledge(TANK, [RATION_G])
            assert knowledge is not None
            assert (knowledge.fresh, knowledge.p5) == (False, before.told.load.p5_g)
        else:
            seen = view(told) if look == "view" else ahead(told)
            assert (seen.fresh, seen.as_of) == (False, as_of)
        assert loads.known(TANK) is not before
        assert view(told).fresh is True


# -- the processes -----------------------------------------------------------------------------------------------------


def test_a_killed_process_is_replaced(told: House) -> None:
    loads = told.service.loads
    (pid,) = loads.pids
    os.kill(pid, signal.SIGKILL)
    os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT)  # one that is asked while it dies is the next test's
    told.clock.advance(1000)
    told.reading("nitrate", 3.0)
    settle(told)
    assert view(told).fresh is True
    assert pid not in loads.pids


def test_one_that_dies_amid_its_work_is_told_and_tried_again(told: House, monkeypatch: pytest.MonkeyPatch) -> None:
    loads = told.service.loads
    told.clock.advance(1000)
    told.reading("nitrate", 3.0)
    told.service.update_accounts()
    start = loads._worker._running

    def doomed() -> Any:
        """The process as it is when a request is about to be sent, killed in just that moment."""
        process = start()
        process.kill()
        process.wait()
        return process

    with monkeypatch.context() as patched:
        patched.setattr(loads._worker, "_running", doomed)
        told.service.load()
    assert view(told).fresh is False
    assert "ended" in str(view(told).trouble)
    trouble = loads.trouble(TANK)
    assert trouble is not None
    assert trouble.times == 1
    told.service.load()
    assert view(told).fresh is False, "not at once again"
    told.clock.advance(int(trouble.pause_s * 1000))
    told.service.load()
    assert (view(told).fresh, view(told).trouble) == (True, None)


def test_a_load_that_fails_again_and_again_becomes_an_alert(told: House, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = Process("tareline.no_such_module")
    monkeypatch.setattr(told.service.loads, "_worker", broken)
    told.clock.advance(1000)
    told.reading("nitrate", 3.0)
    told.service.update_accounts()
    for _ in range(3):
        told.service.load()
        told.clock.advance(3_600_000)
    told.service.watch()
    (alert,) = [one for one in told.service.alerts.list() if "load cannot be calculated" in one.what]
    assert "3 times" in alert.text
    broken.close()


def test_one_that_hangs_is_killed_and_the_caller_told() -> None:
    worker = Process(MODULE)
    assert worker.ask("guesses", 20.0, None, [], within_s=30) == []
    pid = worker.pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)
    with pytest.raises(ProcessError, match=r"no answer within 0\.3 s"):
        worker.ask("guesses", 20.0, None, [], within_s=0.3)
    assert worker.ask("guesses", 20.0, None, [], within_s=30) == []
    assert worker.pid not in (None, pid)
    worker.close()


def test_what_cannot_be_worked_out_says_why_and_the_process_goes_on() -> None:
    worker = Process(MODULE)
    with pytest.raises(ProcessError, match="TypeError"):
        worker.ask("guesses", within_s=30)
    pid = worker.pid
    assert worker.ask("guesses", 20.0, None, [], within_s=30) == []
    assert worker.pid == pid
    worker.close()


def test_an_idle_process_ends_and_a_closed_one_answers_no_more() -> None:
    worker = Process(MODULE, idle_s=0.1)
    worker.ask("guesses", 20.0, None, [], within_s=30)
    rest = worker._rest
    assert rest is not None
    rest.join(20)
    assert worker.pid is None
    assert worker.ask("guesses", 20.0, None, [], within_s=30) == []
    worker.close()
    with pytest.raises(ProcessError, match="ending"):
        worker.ask("guesses", 20.0, None, [], within_s=30)


def test_closing_does_not_wait_for_what_is_being_worked_out(told: House) -> None:
    loads = Loads(told.service.context, told.service.accounts)
    loads._worker.ask("guesses", 20.0, None, [], within_s=30)
    (pid,) = loads.pids
    os.kill(pid, signal.SIGSTOP)
    asked = threading.Thread(target=loads.compute, args=(TANK,))
    asked.start()
    loads.close()
    asked.join(20)
    assert not asked.is_alive()
    assert loads.pids == []
