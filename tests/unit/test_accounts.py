"""Accounts in the running service: a fortnight of a feeder whose true masses the test knows, and what people enter."""

import asyncio
import math
from dataclasses import dataclass, field
from datetime import date, timedelta
from random import Random
from typing import Any

import httpx
import pytest
from house import DAY_MS, FEEDER, HOUR_MS, NOON_MS, TANK, House

from present import present
from tareline.app.answers.days import FindingAnswer
from tareline.app.answers.entries import MadeAnswer
from tareline.app.projections import accounts
from tareline.app.queries.books import WeekAnswer
from tareline.core.calendar import from_ms
from tareline.errors import FieldError
from tareline.web.app import make_app
from tareline.web.events import Hub

FIRST_MS = NOON_MS - NOON_MS % DAY_MS + DAY_MS  # 2025-06-16, a Monday
FIRST_DAY = date(2025, 6, 16)
CELL_SD_G = 0.006  # of one weighing by the cell
SCATTER = 0.05  # of a dose
GAIN = 0.94  # of what is asked


@dataclass
class Fortnight:
    """A feeder that gives two doses a day, less than it is asked: what it holds is known here and nowhere else."""

    house: House
    seed: int = 20250616
    content_g: float = 60.0
    given_g: dict[int, float] = field(default_factory=dict)  # by sequence number
    at_ms: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.random = Random(self.seed)

    def at(self, day: int, hour: int) -> None:
        self.house.clock.set(FIRST_MS + day * DAY_MS + hour * HOUR_MS)

    def feed(self, first: int, last: int, weighed: bool = True) -> None:
        """Doses of 0.5 g at 08:00 and 18:00 of days `first` to `last`, both included."""
        for day in range(first, last + 1):
            for hour in (8, 18):
                self.at(day, hour)
                self.dose(weighed)

    def dose(self, weighed: bool = True) -> None:
        seq = len(self.given_g) + 1
        given_g = 0.5 * GAIN * self.random.gauss(1, SCATTER)
        before_g = self.content_g + self.random.gauss(0, CELL_SD_G)
        self.content_g -= given_g
        after_g = self.content_g + self.random.gauss(0, CELL_SD_G)
        self.given_g[seq], self.at_ms[seq] = given_g, self.house.clock.now_ms()
        cell: dict[str, Any] = dict.fromkeys(("before_g", "after_g", "sd_g"))
        if weighed:
            cell.update(before_g=round(before_g, 4), after_g=round(after_g, 4), sd_g=round(1.4142 * CELL_SD_G, 4))
        self.house.hear(self.house.dose(seq, target_g=0.5, steps=500, **cell))

    def weigh(self, day: int, hour: int = 20, **other: Any) -> MadeAnswer:
        """A weigh-in on a kitchen scale that shows hundredths of a gram."""
        self.at(day, hour)
        body = {"mass_g": round(self.content_g + self.random.gauss(0, 0.01), 2), "sd_g": 0.01}
        return self.house.service.entries.add("weighin", FEEDER, {**body, **other})

    def true_g(self, first: int, last: int) -> float:
        """What was really given on days `first` to `last`."""
        start_ms, end_ms = FIRST_MS + first * DAY_MS, FIRST_MS + (last + 1) * DAY_MS
        return math.fsum(given_g for seq, given_g in self.given_g.items() if start_ms <= self.at_ms[seq] < end_ms)

    def week(self, number: int) -> WeekAnswer:
        """The first or second week, as it is shown."""
        return self.house.service.books.week(TANK, FIRST_DAY + timedelta(weeks=number))


@pytest.fixture
def fortnight(house: House) -> Fortnight:
    return Fortnight(house)


def a_missed_refill(fortnight: Fortnight) -> FindingAnswer:
    """12.3 g that nobody entered, poured in between Tuesday's and Wednesday's doses of the second week."""
    fortnight.at(0, 7)
    fortnight.weigh(0, 7)
    fortnight.feed(0, 6)
    fortnight.weigh(6)
    fortnight.feed(7, 8)
    fortnight.content_g += 12.3
    fortnight.feed(9, 13)
    fortnight.weigh(13)
    fortnight.house.service.update_accounts()
    (finding,) = fortnight.week(1).findings
    return finding


