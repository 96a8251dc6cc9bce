"""A probe's weeks in the record of a real service: which, from which tank, and when the load follows from a new one."""

import random
from datetime import UTC, datetime

import pytest
from house import DAY_MS, HOUR_MS, NOON_MS, TANK, House

from tareline.app.projections.load_record import GatheredRecord, LoadRecords, RecordBasis
from tareline.core.load.record import RecordedReading
from tareline.store import series
from tareline.store.series import Value

PROBE = "probe"
BEGIN_MS = NOON_MS - 12 * HOUR_MS + DAY_MS  # 2025-06-16T00:00Z, a Monday
STEP_MS = 30 * 60_000


@pytest.fixture
def house(house: House) -> House:
    """A tank whose books begin on a Monday at midnight, with a probe."""
    house.clock.set(BEGIN_MS)
    house.add("probe", id=PROBE, tank=TANK)
    house.service.entries.add("handfeed", TANK, {"mass_g": 0.1, "at": at(0)})
    return house


def at(day: float) -> str:
    return datetime.fromtimestamp((BEGIN_MS + day * DAY_MS) / 1000, UTC).isoformat()


def send(house: House, first: float, last: float, tds: float = 320.0, probe: str = PROBE) -> None:
    """What a probe sends of days since the beginning, at 25 degC and 0.64 mg/L for each uS/cm."""
    noise = random.Random(f"{probe} {first}")
    times = range(BEGIN_MS + round(first * DAY_MS), BEGIN_MS + round(last * DAY_MS), STEP_MS)
    warmth = [Value("temperature", "Cel", t, 25 + noise.gauss(0, 0.03)) for t in times]
    cell = [Value("conductivity", "S/m", t, tds / 6400 * (1 + noise.gauss(0, 2e-3))) for t in times]
    with house.service.context.write() as tx:
        series.add(tx, probe, warmth + cell)


def pass_to(house: House, day: float) -> None:
    house.clock.set(BEGIN_MS + round(day * DAY_MS))


def gathered(house: House, tank: str = TANK) -> GatheredRecord:
    """What is known now, by somebody who has kept nothing."""
    with house.service.context.store.read() as tx:
        found = LoadRecords(house.service.context, house.service.accounts).gather(tx, tank)
    assert found is not None
    return found


def weeks(house: House, tank: str = TANK) -> list[RecordedReading]:
    return [one for one in gathered(house, tank).record.readings if one.probe]


def mark(house: House) -> RecordBasis:
    house.service.update_accounts()
    with house.service.context.store.read() as tx:
        return LoadRecords(house.service.context, house.service.accounts).mark(tx, TANK)


