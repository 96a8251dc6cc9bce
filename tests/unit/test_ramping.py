"""A ramp in the books: every decision is an entry with its reasons, the ration moves as a person's does, people rule.

What is known of the load is this test's own: an oracle that is told the limit. The rest is the real service.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from typing import Any

import pytest
from house import DAY_MS, FEEDER, HOUR_MS, MINUTE_MS, TANK, House

from present import present
from tareline.app.answers.ramp import RampAnswer, RampEntered
from tareline.app.commands.ramp import Proposal, Ramps, RampSources
from tareline.app.snapshot import TankSnapshot
from tareline.core.safety.ramp import LoadKnowledge
from tareline.errors import FieldError

SET = {"start_g": 0.05, "step_g": 0.01, "ceiling_g": 0.2, "dwell_days": 14}


@dataclass
class Oracle:
    """Knows the limit; what it says of it is the test's to change."""

    limit_g: float = 0.1
    told: LoadKnowledge | None = field(
        default_factory=lambda: LoadKnowledge(True, None, False, 0.07, 0.1, None, 0.05, 0.95, {})
    )
    rising: tuple[str, ...] | None = ()
    findings: int = 0

    def knowledge(self, tank: str, rations: Sequence[float]) -> LoadKnowledge | None:
        p_under = {g: 0.99 if g < self.limit_g else 0.2 for g in rations}
        return None if self.told is None else replace(self.told, p_under=p_under)


@pytest.fixture
def house(house: House) -> House:
    house.ration(0.05, 0.1, [("08:00", 0.5), ("18:00", 0.5)])
    return house


@pytest.fixture
def oracle(house: House) -> Oracle:
    made = Oracle()
    service = house.service
    evidence = RampSources(made.knowledge, lambda tank: made.rising, lambda tank: made.findings)
    service.ramps = Ramps(service.context, service.transactions, service.samples, evidence)
    return made


def put(house: House, **other: Any) -> RampEntered:
    return house.service.ramps.put(TANK, {**SET, **other})


def decide(house: House, decision: str, **other: Any) -> RampEntered:
    return house.service.ramps.decide(TANK, {"decision": decision, **other})


def measure(house: House, nitrate: float = 5.0) -> None:
    """Ammonia and nitrite at a chart's lowest step, and some nitrate."""
    for analyte in ("ammonia", "nitrite"):
        house.reading(analyte, 0.0, below=None, above=0.25)
    house.reading("nitrate", nitrate)


def live(house: House, days: int) -> None:
    """Days on which everything is measured at noon and the ramp looks once."""
    for _ in range(days):
        house.clock.advance(DAY_MS)
        measure(house)
        house.service.ramps.step(TANK)


def view(house: House) -> RampAnswer:
    return house.service.ramps.view(TANK)


def states(house: House) -> list[str]:
    return [e.state for e in house.ledger("ramp") if "state" in e.own]


def rations(house: House) -> list[float]:
    return [e.daily_g for e in house.ledger("ration")]


# -- setting -----------------------------------------------------------------------------------------------------------


def test_a_ramp_is_set_and_says_what_it_waits_for(house: House, oracle: Oracle) -> None:
    made = put(house)
    assert made.state == "waits for the water"
    assert (made.fraction, made.consent) == (pytest.approx(1 / 3), "ask")
    assert any("0.05 g a day is held for 14 days" in one for one in made.waits_for)
    assert any("a reading of nitrate from" in one for one in made.waits_for)
    assert states(house) == ["waits for the water"]
    assert rations(house)[-1] == 0.05


def test_a_start_below_the_ration_holds_at_once_and_keeps_the_meals(house: House, oracle: Oracle) -> None:
    put(house, start_g=0.03)
    last = house.standing("ration")[-1]
    assert (last.daily_g, last.cap_g) == (0.03, 0.06)
    assert [(m["at"], m["share"]) for m in last.meals] == [("08:00", 0.5), ("18:00", 0.5)]
    assert house.last("plan")["days"][1]["cap_g"] == 0.06  # type: ignore[index]


