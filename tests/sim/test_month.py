"""A keeper's month in fast motion, by what was told of it: every event once, in order, and nothing for nothing.

The events are those of `simulate/month.py`; what is told of them, when, and how often is the project's own judgement.
"""

import re

import pytest

from tareline.core.calendar import from_ms
from tareline.simulate import month
from tareline.simulate.month import KEEPER, NEIGHBOUR, QUIET, ZONE, Told


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> list[Told]:
    return month.play(tmp_path_factory.mktemp("month"))


def about(one: Told) -> list[tuple[str, str]]:
    return [(alert["kind"], alert["why"]) for alert in one.alerts]


def at(one: Told) -> str:
    return f"{from_ms(one.at_ms, ZONE):%d %b %H:%M}"


def test_the_month_reads_in_order_from_the_alerts_alone(told: list[Told]) -> None:
    """A rise, a line, a reduction, a hold, a release, silence, a jam, a refill, and somebody else during an absence."""
    assert [(at(one), one.to, about(one)) for one in told] == [
        ("12 May 10:00", KEEPER, [("rising", "opened")]),
        ("14 May 10:00", KEEPER, [("line", "opened")]),
        ("15 May 10:00", KEEPER, [("hold", "opened")]),
        ("16 May 10:00", KEEPER, [("hold", "opened")]),
        ("17 May 10:10", KEEPER, [("line", "opened"), ("hold", "cleared")]),
        ("18 May 10:30", KEEPER, [("line", "cleared")]),
        ("19 May 16:00", KEEPER, [("rising", "cleared")]),
        ("20 May 23:21", KEEPER, [("device", "opened")]),
        ("21 May 00:30", KEEPER, [("device", "unseen")]),
        ("21 May 06:30", KEEPER, [("device", "unseen")]),
        ("21 May 07:30", KEEPER, [("device", "cleared")]),
        ("23 May 18:00", KEEPER, [("feeder", "opened")]),
        ("24 May 18:30", KEEPER, [("feeder", "cleared")]),
        ("27 May 08:00", KEEPER, [("feeder", "opened")]),
        ("28 May 08:00", KEEPER, [("feeder", "unseen")]),
        ("28 May 16:30", KEEPER, [("feeder", "cleared")]),
        ("02 Jun 13:11", NEIGHBOUR, [("device", "opened"), ("device", "opened")]),
        ("02 Jun 14:30", NEIGHBOUR, [("device", "unseen"), ("device", "unseen")]),
        ("02 Jun 16:00", NEIGHBOUR, [("device", "cleared"), ("device", "cleared")]),
    ]


def test_what_is_told_says_where_when_how_sure_what_was_done_and_what_to_do(told: list[Told]) -> None:
    rise, line, reduced, held, over = told[:5]
    assert "reaches 40 mg/L as ion between" in rise.text, "the ceiling as the keeper states it"
    assert "random variation alone would look like this in" in rise.text
    assert "Since Thu 14 May, 10:00: total ammonia counts as 0.6 mg/L as N, at or above the line at 0.5." in line.text
    assert (
        "According to this kit it lies between 0.2 and 0.8 mg/L as N. Tareline has not changed the feeding."
        in line.text
    )
    assert "Tareline has reduced each meal to 50%." in reduced.text
    assert "restores the ration automatically" in reduced.text
    assert "Tareline has paused feeding; feeder-travel was told just now and has not confirmed it yet." in held.text
    assert "a reading newer than the hold with total ammonia below 2 mg/L as N; none has been taken since" in held.text
    assert (
        "water with chloramine was added 23 h before; a test shows its ammonia, which is the likely cause" in over.text
    )
    assert "feeding is no longer held\nIt lasted 24 hours, from Sat 16 May, 10:00 until Sun 17 May, 10:10." in over.text


@pytest.mark.parametrize(
    "slip", [r"\.\.", "  ", r"\b1 (days|hours|doses|meals)\b", "None", r"\de[+-]\d", r" ,", "has have"]
)
def test_no_text_slips(told: list[Told], slip: str) -> None:
    assert [one.text for one in told if re.search(slip, one.text)] == []


def test_every_text_says_where_and_what_it_does(told: list[Told]) -> None:
    for one in told:
        assert one.text.startswith("Travel shelf: ")
        for alert in one.alerts:
            if alert["why"] not in ("cleared",) and alert["kind"] != "device":
                assert "Tareline" in alert["text"]


def test_at_night_only_silence_is_told(told: list[Told]) -> None:
    """Of a device's silence quiet hours hold back nothing; of its return they do."""
    start, end = QUIET.split("-")
    at_night = [one for one in told if not end <= f"{from_ms(one.at_ms, ZONE):%H:%M}" < start]
    assert [about(one) for one in at_night] == [[("device", "opened")], [("device", "unseen")], [("device", "unseen")]]
