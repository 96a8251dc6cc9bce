"""The ramp decides: up by small steps when nothing speaks against it, back when the water says so, never over.

Rules as the project states them; where a figure is the keepers' custom it is marked.
"""

from dataclasses import replace
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tareline.core.safety.ramp import (
    APART_MS,
    DOUBTFUL,
    ENDED,
    SURE,
    UNMEASURED_MS,
    Decision,
    LoadKnowledge,
    NewestReading,
    Ramp,
    TankState,
    candidates,
    decide,
    rations_to_judge,
)
from tareline.core.units import DAY_MS
from tareline.core.water.freshness import RAMP_FRESH_MS

NOON_MS = 1_749_988_800_000  # 2025-06-15T12:00:00Z
# A tank of about 20 l: steps of 0.01 to 0.02 g a month (common practice, no source).
RAMP = Ramp(0.05, 0.02, 0.30, 28, 1 / 3, "auto", 1, NOON_MS - 100 * DAY_MS)
PRESENT_G = 0.09


def ago(days: float) -> int:
    return NOON_MS - int(days * DAY_MS)


def knows(p: float | dict[float, float] = 0.99, **other: Any) -> LoadKnowledge:
    """An open limit, everything proven, and these probabilities of staying under it."""
    p_under = p if isinstance(p, dict) else dict.fromkeys(rations_to_judge(RAMP, PRESENT_G), p)
    told: dict[str, Any] = {"fresh": True, "refuses": None, "found": False, "p5": 0.15, "p50": 0.3, "p95": None}
    return LoadKnowledge(**{**told, "proven_g": PRESENT_G, "in_balance": 0.95, "p_under": p_under, **other})


def clear(days: float = 1) -> dict[str, NewestReading]:
    return {name: NewestReading(ago(days), name != "nitrate") for name in ("ammonia", "nitrite", "nitrate")}


def stands(**other: Any) -> TankState:
    """The present ration fed for 30 days, everything measured yesterday, and nothing wrong."""
    return TankState(**{"ration_g": PRESENT_G, "ration_since_ms": ago(30), "zone": "UTC", "readings": clear(), **other})


def says(knowledge: LoadKnowledge | None = None, ramp: Ramp = RAMP, **other: Any) -> Decision:
    return decide(ramp, knowledge if knowledge is not None else knows(), stands(**other), NOON_MS)


# -- up ----------------------------------------------------------------------------------------------------------------


def test_it_steps_up_when_nothing_speaks_against_it() -> None:
    decision = says()
    assert (decision.state, decision.daily_g) == ("steps up", 0.11)
    assert any("0.09 g a day was held for 30 days" in reason for reason in decision.reasons)
    assert any("0.11 g a day stays under the limit with a probability of 99 %" in r for r in decision.reasons)


def test_with_consent_asked_it_is_ready_and_changes_nothing() -> None:
    decision = says(ramp=replace(RAMP, consent="ask"))
    assert (decision.state, decision.daily_g, decision.next_g) == ("ready for a step", None, 0.11)
    assert decision.reasons
    assert decision.waits_for == ("a person's consent",)


def test_an_accepted_step_is_taken() -> None:
    decision = says(ramp=replace(RAMP, consent="ask"), accepted_g=0.11)
    assert (decision.state, decision.daily_g) == ("steps up", 0.11)


def test_an_accepted_step_is_never_taken_larger_than_it_was_asked() -> None:
    assert says(ramp=replace(RAMP, consent="ask"), accepted_g=0.1).daily_g == 0.1


def test_an_accepted_step_is_not_taken_where_it_is_no_longer_sure() -> None:
    p = {0.09: 0.99, 0.11: 0.9, 0.1: 0.98, 0.095: 0.99, 0.0925: 0.99}
    assert says(knows(p), replace(RAMP, consent="ask"), accepted_g=0.11).daily_g == 0.1


def test_steps_are_halved_near_the_limit_down_to_a_tenth() -> None:
    assert candidates(RAMP, PRESENT_G) == (0.11, 0.1, 0.095, 0.0925)
    p = {0.09: 0.999, 0.11: 0.90, 0.1: 0.96, 0.095: 0.98, 0.0925: 0.99}
    assert says(knows(p)).daily_g == 0.095
    p = {0.09: 0.999, 0.11: 0.90, 0.1: 0.96, 0.095: 0.97, 0.0925: 0.974}
    decision = says(knows(p))
    assert (decision.state, decision.daily_g) == ("waits for the water", None)
    assert any("even 0.0925 g a day" in one and "97.4 %; 97.5 % is needed" in one for one in decision.waits_for)