@pytest.mark.parametrize(
    ("body", "field", "status"),
    [
        ({"step_g": 0}, "step_g", 422),
        ({"ceiling_g": 0.04}, "ceiling_g", 422),
        ({"dwell_days": 3}, "dwell_days", 422),
        ({"fraction": 1.1}, "fraction", 422),
        ({"consent": "never"}, "consent", 422),
        ({"colour": 1}, "colour", 422),
        ({"start_g": 0.08}, "confirm", 409),  # over 1.5 times the ration in force
    ],
)
def test_a_ramp_that_makes_no_sense_is_refused(
    house: House, oracle: Oracle, body: dict[str, Any], field: str, status: int
) -> None:
    with pytest.raises(FieldError) as refused:
        put(house, **body)
    assert (refused.value.field, refused.value.status) == (field, status)
    assert house.ledger("ramp") == []


def test_a_tank_without_a_ration_has_no_ramp(house: House, oracle: Oracle) -> None:
    house.add("tank", id="other", name="other", volume_l=20, timezone="UTC")
    with pytest.raises(FieldError, match="expected a ration") as refused:
        house.service.ramps.put("other", SET)
    assert refused.value.status == 409
    with pytest.raises(FieldError, match="no ramp has been set") as missing:
        house.service.ramps.view("other")
    assert missing.value.status == 404
    assert house.service.ramps.step("other") is None


def test_settings_change_on_the_way_and_the_road_goes_on(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 15)
    assert rations(house)[-1] == 0.06
    made = put(house, consent="ask", ceiling_g=0.3)
    assert rations(house)[-1] == 0.06
    assert [e.what for e in made.road].count("set") == 2
    with pytest.raises(FieldError, match="at least the present ration"):
        put(house, ceiling_g=0.055)


def test_another_start_begins_anew(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 15)
    made = put(house, start_g=0.04)
    assert rations(house)[-1] == 0.04
    assert [e.what for e in made.road] == ["set", "decision"]


# -- the road ----------------------------------------------------------------------------------------------------------


def test_with_auto_it_goes_up_and_ends_under_the_limit(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 130)
    # Halved near the limit of 0.1 g: 0.09, then 0.095, 0.0975, 0.09875, and then nothing is small enough.
    steps = [0.05, 0.06, 0.07, 0.08, 0.09, 0.095, 0.0975, 0.09875]
    assert [g for g in rations(house) if g < 1.0] == steps
    assert view(house).state == "waits for the water"
    assert any("97.5 % is needed" in one for one in view(house).waits_for)


def test_more_is_fed_from_the_next_midnight(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 14)
    assert view(house).ration_g_per_day == 0.06
    today = house.service.books.days(TANK, *(2 * [_today(house)]))[0]
    assert today.budget_g == 0.05
    assert present(view(house).ration_since).endswith("T00:00:00.000+00:00")


def _today(house: House) -> date:
    return datetime.fromtimestamp(house.clock.now_ms() / 1000, UTC).date()


def test_every_step_is_an_entry_with_its_reasons_and_what_was_known(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 15)
    step = next(e for e in house.ledger("ramp") if e.own.get("state") == "steps up")
    assert step.daily_g == 0.06
    assert len(step.reasons) == 3
    assert step.knowledge["p_under"]["0.06"] == 0.99
    ration = house.service.ledger.entry(step.ration)
    assert (ration.daily_g, ration.cap_g) == (0.06, 0.12)


def test_waiting_is_entered_once_however_often_it_looks(house: House, oracle: Oracle) -> None:
    put(house)
    for _ in range(5):
        house.clock.advance(HOUR_MS)
        house.service.ramps.step(TANK)
    assert states(house) == ["waits for the water"]


def test_a_change_of_meals_is_no_change_of_the_dwell(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 10)
    house.ration(0.05, 0.1, [("07:00", 0.25), ("19:00", 0.75)])
    live(house, 5)
    last = house.standing("ration")[-1]
    assert last.daily_g == 0.06
    assert [m["share"] for m in last.meals] == [0.25, 0.75]


def test_days_under_a_hold_do_not_count(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 5)
    house.service.hold(TANK, {"reason": "medication"})
    live(house, 5)
    assert "the end of the hold: feeding is paused or reduced" in view(house).waits_for
    house.service.release(TANK, {"note": "done"})
    live(house, 8)
    assert rations(house)[-1] == 0.05
    live(house, 2)
    assert rations(house)[-1] == 0.06


def test_a_line_crossed_steps_back_at_once(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 15)
    house.reading("ammonia", 2.5)
    house.service.ramps.step(TANK)
    assert rations(house)[-1] == 0.05
    back = house.ledger("ramp")[-1]
    assert (back.state, back.daily_g) == ("steps back", 0.05)
    assert "total ammonia counts as 2.5" in back.reasons[0]
    for _ in range(3):
        house.clock.advance(DAY_MS)
        house.reading("ammonia", 2.5)
        house.service.ramps.step(TANK)
    assert rations(house)[-1] == 0.05