def test_a_week_is_told_once_it_is_over_and_stays_as_it_is(house: House) -> None:
    send(house, 0, 13.9, 320.0)
    pass_to(house, 13.9)
    (first,) = weeks(house)
    assert (first.day, first.analyte) == (pytest.approx(3.5, abs=3), "tds")
    assert first.value == pytest.approx(320, rel=2e-3)
    assert (first.low, first.high, first.detected) == (first.value, first.value, True)
    send(house, 13.9, 28, 400.0)
    pass_to(house, 14)
    assert weeks(house)[0] == first
    assert len(weeks(house)) == 2
    pass_to(house, 28)
    assert weeks(house)[0] == first
    assert [round(one.day // 7) for one in weeks(house)] == [0, 1, 2, 3]


def test_what_a_probe_said_more_than_two_quarters_ago_is_left_out_by_whole_quarters(house: House) -> None:
    send(house, 0, 190)
    for day, first in ((179, 0), (180, 13), (189, 13)):  # the first Monday from day 90 on is day 91
        pass_to(house, day)
        assert [one.day // 7 for one in weeks(house)] == list(range(first, day // 7))


def test_a_pen_s_reading_of_the_same_week_stays_beside_it(house: House) -> None:
    send(house, 0, 8)
    pass_to(house, 3)
    house.reading("tds", 310.0, resolution=1.0)
    pass_to(house, 8)
    by_pen, by_probe = sorted((one for one in gathered(house).record.readings), key=lambda one: one.probe)
    assert (by_pen.probe, by_pen.value, by_pen.low) == (False, 310.0, 309.5)
    assert by_probe.value == pytest.approx(320, rel=2e-3)


def test_solids_are_calculated_by_the_tank_s_factor(house: House) -> None:
    send(house, 0, 8)
    pass_to(house, 8)
    before = weeks(house)[0].value
    body = {"name": "reading room", "volume_l": 60, "timezone": "UTC", "tds_factor": 0.5}
    house.service.things.put("tank", TANK, body)
    assert weeks(house)[0].value == pytest.approx(before * 0.5 / 0.64)


def test_of_a_probe_that_moves_house_each_tank_has_its_own_weeks(house: House) -> None:
    """Two weeks here and two there, moved on the third Monday at ten; the other water holds twice as much."""
    house.add("tank", id="other", name="other", volume_l=20, timezone="UTC")
    house.service.entries.add("handfeed", "other", {"mass_g": 0.1, "at": at(0)})
    send(house, 0, 14.4, 320.0)
    send(house, 14.4, 28.1, 640.0)
    pass_to(house, 28.1)
    house.service.things.put("probe", PROBE, {"tank": "other", "at": at(14 + 10 / 24)})
    assert [one.value for one in weeks(house)] == pytest.approx([320, 320], rel=2e-3)
    assert [one.value for one in weeks(house, "other")] == pytest.approx([640, 640], rel=2e-3)


def test_two_probes_say_a_value_each(house: House) -> None:
    house.add("probe", id="second", tank=TANK, at=at(0))
    send(house, 0, 8, 320.0)
    send(house, 0, 8, 330.0, probe="second")
    pass_to(house, 8)
    assert sorted(one.value for one in weeks(house)) == pytest.approx([320, 330], rel=2e-3)


def test_days_are_the_tank_s_own(house: House) -> None:
    """In Auckland, 12 hours ahead in June (IANA time zone database), a week is over at noon UTC on Sunday."""
    house.add("tank", id="far", name="far", volume_l=20, timezone="Pacific/Auckland")
    house.add("probe", id="away", tank="far")
    house.service.entries.add("handfeed", "far", {"mass_g": 0.1, "at": at(-0.5)})
    send(house, -0.5, 7, probe="away")
    pass_to(house, 6.49)
    assert weeks(house, "far") == []
    pass_to(house, 6.51)
    (week,) = weeks(house, "far")
    assert week.day % 1 == pytest.approx(0.5)


def test_the_load_follows_from_a_new_week_and_a_late_sample_but_not_from_each(house: House) -> None:
    send(house, 0, 6.5)
    pass_to(house, 8)
    first = mark(house)
    assert mark(house) == first
    send(house, 7, 8)
    assert mark(house) == first, "of a week that is not over"
    send(house, 6.5, 7)
    late = mark(house)
    assert late != first
    send(house, 8, 14)
    pass_to(house, 14)
    assert mark(house) != late


def test_what_was_kept_of_a_week_is_judged_anew_when_more_of_it_has_come(house: House) -> None:
    keeping = LoadRecords(house.service.context, house.service.accounts)

    def kept() -> GatheredRecord | None:
        with house.service.context.store.read() as tx:
            return keeping.gather(tx, TANK)

    send(house, 0, 2)
    pass_to(house, 8)
    before = kept()
    assert before is not None
    assert before.record.readings == ()
    send(house, 2, 8)
    assert kept() == gathered(house)
    house.service.entries.add("water-change", TANK, {"volume_l": 20, "at": at(3.3)})
    assert kept() == gathered(house) != before
    for day in (1, 2, 3, 4):
        house.reading("tds", 480.0, at=at(day))
    assert kept() == gathered(house)
    assert weeks(house) == [], "a probe a third below the pen"


def test_a_load_is_worked_out_once_for_a_week_of_samples(house: House) -> None:
    """By the real process: each sample asks for nothing, the new week for one more answer."""
    house.service.update_accounts()
    loads = house.service.loads
    send(house, 0, 8)
    pass_to(house, 8)
    assert loads.compute(TANK) is True
    assert loads.state(TANK).fresh is True
    for hour in range(1, 12):
        send(house, 8 + hour / 24, 8 + (hour + 1) / 24)
        pass_to(house, 8 + (hour + 1) / 24)
        assert loads.compute(TANK) is False
        assert loads.state(TANK).fresh is True
    send(house, 8.5, 14)
    pass_to(house, 14)
    assert loads.state(TANK).fresh is False
    assert loads.compute(TANK) is True
    known = loads.known(TANK)
    assert known is not None
    assert len([one for one in known.gathered.record.readings if one.probe]) == 2
