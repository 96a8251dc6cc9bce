"""A keeper's month of the demo, told by its messages alone: the story, in order, nothing twice and nothing at night."""

from datetime import time

import pytest

from tareline.feeding.days import from_ms
from tareline.simulate import month
from tareline.simulate.month import Told


@pytest.fixture(scope="module")
def diary(tmp_path_factory: pytest.TempPathFactory) -> list[Told]:
    return month.play(tmp_path_factory.mktemp("month"))


def events(diary: list[Told]) -> list[tuple[str, str]]:
    """(why, what) of everything that was said, without reminders."""
    return [
        (one["why"], one["what"].removeprefix("Travel shelf: "))
        for message in diary
        for one in message.alerts
        if one["why"] != "unseen"
    ]


def test_the_month_reads_as_it_went(diary: list[Told]) -> None:
    told = events(diary)
    story = [
        ("opened", "nitrate is rising"),
        ("opened", "total ammonia is too high"),
        ("opened", "feeding is reduced to 50%"),
        ("opened", "feeding is held"),
        ("cleared", "feeding is held"),
        ("cleared", "total ammonia is too high"),
        ("cleared", "nitrate is rising"),
        ("opened", "feeder-travel is silent"),
        ("cleared", "feeder-travel is silent"),
        ("opened", "feeder-travel is jammed"),
        ("cleared", "feeder-travel is jammed"),
        ("opened", "feeder-travel is empty soon"),
        ("cleared", "feeder-travel is empty soon"),
    ]
    left = iter(told)
    missing = [one for one in story if one not in left]
    assert not missing, told


def test_a_crossing_that_holds_is_one_message(diary: list[Told]) -> None:
    for message in diary:
        opened = {one["kind"] for one in message.alerts if one["why"] in ("opened", "worse", "reopened")}
        assert not {"hold", "line"} <= opened, message


def test_what_opened_is_over_before_it_opens_again(diary: list[Told]) -> None:
    lasting: set[str] = set()
    for message in diary:
        for one in message.alerts:
            if one["why"] in ("opened", "reopened"):
                assert one["id"] not in lasting, message
                lasting.add(one["id"])
            if one["why"] == "cleared":
                lasting.discard(one["id"])


def test_nothing_that_can_wait_is_said_in_quiet_hours(diary: list[Told]) -> None:
    for message in diary:
        local = from_ms(message.at_ms, month.ZONE).time()
        if not time(7) <= local < time(22):
            assert any(one["urgent"] and one["why"] != "cleared" for one in message.alerts), message


def test_every_message_says_since_when_and_what_to_do_or_that_it_is_over(diary: list[Told]) -> None:
    assert len(diary) <= 30  # in five eventful weeks
    for message in diary:
        for one in message.alerts:
            assert "ince " in one["text"] or one["kind"] in ("due", "feeder"), one
            assert len(one["text"]) > 60, one
        assert "Travel shelf" in message.title


def test_the_chloramine_of_the_water_that_went_in_is_named_as_the_likely_cause(diary: list[Told]) -> None:
    assert any("chloramine" in message.text and "likely cause" in message.text for message in diary)


def test_while_the_keeper_is_away_somebody_else_is_told(diary: list[Told]) -> None:
    by_person = {message.to for message in diary}
    assert by_person == {month.KEEPER, month.NEIGHBOUR}