@pytest.mark.parametrize(
    ("analyte", "value", "waits"),
    [("ammonia", 0.25, False), ("ammonia", 0.3, True), ("nitrite", 0.1, False), ("nitrite", 0.15, True)],
)
def test_more_than_a_trace_of_ammonia_or_nitrite_waits(
    house: House, oracle: Oracle, analyte: str, value: float, waits: bool
) -> None:
    """A trace: the lowest steps of usual charts (common practice, no source)."""
    put(house, consent="auto")
    live(house, 12)
    for _ in range(5):
        house.clock.advance(DAY_MS)
        measure(house)
        house.reading(analyte, value, below=0.0, above=0.4)
        house.service.ramps.step(TANK)
    assert (rations(house)[-1] == 0.05) is waits
    assert any(one.startswith(f"{analyte} to disappear") for one in view(house).waits_for) is waits


def test_without_readings_it_goes_back_to_what_is_proven(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 15)
    for _ in range(15):
        house.clock.advance(DAY_MS)
        house.service.ramps.step(TANK)
    assert rations(house)[-1] == 0.05
    assert "nitrate was not measured for 15 days" in house.ledger("ramp")[-1].reasons[0]


@pytest.mark.parametrize("change", [{"rising": None}, {"findings": 2}, {"told": None}])
def test_what_is_not_known_or_decided_holds_the_step(house: House, oracle: Oracle, change: dict[str, Any]) -> None:
    put(house, consent="auto")
    for name, value in change.items():
        setattr(oracle, name, value)
    live(house, 20)
    assert rations(house)[-1] == 0.05