def test_no_step_is_over_half_of_the_present_ration() -> None:
    """Over 1.5 times the last ration needs a person's confirmation (contract)."""
    assert candidates(RAMP, 0.02) == (0.03, 0.025, 0.0225)


def test_from_a_ration_of_nothing_no_step_leads_up_and_it_says_so() -> None:
    decision = says(knows(dict.fromkeys(rations_to_judge(RAMP, 0.0), 0.99)), ration_g=0.0)
    assert decision.daily_g is None
    assert any("from 0 g a day no step is possible" in one for one in decision.waits_for)


def test_the_last_step_ends_at_the_ceiling() -> None:
    ramp = replace(RAMP, ceiling_g=0.1)
    assert candidates(ramp, PRESENT_G) == (0.1, 0.095, 0.0925)
    assert candidates(ramp, 0.1) == ()
    p = dict.fromkeys(rations_to_judge(ramp, PRESENT_G), 0.99)
    assert says(knows(p), ramp).daily_g == 0.1
    decision = says(knows({0.1: 0.99}), ramp, ration_g=0.1)
    assert decision.daily_g is None
    assert any("ceiling of 0.1 g a day" in one for one in decision.waits_for)


def test_the_figures_are_those_that_the_keeper_is_told() -> None:
    """97.5 % for the next ration, 75 % for the present one, readings of ten days at most, to proven after fourteen."""
    assert (SURE, DOUBTFUL) == (0.975, 0.75)
    assert (RAMP_FRESH_MS, UNMEASURED_MS, APART_MS) == (10 * DAY_MS, 14 * DAY_MS, 7 * DAY_MS)
    assert says(knows(0.9749)).state == "waits for the water"
    assert says(knows(0.975)).state == "steps up"


# -- what a step waits for ---------------------------------------------------------------------------------------------


def test_it_waits_out_the_dwell_and_says_until_when() -> None:
    decision = says(ration_since_ms=ago(20))
    assert (decision.state, decision.daily_g) == ("waits for the water", None)
    assert decision.waits_for == ("2025-06-23: 0.09 g a day is held for 28 days of feeding first",)
    assert says(ration_since_ms=ago(28)).state == "steps up"
    assert says(ration_since_ms=ago(28) + 1).state == "waits for the water"


def test_days_under_a_hold_are_no_dwell() -> None:
    assert says(unfed_ms=3 * DAY_MS).state == "waits for the water"
    assert says(unfed_ms=2 * DAY_MS).state == "steps up"


@pytest.mark.parametrize("analyte", ["ammonia", "nitrite", "nitrate"])
def test_it_waits_for_fresh_readings_of_each(analyte: str) -> None:
    old = {**clear(), analyte: NewestReading(NOON_MS - RAMP_FRESH_MS - 1, True)}
    decision = says(readings=old)
    assert (decision.state, decision.daily_g) == ("waits for readings", None)
    assert decision.waits_for == (f"a fresh reading of {analyte}; the newest is of 2025-06-05",)
    assert says(readings={**clear(), analyte: NewestReading(NOON_MS - RAMP_FRESH_MS, True)}).state == "steps up"
    missing = {name: one for name, one in clear().items() if name != analyte}
    assert f"a reading of {analyte} from 2025-05-30 or later; there is none" in says(readings=missing).waits_for


def test_a_reading_from_the_first_half_of_the_dwell_shows_nothing_yet() -> None:
    """The water has to have had time to answer the step."""
    ramp = replace(RAMP, dwell_days=16)
    assert says(ramp=ramp, ration_since_ms=ago(17), readings=clear(9.5)).state == "waits for readings"
    assert says(ramp=ramp, ration_since_ms=ago(17), readings=clear(8.5)).state == "steps up"