async def get(house: House, path: str) -> str:
    """A page as it is served, without a server."""
    through = httpx.ASGITransport(make_app(house.service, Hub()))
    async with httpx.AsyncClient(transport=through, base_url=f"http://{house.service.settings.http.listen}") as client:
        answer = await client.get(path)
    assert answer.status_code == 200
    return answer.text


# -- findings ----------------------------------------------------------------------------------------------------------


def test_a_refill_that_nobody_entered_is_found_sized_and_placed(fortnight: Fortnight) -> None:
    finding = a_missed_refill(fortnight)
    doses: dict[int | None, int] = {entry.entry: seq for seq, entry in fortnight.house.doses().items()}
    assert (doses[finding.after], doses[finding.before]) == (18, 19)
    assert finding.likely[0].cause == "refill not recorded"
    mend = present(finding.mend)
    assert mend.kind == "refill"
    assert mend.mass_g == pytest.approx(12.3, abs=3 * finding.sd_g)
    assert finding.sd_g < 0.1
    assert finding.from_ < present(mend.at) < finding.to
    flagged = [day.date for day in fortnight.week(1).days if "finding" in day.flags]
    assert flagged == ["2025-06-24", "2025-06-25"]
    assert fortnight.week(0).findings == []


def test_accepting_a_finding_makes_the_entry_that_mends_the_books(fortnight: Fortnight) -> None:
    house, finding = fortnight.house, a_missed_refill(fortnight)
    body = {"decision": "accept", "note": "the morning desk topped it up", "by": "late desk"}
    made = house.service.bookkeeping.decide(finding.id, body)
    (refill,) = house.standing("refill")
    assert refill.entry == made.entry
    mend = present(finding.mend)
    assert (refill.added_g, refill.at) == (pytest.approx(mend.mass_g), mend.at)
    assert (refill.by, refill.note) == ("late desk", "the morning desk topped it up")
    week = fortnight.week(1)
    assert week.findings == []
    assert not any("finding" in day.flags for day in week.days)
    with pytest.raises(FieldError) as refused:
        house.service.bookkeeping.decide(finding.id, body)
    assert refused.value.status == 404
    assert len(house.standing("refill")) == 1


def test_a_dismissed_finding_leaves_the_books_and_does_not_come_back(fortnight: Fortnight) -> None:
    house, finding = fortnight.house, a_missed_refill(fortnight)
    house.service.bookkeeping.decide(finding.id, {"decision": "dismiss", "by": "late desk"})
    assert house.standing("refill") == []
    assert fortnight.week(1).findings == []
    fortnight.at(14, 8)
    fortnight.dose()
    fortnight.weigh(14)
    house.service.update_accounts()
    assert fortnight.week(1).findings == []
    house.restart()
    house.service.update_accounts()
    assert fortnight.week(1).findings == []


def test_a_finding_nobody_knows_is_refused(fortnight: Fortnight) -> None:
    for name in ("feeder.content.1.2", "feeder", "another.content.0.0", ""):
        with pytest.raises(FieldError, match="no longer there") as refused:
            fortnight.house.service.bookkeeping.decide(name, {"decision": "accept"})
        assert refused.value.status == 404


# -- days and weeks ----------------------------------------------------------------------------------------------------


