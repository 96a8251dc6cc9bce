"""What a person is told of a ramp and of its load, and which readings a ramp asks for."""

from dataclasses import replace

import pytest

from tareline.core.alerts.concerns import Location
from tareline.core.alerts.ramp_concerns import of_load_trouble, of_ramp
from tareline.core.safety.ramp import (
    LoadKnowledge,
    NewestReading,
    Ramp,
    State,
    TankState,
    rations_to_judge,
    readings_due,
)
from tareline.core.units import DAY_MS

NOW_MS = 1_750_000_000_000
PLACE = Location("shelf", "Shelf", "UTC")
RAMP = Ramp(0.05, 0.01, 0.2, 14, 1 / 3, "ask", 1, NOW_MS - 30 * DAY_MS)
STANDING = TankState(ration_g=0.05, ration_since_ms=NOW_MS - 10 * DAY_MS, zone="UTC")


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("ready for a step", "asks for a step to 0.06 g"),
        ("steps back", "gone back to 0.06 g"),
        ("limit found", "found the limit; the ration to keep is 0.06 g"),
    ],
)
def test_what_a_person_should_know_is_told_with_its_reasons(state: State, words: str) -> None:
    concern = of_ramp(PLACE, state, NOW_MS, ["nitrate is rising"], 0.06, NOW_MS)
    assert concern is not None
    assert (concern.kind, concern.urgent) == ("due", False)
    assert words in concern.what
    assert "Nitrate is rising" in concern.text


@pytest.mark.parametrize("state", ["waits for readings", "waits for the water", "steps up", "stopped"])
def test_waiting_and_going_on_are_no_news(state: State) -> None:
    assert of_ramp(PLACE, state, NOW_MS, [], 0.06, NOW_MS) is None


def test_a_question_stands_and_what_has_happened_is_news_for_a_week() -> None:
    later_ms = NOW_MS + 8 * DAY_MS
    assert of_ramp(PLACE, "ready for a step", NOW_MS, [], 0.06, later_ms) is not None
    assert of_ramp(PLACE, "steps back", NOW_MS, [], 0.06, later_ms) is None


def test_each_question_is_an_alert_of_its_own() -> None:
    first = of_ramp(PLACE, "ready for a step", NOW_MS, [], 0.06, NOW_MS)
    second = of_ramp(PLACE, "ready for a step", NOW_MS + DAY_MS, [], 0.07, NOW_MS + DAY_MS)
    assert first is not None
    assert second is not None
    assert first.key != second.key


def test_one_failure_may_be_chance_two_are_told() -> None:
    assert of_load_trouble(PLACE, "the process ended", NOW_MS, 1) is None
    concern = of_load_trouble(PLACE, "the process ended", NOW_MS, 2)
    assert concern is not None
    assert "the ramp takes no step" in concern.text


def test_readings_are_due_by_the_end_of_the_dwell_and_from_its_middle_on() -> None:
    early = {name: NewestReading(NOW_MS - 5 * DAY_MS, True) for name in ("ammonia", "nitrite", "nitrate")}
    due = readings_due(RAMP, None, replace(STANDING, readings=early), NOW_MS)
    assert [one.subject for one in due] == ["ammonia", "nitrite", "nitrate"]
    assert {one.by_ms for one in due} == {NOW_MS + 4 * DAY_MS}
    assert "waits for a reading from 2025-06-12 on" in due[0].why
    since = {**early, "nitrate": NewestReading(NOW_MS - DAY_MS, True)}
    assert [one.subject for one in readings_due(RAMP, None, replace(STANDING, readings=since), NOW_MS)] == [
        "ammonia",
        "nitrite",
    ]


@pytest.mark.parametrize(
    "state", [replace(STANDING, held=True), replace(STANDING, away=True), replace(STANDING, ration_g=0.2)]
)
def test_nothing_is_due_for_a_step_that_cannot_come(state: TankState) -> None:
    assert readings_due(RAMP, None, state, NOW_MS) == []


def test_where_no_step_is_sure_enough_nitrate_is_due_after_three_days() -> None:
    """Only once the dwell is over, and not for one whose load nothing is said of."""
    fresh = {name: NewestReading(NOW_MS - DAY_MS, True) for name in ("ammonia", "nitrite", "nitrate")}
    over = replace(STANDING, ration_since_ms=NOW_MS - 20 * DAY_MS, readings=fresh)
    unsure = known(0.9)
    (due,) = readings_due(RAMP, unsure, over, NOW_MS)
    assert (due.subject, due.by_ms) == ("nitrate", NOW_MS + 2 * DAY_MS)
    assert "more certainty" in due.why
    assert readings_due(RAMP, known(0.99), over, NOW_MS) == []
    assert readings_due(RAMP, replace(unsure, refuses="The readings do not fit together"), over, NOW_MS) == []
    assert readings_due(RAMP, unsure, replace(over, ration_since_ms=NOW_MS - 13 * DAY_MS), NOW_MS) == []


def known(sure: float) -> LoadKnowledge:
    """A load whose every step is so sure to stay under the limit."""
    sure_of = dict.fromkeys(rations_to_judge(RAMP, STANDING.ration_g), sure)
    return LoadKnowledge(True, None, False, 0.05, None, None, 0.05, sure, sure_of)