@pytest.mark.parametrize("analyte", ["ammonia", "nitrite"])
def test_it_waits_until_ammonia_and_nitrite_are_gone(analyte: str) -> None:
    decision = says(readings={**clear(), analyte: NewestReading(ago(1), False)})
    assert (decision.state, decision.daily_g) == ("waits for the water", None)
    assert decision.waits_for == (f"{analyte} to disappear: the reading of 2025-06-14 shows more than a trace",)


@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({"held": True}, "the end of the hold"),
        ({"away": True}, "the end of the absence"),
        ({"open_findings": 1}, "a decision on 1 finding in the books"),
        ({"open_findings": 2}, "a decision on 2 findings in the books"),
        ({"rising": ("ammonia",)}, "ammonia to stop rising"),
        ({"rising": None}, "the trends of the water to be calculated"),
        ({"vetoed_until_ms": NOON_MS + 1}, "a person has vetoed the step"),
    ],
)
def test_it_waits_for_everything_else(other: dict[str, Any], words: str) -> None:
    decision = says(**other)
    assert decision.state in ("waits for the water", "waits for readings")
    assert decision.daily_g is None
    assert [one for one in decision.waits_for if words in one]


def test_a_veto_runs_out() -> None:
    assert says(vetoed_until_ms=NOON_MS).state == "steps up"


def test_it_waits_where_nothing_is_known_or_the_model_refuses_or_is_old() -> None:
    assert decide(RAMP, None, stands(), NOON_MS).waits_for == ("the load of this tank to be calculated",)
    refused = says(knows(refuses="the model does not explain the readings"))
    assert refused.waits_for == ("readings that the model can explain: the model does not explain the readings",)
    old = says(knows(fresh=False))
    assert (old.state, old.daily_g) == ("waits for readings", None)


# -- back --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "other",
    [{"crossed": ("total ammonia counts as 0.6",)}, {"rising": ("nitrate",)}, {"held": True, "crossed": ("x",)}],
)
def test_it_steps_back_at_once_and_unasked_when_the_water_says_so(other: dict[str, Any]) -> None:
    decision = says(ramp=replace(RAMP, consent="ask"), ration_since_ms=ago(1), **other)
    assert (decision.state, decision.daily_g) == ("steps back", 0.07)
    assert decision.reasons


def test_it_steps_back_where_the_present_ration_may_well_be_over_the_limit() -> None:
    assert says(knows({**knows().p_under, PRESENT_G: 0.74})).daily_g == 0.07
    assert says(knows({**knows().p_under, PRESENT_G: 0.75})).state != "steps back"


def test_an_old_posterior_takes_nothing_back() -> None:
    assert says(knows({**knows().p_under, PRESENT_G: 0.1}, fresh=False)).state == "waits for readings"


def test_one_occasion_is_one_step_back() -> None:
    """The same reading, or one within a week, does not take back a second step."""
    crossed = ("total ammonia counts as 0.6",)
    assert says(crossed=crossed, back_ms=ago(0.5)).daily_g is None  # not measured since
    assert says(crossed=crossed, back_ms=ago(2)).daily_g is None  # measured since, but only two days ago
    back_ms = NOON_MS - APART_MS
    assert says(crossed=crossed, back_ms=back_ms).daily_g == 0.07
    assert says(crossed=crossed, back_ms=back_ms, readings=clear(8)).daily_g is None


def test_a_persons_hold_takes_nothing_back() -> None:
    """Medication is not the water's word on the ration."""
    assert says(held=True).state == "waits for the water"


def test_steps_back_end_at_one_step_as_animals_have_to_eat() -> None:
    assert says(knows({0.03: 0.1}), ration_g=0.03).daily_g == 0.02
    assert says(knows(dict.fromkeys(rations_to_judge(RAMP, 0.02), 0.1)), ration_g=0.02).daily_g is None


def test_unmeasured_for_two_weeks_it_goes_back_to_what_is_proven() -> None:
    old = {**clear(), "nitrate": NewestReading(NOON_MS - UNMEASURED_MS - 1, False)}
    decision = says(knows(proven_g=0.07), readings=old)
    assert (decision.state, decision.daily_g) == ("steps back", 0.07)
    assert (
        "nitrate was not measured for 14 days: the ration returns to what is proven, 0.07 g a day"
        in decision.reasons[0]
    )
    young = {**clear(), "nitrate": NewestReading(NOON_MS - UNMEASURED_MS, False)}
    assert says(knows(proven_g=0.07), readings=young).state == "waits for readings"
    # Weighed rations within a tenth are one.
    assert says(knows(proven_g=0.083), readings=old).state == "waits for readings"