def test_days_and_week_come_from_one_joint_account(fortnight: Fortnight) -> None:
    fortnight.weigh(0, 7)
    fortnight.feed(0, 6)
    fortnight.weigh(6)
    fortnight.house.service.update_accounts()
    week = fortnight.week(0)
    days, total_g, total_sd_g = week.days, present(week.totals.dispensed_g), present(week.totals.dispensed_sd_g)
    assert total_g == pytest.approx(sum(present(day.dispensed_g) for day in days))
    # The two weigh-ins bound the week's sum: what one day has too much another has too little.
    apart = math.sqrt(sum(present(day.dispensed_sd_g) ** 2 for day in days))
    assert total_sd_g < 0.95 * apart
    assert abs(total_g - fortnight.true_g(0, 6)) < 4 * total_sd_g
    for number, day in enumerate(days):
        day_g = present(day.dispensed_g)
        assert abs(day_g - fortnight.true_g(number, number)) < 4 * present(day.dispensed_sd_g)
        estimates = [present(dose.estimate_g) for dose in day.doses]
        assert sum(estimates) == pytest.approx(day_g)
    # What is shown is what the account says, whatever days are asked for together.
    account = fortnight.house.service.accounts.account(FEEDER)
    assert account is not None
    assert account.found is not None
    sums = account.found.sums([(FIRST_MS + i * DAY_MS, FIRST_MS + (i + 1) * DAY_MS) for i in range(7)])
    assert [day.dispensed_sd_g for day in days] == pytest.approx(sums.sd_g.tolist())
    assert (total_g, total_sd_g) == pytest.approx(sums.joined())


def test_a_week_is_provisional_until_a_weigh_in_after_its_last_dose(fortnight: Fortnight) -> None:
    fortnight.weigh(0, 7)
    fortnight.feed(0, 8)
    fortnight.house.service.update_accounts()
    first = fortnight.week(0)
    assert first.totals.provisional
    assert all(day.provisional for day in first.days)
    fortnight.weigh(8, 19)
    fortnight.house.service.update_accounts()
    first, second = fortnight.week(0), fortnight.week(1)
    assert not first.totals.provisional
    assert not any(day.provisional for day in first.days)
    assert second.totals.provisional, "it is not over"
    assert [day.provisional for day in second.days][:2] == [False, True]


def test_a_day_that_was_weighed_in_is_settled_by_the_night(fortnight: Fortnight) -> None:
    fortnight.weigh(0, 7)
    fortnight.feed(0, 0)
    fortnight.weigh(0)
    fortnight.house.service.update_accounts()
    assert fortnight.week(0).days[0].provisional, "it is not over"
    fortnight.at(1, 7)
    assert not fortnight.week(0).days[0].provisional, "nothing has been said since, and nothing will"


def test_a_day_in_which_a_period_was_closed_is_not_provisional_for_ever(fortnight: Fortnight) -> None:
    fortnight.weigh(0, 7)
    for week in range(9):
        fortnight.feed(7 * week, 7 * week + 6)
        fortnight.weigh(7 * week + 6)
    fortnight.house.service.update_accounts()
    account = fortnight.house.service.accounts.account(FEEDER)
    assert account is not None
    assert account.open_ms is not None, "a period was closed"
    fortnight.at(63, 7)
    assert [fortnight.week(number).totals.provisional for number in range(9)] == [False] * 9


def test_a_late_weigh_in_changes_past_days_and_says_which(fortnight: Fortnight) -> None:
    fortnight.feed(0, 6, weighed=False)
    fortnight.house.service.update_accounts()
    before = fortnight.week(0)
    assert before.revisions == []
    content_at = from_ms(FIRST_MS + 7 * HOUR_MS, "UTC").isoformat()
    start = fortnight.house.service.entries.add("weighin", FEEDER, {"mass_g": 60.0, "sd_g": 0.01, "at": content_at})
    end = fortnight.weigh(6)
    fortnight.house.service.update_accounts()
    after = fortnight.week(0)
    (revision,) = after.revisions
    assert revision.entries == [start.entry, end.entry]
    assert len(revision.days) == 7, "the scale knows the week's sum, where before only the steps were known"
    was = {day.date: day.dispensed_g for day in before.days}
    now = {day.date: day.dispensed_g for day in after.days}
    for day in revision.days:
        assert (day.before_g, day.after_g) == pytest.approx((was[day.date], now[day.date]))
    after_g, after_sd_g = present(after.totals.dispensed_g), present(after.totals.dispensed_sd_g)
    assert after_sd_g < 0.3 * present(before.totals.dispensed_sd_g)
    assert abs(after_g - fortnight.true_g(0, 6)) < 4 * after_sd_g
    fortnight.house.service.update_accounts()
    assert fortnight.week(0).revisions == after.revisions, "nothing was entered since"


