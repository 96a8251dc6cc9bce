"""The report of a feeder: what came in stands on its tickets, and the weights are set against each other."""

import asyncio
import csv
import io
import random
import re
from datetime import date
from itertools import pairwise
from typing import Any

import httpx
import numpy as np
import pytest
from house import DAY_MS, FEEDER, FOOD, HOUR_MS, MINUTE_MS, NOON_MS, TANK, House

from present import present
from tareline.app.answers.entries import MadeAnswer
from tareline.app.answers.report import ReportAnswer
from tareline.app.queries.hopper import daily_g
from tareline.errors import FieldError
from tareline.web.app import make_app
from tareline.web.events import Hub
from tareline.web.pages.report import COLUMNS, csv_text

TODAY = date(2025, 6, 15)


def weigh_in(house: House, mass_g: float, **other: Any) -> MadeAnswer:
    return house.service.entries.add("weighin", FEEDER, {"mass_g": mass_g, "sd_g": 0.03, **other})


def live(house: House, days: int, content_g: float = 50.0, first_seq: int = 1) -> tuple[float, list[dict[str, Any]]]:
    """Two doses of about a quarter of a gram a day, as a cell with a noise of 4 mg sees them: the content that is left
    in truth, and what was sent."""
    chance = random.Random(first_seq)
    sent = []
    for i in range(2 * days):
        house.clock.advance(DAY_MS // 2 - MINUTE_MS)
        before_g = round(content_g + chance.gauss(0, 0.004), 6)
        content_g -= 0.25 + chance.gauss(0, 0.01)
        after_g = round(content_g + chance.gauss(0, 0.004), 6)
        sent.append(house.dose_body(first_seq + i, before_g=before_g, after_g=after_g, sd_g=0.0057, temperature_c=22.5))
        house.hear(house.message("dose", sent[-1]))
        house.clock.advance(MINUTE_MS)
    return content_g, sent


def report(house: House, start: date | None = None, end: date | None = None) -> ReportAnswer:
    return house.service.reports.report(FEEDER, start, end)


def get(house: House, path: str) -> httpx.Response:
    async def call() -> httpx.Response:
        transport = httpx.ASGITransport(app=make_app(house.service, Hub()))
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            return await client.get(path)

    return asyncio.run(call())


# -- tickets -----------------------------------------------------------------------------------------------------------


def test_a_ticket_says_what_came_in(house: House) -> None:
    house.hear(house.hello(board="b-17", calibration="two masses", gain_g_per_step=0.001))
    _, sent = live(house, 3)
    tickets = report(house).doses
    assert len(tickets) == len(sent) == 6
    for ticket, body in zip(tickets, sent, strict=True):
        same = ("before_g", "after_g", "sd_g", "temperature_c", "cause", "meal", "outcome", "target_g", "steps")
        assert {name: getattr(ticket, name) for name in (*same, "journal", "seq")} == {
            name: body[name] for name in (*same, "journal", "seq")
        }
        assert ticket.net_g == pytest.approx(body["before_g"] - body["after_g"])
        assert (ticket.board, ticket.calibration, ticket.food) == ("b-17", "two masses", FOOD)


def test_a_dose_that_was_not_weighed_says_so_and_is_counted(house: House) -> None:
    house.hear(house.dose(1, before_g=None, after_g=None, sd_g=None, outcome="interrupted"), house.dose(2))
    found = report(house)
    assert [ticket.net_g for ticket in found.doses] == [None, pytest.approx(0.25)]
    assert (found.totals.doses, found.totals.unweighed) == (2, 1)


def test_only_the_days_asked_for_are_in_it(house: House) -> None:
    _, sent = live(house, 4)
    ended_ms = NOON_MS + 2 * DAY_MS + DAY_MS // 2  # the end of the 17th
    found = report(house, date(2025, 6, 17), date(2025, 6, 17))
    assert [t.seq for t in found.doses] == [b["seq"] for b in sent if ended_ms - DAY_MS <= b["at_ms"] < ended_ms]
    assert [day.date for day in found.days] == ["2025-06-17"]


# -- before and after there is an account ------------------------------------------------------------------------------


def test_without_an_account_doses_count_as_the_cell_weighed_them(house: House) -> None:
    _, sent = live(house, 2)
    found = report(house)
    assert (found.account, found.reconciliation, found.drift) == (None, None, None)
    assert all(ticket.estimate_g is None for ticket in found.doses)
    assert set(dict(found.hopper).values()) == {None}
    assert found.totals.dispensed_g == pytest.approx(sum(b["before_g"] - b["after_g"] for b in sent))
    assert found.totals.provisional


def test_with_an_account_every_dose_has_an_estimate_and_the_total_is_their_sum(house: House) -> None:
    live(house, 5)
    house.service.update_accounts()
    found = report(house)
    assert found.totals.dispensed_g == pytest.approx(sum(present(ticket.estimate_g) for ticket in found.doses))
    assert found.totals.dispensed_g == pytest.approx(sum(day.dispensed_g or 0.0 for day in found.days))
    asked_g = found.totals.asked_g
    assert asked_g == pytest.approx(10 * 0.25)
    drift = present(found.drift)
    assert drift.drift_g == pytest.approx(present(found.totals.dispensed_g) - asked_g)
    assert sum(drift.by_cause.values()) == pytest.approx(drift.drift_g)


# -- reconciliation ----------------------------------------------------------------------------------------------------


def test_two_weigh_ins_that_add_up(house: House) -> None:
    weigh_in(house, 50.0)
    left_g, first = live(house, 3)
    house.service.entries.add("refill", FEEDER, {"before_g": 10.0, "after_g": 18.0})
    left_g, then = live(house, 3, left_g + 8.0, 7)
    closed = weigh_in(house, round(left_g, 3))
    house.service.update_accounts()
    found = report(house)
    (one,) = present(found.reconciliation)
    assert (one.opening_g, one.added_g, one.closing_g) == (50.0, pytest.approx(8.0), round(left_g, 3))
    assert one.by_scale_g == pytest.approx(58.0 - round(left_g, 3))
    assert one.by_cell_g == pytest.approx(sum(b["before_g"] - b["after_g"] for b in first + then))
    assert one.difference_g == pytest.approx(one.by_cell_g - one.by_scale_g)
    assert abs(one.difference_g) <= one.limit_g
    assert one.within
    assert one.closing_entry == closed.entry
    # GUM, JCGM 100:2008, 5.1.2: independent parts add in quadrature; 1.96 deviations hold 95 % of a normal distribution
    assert one.limit_g == pytest.approx(1.96 * np.hypot.reduce([part.sd_g for part in one.limit_parts]))
    assert [refill.added_g for refill in found.refills] == [pytest.approx(8.0)]


def test_two_weigh_ins_that_do_not(house: House) -> None:
    weigh_in(house, 50.0)
    left_g, _ = live(house, 6)
    weigh_in(house, round(left_g - 1.5, 3))
    house.service.update_accounts()
    found = report(house)
    (one,) = present(found.reconciliation)
    assert one.difference_g == pytest.approx(-1.5, abs=0.1)
    assert not one.within
    assert [finding.feeder for finding in found.findings] == [FEEDER]
    assert found.days[-1].finding
    page = get(house, f"/feeders/{FEEDER}/report").text
    assert '<strong class="attend">beyond the limit</strong>' in page


def test_balances_reach_over_the_edges_of_the_report_and_of_closed_periods(house: House) -> None:
    left_g, entries = 90.0, []
    for week in range(11):
        entries.append(weigh_in(house, round(left_g, 3)).entry)
        left_g, _ = live(house, 7, left_g, 1 + 14 * week)
        if week == 5:
            house.service.entries.add("refill", FEEDER, {"added_g": 20.0})
            left_g += 20.0
    house.service.update_accounts()
    account = house.service.accounts.account(FEEDER)
    assert account is not None
    assert account.closed
    whole = report(house, TODAY, date(2025, 8, 31))
    pairs = [(b.opening_entry, b.closing_entry) for b in present(whole.reconciliation)]
    assert pairs == list(pairwise(entries))
    assert all(b.doses == 14 for b in present(whole.reconciliation))
    assert all(ticket.estimate_g is not None for ticket in whole.doses)
    amid = report(house, date(2025, 7, 1), date(2025, 7, 3))  # between the third weigh-in and the fourth
    assert [(b.opening_entry, b.closing_entry) for b in present(amid.reconciliation)] == [(entries[2], entries[3])]


def test_what_was_done_at_the_hopper_is_in_it(house: House) -> None:
    house.service.entries.add("weighin", FEEDER, {"gross_g": 62.5, "tare_g": 12.0})
    house.service.entries.add("hopper", FEEDER, {"hung": False})
    house.service.entries.add("loss", FEEDER, {"mass_g": 1.25, "text": "tipped over", "by": "late desk"})
    house.service.entries.add("hopper", FEEDER, {"hung": True})
    found = report(house)
    assert [one.mass_g for one in found.weighins] == [50.5]
    assert [(one.mass_g, one.by) for one in found.losses] == [(1.25, "late desk")]
    assert [one.hung for one in found.hopper_moves] == [False, True]
    page = get(house, f"/feeders/{FEEDER}/report").text
    for words in ("tipped over", "hopper taken off", "62.5 g gross, 12 g tare"):
        assert words in page


# -- calibration and gain ----------------------------------------------------------------------------------------------


def calibrate(house: House, shown_g: list[float]) -> None:
    points = [{"mass_g": mass, "shown_g": shown} for mass, shown in zip((0, 20, 50, 100), shown_g, strict=True)]
    house.service.entries.add("calibration", FEEDER, {"points": points})


def test_the_calibration_record_agrees_with_numpys_least_squares(house: House) -> None:
    assert report(house).calibration is None
    first, last = [0.01, 20.02, 50.03, 100.08], [0.0, 20.24, 50.61, 101.19]
    calibrate(house, first)
    alone = present(report(house).calibration)
    assert alone.drift is None
    assert present(alone.repeat_by).startswith("2025-12-12")  # 180 days on
    house.clock.advance(DAY_MS)
    calibrate(house, last)
    found = present(report(house).calibration)
    slopes = [np.polyfit([0, 20, 50, 100], shown, 1) for shown in (first, last)]
    assert found.slope == pytest.approx(slopes[1][0])
    assert found.drift == pytest.approx(slopes[1][0] - slopes[0][0])
    residuals = np.array(last) - np.polyval(slopes[1], [0, 20, 50, 100])
    assert [point.residual_g for point in found.points] == pytest.approx(list(residuals))
    assert found.drift_sure  # over a percent, and each fit is good to a few hundredths of one: repeat at once
    assert found.repeat_by == found.at
    assert present(report(house, TODAY, TODAY).calibration).entry == alone.entry  # of that day, the later one was not


def test_the_gain_in_force_and_what_was_decided(house: House) -> None:
    house.hear(house.hello(gain_g_per_step=0.0013))
    live(house, 6)
    house.service.update_accounts()
    gain = report(house).gain
    (decided,) = gain.decided
    assert gain.announced_g_per_step == decided.before_g_per_step == 0.0013
    assert decided.learned_g_per_step == pytest.approx(0.001, rel=0.03)
    assert gain.planned_g_per_step == decided.gain_g_per_step
    assert f"{decided.gain_g_per_step:.6f} g a step" in get(house, f"/feeders/{FEEDER}/report").text


# -- the hopper --------------------------------------------------------------------------------------------------------


def test_the_hopper_tells_how_long_it_lasts_and_what_is_due(house: House) -> None:
    weigh_in(house, 50.0)
    left_g, _ = live(house, 6)
    weighed = weigh_in(house, round(left_g, 3))
    house.service.update_accounts()
    (found,) = house.service.tanks.overview()[0].hoppers
    content_g, content_sd_g = present(found.content_g), present(found.content_sd_g)
    assert content_g == pytest.approx(left_g, abs=3 * content_sd_g)
    assert found.by == "account"
    assert not [name for name, _ in found if name.startswith("left")], "what is in a hopper is said once"
    assert 0 < content_sd_g <= 0.03  # no worse than the last weigh-in alone
    # a gram a day, and half a gram that the auger does not reach
    days_low, days_left, days_high = present(found.days_low), present(found.days_left), present(found.days_high)
    assert days_left == pytest.approx(content_g - 0.5)
    assert 0 < days_low < days_left < days_high
    until_ms = house.clock.now_ms() + days_low * DAY_MS
    assert found.refill_by is not None
    assert found.weigh_by is not None
    assert np.datetime64(found.refill_by[:23], "ms").astype(int) == pytest.approx(until_ms, abs=2)
    weighed_ms = np.datetime64(weighed.at[:23], "ms")
    assert np.datetime64(found.weigh_by[:23], "ms") - weighed_ms == np.timedelta64(7, "D")
    assert dict(report(house).hopper) == {name: getattr(found, name) for name, _ in report(house).hopper}


def test_a_hopper_from_which_nothing_is_fed_lasts_as_long_as_nobody_can_say(house: House) -> None:
    house.hear(house.dose(1))
    house.ration(0.0, 1.0, [("08:00", 1.0)])
    house.service.update_accounts()
    (found,) = house.service.tanks.overview()[0].hoppers
    assert found.content_g is not None
    assert (found.days_left, found.refill_by) == (None, None)


def test_a_day_of_the_plan_is_its_last_whole_one(house: House) -> None:
    assert daily_g(house.last("plan")) == pytest.approx(1.0)  # today only the evening's half is left
    assert daily_g(None) == daily_g({"meals": []}) == 0.0


def test_each_feeder_has_its_share_of_the_budget(house: House) -> None:
    house.add("feeder", id="second", tank=TANK, food=FOOD)
    house.ration(1.0, 2.0, [("08:00", 0.3, FEEDER), ("18:00", 0.7, "second")])
    house.clock.advance(DAY_MS)
    tomorrow = date(2025, 6, 16)
    budgets = [house.service.reports.report(name, tomorrow, tomorrow).totals.budget_g for name in (FEEDER, "second")]
    assert budgets == [pytest.approx(0.3), pytest.approx(0.7)]


# -- periods -----------------------------------------------------------------------------------------------------------


def test_the_last_seven_local_days_by_default(house: House) -> None:
    house.add("tank", id="far", name="far away", volume_l=10, timezone="Pacific/Auckland")
    house.add("feeder", id="far-feeder", tank="far")
    house.clock.advance(HOUR_MS)  # 13:00 UTC is the 16th there
    period = house.service.reports.report("far-feeder").period
    assert (period.start, period.end) == ("2025-06-10", "2025-06-16")
    assert (period.from_, period.timezone) == ("2025-06-10T00:00:00.000+12:00", "Pacific/Auckland")
    assert period.to == "2025-06-17T00:00:00.000+12:00"


def test_a_feeder_that_was_put_away_keeps_its_reports(house: House) -> None:
    house.hear(house.dose(1))
    house.service.things.put("feeder", FEEDER, {"tank": None, "food": FOOD})
    found = report(house)
    assert found.tank is not None
    assert (found.tank.id, found.tank.name) == (TANK, "reading room")
    assert [ticket.seq for ticket in found.doses] == [1]


@pytest.mark.parametrize(
    ("feeder", "start", "end", "field", "status"),
    [
        ("nobody", None, None, "feeder", 404),
        (FEEDER, TODAY, date(2025, 6, 14), "end", 422),
        (FEEDER, date(2024, 5, 11), TODAY, "end", 422),  # 401 days
        (FEEDER, date(1, 1, 1), TODAY, "start", 422),
    ],
)
def test_what_is_refused(house: House, feeder: str, start: Any, end: Any, field: str, status: int) -> None:
    with pytest.raises(FieldError) as refusal:
        house.service.reports.report(feeder, start, end)
    assert (refusal.value.field, refusal.value.status) == (field, status)


def test_four_hundred_days_are_taken(house: House) -> None:
    assert len(report(house, date(2024, 5, 12), TODAY).days) == 400


# -- CSV and page ------------------------------------------------------------------------------------------------------


def test_the_csv_read_back_is_what_came_in(house: House) -> None:
    """RFC 4180: section 2, rules 1, 3, 5, 6 and 7; read by the standard library's own reader."""
    house.hear(house.hello(board="b-17", calibration='masses 20, 50 g, "class M1"'))
    _, sent = live(house, 3)
    house.hear(house.dose(7, before_g=None, after_g=None, sd_g=None, outcome="jam"))
    house.service.update_accounts()
    answer = get(house, f"/feeders/{FEEDER}/report.csv")
    assert answer.headers["content-type"].startswith("text/csv")
    assert answer.text.count("\r\n") == 8  # each row ends with CR LF, the last one too
    assert answer.text.replace("\r\n", "").count("\n") == 0
    header, *rows = csv.reader(io.StringIO(answer.text, newline=""))
    assert tuple(header) == COLUMNS
    found = [dict(zip(header, row, strict=True)) for row in rows]
    for row, body in zip(found, sent, strict=False):
        for name in ("before_g", "after_g", "sd_g", "target_g", "temperature_c"):
            assert float(row[name]) == body[name], name
        assert float(row["net_g"]) == round(body["before_g"] - body["after_g"], 6)
        assert (row["seq"], row["steps"], row["outcome"]) == (str(body["seq"]), str(body["steps"]), body["outcome"])
        assert row["calibration"] == 'masses 20, 50 g, "class M1"'
    assert [found[-1][name] for name in ("before_g", "after_g", "net_g", "sd_g", "outcome")] == ["", "", "", "", "jam"]
    assert answer.text == csv_text(report(house))


def test_the_page_shows_every_dose_with_its_deviations_and_asks_for_no_script(house: House) -> None:
    weigh_in(house, 50.0)
    left_g, sent = live(house, 6)
    weigh_in(house, round(left_g, 3))
    calibrate(house, [0.01, 20.02, 50.03, 100.08])
    house.service.update_accounts()
    page = get(house, f"/feeders/{FEEDER}/report?start=2025-06-15&end=2025-06-21")
    assert page.status_code == 200
    assert "<script" not in page.text
    text = re.sub(r"<[^>]+>", "", page.text)
    for body in sent:
        assert f"{body['before_g'] - body['after_g']:.4f}" in text
    assert text.count("± 0.0057") >= len(sent)
    assert 'class="attend"' not in page.text  # grey: nothing here needs a person
    (one,) = present(report(house, TODAY, date(2025, 6, 21)).reconciliation)
    for part in one.limit_parts:
        assert part.source.replace("'", "&#39;") in page.text


@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        (f"{FEEDER}/report?start=yesterday", 422, "Expected a date such as"),
        (f"{FEEDER}/report.csv?start=2025-06-15&end=2025-06-14", 422, "from 2025-06-15 on"),
        ("nobody/report", 404, "There is no feeder"),
        ("nobody/report.csv", 404, "There is no feeder"),
    ],
)
def test_a_page_says_what_is_wrong(house: House, query: str, status: int, words: str) -> None:
    answer = get(house, f"/feeders/{query}")
    assert answer.status_code == status
    assert words in answer.text