def test_unmeasured_and_unproven_it_goes_back_to_the_start() -> None:
    assert decide(RAMP, None, stands(readings={}), NOON_MS).daily_g == 0.05
    young = replace(RAMP, set_ms=ago(13))
    assert decide(young, None, stands(readings={}), NOON_MS).state == "waits for readings"


# -- found -------------------------------------------------------------------------------------------------------------

FOUND = {"found": True, "p5": 0.12, "p50": 0.15, "p95": 0.18}


def test_it_ends_when_the_limit_is_found_and_goes_to_the_ration_to_keep() -> None:
    """A third of the limit is a comfortable ration (common practice, no source)."""
    decision = says(knows(**FOUND))
    assert (decision.state, decision.daily_g, decision.keep_g) == ("limit found", 0.04, 0.04)
    assert "the limit is 0.15 g a day (0.12 to 0.18 g with a probability of 90 %)" in decision.reasons


def test_the_ration_to_keep_is_never_above_what_is_proven() -> None:
    assert says(knows(**{**FOUND, "proven_g": 0.03})).keep_g == 0.03


def test_a_ration_under_the_one_to_keep_is_left_to_the_keeper() -> None:
    p = dict.fromkeys(rations_to_judge(RAMP, 0.03), 0.99)
    decision = says(knows(p, **{**FOUND, "proven_g": 0.09}), ration_g=0.03)
    assert (decision.state, decision.daily_g, decision.keep_g) == ("limit found", None, 0.04)


def test_a_limit_found_but_wide_is_narrowed_while_steps_are_sure() -> None:
    wide = {**FOUND, "p95": 0.3}
    assert says(knows(**wide)).state == "steps up"
    assert says(knows(0.9, **wide)).state == "waits for the water"
    assert says(knows(0.9, **wide), ration_since_ms=ago(125)).state == "waits for the water"
    assert says(knows(**wide), ration_since_ms=ago(126)).state == "steps up"
    decision = says(knows(0.9, **wide), ration_since_ms=ago(126))
    assert decision.state == "limit found"
    assert "for 126 days no step was certain enough to stay under it" in decision.reasons


def test_an_old_posterior_finds_nothing() -> None:
    assert says(knows(**FOUND, fresh=False)).state == "waits for readings"


@pytest.mark.parametrize("other", [{"held": True}, {"ration_since_ms": ago(3)}, {"rising": ("nitrite",)}])
def test_nothing_is_found_while_the_water_is_unsettled(other: dict[str, Any]) -> None:
    assert says(knows(**FOUND), **other).state not in ENDED


# -- whatever happens --------------------------------------------------------------------------------------------------

GRAMS = st.floats(0.005, 1.0).map(lambda g: round(g, 4))
SHARE = st.floats(0, 1)
MOMENT = st.floats(0, 60).map(ago)
FLAWS: dict[str, st.SearchStrategy[Any]] = {
    "ration_since_ms": MOMENT,
    "unfed_ms": st.just(3 * DAY_MS),
    "held": st.just(True),
    "away": st.just(True),
    "open_findings": st.just(1),
    "crossed": st.just(("a line",)),
    "rising": st.sampled_from([None, ("nitrate",), ("nitrite",)]),
    "vetoed_until_ms": st.just(NOON_MS + 1),
    "back_ms": MOMENT,
    "readings": st.dictionaries(
        st.sampled_from(["ammonia", "nitrite", "nitrate"]), st.builds(NewestReading, MOMENT, st.booleans()), min_size=2
    ),
}
IN_DOUBT: dict[str, st.SearchStrategy[Any]] = {
    "fresh": st.just(False),
    "refuses": st.just("bad"),
    "found": st.just(True),
    "p95": GRAMS,
    "proven_g": st.one_of(st.none(), GRAMS),
    "p_under": SHARE,
}


