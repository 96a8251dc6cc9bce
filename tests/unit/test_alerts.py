"""What a person is told of a concern, when, and when again. The figures are the project's own judgement, no source."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.core.alerts.alert import OTHERS_AGAIN, SETTLES_MS, Alert, Concern, Kind, QuietHours, Rules, seen, step
from tareline.core.units import DAY_MS, HOUR_MS, MINUTE_MS

NOON_MS = 1_749_988_800_000  # 2025-06-15T12:00:00Z
LINE = Concern("line/sill/ammonia", "line", "sill", NOON_MS - HOUR_MS, "ammonia above 0.5 mg/L", "Measure again.")
HOLD = Concern("hold/sill", "hold", "sill", NOON_MS, "feeding is held", "Change water.", urgent=True)
SILENT = Concern("device/feeder-1/silent", "device", "sill", NOON_MS, "feeder-1 is silent", "Look.", urgent=True)
PROBE = Concern("device/probe-1/silent", "device", "sill", NOON_MS, "probe-1 is silent", "Look.")
NIGHT = QuietHours(time(22), time(7))


class Keeper:
    """Plays the state machine as a service would, and keeps what is said: (minutes since the start, key, why)."""

    def __init__(self, rules: Rules | None = None, start_ms: int = NOON_MS) -> None:
        self.rules = rules or Rules()
        self.start_ms = self.now_ms = start_ms
        self.alerts: dict[str, Alert] = {}
        self.said: list[tuple[float, str, str]] = []

    def look(self, *concerns: Concern) -> list[str]:
        """One look at everything; what was said."""
        found = step(self.alerts, concerns, self.now_ms, self.rules)
        self.alerts |= {one.key: replace(one, id=one.id or len(self.alerts) + 1) for one in found.changed}
        new = [((self.now_ms - self.start_ms) / MINUTE_MS, one.alert.key, one.why) for one in found.notices]
        self.said += new
        return [why for _, _, why in new]

    def over(self, ms: int, *concerns: Concern, every_ms: int = MINUTE_MS) -> list[tuple[float, str, str]]:
        """Looks every minute over a while in which the same concerns last; what was said, and when."""
        before = len(self.said)
        for _ in range(ms // every_ms):
            self.now_ms += every_ms
            self.look(*concerns)
        return self.said[before:]

    def sees(self, key: str) -> None:
        self.alerts[key] = seen(self.alerts[key], self.now_ms, "ada", "on it")


def at(hour: int, minute: int = 0, day: int = 15) -> int:
    return int(datetime(2025, 6, day, hour, minute, tzinfo=UTC).timestamp() * 1000)


# One alert at a time


def test_a_concern_is_told_once_and_its_alert_keeps_when_it_began() -> None:
    keeper = Keeper()
    assert keeper.look(LINE) == ["opened"]
    assert keeper.over(HOUR_MS, replace(LINE, since_ms=NOON_MS + 5, text="Measured an hour ago.")) == []
    alert = keeper.alerts[LINE.key]
    assert (alert.state, alert.since_ms, alert.told, alert.text) == (
        "open", LINE.since_ms, 1, "Measured an hour ago.",
    )  # fmt: skip


def test_what_gets_worse_is_told_again_also_when_it_was_seen_and_what_gets_better_is_not() -> None:
    keeper = Keeper()
    keeper.look(LINE)
    keeper.sees(LINE.key)
    assert keeper.look(replace(LINE, grade=1)) == ["worse"]
    assert keeper.alerts[LINE.key].state == "open"
    assert keeper.look(LINE) == []
    assert keeper.look(replace(LINE, grade=1)) == []
    assert keeper.look(replace(LINE, grade=2)) == ["worse"]


def test_what_becomes_urgent_is_worse() -> None:
    keeper = Keeper()
    keeper.look(PROBE)
    assert keeper.look(replace(PROBE, urgent=True)) == ["worse"]


# Nobody looks


def test_urgent_alerts_come_again_after_one_hour_six_hours_and_then_daily() -> None:
    keeper = Keeper()
    keeper.look(HOLD)
    hours = [minutes / 60 for minutes, _, why in keeper.over(4 * DAY_MS, HOLD) if why == "unseen"]
    assert hours == [1, 7, 31, 55, 79]


def test_other_alerts_come_again_daily_at_most_three_times() -> None:
    keeper = Keeper()
    keeper.look(LINE)
    days = [minutes / 60 / 24 for minutes, _, why in keeper.over(10 * DAY_MS, LINE) if why == "unseen"]
    assert days == [1, 2, 3]


def test_what_was_seen_does_not_come_again() -> None:
    keeper = Keeper()
    keeper.look(HOLD)
    keeper.sees(HOLD.key)
    assert keeper.over(5 * DAY_MS, HOLD) == []
    assert keeper.alerts[HOLD.key].note == "on it"


# It ends


def test_a_hold_is_over_at_once_and_a_silence_after_a_settling_time() -> None:
    keeper = Keeper()
    keeper.look(HOLD, SILENT)
    assert keeper.look() == ["cleared"]
    assert keeper.alerts[HOLD.key].state == "cleared"
    assert [m for m, _, _ in keeper.over(HOUR_MS)] == [SETTLES_MS["device"] / MINUTE_MS]


def test_a_device_that_drops_off_for_a_moment_again_and_again_is_told_once() -> None:
    keeper = Keeper()
    keeper.look(SILENT)
    keeper.sees(SILENT.key)
    for _ in range(20):
        assert keeper.over(5 * MINUTE_MS) == []
        assert keeper.over(5 * MINUTE_MS, SILENT) == []


def test_nobody_is_reminded_of_what_may_be_over_already() -> None:
    keeper = Keeper()
    keeper.look(SILENT)
    keeper.over(55 * MINUTE_MS, SILENT)
    assert [why for _, _, why in keeper.over(HOUR_MS)] == ["cleared"]


def test_within_a_day_the_same_alert_opens_again_and_later_another() -> None:
    keeper = Keeper()
    keeper.look(HOLD)
    keeper.look()
    keeper.over(23 * HOUR_MS)
    assert keeper.look(HOLD) == ["reopened"]
    assert (keeper.alerts[HOLD.key].id, keeper.alerts[HOLD.key].reopened) == (1, 1)
    keeper.look()
    keeper.over(25 * HOUR_MS)
    assert keeper.look(HOLD) == ["opened"]
    assert keeper.alerts[HOLD.key].opened_ms == keeper.now_ms


def test_what_comes_and_goes_slowly_is_told_less_and_less() -> None:
    """Each reopening doubles the settling time, so that hours of flapping are a handful of messages."""
    keeper = Keeper()
    for _ in range(36):  # three days of an hour on, an hour off
        keeper.over(HOUR_MS, PROBE)
        keeper.over(HOUR_MS)
    assert len(keeper.said) <= 10


# Quiet hours


def test_quiet_hours_span_midnight() -> None:
    """22:00-07:00: from the first second of the start to just before the end."""
    inside = [time(22), time(23, 59), time(0), time(6, 59, 59)]
    assert [NIGHT.holds(moment) for moment in inside] == [True] * 4
    assert [NIGHT.holds(moment) for moment in (time(7), time(12), time(21, 59, 59))] == [False] * 3
    assert [QuietHours(time(13), time(15)).holds(time(hour)) for hour in (12, 13, 14, 15)] == [False, True, True, False]


def test_at_night_a_hold_and_a_silence_are_told_and_the_rest_in_the_morning_together() -> None:
    keeper = Keeper(Rules(NIGHT), at(23))
    keeper.look(LINE, HOLD, SILENT, PROBE)
    assert keeper.said == [(0, SILENT.key, "opened"), (0, HOLD.key, "opened")]
    keeper.sees(HOLD.key)
    keeper.sees(SILENT.key)
    assert keeper.over(9 * HOUR_MS, LINE, HOLD, SILENT, PROBE) == [
        (8 * 60, PROBE.key, "opened"),
        (8 * 60, LINE.key, "opened"),
    ]


def test_what_came_and_went_at_night_is_never_told() -> None:
    keeper = Keeper(Rules(NIGHT), at(23))
    keeper.over(HOUR_MS, LINE)
    keeper.over(12 * HOUR_MS)
    assert keeper.said == []
    assert keeper.alerts[LINE.key].state == "cleared"


def test_what_ended_and_began_again_at_night_was_there_all_the_time_for_who_slept() -> None:
    keeper = Keeper(Rules(NIGHT), at(21))
    keeper.look(LINE)
    keeper.sees(LINE.key)
    keeper.over(2 * HOUR_MS, LINE)
    keeper.over(2 * HOUR_MS)
    assert keeper.alerts[LINE.key].state == "cleared"
    keeper.over(8 * HOUR_MS, LINE)
    assert [why for _, _, why in keeper.said] == ["opened"]


def test_what_is_over_wakes_nobody_even_if_it_was_urgent() -> None:
    keeper = Keeper(Rules(NIGHT), at(23))
    keeper.look(HOLD)
    assert keeper.look() == []
    assert keeper.over(9 * HOUR_MS) == [(8 * 60, HOLD.key, "cleared")]


def test_what_got_worse_before_anybody_was_told_is_told_as_new() -> None:
    keeper = Keeper(Rules(NIGHT), at(23))
    keeper.look(LINE)
    keeper.look(replace(LINE, grade=1))
    assert [why for _, _, why in keeper.over(9 * HOUR_MS, replace(LINE, grade=1))] == ["opened"]


def test_who_was_not_told_that_it_ended_is_told_only_what_got_worse_when_it_begins_again() -> None:
    keeper = Keeper(Rules(NIGHT), at(21))
    keeper.look(HOLD)
    keeper.sees(HOLD.key)
    keeper.now_ms = at(23)
    keeper.look()
    assert keeper.alerts[HOLD.key].owed == "cleared"
    keeper.now_ms = at(23, day=17)  # the service was down, and it is night again
    assert keeper.look(HOLD) == []
    assert (keeper.alerts[HOLD.key].state, keeper.alerts[HOLD.key].reopened) == ("seen", 1)
    assert keeper.look(replace(HOLD, grade=1)) == ["worse"]


def test_what_began_again_and_ended_again_at_night_is_not_told_to_be_over_twice() -> None:
    keeper = Keeper(Rules(NIGHT), at(20))
    keeper.look(LINE)
    keeper.over(HOUR_MS)
    keeper.now_ms = at(23)
    keeper.look(LINE)
    keeper.over(10 * HOUR_MS)
    assert [why for _, _, why in keeper.said] == ["opened", "cleared"]


def test_what_nobody_looked_at_is_reminded_of_even_if_it_ended_for_a_while_at_night() -> None:
    keeper = Keeper(Rules(NIGHT), at(21))
    keeper.look(LINE)
    keeper.now_ms = at(23)
    keeper.over(HOUR_MS)
    keeper.over(3 * DAY_MS, LINE)
    assert [why for _, _, why in keeper.said] == ["opened", "unseen", "unseen", "unseen"]


def test_the_night_is_the_tanks_own() -> None:
    """13:00 UTC is 22:00 in Tokyo, which is nine hours ahead all year (time zone database)."""
    rules = Rules(NIGHT, {"sill": "Asia/Tokyo"})
    keeper = Keeper(rules, at(12, 59))
    assert keeper.look(LINE) == ["opened"]
    late = Keeper(rules, at(13))
    assert late.look(LINE) == []
    assert [m for m, _, _ in late.over(10 * HOUR_MS, LINE)] == [9 * 60]


def test_what_was_read_on_the_page_at_night_is_not_told_in_the_morning() -> None:
    keeper = Keeper(Rules(NIGHT), at(23))
    keeper.look(LINE)
    keeper.sees(LINE.key)
    assert keeper.over(10 * HOUR_MS, LINE) == []
    keeper.look()
    assert [why for _, _, why in keeper.over(HOUR_MS)] == ["cleared"]


# Whatever happens

concerns = st.lists(
    st.builds(
        Concern,
        key=st.sampled_from(["a", "b"]),
        kind=st.sampled_from(sorted(SETTLES_MS)),
        tank=st.sampled_from(["sill", None]),
        since_ms=st.just(NOON_MS),
        what=st.just("something"),
        text=st.just("do something"),
        urgent=st.booleans(),
        grade=st.integers(0, 2),
    ),
    max_size=2,
    unique_by=lambda one: one.key,
)
nights = st.lists(st.tuples(concerns, st.integers(1, 30 * 60), st.sampled_from(["", "a", "b"])), max_size=40)


@given(nights, st.sampled_from([None, NIGHT]))
def test_who_listens_and_reads_knows_what_is_so(
    course: Iterable[tuple[list[Concern], int, str]], quiet: QuietHours | None
) -> None:
    """What somebody believes who hears every message and now and then reads an alert on the page.

    Nothing is called over that they did not know of, nothing new that they knew; what is urgent they know at once; a
    reminder comes at least an hour after what it reminds of; and once it is day and all has settled they are right.
    """
    keeper = Keeper(Rules(quiet))
    believed: dict[str, bool] = {}
    last_told_min: dict[str, float] = {}

    def look(present: list[Concern]) -> None:
        heard = len(keeper.said)
        keeper.look(*present)
        for minute, key, why in keeper.said[heard:]:
            assert believed.get(key, False) == (why not in ("opened", "reopened"))
            assert why != "unseen" or minute - last_told_min[key] >= 60
            believed[key], last_told_min[key] = why != "cleared", minute

    present: list[Concern] = []
    for present, minutes, read in course:
        look(present)
        assert all(believed[concern.key] for concern in present if concern.urgent)
        if read in keeper.alerts:
            keeper.sees(read)
            believed[read] = keeper.alerts[read].state != "cleared"
        keeper.now_ms += minutes * MINUTE_MS
    for _ in range(3 * 24):
        look(present)
        keeper.now_ms += HOUR_MS
    lasting = {concern.key for concern in present}
    assert {key for key, true in believed.items() if true} == lasting
    assert {key for key, alert in keeper.alerts.items() if alert.state != "cleared"} == lasting


@pytest.mark.parametrize("kind", sorted(SETTLES_MS))
def test_reminders_stop_in_the_end_for_every_kind_that_is_not_urgent(kind: Kind) -> None:
    keeper = Keeper()
    concern = replace(LINE, kind=kind)
    keeper.look(concern)
    assert len(keeper.over(30 * DAY_MS, concern, every_ms=HOUR_MS)) == OTHERS_AGAIN
