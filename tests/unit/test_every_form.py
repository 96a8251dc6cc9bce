"""Every form of the pages, sent as a browser sends it: empty, with rubbish in each field, twice, and right.

A form that is refused writes nothing, keeps everything that was typed and says beside the field what is wrong with it
(WCAG 2.2, 3.3.1 and 3.3.3); what the same form sends twice is one entry.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
from house import DAY_MS, FEEDER, FOOD, MINUTE_MS, NOON_MS, TANK, House
from shown_forms import ShownForm, shown_forms
from visitor import Visitor

from tareline.core.alerts.alert import Concern
from tareline.web.pages.absence import END, PLAN
from tareline.web.pages.alerts import SEEN
from tareline.web.pages.forms import FORMS
from tareline.web.pages.load import DECISION, RAMP, WHATIF
from tareline.web.pages.sent import Form

MANY, LONG = "x" * 201, "x" * 4001
PRESS = "press one of the buttons of this form"
SOMETHING = "expected something here; found nothing"
WATER, KIT = "tap", "drops"
ENTER = f"/tanks/{TANK}/enter"


def ledger(visitor: Visitor, kind: str) -> list[dict[str, Any]]:
    return visitor.get(f"/api/v1/tanks/{TANK}/ledger", params={"kind": kind}).json()


def hold(house: House) -> None:
    house.service.hold(TANK, {"reason": "the filter stands still"})
    house.clock.advance(MINUTE_MS)


def plan_absence(house: House) -> None:
    body = {"start": "2025-06-20", "end": "2025-06-25", "daily_g": 0.5}
    house.service.feeding.put_absence(TANK, body)


def set_ramp(house: House) -> None:
    house.service.ramps.put(TANK, {"start_g": 1, "step_g": 0.1, "ceiling_g": 2})


def raise_alert(house: House) -> None:
    concern = Concern("device/probe", "device", None, NOON_MS, "The probe is silent", "Look at its plug.")
    for _ in range(2):
        with house.service.context.write() as tx:
            house.service.alerts.record(tx, [concern], house.service.context.stamp_ms())
        house.clock.advance(DAY_MS)


def leave_finding(house: House) -> None:
    """A weigh-in that says 1.5 g less than the doses and the cell do."""
    house.service.entries.add("weighin", FEEDER, {"mass_g": 50.0, "sd_g": 0.03})
    left_g = 50.0
    for seq in range(1, 13):
        house.clock.advance(DAY_MS // 2)
        before_g, left_g = left_g, round(left_g - 0.25 - 0.01 * (-1) ** seq, 3)
        house.hear(house.dose(seq, before_g=before_g, after_g=left_g, sd_g=0.0057))
    house.service.entries.add("weighin", FEEDER, {"mass_g": round(left_g - 1.5, 3), "sd_g": 0.03})
    house.service.update_accounts()


def nothing(_: House) -> None:
    pass


@dataclass(frozen=True)
class Case:
    """A form and how it is filled in.

    page: where it stands. ident: its id. right: what is typed and pressed. kind, wrote: the entry that this makes.
    rubbish: what is refused in each field, and a part of the message. empty: what the page says of it sent empty, by
    field; None where that is an entry too.
    """

    form: Form
    page: str
    ident: str
    right: dict[str, str]
    kind: str
    wrote: dict[str, Any]
    rubbish: dict[str, tuple[str, str]]
    empty: dict[str, str] | None
    prepare: Callable[[House], None] = nothing


AT = {"at": ("soon", "expected a date and time; found 'soon'")}
BY = {"by": (MANY, "at most 200 characters")}
NOTED = {"note": (LONG, "at most 4000 characters")}
NO_FEEDER = {"feeder": ("nobody", "expected one of this tank's feeders; found 'nobody'")}


def number(text: str = "many") -> tuple[str, str]:
    return text, f"expected a number such as 0.25; found '{text}'"


CASES = {
    "reading": Case(
        FORMS["reading"],
        ENTER,
        "reading",
        {
            "analyte": "tds",
            "value": "410,5",
            "unit": "uS/cm",
            "detected": "",
            "resolution": "1",
            "at": "2025-06-15T08:30",
            "by": "Ada",
        },
        "reading",
        {"analyte": "tds", "value": 410.5, "unit": "uS/cm", "by": "Ada", "at": "2025-06-15T08:30:00.000+00:00"},
        {
            "kit": ("none", "expected one of the kits in the list; found 'none'"),
            "analyte": ("gold", "expected one of"),
            "value": number(),
            "unit": ("furlong", "furlong"),
            "basis": ("gold", "gold"),
            "detected": ("perhaps", "expected yes or no; found 'perhaps'"),
            "below": number(),
            "above": number("1e5"),
            "resolution": number("0x1"),
            "factor": number("nan"),
            "measured_at_c": number("1 2"),
            **AT,
            **BY,
        },
        {"value": SOMETHING, "analyte": "expected a kit or an analyte; found neither"},
    ),
    "handfeed": Case(
        FORMS["handfeed"],
        ENTER,
        "handfeed",
        {"mass_g": "0,07", "sd_g": "0,02", "food": FOOD, "at": "2025-06-15T09:00", "by": "Ada"},
        "handfeed",
        {"mass_g": 0.07, "sd_g": 0.02, "food": FOOD, "by": "Ada", "at": "2025-06-15T09:00:00.000+00:00"},
        {"mass_g": number(), "sd_g": number("-"), "food": ("nobody", "nobody"), **AT, **BY},
        {"mass_g": SOMETHING},
    ),
    "weighin": Case(
        FORMS["weighin"],
        ENTER,
        "weighin",
        {"feeder": FEEDER, "gross_g": "56,4", "tare_g": "20", "sd_g": "0,1", "by": "Ada"},
        "weighin",
        {"mass_g": 36.4, "sd_g": 0.1, "by": "Ada"},
        {
            "mass_g": number("a cup"),
            "gross_g": number("1.000,5"),
            "tare_g": number(),
            "sd_g": ("-1", "greater than or equal to 0"),
            **NO_FEEDER,
            **AT,
            **BY,
        },
        {"feeder": SOMETHING, "mass_g": "expected either mass_g, or gross_g and tare_g"},
    ),
    "refill": Case(
        FORMS["refill"],
        ENTER,
        "refill",
        {"feeder": FEEDER, "added_g": "30", "food": FOOD, "by": "Ada"},
        "refill",
        {"added_g": 30.0, "food": FOOD, "by": "Ada"},
        {
            "added_g": number(),
            "before_g": number(),
            "after_g": number(),
            "food": ("nobody", "nobody"),
            **NO_FEEDER,
            **AT,
            **BY,
        },
        {"feeder": SOMETHING, "added_g": "expected either added_g, or before_g and after_g"},
    ),
    "hopper": Case(
        FORMS["hopper"],
        ENTER,
        "hopper",
        {"feeder": FEEDER, "hung": "off", "by": "Ada"},
        "hopper",
        {"hung": False, "by": "Ada"},
        {**NO_FEEDER, **AT, **BY, "hung": ("half", "expected off or hung; found 'half'")},
        {"feeder": SOMETHING, "": PRESS},
    ),
    "loss": Case(
        FORMS["loss"],
        ENTER,
        "loss",
        {"feeder": FEEDER, "mass_g": "0.5", "sd_g": "0.1", "text": "Spilt <while> filling.", "by": "Ada"},
        "loss",
        {"mass_g": 0.5, "text": "Spilt <while> filling.", "by": "Ada"},
        {"mass_g": ("0", "greater than 0"), "sd_g": number(), "text": (LONG, "4000"), **NO_FEEDER, **AT, **BY},
        {"feeder": SOMETHING, "mass_g": SOMETHING},
    ),
    "waterchange": Case(
        FORMS["waterchange"],
        ENTER,
        "waterchange",
        {"volume": "2,5", "volume_unit": "US gal", "water": WATER, "by": "Ada"},
        "water-change",
        {"volume_l": pytest.approx(9.463529), "water": WATER, "by": "Ada"},  # 2.5 times 3.785411784 L: NIST Handbook 44
        {
            "volume": ("0", "greater than 0"),
            "volume_unit": ("bucket", "expected L or US gal; found 'bucket'"),
            "water": ("nobody", "nobody"),
            **AT,
            **BY,
        },
        {"volume": SOMETHING},
    ),
    "topup": Case(
        FORMS["topup"],
        ENTER,
        "topup",
        {"volume": "1,5", "volume_unit": "L", "water": WATER, "by": "Ada"},
        "top-up",
        {"volume_l": 1.5, "water": WATER, "by": "Ada"},
        {
            "volume": number("a jug"),
            "volume_unit": ("bucket", "expected L or US gal; found 'bucket'"),
            "water": ("nobody", "nobody"),
            **AT,
            **BY,
        },
        None,
    ),
    "note": Case(
        FORMS["note"],
        ENTER,
        "note",
        {"kind": "harvest", "text": "Cut back\nthe stems & more.", "count": "3", "mass_g": "4,5", "share": "0,1"},
        "note",
        {"note_kind": "harvest", "text": "Cut back\nthe stems & more.", "count": 3, "mass_g": 4.5, "share": 0.1},
        {
            "kind": ("party", "party"),
            "text": (LONG, "4000"),
            "mass_g": number(),
            "count": ("2.5", "expected a whole number; found '2.5'"),
            "share": ("7", "less than or equal to 1"),
            **AT,
            **BY,
        },
        {"kind": SOMETHING, "text": SOMETHING},
    ),
    "hold": Case(
        FORMS["hold"],
        f"/tanks/{TANK}",
        "form-hold",
        {"reason": "the water is cloudy", "by": "Ada"},
        "hold",
        {"reason": "the water is cloudy", "by": "Ada"},
        {"reason": (MANY, "200"), **BY},
        {"reason": SOMETHING},
    ),
    "release": Case(
        FORMS["release"],
        f"/tanks/{TANK}",
        "form-release",
        {"note": "the filter runs again", "by": "Ada"},
        "release",
        {"note": "the filter runs again", "by": "Ada"},
        {"note": (MANY, "200"), **BY},
        {"note": SOMETHING},
        hold,
    ),
    "finding": Case(
        FORMS["finding"],
        f"/tanks/{TANK}",
        "finding-1",
        {"decision": "dismiss", "note": "the scale stood askew", "by": "Ada"},
        "finding",
        {"note": "the scale stood askew", "by": "Ada"},
        {"decision": ("perhaps", "perhaps"), **NOTED, **BY},
        {"": PRESS},
        leave_finding,
    ),
    "seen": Case(
        SEEN,
        "/alerts",
        "alert-1",
        {"note": "a new plug", "by": "Ada"},
        "",
        {"seen_by": "Ada", "note": "a new plug", "state": "seen"},
        {**NOTED, **BY},
        None,
        raise_alert,
    ),
    "absence": Case(
        PLAN,
        f"/tanks/{TANK}/absence",
        "absence",
        {"start": "2025-06-20", "end": "2025-06-25", "daily_g": "0,5", "by": "Ada"},
        "absence",
        {"start": "2025-06-20", "end": "2025-06-25", "daily_g": 0.5, "by": "Ada"},
        {
            "start": ("soon", "expected a date such as 2026-03-01; found 'soon'"),
            "end": ("late", "expected a date such as 2026-03-01; found 'late'"),
            "daily_g": number(),
            "tell": ("nobody", "found 'nobody'"),
            **BY,
        },
        {"start": SOMETHING, "end": SOMETHING, "daily_g": SOMETHING},
    ),
    "absence's end": Case(
        END,
        f"/tanks/{TANK}/absence",
        "absence-end",
        {"do": "end"},
        "absence",
        {"daily_g": None},
        {},
        None,
        plan_absence,
    ),
    "ramp": Case(
        RAMP,
        f"/tanks/{TANK}/load",
        "ramp-form",
        {"start_g": "1,1", "step_g": "0,1", "ceiling_g": "2", "dwell_days": "30", "consent": "auto", "by": "Ada"},
        "ramp",
        {"start_g": 1.1, "step_g": 0.1, "ceiling_g": 2.0, "dwell_days": 30.0, "consent": "auto", "by": "Ada"},
        {
            "start_g": number(),
            "step_g": number(),
            "ceiling_g": ("0,5", "expected at least start_g"),
            "dwell_days": ("3", "greater than or equal to 7"),
            "consent": ("never", "never"),
            "confirm": ("perhaps", "perhaps"),
            **BY,
        },
        {"start_g": SOMETHING, "step_g": SOMETHING, "ceiling_g": SOMETHING},
    ),
    "decision": Case(
        DECISION,
        f"/tanks/{TANK}/load",
        "decision",
        {"decision": "veto", "note": "not before the holidays", "by": "Ada"},
        "ramp",
        {"decision": "veto", "note": "not before the holidays", "by": "Ada"},
        {"decision": ("perhaps", "perhaps"), **NOTED, **BY},
        {"": PRESS},
        set_ramp,
    ),
}
NAMES = list(CASES)


@pytest.fixture
def house(house: House) -> House:
    house.add("water", id=WATER, name="Tap")
    house.add("kit", id=KIT, name="Ammonia drops", analyte="ammonia", unit="mg/L", basis="N", steps=[0, 0.25, 0.5])
    return house


@pytest.fixture
def visitor(house: House) -> Visitor:
    return Visitor(house)


def shown(answer: httpx.Response, case: Case) -> ShownForm:
    return shown_forms(answer.text)[case.ident]


def written(visitor: Visitor, case: Case) -> list[dict[str, Any]]:
    """The entries that say what the form says; of alerts those that were seen."""
    if case.kind == "":
        found = visitor.get("/api/v1/alerts", params={"state": "seen"}).json()
    else:
        found = ledger(visitor, case.kind)
    return [one for one in found if {name: one.get(name) for name in case.wrote} == case.wrote]


def everything(visitor: Visitor, case: Case) -> list[Any]:
    return [visitor.get(f"/api/v1/{path}").json() for path in (f"tanks/{TANK}/ledger", "alerts")]


@pytest.mark.parametrize("what", NAMES)
def test_sent_right_it_is_one_entry_and_sent_again_no_other(house: House, visitor: Visitor, what: str) -> None:
    case = CASES[what]
    case.prepare(house)
    assert written(visitor, case) == []
    form = shown(visitor.get(case.page), case)
    filled = form.values | case.right
    answer = visitor.post(form.action, data=filled)
    assert answer.status_code == 303, answer.text
    assert len(written(visitor, case)) == 1
    said = visitor.get(answer.headers["location"].partition("#")[0])
    assert re.search(r'role="status">[A-Z][^<]+\.</p>', said.text)
    before = everything(visitor, case)
    assert visitor.post(form.action, data=filled).status_code == 303
    assert everything(visitor, case) == before


@pytest.mark.parametrize("what", [name for name in NAMES if CASES[name].empty is not None])
def test_sent_empty_it_says_what_is_needed(house: House, visitor: Visitor, what: str) -> None:
    case = CASES[what]
    assert case.empty is not None
    case.prepare(house)
    before = everything(visitor, case)
    form = shown(visitor.get(case.page), case)
    assert (form.alert, form.wrong, form.focus) == ("", {}, [])
    answer = visitor.post(form.action, data=form.values)
    assert answer.status_code == 422
    refused = shown(answer, case)
    assert refused.wrong == {name: text for name, text in case.empty.items() if name}
    assert case.empty.get("", "please look at the fields marked below") in refused.alert
    first = "" if "" in case.empty else next(name for name in refused.values if name in refused.wrong)
    assert refused.focus == [first]
    assert set(form.required) <= {*case.empty, "volume_unit"}
    assert everything(visitor, case) == before


@pytest.mark.parametrize("what", [name for name in NAMES if CASES[name].empty is None and CASES[name].rubbish])
def test_sent_empty_it_is_an_entry_where_nothing_is_needed(house: House, visitor: Visitor, what: str) -> None:
    case = CASES[what]
    case.prepare(house)
    form = shown(visitor.get(case.page), case)
    assert form.required in ([], ["volume_unit"])
    before = everything(visitor, case)
    assert visitor.post(form.action, data=form.values).status_code == 303
    assert everything(visitor, case) != before


@pytest.mark.parametrize("what", NAMES)
def test_rubbish_is_told_beside_its_field_and_everything_typed_stays(house: House, visitor: Visitor, what: str) -> None:
    case = CASES[what]
    case.prepare(house)
    before = everything(visitor, case)
    form = shown(visitor.get(case.page), case)
    typed = [name for name in form.values if name not in form.hidden]
    pressed = [name for name in form.buttons if name in case.form.fields]
    assert set(case.rubbish) == {*typed, *pressed}, "every field is tried"
    assert {*typed, *pressed} <= set(case.form.fields), "what is shown is read"
    for name, (text, message) in case.rubbish.items():
        sent = form.values | case.right | {name: text}
        answer = visitor.post(form.action, data=sent)
        assert 400 <= answer.status_code < 500, (name, answer.text)
        refused = shown(answer, case)
        if name in form.buttons:
            assert message in refused.alert
        else:
            assert message in refused.wrong.get(name, ""), (name, refused.wrong, refused.alert)
            assert refused.focus == [name]
        kept = [one for one in typed if one != name or name not in form.choices]
        assert {one: refused.values[one] for one in kept} == {one: sent[one] for one in kept}
    assert everything(visitor, case) == before


@pytest.mark.parametrize("what", [name for name in NAMES if CASES[name].rubbish])
def test_everything_that_is_wrong_is_told_at_once(house: House, visitor: Visitor, what: str) -> None:
    case = CASES[what]
    case.prepare(house)
    form = shown(visitor.get(case.page), case)
    wrong = {"by": MANY} | {name: "many" for name, kind in case.form.fields.items() if kind is float}
    wrong = {name: text for name, text in wrong.items() if name in form.values}
    refused = shown(visitor.post(form.action, data=form.values | case.right | wrong), case)
    assert set(wrong) <= set(refused.wrong)


# -- where somebody else was quicker -----------------------------------------------------------------------------------


def release(house: House) -> None:
    house.service.release(TANK, {"note": "the filter runs again"})


def stop_ramp(house: House) -> None:
    house.service.ramps.decide(TANK, {"decision": "stop"})


def see_alert(house: House) -> None:
    house.service.alerts.seen(1, {"by": "Bob"})


def clear_alert(house: House) -> None:
    for _ in range(2):
        with house.service.context.write() as tx:
            house.service.alerts.record(tx, [], house.service.context.stamp_ms())
        house.clock.advance(DAY_MS)


LATE: dict[str, tuple[str, Callable[[House], None], dict[str, str], int, str]] = {
    "a hold, held by another": ("hold", hold, {"reason": MANY}, 422, "please look at the fields marked below"),
    "a release, released by another": ("release", release, {}, 409, "feeding is not held"),
    "a decision of a ramp that was stopped": ("decision", stop_ramp, {}, 409, "this ramp has ended"),
    "an alert, seen by another": ("seen", see_alert, {"note": LONG}, 422, "please look at the fields marked below"),
    "an alert that has cleared": ("seen", clear_alert, {"note": LONG}, 422, "please look at the fields marked below"),
}


@pytest.mark.parametrize("what", LATE)
def test_a_form_stays_with_what_was_typed_where_somebody_else_was_quicker(
    house: House, visitor: Visitor, what: str
) -> None:
    name, meanwhile, also, status, message = LATE[what]
    case = CASES[name]
    case.prepare(house)
    form = shown(visitor.get(case.page), case)
    meanwhile(house)
    assert case.ident not in shown_forms(visitor.get(case.page).text)
    sent = form.values | case.right | also
    answer = visitor.post(form.action, data=sent)
    assert answer.status_code == status
    refused = shown(answer, case)
    assert message in refused.alert
    assert {one: refused.values[one] for one in form.values} == {one: sent[one] for one in form.values}
    assert len(refused.focus) == 1


# -- the question of the load's page, which changes nothing, and the sign-in -------------------------------------------

ASKED = {
    "daily_g": number(),
    "days": ("2.5", "expected a whole number; found '2.5'"),
    "food": ("nobody", "there is none called 'nobody'"),
    "change_l": ("600", "expected 0 to 60; found 600"),
    "water": ("nobody", "there is none called 'nobody'"),
    "plants_removed": ("7", "expected 0 to 1; found 7"),
    "holiday_start": ("soon", "expected a date such as 2026-03-01; found 'soon'"),
    "holiday_end": ("2025-06-01", "expected a date from 2025-06-20 on; found 2025-06-01"),
    "holiday_g": number("-"),
}


def test_what_if_keeps_what_was_typed_and_says_what_cannot_be_answered(house: House, visitor: Visitor) -> None:
    page = f"/tanks/{TANK}/load"
    form = shown_forms(visitor.get(page).text)["whatif"]
    assert (form.method, form.hidden) == ("get", ["asked"])
    assert set(form.values) - {"asked"} == set(ASKED) == set(WHATIF.fields)
    right = form.values | {"daily_g": "0,9", "change_l": "10", "water": WATER, "food": FOOD}
    right |= {"holiday_start": "2025-06-20", "holiday_end": "2025-06-25"}
    for name, (text, message) in ASKED.items():
        answer = visitor.get(page, params=right | {name: text})
        assert answer.status_code == 422
        refused = shown_forms(answer.text)["whatif"]
        assert message in refused.wrong.get(name, ""), (name, refused)
        assert refused.focus == [name]
        kept = [one for one in ASKED if one != name or name not in form.choices]
        assert {one: refused.values[one] for one in kept} == {one: (right | {name: text})[one] for one in kept}


@pytest.mark.parametrize("typed", [{}, {"daily_g": "0,9"}], ids=["empty", "right"])
def test_what_if_is_not_answered_before_the_load_is_known(visitor: Visitor, typed: dict[str, str]) -> None:
    answer = visitor.get(f"/tanks/{TANK}/load", params={"asked": "1", **typed})
    refused = shown_forms(answer.text)["whatif"]
    assert (answer.status_code, refused.wrong, refused.focus) == (409, {}, [""])
    assert "Not answered: the load of this tank has not been calculated yet." in refused.alert


def test_the_sign_in_is_refused_beside_its_field_until_the_token_is_right(tmp_path: Path) -> None:
    house = House.furnished(tmp_path, http={"token": "a-token-for-tests"})
    visitor = Visitor(house)
    for typed in ({}, {"token": ""}, {"token": "a-token"}, {"token": LONG}):
        answer = visitor.post("/login", data=typed)
        (form,) = shown_forms(answer.text).values()
        assert (answer.status_code, answer.headers.get("set-cookie")) == (401, None)
        assert form.wrong == {"token": "This is not the token that the service was given."}
        assert form.values == {"token": ""}  # a browser keeps no secret in a page
    for _ in range(2):
        answer = visitor.post("/login", data={"token": "a-token-for-tests"})
        assert (answer.status_code, answer.headers["location"]) == (303, "/")
        assert "tareline_token=" in answer.headers["set-cookie"]
    house.close()


# -- what is no form of ours -------------------------------------------------------------------------------------------

FORM = {"Content-Type": "application/x-www-form-urlencoded"}
NO_FORMS: dict[str, tuple[dict[str, Any], int, str]] = {
    "larger than 64 KiB": ({"content": b"text=" + b"x" * 70_000, "headers": FORM}, 413, "larger than 64 KiB"),
    "too many fields": ({"data": {f"field-{i}": "x" for i in range(41)}}, 422, "more than 40 fields"),
    "JSON": ({"json": {"kind": "other", "text": "x"}}, 422, "not a form"),
    "a file": ({"files": {"text": b"x"}, "data": {"kind": "other"}}, 422, "not a form"),
    "of no type": ({"content": b"kind=other&text=x"}, 422, "not a form"),
    "of bytes that no browser sends": ({"content": b"kind=other&text=\xe4", "headers": FORM}, 422, "not a form"),
}


@pytest.mark.parametrize("what", NO_FORMS)
def test_what_is_no_form_is_refused_on_a_page_that_says_so(house: House, visitor: Visitor, what: str) -> None:
    other, status, says = NO_FORMS[what]
    for path in (f"{ENTER}/note", f"/tanks/{TANK}/hold", f"/tanks/{TANK}/absence", f"/tanks/{TANK}/ramp"):
        answer = visitor.post(path, **other)
        assert answer.status_code == status
        assert answer.headers["content-type"] == "text/html; charset=utf-8"
        assert says in answer.text
    assert house.ledger("note") == []
    assert not house.hold().held


def test_forty_fields_are_a_form(house: House, visitor: Visitor) -> None:
    typed = {"kind": "other", "text": "Grüße, 魚 & +1"} | {f"field-{i}": "x" for i in range(38)}
    assert visitor.post(f"{ENTER}/note", data=typed).status_code == 303
    (entry,) = ledger(visitor, "note")
    assert entry["text"] == "Grüße, 魚 & +1"