def test_a_corrected_weigh_in_is_a_revision_too(fortnight: Fortnight) -> None:
    fortnight.weigh(0, 7)
    fortnight.feed(0, 6)
    made = fortnight.weigh(6)
    fortnight.house.service.update_accounts()
    wrong = made.mass_g
    corrected = fortnight.house.service.entries.correct(made.entry, {"mass_g": round(wrong - 0.05, 2)})
    fortnight.house.service.update_accounts()
    (revision,) = fortnight.week(0).revisions
    assert corrected.entry in revision.entries
    assert all(day.after_g > day.before_g for day in revision.days), "less was left, so more was given"


def test_before_its_account_a_sum_with_a_dose_of_unknown_size_is_told_as_about_so_much(fortnight: Fortnight) -> None:
    fortnight.feed(0, 0)
    fortnight.feed(1, 1, weighed=False)
    fortnight.at(2, 8)
    fortnight.dose()
    fortnight.at(2, 18)
    fortnight.dose(weighed=False)

    def shown() -> str:
        return asyncio.run(get(fortnight.house, f"/tanks/{TANK}"))

    assert [shown().count(words) for words in (">about<", "unknown</span>", "unknown-mark")] == [1, 1, 5], (
        "one mark in each of two sizes for each day, and the legend"
    )
    fortnight.house.service.update_accounts()
    assert [shown().count(words) for words in (">about<", "unknown</span>", "unknown-mark")] == [0, 0, 0]


# -- the hopper --------------------------------------------------------------------------------------------------------


def test_a_hopper_that_is_off_holds_its_feeder_until_it_hangs_again(house: House) -> None:
    house.hear(house.hello(), house.online())
    assert house.last("hold")["held"] is False  # type: ignore[index]
    house.service.entries.add("hopper", FEEDER, {"hung": False, "by": "late desk"})
    told = house.last("hold")
    assert told is not None
    assert told["held"] is True
    assert "hopper is off" in told["reason"]
    house.confirm()
    shown = house.hold()
    assert (shown.held, shown.message) == (False, "held"), "no hold for a person to release, and no motor turns"
    assert [feeder.hung for feeder in shown.feeders] == [False]
    house.restart()
    assert house.last("hold")["held"] is True  # type: ignore[index]
    house.service.entries.add("hopper", FEEDER, {"hung": True})
    released = house.last("hold")
    assert released is not None
    assert (released["held"], released["version"] > told["version"]) == (False, True)
    house.confirm()
    assert house.hold().message == "feeding"


def test_a_tank_whose_other_feeder_has_its_hopper_is_feeding(house: House) -> None:
    house.add("feeder", id="second", tank=TANK)
    house.hear(*(said(device) for device in (FEEDER, "second") for said in (house.hello, house.online)))
    house.service.entries.add("hopper", FEEDER, {"hung": False})
    assert [house.last("hold", device)["held"] for device in (FEEDER, "second")] == [True, False]  # type: ignore[index]
    house.confirm()
    house.confirm("second")
    assert house.hold().message == "feeding"


def test_a_hopper_hung_again_does_not_end_a_persons_hold(house: House) -> None:
    house.service.hold(TANK, {"reason": "the filter stands still"})
    house.service.entries.add("hopper", FEEDER, {"hung": False})
    house.service.entries.add("hopper", FEEDER, {"hung": True})
    told = house.last("hold")
    assert told is not None
    assert (told["held"], told["reason"]) == (True, "the filter stands still")


def test_gross_less_tare_is_the_content(house: House) -> None:
    made = house.service.entries.add("weighin", FEEDER, {"gross_g": 152.46, "tare_g": 99.9})
    assert (made.mass_g, made.gross_g, made.tare_g) == (52.56, 152.46, 99.9)
    heavier = house.service.entries.correct(made.entry, {"tare_g": 100.0})
    assert (heavier.mass_g, heavier.gross_g, heavier.tare_g) == (52.46, 152.46, 100.0)
    net = house.service.entries.correct(heavier.entry, {"mass_g": 51.0})
    assert (net.mass_g, net.own.get("gross_g"), net.own.get("tare_g")) == (51.0, None, None)
    again = house.service.entries.correct(net.entry, {"gross_g": 150.0, "tare_g": 100.0})
    assert again.mass_g == 50.0