def test_while_its_people_are_away_no_step_is_made(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    absence = {"start": "2025-06-15", "end": "2025-07-31", "daily_g": 0.05}
    house.service.feeding.put_absence(TANK, absence)
    live(house, 20)
    assert rations(house)[-1] == 0.05
    assert any("away" in one or "absence" in one for one in view(house).waits_for)


def test_a_found_limit_ends_the_ramp_and_keeps_a_third(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 15)
    oracle.told = LoadKnowledge(True, None, True, 0.09, 0.1, 0.11, 0.06, 0.95, {})
    live(house, 15)
    shown = view(house)
    assert (shown.state, shown.ended, shown.keep_g_per_day) == ("limit found", True, 0.03)
    assert rations(house)[-1] == 0.03
    oracle.told = None
    live(house, 20)
    assert view(house) == shown
    assert states(house)[-1] == "limit found"


def test_it_survives_a_restart(house: House, oracle: Oracle) -> None:
    put(house)
    live(house, 15)
    before = view(house)
    house.restart()
    service = house.service
    evidence = RampSources(oracle.knowledge, lambda tank: (), lambda tank: 0)
    service.ramps = Ramps(service.context, service.transactions, service.samples, evidence)
    assert view(house) == before
    assert before.state == "ready for a step"


def test_a_service_that_is_told_nothing_never_steps(house: House) -> None:
    put(house, consent="auto")
    live(house, 20)
    assert rations(house)[-1] == 0.05
    assert "the load of this tank to be calculated" in view(house).waits_for


# -- people ------------------------------------------------------------------------------------------------------------


def test_a_step_is_asked_and_taken_when_it_is_accepted(house: House, oracle: Oracle) -> None:
    put(house)
    live(house, 20)
    asked = view(house)
    assert (asked.state, asked.next_g_per_day) == ("ready for a step", 0.06)
    assert rations(house)[-1] == 0.05
    assert states(house) == ["waits for the water", "ready for a step"]
    made = decide(house, "accept", by="the keeper", note="looks well")
    assert made.ration_g_per_day == 0.06
    step = next(e for e in house.ledger("ramp") if e.own.get("state") == "steps up")
    assert step.by == "the keeper"
    assert step.reasons[-2:] == ["a person has accepted it", "looks well"]
    assert made.entry == step.entry


def test_there_must_be_a_question_to_accept(house: House, oracle: Oracle) -> None:
    put(house)
    with pytest.raises(FieldError, match="nothing is asked") as refused:
        decide(house, "accept")
    assert refused.value.status == 409


def test_a_step_that_is_no_longer_right_cannot_be_accepted(house: House, oracle: Oracle) -> None:
    put(house)
    live(house, 15)
    oracle.rising = ("nitrite",)
    with pytest.raises(FieldError, match="nitrite to stop rising") as refused:
        decide(house, "accept")
    assert refused.value.status == 409
    assert rations(house)[-1] == 0.05


def test_a_veto_holds_for_one_dwell(house: House, oracle: Oracle) -> None:
    put(house)
    live(house, 15)
    made = decide(house, "veto", note="away next week")
    assert made.state == "waits for the water"
    assert any("a person has vetoed" in one for one in made.waits_for)
    live(house, 13)
    assert view(house).state == "waits for the water"
    live(house, 1)
    assert view(house).state == "ready for a step"


@pytest.mark.parametrize("looks", [0, 2])
def test_a_veto_takes_back_a_step_that_is_not_in_force_yet(house: House, oracle: Oracle, looks: int) -> None:
    """However often the ramp has looked since, and entered what it waits for next."""
    put(house, consent="auto")
    live(house, 14)
    assert rations(house)[-1] == 0.06
    house.clock.advance(HOUR_MS)
    for _ in range(looks):
        house.service.ramps.step(TANK)
    decide(house, "veto")
    assert rations(house)[-1] == 0.05
    live(house, 5)
    decide(house, "veto")
    assert rations(house)[-1] == 0.05


def test_a_person_stops_it_and_the_ration_stays(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    live(house, 15)
    made = decide(house, "stop", note="fish sold")
    assert (made.state, made.ended) == ("stopped", True)
    assert made.reasons == ["a person stopped it: fish sold"]
    live(house, 20)
    assert rations(house)[-1] == 0.06
    with pytest.raises(FieldError, match="has ended") as refused:
        decide(house, "veto")
    assert refused.value.status == 409


def test_the_same_decision_sent_twice_is_one(house: House, oracle: Oracle) -> None:
    put(house)
    live(house, 15)
    one = decide(house, "accept", client_ref="a")
    two = decide(house, "accept", client_ref="a")
    assert one.entry == two.entry
    assert states(house).count("steps up") == 1


def test_a_decision_is_one_of_three_words(house: House, oracle: Oracle) -> None:
    put(house)
    with pytest.raises(FieldError, match='expected "accept", "veto" or "stop"'):
        house.service.ramps.decide(TANK, {"accept": True, "stop": True})
    assert house.service.ramps.decide(TANK, {"stop": True}).state == "stopped"


def test_entries_of_a_ramp_are_not_corrected_by_hand(house: House, oracle: Oracle) -> None:
    put(house)
    entry = house.ledger("ramp")[0].entry
    with pytest.raises(FieldError, match="not corrected by hand"):
        house.service.entries.correct(entry, {"void": True})


def test_a_keepers_own_ration_over_the_ceiling_is_left_alone(house: House, oracle: Oracle) -> None:
    put(house, consent="auto", ceiling_g=0.06)
    house.ration(0.07, 0.14, [("08:00", 1.0)])
    live(house, 30)
    assert rations(house)[-1] == 0.07
    assert any("ceiling of 0.06" in one for one in view(house).waits_for)


def test_the_feeder_gets_the_new_plan(house: House, oracle: Oracle) -> None:
    put(house, consent="auto")
    before = house.last("plan", FEEDER)
    live(house, 16)
    after = house.last("plan", FEEDER)
    assert before is not None
    assert after is not None
    assert after["version"] > before["version"]
    assert {m["target_g"] for m in after["meals"]} == {0.03}


def test_a_look_at_which_the_ramp_enters_nothing_reads_the_tank_once(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the clock is behind, a ramp that has been set waits with its first decision."""
    house.clock.set(house.clock.now_ms() - DAY_MS)
    put(house)
    house.service.watch()
    house.clock.advance(2 * MINUTE_MS)  # an answer of the load is waited for no longer
    ramps = house.service.ramps
    looked: list[str] = []
    proposed = ramps.proposed

    def count(tank: TankSnapshot) -> Proposal | None:
        looked.append(tank.id)
        return proposed(tank)

    monkeypatch.setattr(ramps, "proposed", count)
    house.service.watch()
    assert looked == [TANK, TANK], "once to see, and once in the transaction that might enter it"
    assert states(house) == []
    house.clock.set(house.clock.now_ms() + DAY_MS)
    house.service.watch()
    assert len(states(house)) == 1