@st.composite
def worlds(draw: st.DrawFn, most_flaws: int = 2) -> tuple[Ramp, LoadKnowledge | None, TankState]:
    """A ramp that could step, but for a flaw or two."""
    start_g, step_g = draw(GRAMS), draw(GRAMS)
    ration_g = draw(st.one_of(GRAMS, st.just(start_g)))
    ceiling_g = max(round(ration_g + draw(GRAMS), 4), start_g)
    consent: Literal["ask", "auto"] = draw(st.sampled_from(["auto", "ask"])) if most_flaws else "auto"
    ramp = Ramp(start_g, step_g, ceiling_g, draw(st.sampled_from([7, 14, 28])), 1 / 3, consent, 1, ago(70))
    flaws = draw(st.sets(st.sampled_from([*FLAWS, *IN_DOUBT, "unknown"]), max_size=most_flaws))
    told: dict[str, Any] = {name: draw(IN_DOUBT[name]) for name in IN_DOUBT if name in flaws}
    p = told.pop("p_under", 1.0)
    p_under = {g: draw(st.sampled_from([p, 1.0])) for g in rations_to_judge(ramp, ration_g)}
    standing = replace(
        stands(ration_g=ration_g, ration_since_ms=ago(60), accepted_g=draw(st.one_of(st.none(), GRAMS))),
        **{name: draw(FLAWS[name]) for name in FLAWS if name in flaws},
    )
    return ramp, None if "unknown" in flaws else knows(p_under, **told), standing


@given(worlds())
def test_a_step_up_has_everything_it_needs(world: tuple[Ramp, LoadKnowledge | None, TankState]) -> None:
    ramp, knowledge, standing = world
    decision = decide(ramp, knowledge, standing, NOON_MS)
    if decision.daily_g is None or decision.daily_g <= standing.ration_g:
        return
    assert decision.state == "steps up"
    assert decision.daily_g <= min(ramp.ceiling_g, standing.ration_g + ramp.step_g + 1e-6)
    assert decision.daily_g <= 1.5 * standing.ration_g + 1e-6
    assert knowledge is not None
    assert knowledge.fresh
    assert knowledge.refuses is None
    assert ramp.consent == "auto" or decision.daily_g <= (standing.accepted_g or 0)
    sure = [p for g, p in knowledge.p_under.items() if g >= decision.daily_g]
    assert max(sure) >= SURE
    assert not any((standing.held, standing.away, standing.open_findings, standing.crossed))
    assert standing.rising == ()
    assert NOON_MS - standing.ration_since_ms >= ramp.dwell_days * DAY_MS
    for name in ("ammonia", "nitrite", "nitrate"):
        assert NOON_MS - standing.readings[name].at_ms <= RAMP_FRESH_MS
    assert standing.readings["ammonia"].clear
    assert standing.readings["nitrite"].clear


@given(worlds())
def test_a_decision_always_says_why(world: tuple[Ramp, LoadKnowledge | None, TankState]) -> None:
    ramp, knowledge, standing = world
    decision = decide(ramp, knowledge, standing, NOON_MS)
    assert decision.reasons or decision.waits_for
    assert (decision.daily_g is not None) <= (decision.state in ("steps up", "steps back", "limit found"))
    assert (decision.state in ("steps up", "steps back")) <= (decision.daily_g is not None)
    assert decision.daily_g is None or 0 < decision.daily_g != standing.ration_g


@given(worlds(most_flaws=0), st.floats(0.01, 60))
def test_a_second_step_never_comes_within_the_dwell(
    world: tuple[Ramp, LoadKnowledge | None, TankState], later_days: float
) -> None:
    ramp, knowledge, standing = world
    first = decide(ramp, knowledge, standing, NOON_MS)
    assert first.state == "steps up"
    assert first.daily_g is not None
    later_ms = NOON_MS + int(later_days * DAY_MS)
    p = dict.fromkeys(rations_to_judge(ramp, first.daily_g), 1.0)
    again = replace(
        standing,
        ration_g=first.daily_g,
        ration_since_ms=NOON_MS,
        unfed_ms=0,
        readings={name: NewestReading(later_ms, True) for name in standing.readings},
    )
    assert knowledge is not None
    second = decide(ramp, replace(knowledge, found=False, p_under=p), again, later_ms)
    if later_days < ramp.dwell_days:
        assert second.state != "steps up"
    elif first.daily_g < ramp.ceiling_g and ramp.consent == "auto":
        assert second.state == "steps up"