@pytest.mark.parametrize(
    ("field", "body"),
    [("mass_g", {"gross_g": 100.0}), ("mass_g", {"mass_g": 50.0, "gross_g": 100.0, "tare_g": 50.0}), ("mass_g", {}),
     ("gross_g", {"gross_g": 50.0, "tare_g": 100.0}), ("mass_g", {"mass_g": -1.0})],
)  # fmt: skip
def test_a_weigh_in_in_doubt_is_refused_by_its_field(house: House, field: str, body: dict[str, Any]) -> None:
    with pytest.raises(FieldError) as refused:
        house.service.entries.add("weighin", FEEDER, body)
    assert refused.value.field == field
    assert house.ledger("weighin") == []


# -- an estimate that fails --------------------------------------------------------------------------------------------


def test_feeding_goes_on_without_an_estimate(
    fortnight: Fortnight, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    house = fortnight.house

    def broken(*_: object) -> None:
        raise ZeroDivisionError("an estimate that stumbles")

    with monkeypatch.context() as patched:
        patched.setattr(accounts, "estimate", broken)
        fortnight.feed(0, 1)
        house.service.update_accounts()
        assert "could not be calculated" in caplog.text
        shown = fortnight.week(0).days[0]
        weighed = [present(dose.mass_g) for dose in shown.doses]
        assert shown.dispensed_g == pytest.approx(sum(weighed)), "as the cell weighed them"
        assert [dose.estimate_g for dose in shown.doses] == [None, None]
        house.service.hold(TANK, {"reason": "still obeyed"})
        assert house.last("hold")["held"] is True  # type: ignore[index]
    house.service.update_accounts()
    assert all(dose.estimate_g is not None for dose in fortnight.week(0).days[0].doses)


def test_an_account_that_failed_once_is_worked_out_again(fortnight: Fortnight, monkeypatch: pytest.MonkeyPatch) -> None:
    house = fortnight.house
    fortnight.feed(0, 1)
    house.service.update_accounts()

    def broken(*_: object) -> None:
        raise ZeroDivisionError("an estimate that stumbles")

    fortnight.feed(2, 2)
    with monkeypatch.context() as patched:
        patched.setattr(accounts, "estimate", broken)
        house.service.update_accounts()
        assert fortnight.week(0).days[2].doses[0].estimate_g is None
    house.service.update_accounts()
    assert fortnight.week(0).days[2].doses[0].estimate_g is not None


# The gain that the next plan uses


@pytest.mark.slow
def test_the_gain_is_changed_once_a_day_at_most_and_within_what_the_feeder_takes(house: House) -> None:
    """A feeder that gives half of what its calibration says: it is led there in steps that it will take."""
    poor = Fortnight(house)
    in_force = 0.001
    told = []
    for day in range(10):
        house.hear(house.hello(gain_g_per_step=in_force))
        for hour in (8, 12, 18):
            poor.at(day, hour)
            half(poor)
            house.service.update_accounts()
        plan = house.last("plan")
        assert plan is not None
        assert abs(plan["gain_g_per_step"] / in_force - 1) <= 0.2
        in_force = plan["gain_g_per_step"]
        told.append(in_force)
    entries = house.standing("gain")
    assert entries[-1].gain_g_per_step == told[-1]
    assert entries[0].before_g_per_step == 0.001
    assert len({entry.at[:10] for entry in entries}) == len(entries)
    assert told[-1] == pytest.approx(0.0006, rel=0.05)


def half(poor: Fortnight) -> None:
    """A dose of 0.5 g asked, of which 0.3 come."""
    seq = len(poor.given_g) + 1
    poor.given_g[seq], poor.at_ms[seq] = 0.3, poor.house.clock.now_ms()
    before_g, poor.content_g = poor.content_g, poor.content_g - 0.3 * poor.random.gauss(1, 0.02)
    before_g, after_g = round(before_g, 4), round(poor.content_g, 4)
    poor.house.hear(poor.house.dose(seq, target_g=0.5, steps=500, before_g=before_g, after_g=after_g, sd_g=0.008))
